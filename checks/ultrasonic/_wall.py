"""Finds a noise floor that falls like a wall: the end of a lower sampling rate's band.

The floor is the tenth percentile over time of each narrow band's level. A tape's hiss, a head's
gap and a converter's gentle filter fall by at most some 60 dB an octave; the filters that end a
sampling rate's band fall by several hundred (common practice; the limit lies between). That
the *floor* falls, not the programme above a floor that goes on, is taken as shown where

- the floor below the wall stands still in time, as noise does and programme does not, or
- nothing stands above the wall that any converter could be as quiet as.

A converter's own filter may end its band far below half of the file's rate too (at eight times
the base rate many pass 50 to 100 kHz only). It takes no heed of lower rates, while nothing stands
above half of a lower rate but mirror images, which are looked for elsewhere. So from 30 kHz on a
wall belongs to a lower rate only where it has come down at half of that. Near half of 22.05, 24
and 32 kHz slow tapes and worn heads end as well: there a wall counts only where less is left than
converters have, or where it is as deep and steep as no tape, and no filter before the replay
amplifier, can make it.

A floor that comes up again soon above its fall has a gap, not an end: what steps at a clock of its
own (timecode, pulses) has one at each multiple of that clock.

It does not prove a conversion: an analog filter as steep as that does the same.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks._spectra import decibels
from checks.ultrasonic._collect import TrackSpectrum
from checks.ultrasonic._mirror import LOW_RATES_HZ, LOWER_RATE, PREFERRED_RATES_HZ

LOWEST_HZ: Final = 10_000.0  # below, programme makes walls of its own
HIGHEST_OF_RATE: Final = 0.44  # above, the file's own filter begins (0.45 of the rate)
NEAR: Final = (0.86, 1.03)  # where a band ends, over half its rate: from 19 kHz at 44.1 kHz
# Filters that end a band are 6 dB down at half its rate or before it (common practice); what is
# beyond that by more than such a place can be measured to is of the next rate.
MEASURED: Final = 1.01
# At half of ``LOW_RATES_HZ`` tape and heads end as well. Where a floor falls by more than a replay
# amplifier lies under the hiss (8 to 12 dB), and several times as steeply as tape, heads and gentle
# filters do (up to 60 dB an octave, common practice), it ends behind the amplifier.
LOW_DEPTH_DB: Final = 20.0
LOW_SLOPE_DB_OCTAVE: Final = 250.0
# From here to HIGH_HZ a lower rate's wall has come down at this ratio to half the rate: filters of
# rate changers end at 1.0 to 1.03 (common practice), what they pass above that is mirrored.
OWN_FILTER_HZ: Final = 30_000.0
DOWN_BY: Final = 1.04
DOWN_DB: Final = 60.0  # come down: by this much, or by four fifths of what it falls at all
# From here on converters have such ends of their own, of 140 to 310 dB an octave where they fall by
# 110 dB over 20 kHz and more; rate changers reach 60 dB in a tenth of their edge: 440 (both common
# practice).
HIGH_HZ: Final = 80_000.0
HIGH_SLOPE_DB_OCTAVE: Final = 400.0
BESIDE: Final = 1.05  # the two sides of an edge begin at this ratio from it ...
FAR: Final = 1.19  # ... and end at this: a quarter of an octave
# Up to here, over an edge, a floor may come up again: halfway between the gap of a clock as high as
# the edge itself and the next, where such a clock's spectrum is at its highest (sin x / x).
AGAIN: Final = 1.5
# Converters reach 120 to 130 dB, so -173 dBFS/Hz at best; 3 dB under that is no input's noise.
EMPTY_DBFS_HZ: Final = -176.0
FLOOR_PERCENTILE: Final = 10.0
# Noise that stands still has neighbouring percentiles as far apart as a normal deviate has, in its
# deviations (tables of the normal distribution, from memory). Where two of them part a standing
# machine from a running tape, others lie within one of the two.
PERCENTILES: Final = (3.0, FLOOR_PERCENTILE, 20.0, 30.0)
APART: Final = (0.60, 0.44, 0.32)
LEAST_BANDS: Final = 8  # narrow bands free of lines, to see a floor at all
PEAKY_DB: Final = 4.0  # mean over median of a noise's bins: 0.3 dB after a few averages; with a few
# lines that were not taken out, somewhat more; of overtones without noise, tens
FINE_TO_HZ: Final = 16_000.0  # below, narrow bands are too wide to tell how steep a steep filter is
FINE_BINS: Final = 3  # of the quietest moments' mean spectrum: it scatters by a decibel or less
STILL_POINTS: Final = 16  # fewer do not show whether a floor stands still
STILL: Final = (0.4, 1.5)  # how far apart these two are: times noise's own at least (a steady tone
# holds its level), decibels more at most (programme does not)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """Where and how a floor falls.

    Attributes:
        hz: where it is 6 dB down, the half of its amplitude: half the rate or somewhat less.
        down_hz: where it has come down.
        depth_db: from the floor below to that above.
        width_hz: over which it falls, 3 dB to four fifths of the depth.
        slope_db_octave: how steeply.
        above_dbfs_hz: what stands above the wall.
    """

    hz: float
    down_hz: float
    depth_db: float
    width_hz: float
    slope_db_octave: float
    above_dbfs_hz: float


def find_walls(
    track: TrackSpectrum,
    clear: NDArray[np.bool_],
    rate_hz: float,
    *,
    min_depth_db: float,
    min_slope_db_octave: float,
) -> list[Wall]:
    """The places where a track's noise floor falls like a wall.

    Args:
        clear: (bands,) whether a narrow band is free of steady lines; others are passed over.
    """
    if clear.sum() < LEAST_BANDS:
        return []
    low = percentile(track.levels[:, clear], PERCENTILES, axis=0)
    floor = low[PERCENTILES.index(FLOOR_PERCENTILE)]
    centres = track.layout.centre_hz[clear]
    # A mean of so many Hann bins has a level of this deviation (chi-squared, ENBW 1.5 bins).
    deviation = 4.34 * np.sqrt(1.5 / track.layout.bins[clear])
    spreads = tuple(zip(np.diff(low, axis=0), APART, strict=True))
    edges = (centres[1:] + centres[:-1]) / 2
    likely = np.interp(edges / BESIDE, centres, floor) - np.interp(edges * BESIDE, centres, floor)
    inside = (edges >= LOWEST_HZ) & (edges <= HIGHEST_OF_RATE * rate_hz)
    walls: list[Wall] = []
    for edge in edges[inside & (likely > min_depth_db / 2)]:
        below = (centres >= edge / FAR) & (centres <= edge / BESIDE)
        above = (centres >= edge * BESIDE) & (centres <= min(edge * FAR, 0.49 * rate_hz))
        if below.sum() < 2 or above.sum() < 2:
            continue
        passed, stopped = float(median(floor[below])), float(median(floor[above]))
        if passed - stopped < min_depth_db:
            continue
        usual = float(median(deviation[below]))
        still = len(track.levels) >= STILL_POINTS and any(
            STILL[0] * apart * usual <= median(spread[below]) <= apart * usual + STILL[1]
            for spread, apart in spreads
        )
        if (not still and stopped > EMPTY_DBFS_HZ) or not _is_noise(track, edge):
            continue
        beyond = floor[(centres >= edge) & (centres <= edge * AGAIN)]
        beyond = np.minimum(beyond[1:], beyond[:-1])  # a single band may hold a line
        if (beyond - np.minimum.accumulate(beyond)).max() > (passed - stopped) / 2:
            continue
        start = int(np.argmax(below))
        wall = _measured(centres[start:], floor[start:], passed, stopped)
        if wall.hz < FINE_TO_HZ:
            wall = _finer(track, wall)
        if wall.slope_db_octave < min_slope_db_octave or wall.hz > HIGHEST_OF_RATE * rate_hz:
            continue
        # What begins to fall far below is a slope, and of no lower rate that ends where it passes.
        walls.append(replace(wall, hz=_half_way(centres, floor, wall.hz)))
    return walls


def end_of_band(walls: Iterable[Wall], rate_hz: float) -> Wall | None:
    """The deepest that ends the band of a lower rate, or under which no converter's noise stands.

    One at half a preferred rate comes before any other.
    """
    told = [w for w in walls if lower_rates(w, rate_hz) or w.above_dbfs_hz <= EMPTY_DBFS_HZ]
    return max(told, key=lambda w: (bool(lower_rates(w, rate_hz)), w.depth_db), default=None)


def _half_way(centres: NDArray[np.float64], floor: NDArray[np.float64], hz: float) -> float:
    """Where a floor that falls at ``hz`` is 6 dB under what it is before it begins to fall.

    What lies beside a place on the slope is slope itself: so one goes down, until it is not.
    """
    while True:
        below = (centres >= hz / FAR) & (centres <= hz / BESIDE)
        start = int(np.argmax(below))
        lower = _falls_to(centres[start:], floor[start:], float(median(floor[below])) - 6.0)
        if below.sum() < 2 or not centres[start] < lower < hz:
            return hz
        hz = lower


def _is_noise(track: TrackSpectrum, edge_hz: float) -> bool:
    """Whether what lies below an edge in the quietest moments is noise, not overtones alone."""
    low, high = (int(edge_hz / ratio / track.bin_hz) for ratio in (FAR, BESIDE))
    levels = decibels(track.quiet).mean(axis=0)[low:high]
    return bool(10.0 * np.log10(np.mean(10.0 ** (levels / 10))) - median(levels) <= PEAKY_DB)


def _measured(
    centres: NDArray[np.float64], floor: NDArray[np.float64], passed: float, stopped: float
) -> Wall:
    depth = passed - stopped
    far = max(int(np.searchsorted(centres, centres[0] * FAR**3)), 1)  # well beyond a slow slope
    lowest = float(floor[:far].min())

    hz, begin, end = (
        _falls_to(centres, floor, passed - d) for d in (min(6.0, depth / 2), 3.0, 0.8 * depth)
    )
    octaves = max(np.log2(end / begin), 1e-3)
    return Wall(
        hz=hz,
        down_hz=_falls_to(centres, floor, passed - min(DOWN_DB, 0.8 * (passed - lowest))),
        depth_db=depth,
        width_hz=end - begin,
        slope_db_octave=float((0.8 * depth - 3.0) / octaves),
        above_dbfs_hz=stopped,
    )


def _finer(track: TrackSpectrum, wall: Wall) -> Wall:
    """The wall, as steep as the single bins of the quietest moments show it, if that is more."""
    levels = np.convolve(decibels(track.quiet).mean(axis=0), np.ones(FINE_BINS) / FINE_BINS, "same")
    ends = (wall.hz / FAR, wall.hz / BESIDE, wall.hz * BESIDE, wall.hz * FAR)
    first, near, beyond, last = (int(hz / track.bin_hz) for hz in ends)
    passed, stopped = float(median(levels[first:near])), float(median(levels[beyond:last]))
    if passed - stopped < wall.depth_db / 2:
        return wall
    bins = np.arange(near, last) * float(track.bin_hz)
    fall = 0.8 * (passed - stopped)
    begin, end = (_falls_to(bins, levels[near:last], passed - d) for d in (3.0, fall))
    slope = (fall - 3.0) / max(np.log2(end / begin), 1e-3)
    if slope <= wall.slope_db_octave:
        return wall
    return replace(wall, width_hz=end - begin, slope_db_octave=float(slope))


def _falls_to(
    centres: NDArray[np.floating[Any]], floor: NDArray[np.float64], level: float
) -> float:
    """Where the floor first falls below ``level``, between the middles of bands."""
    at = int(np.argmax(floor < level))
    if at == 0:
        return float(centres[0])
    part = (floor[at - 1] - level) / max(floor[at - 1] - floor[at], 1e-9)
    return float(centres[at - 1] + part * (centres[at] - centres[at - 1]))


def lower_rates(wall: Wall, rate_hz: float) -> tuple[int, ...]:
    """The lower preferred rates whose band would end like this; neighbours may both fit."""
    behind = wall.depth_db >= LOW_DEPTH_DB and wall.slope_db_octave >= LOW_SLOPE_DB_OCTAVE
    low = LOW_RATES_HZ if behind or wall.above_dbfs_hz <= EMPTY_DBFS_HZ else ()
    fit = tuple(
        lower
        for lower in low + PREFERRED_RATES_HZ
        if lower <= LOWER_RATE * rate_hz
        and NEAR[0] <= wall.hz / (lower / 2) <= NEAR[1]
        and _ends_like(wall, lower / 2)
    )
    return tuple(lower for lower in fit if wall.hz <= MEASURED * lower / 2) or fit


def _ends_like(wall: Wall, half_hz: float) -> bool:
    """Whether a wall near half of a lower rate ends as that rate's would, not a converter's own."""
    if half_hz < OWN_FILTER_HZ:
        return True
    steep = half_hz < HIGH_HZ or wall.slope_db_octave >= HIGH_SLOPE_DB_OCTAVE
    return steep and wall.down_hz <= DOWN_BY * half_hz
