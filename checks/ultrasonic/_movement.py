"""Does what lies above 20 kHz move with the programme below it, and would it show if it did?

Segments in which the band of 5 to 18 kHz is loud are compared with segments in which it is at
about its usual level: band by band the median of the one against the median of the other. The
quietest third is left out, so that standing tape, leader and run-out, where hiss comes and goes
with the tape, are not taken for programme.

That a band moves with the programme does not prove music there: distortion, modulation noise
and the clicks of an editor's knife move with it as well. That none does proves nothing unless
the programme is bright enough, which ``absence`` weighs with care: old and slow tape, worn heads
and many instruments have little above 15 kHz.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks._spectra import decibels
from checks.measures import BandLine
from checks.model import rounded
from checks.ultrasonic._collect import PROGRAMME_TO_HZ, TrackSpectrum
from checks.ultrasonic._points import BandLayout
from checks.ultrasonic._wall import FLOOR_PERCENTILE

ENOUGH: Final = 24  # points in time, below which nothing is said about movement
USUAL: Final = (33.0, 60.0)  # percentiles of the programme's level: what it is held against
LOUD: Final = (90.0, 97.0)  # percentiles above which it is loud, and very loud
LEAST_LOUD: Final = 8  # points that a median is taken of
MOVES_DB: Final = 1.5  # what a band must move by; and four times its own uncertainty
POOL: Final = 4  # narrow bands taken together for the correlation
CORRELATES: Final = 0.4  # from here on; and four times its own uncertainty
STANDS_DB: Final = 3.0  # by which more than noise would, a band's peaks stand over its median
QUIETER_THAN_ANY_DBFS_HZ: Final = -176.0  # 3 dB under the best converters (130 dB)
BRIGHT_HZ: Final = (12e3, 18e3)  # where the programme must be seen ...
BRIGHT_DB: Final = 6.0  # ... to move by this ...
BRIGHT_SHARE: Final = 0.7  # ... in this share of the bands, so that it is no single tones
ROOM_HZ: Final = 25e3  # up to here there must be room below the file's own filter
SHOWS_DB: Final = 3.0  # over the floor, that is what the programme must come to above 20 kHz
WALL_HZ: Final = (20.4e3, 24.2e3)  # where a lower rate ends the programme
# Where a rate of 32 kHz and lines for broadcasting end it; some instruments and machines as well.
EARLY_WALL_HZ: Final = (13.5e3, 20.4e3)
DOUBTS: Final = 2.0  # standard deviations by which chance may lift a band in the loud segments
_STILL_ABOVE: Final = 1.05  # of the wall: from there on nothing may move with faint programme,
_FAINT_DB: Final = 15.0  # less far over the noise than this; the skirt of louder one may be seen
WALL_DB: Final = 13.0  # within a tenth of an octave: no tape, head or instrument does that
# Where another track must go on to show that no stage of all tracks ends: up to a quarter of an
# octave higher, where a filter that falls like that has taken 30 dB.
BEYOND: Final = (1.025, 1.19)
FLOOR_FALLS_DB: Final = 6.0  # hiss falls by 2 dB there; a filter behind the tape takes it as well


@dataclass(frozen=True, slots=True, eq=False)
class Movement:
    """How each narrow band moves with the programme.

    Attributes:
        lift_db: by how much the programme is louder in the loud segments than usual.
        usual: (bands,): median level in the usual segments, dBFS a hertz.
        contrast_db: (bands,): by how much the loud median lies above it.
        doubt_db: (bands,): standard deviation that noise alone gives the contrast.
        excess: (bands,): level of what the loud segments have more, dBFS a hertz; -inf: nothing.
        clear: (bands,): whether the band is free of steady lines.
        moves: (bands,): whether it moves with the programme, loud against usual or by its
            correlation, or its peaks stand over its floor.
    """

    lift_db: float
    usual: NDArray[np.float64]
    contrast_db: NDArray[np.float64]
    doubt_db: NDArray[np.float64]
    excess: NDArray[np.float64]
    clear: NDArray[np.bool_]
    moves: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Absence:
    """Why it is held that a programme has been cut off.

    Attributes:
        from_hz: above this nothing moves.
        expected_db: by how much the loud parts should have stood over the floor there.
        seen_db: by how much they do.
        like_a_wall: the programme is there up to ``from_hz`` and ends within a tenth of an octave.
        floor_falls_db: by how much the floor falls from below to above ``from_hz``.
        early: so far below 20 kHz that the sound itself may end there.
    """

    from_hz: float
    expected_db: float
    seen_db: float
    like_a_wall: bool
    floor_falls_db: float
    early: bool = False

    @property
    def before_the_tape(self) -> bool:
        """Whether the tape's hiss goes on, so that what ends the programme lies before it."""
        return self.floor_falls_db < FLOOR_FALLS_DB


def movement(track: TrackSpectrum, clear: NDArray[np.bool_]) -> Movement | None:
    """How the bands move with the programme; None where too little was seen.

    Args:
        clear: (bands,) whether a band is free of steady lines; others do not count.
    """
    if len(track.programme) < ENOUGH:
        return None
    low, high = percentile(track.programme, USUAL)
    usual = (track.programme >= low) & (track.programme <= high)
    reference = median(track.levels[usual], axis=0)
    deviation = 4.34 * np.sqrt(1.5 / track.layout.bins)  # of one segment: chi-squared, Hann
    contrast = np.full(track.layout.count, -np.inf)
    doubt = np.zeros(track.layout.count)
    for percent in LOUD:
        loud = track.programme >= percentile(track.programme, percent)
        if loud.sum() < LEAST_LOUD and percent != LOUD[0]:
            continue
        found = median(track.levels[loud], axis=0) - reference
        # A median of n normal deviates wanders by 1.25 / sqrt(n) of one.
        error = 1.25 * deviation * np.sqrt(1.0 / loud.sum() + 1.0 / usual.sum())
        better = found - 4.0 * error > contrast - 4.0 * doubt
        contrast, doubt = np.where(better, found, contrast), np.where(better, error, doubt)
    loudest = reference + contrast
    peaks = percentile(track.levels, LOUD[1], axis=0) - median(track.levels, axis=0)
    moves = contrast >= np.maximum(MOVES_DB, 4.0 * doubt)
    moves |= _correlates(track, clear)
    moves |= peaks >= 1.88 * 1.5 * deviation + STANDS_DB  # 1.88: the normal 97th percentile
    moves &= clear & (loudest > QUIETER_THAN_ANY_DBFS_HZ)
    with np.errstate(divide="ignore"):
        excess = 10.0 * np.log10(np.maximum(10.0 ** (loudest / 10) - 10.0 ** (reference / 10), 0))
    lift = median(track.programme[track.programme >= percentile(track.programme, LOUD[0])])
    return Movement(
        lift_db=float(lift - median(track.programme[usual])),
        usual=reference,
        contrast_db=contrast,
        doubt_db=doubt,
        excess=excess,
        clear=clear,
        moves=moves,
    )


def _correlates(track: TrackSpectrum, clear: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(bands,): whether the level of the bands around each correlates with the programme's."""
    loud = track.programme >= percentile(track.programme, USUAL[0])
    power = track.power[loud] * np.where(clear, np.diff(track.layout.edges_hz), 0.0)
    count = power.shape[1] - POOL + 1
    pooled = sum(power[:, k : k + count] for k in range(POOL))
    found = _correlation(decibels(np.asarray(pooled)), track.programme[loud])
    middle = np.zeros(track.layout.count)
    first = POOL // 2 - 1  # the two in the middle of each pool stand for it
    middle[first : first + len(found)] = found
    middle[first + 1 : first + 1 + len(found)] = np.maximum(
        middle[first + 1 :][: len(found)], found
    )
    # Below its upper end the programme is made of these very bands.
    beyond = track.layout.edges_hz[:-1] >= PROGRAMME_TO_HZ
    return np.asarray(beyond & (middle >= max(CORRELATES, 4.0 / np.sqrt(loud.sum()))))


def information_hz(
    track: TrackSpectrum, seen: Movement | None, limit_hz: float | None
) -> float | None:
    """Up to where the track carries information.

    The upper edge of the highest of two neighbouring narrow bands that both move with the
    programme of the same track (5 to 18 kHz), or whose peaks stand over their own floor, by more
    than noise would. Nothing above ``limit_hz``, where the noise floor itself ends, counts, and
    nothing quieter than any converter. None: nothing above 5 kHz does, or too little was seen.
    """
    if seen is None:
        return None
    pairs = np.flatnonzero(seen.moves[1:] & seen.moves[:-1]) + 1
    if not len(pairs):
        return None
    edges = track.layout.edges_hz[pairs + 1]
    if limit_hz is not None:
        edges = np.minimum(edges, limit_hz)
    return float(edges.max())


def absence(
    track: TrackSpectrum, seen: Movement | None, rate_hz: float, *, allowance_db: float
) -> Absence | None:
    """Whether the programme was cut off near 20 kHz, though it would have shown above.

    Args:
        allowance_db: by how much tape and heads may have weakened the programme between 17 and
            22 kHz beyond the slope that it has below.
    """
    if seen is None or 0.45 * rate_hz < ROOM_HZ:
        return None
    moving = np.flatnonzero(seen.moves[1:] & seen.moves[:-1]) + 1
    centres = track.layout.centre_hz
    if (centres[moving] > ROOM_HZ).any():
        return None
    bright = (centres > BRIGHT_HZ[0]) & (centres < BRIGHT_HZ[1]) & seen.clear
    if not bright.any() or (seen.contrast_db[bright] >= BRIGHT_DB).mean() < BRIGHT_SHARE:
        return _programme_wall(track, seen)
    above = (centres > 20.5e3) & (centres < ROOM_HZ) & seen.clear
    if not above.any() or (centres[moving] > 20.5e3).any():
        return _programme_wall(track, seen)
    middle = _median(seen.excess, (centres > 11e3) & (centres < 13e3) & seen.clear)
    top = _median(seen.excess, (centres > 16e3) & (centres < 18e3) & seen.clear)
    slope = min((top - middle) / np.log2(17 / 12), -6.0)  # at least 6 dB an octave
    expected = top + slope * np.log2(22.5 / 17) - allowance_db - _median(seen.usual, above)
    seen_db = float(np.mean(seen.contrast_db[above]))
    if not np.isfinite(expected) or expected < SHOWS_DB or seen_db > 1.0:
        return _programme_wall(track, seen)
    shown = 10.0 * np.log10(1.0 + 10.0 ** (expected / 10))
    return Absence(
        from_hz=20_000.0,
        expected_db=float(shown),
        seen_db=seen_db,
        like_a_wall=False,
        floor_falls_db=_floor_falls(track, seen, 20_000.0),
    )


def goes_on(layout: BandLayout, seen: Movement, from_hz: float) -> bool:
    """Whether a track's programme plainly goes on above a frequency at which another's ends."""
    centres = layout.centre_hz
    beyond = (centres > from_hz * BEYOND[0]) & (centres < from_hz * BEYOND[1]) & seen.clear
    return _median(seen.contrast_db, beyond) >= SHOWS_DB


def _floor_falls(track: TrackSpectrum, seen: Movement, from_hz: float) -> float:
    """By how much the floor, the tenth percentile in time, falls about ``from_hz``."""
    floor = percentile(track.levels, FLOOR_PERCENTILE, axis=0)
    ratio = track.layout.centre_hz / from_hz
    below = (ratio > 1 / BEYOND[1]) & (ratio < 1 / BEYOND[0]) & seen.clear
    above = (ratio > BEYOND[0]) & (ratio < BEYOND[1]) & seen.clear
    return _median(floor, below) - _median(floor, above)


def _programme_wall(track: TrackSpectrum, seen: Movement) -> Absence | None:
    """Where the moving part of the spectrum ends within a tenth of an octave, if it does."""
    wall = _wall_within(WALL_HZ, track, seen)
    if wall is not None:
        return None if _moves_above(track, seen, wall) and wall.expected_db < _FAINT_DB else wall
    wall = _wall_within(EARLY_WALL_HZ, track, seen)
    return None if wall is None or _moves_above(track, seen, wall) else replace(wall, early=True)


def _moves_above(track: TrackSpectrum, seen: Movement, wall: Absence) -> bool:
    above = track.layout.centre_hz[1:] > wall.from_hz * _STILL_ABOVE
    return bool((seen.moves[1:] & seen.moves[:-1] & above).any())


def _wall_within(
    between_hz: tuple[float, float], track: TrackSpectrum, seen: Movement
) -> Absence | None:
    """The deepest such end between two frequencies."""
    centres, edges = track.layout.centre_hz, track.layout.edges_hz
    # What moves less than the median of some bands can tell is not seen: 8 dB under the floor, or
    # less far under it where few segments are loud and chance moves the floor itself.
    chance = 10.0 * np.log10(np.expm1(DOUBTS * seen.doubt_db * np.log(10.0) / 10.0))
    excess = np.maximum(seen.excess, seen.usual + np.maximum(chance, -8.0))
    best: tuple[float, Absence] | None = None
    for edge in edges[(edges >= between_hz[0]) & (edges <= between_hz[1])]:
        before, below, above = (
            (centres > edge * low) & (centres < edge * high) & seen.clear
            for low, high in ((0.81, 0.91), (0.91, 0.985), (1.025, 1.12))
        )
        if min(before.sum(), below.sum(), above.sum()) < 2 or not seen.moves[below].all():
            continue
        passed, stopped = _median(excess, below), _median(excess, above)
        drop = passed - stopped
        if drop < WALL_DB or _median(excess, before) - passed > 6.0:
            continue
        if (seen.contrast_db[before | below] >= MOVES_DB).mean() < BRIGHT_SHARE:
            continue  # single tones end somewhere
        if best is None or drop > best[0]:
            over = passed - _median(seen.usual, above)
            found = Absence(
                from_hz=float(edge),
                expected_db=float(10.0 * np.log10(1.0 + 10.0 ** (over / 10))),
                seen_db=_median(seen.contrast_db, above),
                like_a_wall=True,
                floor_falls_db=_floor_falls(track, seen, float(edge)),
            )
            best = (drop, found)
    return best[1] if best is not None else None


def report_bands(track: TrackSpectrum, clear: NDArray[np.bool_]) -> tuple[BandLine, ...]:
    """The bands of the report; narrow bands that are not ``clear`` of lines do not count."""
    bands = track.layout.report
    widths = np.diff(track.layout.edges_hz)
    weights = np.zeros((track.layout.count, len(bands)))
    for k, band in enumerate(bands):
        weights[band.first : band.stop, k] = (widths * clear)[band.first : band.stop]
    covered = weights.sum(axis=0)
    # What a line's place would hold without it: the mean of the rest of the band.
    scale = np.array([band.to_hz - band.from_hz for band in bands]) / np.maximum(covered, 1e-9)
    level = decibels(track.layout.means(track.density) @ weights * scale)
    moved = correlation = np.full(len(bands), np.nan)
    if len(track.programme) >= ENOUGH:
        series = decibels(track.power @ weights)
        moved = np.subtract(*percentile(series, (95, 10), axis=0))
        loud = track.programme >= percentile(track.programme, USUAL[0])
        correlation = _correlation(series[loud], track.programme[loud])
    seen = (covered > 0) & (track.segments > 0)
    return tuple(
        BandLine(
            from_hz=band.from_hz,
            to_hz=band.to_hz,
            level_dbfs=rounded(level[k]) if seen[k] else None,
            movement_db=rounded(moved[k]) if seen[k] else None,
            correlation=rounded(correlation[k]) if seen[k] else None,
        )
        for k, band in enumerate(bands)
    )


def _correlation(series: NDArray[np.float64], heard: NDArray[np.float64]) -> NDArray[np.float64]:
    """(columns,): correlation of each column of (points, columns) with (points,); NaN: neither."""
    series = series - series.mean(axis=0)
    heard = heard - heard.mean()
    scale = np.sqrt(np.square(series).sum(axis=0) * np.dot(heard, heard))
    found = (heard @ series) / np.maximum(scale, 1e-9)
    return np.asarray(np.where(scale > 1e-9, found, np.nan))


def _median(values: NDArray[np.float64], where: NDArray[np.bool_]) -> float:
    return float(median(values[where])) if where.any() else -np.inf
