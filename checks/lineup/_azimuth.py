"""From phases at several tones to delays, polarity, and the tilt of a head.

A head tilted by an angle a replays a track at distance d from the reference track later by
d tan(a) / v at tape speed v: a delay, the same at all frequencies; its phase is 360 f times that.
A reversed polarity is 180 degrees at all frequencies. So one tone alone cannot tell them apart, nor
a delay from one longer by a period; several tones can. Loss within a track of width w:
20 log10 |sin x / x|, x = pi w f tan(a) / v. A positive delay: this track is later than the
reference track.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import atan, cos, degrees, inf, log10, pi, sin, sqrt, tan
from typing import Final

import numpy as np
from numpy.typing import NDArray

# Losses are told down to this: two tracks that differ by 0.3 dB, the tolerance of level, cancel by
# 35 dB at most.
NULL_DB: Final = -30.0
MOST_DELAY_S: Final = 1e-3  # looked for: 6 degrees of tilt over 4 mm at 38 cm/s
ALONE_INVERTED_HZ: Final = 2_000.0  # a single tone up to here half a turn off: polarity
SYSTEMATIC_RAD: Final = 0.01  # least error given to a phase: replay amplifiers differ so much
LEAST_TOLD: Final = 4  # tracks: with three, leaving out any one leaves two, which always fit a line
MANY: Final = 8  # from here on a quarter of the tracks may be strays, below that one
BY_CHANCE: Final = 0.1  # of what is allowed: no line is told better than another by less than that
THREE_PASS: Final = 0.5  # of what is allowed: three of four lie on a line by chance too easily
CLEARLY: Final = 4.0  # times better a line must be to prefer it although it leaves out more tracks


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """Of one track against another. ``ambiguous``: a period of the tone more or less fits too."""

    seconds: float
    sigma_s: float
    inverted: bool
    ambiguous: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tilt:
    """A straight line through the delays over the place on the head, without the strays.

    Attributes:
        seconds_a_track: its slope.
        left_s: (tracks,) what remains of each delay; NaN where none was measured.
        strays: tracks, from 0, that are off the line the others lie on.
        fits: all other tracks lie on it, and no other line does as well. Where not, it is the
            line through all tracks, and nobody can tell which of them are off.
        tracks: how many have a delay.
    """

    seconds_a_track: float
    left_s: NDArray[np.float64]
    strays: tuple[int, ...]
    fits: bool
    tracks: int

    @property
    def proven(self) -> bool:
        """Whether there are tracks enough to tell a tilt from a single late track."""
        return self.fits and self.tracks >= LEAST_TOLD


def delay_of(
    hz: Sequence[float], phase_rad: Sequence[float], sigma_rad: Sequence[float]
) -> Delay | None:
    """The delay, and polarity, that explain the phases at several frequencies.

    Args:
        phase_rad: of this track against the reference, any turns of 2 pi left out.
        sigma_rad: standard error of each phase.
    """
    if not hz:
        return None
    f = np.asarray(hz, np.float64)
    phase = np.asarray(phase_rad, np.float64)
    error = np.hypot(np.asarray(sigma_rad, np.float64), SYSTEMATIC_RAD)
    if len(f) == 1:
        turn = (phase[0] + pi) % (2 * pi) - pi
        inverted = bool(abs(turn) > pi / 2 and f[0] <= ALONE_INVERTED_HZ)
        if inverted:
            turn -= pi if turn > 0 else -pi
        return Delay(
            seconds=float(-turn / (2 * pi * f[0])),
            sigma_s=float(sigma_rad[0]) / (2 * pi * f[0]),
            inverted=inverted,
            ambiguous=bool(f[0] > ALONE_INVERTED_HZ),
        )
    # all delays on a grid fine against the highest tone, then a line through the unwrapped
    # phases; of nearly equal fits the shortest delay without reversal wins
    grid = np.arange(-MOST_DELAY_S, MOST_DELAY_S, 0.05 / f.max())
    best: tuple[float, float, bool] = (inf, 0.0, False)
    for inverted in (False, True):
        told = phase - (pi if inverted else 0.0)
        left = told[:, None] + 2 * pi * f[:, None] * grid
        left -= 2 * pi * np.round(left / (2 * pi))
        misfit = np.sum(
            np.minimum(np.abs(left) / np.maximum(error, 0.1)[:, None], 10.0) ** 2, axis=0
        )
        misfit += np.abs(grid) / MOST_DELAY_S + (2.0 if inverted else 0.0)
        k = int(misfit.argmin())
        if misfit[k] < best[0]:
            best = (float(misfit[k]), float(grid[k]), inverted)
    _, near, inverted = best
    told = phase - (pi if inverted else 0.0)
    left = told + 2 * pi * f * near
    left -= 2 * pi * np.round(left / (2 * pi))
    weight = (2 * pi * f / error) ** 2
    more = float(np.sum(2 * pi * f * -left / error**2) / weight.sum())
    noise = np.asarray(sigma_rad, np.float64)
    sigma = sqrt(float(np.sum((2 * pi * f / error**2 * noise) ** 2))) / float(weight.sum())
    rest = left + 2 * pi * f * more
    scatter = sqrt(float(np.mean((rest / (2 * pi * f)) ** 2 * weight)) / float(weight.sum()))
    return Delay(
        seconds=near + more,
        sigma_s=max(sigma, scatter if len(f) > 2 else 0.0),
        inverted=inverted,
        ambiguous=False,
    )


def angle_arcmin(delay_s: float, distance_mm: float, speed_cm_s: float) -> float:
    """Angle of a head that delays a track at that distance so."""
    return 60.0 * degrees(atan(delay_s * speed_cm_s * 10.0 / distance_mm))


def delay_of_angle_s(arcmin: float, distance_mm: float, speed_cm_s: float) -> float:
    """The delay of a track at that distance by a head at that angle."""
    return tan(arcmin / 60.0 * pi / 180.0) * distance_mm / (speed_cm_s * 10.0)


def track_loss_db(arcmin: float, hz: float, width_mm: float, speed_cm_s: float) -> float:
    """What the tilt takes from a track of that width, 0 dB to ``NULL_DB``."""
    x = pi * width_mm * hz * abs(tan(arcmin / 60.0 * pi / 180.0)) / (speed_cm_s * 10.0)
    if x < 1e-9:
        return 0.0
    return 20.0 * log10(max(abs(sin(x) / x), 10.0 ** (NULL_DB / 20.0)))


def sum_loss_db(delay_s: float, hz: float) -> float:
    """What the sum of two equal tracks loses by a delay between them, 0 dB to ``NULL_DB``."""
    return 20.0 * log10(max(abs(cos(pi * hz * delay_s)), 10.0 ** (NULL_DB / 20.0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """Through the tracks ``kept``; ``worst`` and ``off`` in units of what is allowed."""

    kept: tuple[int, ...]
    slope: float
    base: float
    worst: float
    off: NDArray[np.float64]


def tilt_of(delays: Sequence[Delay | None], allowed_s: float) -> Tilt | None:
    """The line that the tracks of a head lie on, and which tracks are off it.

    A tilt puts all tracks on one line. Where they are not, the fewest are left out that let the
    others lie on one; where leaving out others does as well, nothing is told of single tracks.
    And where leaving out tracks makes the line ``CLEARLY`` better, they are strays even though
    a line through all would pass: one late track at an end pulls such a line after it.

    Args:
        delays: of all tracks in order of their place; None where none is measured or judged.
        allowed_s: how far off its line a track may be.
    """
    places = np.array([k for k, d in enumerate(delays) if d is not None], np.float64)
    if len(places) < 2:
        return None
    seconds = np.array([d.seconds for d in delays if d is not None])
    noise = 3 * np.array([d.sigma_s for d in delays if d is not None])
    within = np.maximum(noise, allowed_s)
    floor = max(BY_CHANCE, float(np.max(noise / within)))
    count = len(places)
    most = count // 4 if count >= MANY else int(count >= LEAST_TOLD)
    best = whole = _line(places, seconds, within, tuple(range(count)))
    fits = whole.worst <= 1.0
    bar = whole.worst if fits else inf  # of the best line with fewer strays that passes
    for strays in range(1, most + 1):
        if bar <= CLEARLY * floor:
            break  # nothing could be clearly better
        line, second = _without(places, seconds, within, strays)
        passes = THREE_PASS if len(line.kept) < LEAST_TOLD else 1.0
        if line.worst > passes or bar <= CLEARLY * max(line.worst, floor):
            continue
        bar = line.worst
        alone = second > 1.0 or second > CLEARLY * max(line.worst, floor)
        out = [k for k in range(count) if k not in line.kept]
        if alone and bool(np.all(line.off[out] > 1.0)):
            best, fits = line, True
    left = np.full(len(delays), np.nan)
    at = places.astype(np.intp)
    left[at] = seconds - best.slope * places - best.base
    return Tilt(
        seconds_a_track=best.slope,
        left_s=left,
        strays=tuple(int(at[k]) for k in range(count) if k not in best.kept),
        fits=fits,
        tracks=count,
    )


def _line(
    places: NDArray[np.float64],
    seconds: NDArray[np.float64],
    within: NDArray[np.float64],
    kept: tuple[int, ...],
) -> _Line:
    """Least squares through some of the tracks."""
    index = list(kept)
    x, y = places[index], seconds[index]
    from_middle = x - x.mean()
    slope = float(from_middle @ y / (from_middle @ from_middle))
    base = float(y.mean() - slope * x.mean())
    off = np.abs(seconds - slope * places - base) / within
    return _Line(kept=kept, slope=slope, base=base, worst=float(off[index].max()), off=off)


def _without(
    places: NDArray[np.float64],
    seconds: NDArray[np.float64],
    within: NDArray[np.float64],
    strays: int,
) -> tuple[_Line, float]:
    """The best line that leaves out so many tracks, and how bad the next best one is."""
    everyone = range(len(places))
    # one stray: each in turn. More: those farthest off the line of each pair, and of the line of
    # the rest once more (least trimmed squares; Rousseeuw 1984, from memory)
    if strays == 1:
        tried = {tuple(k for k in everyone if k != out) for out in everyone}
    else:
        tried = set()
        for kept in combinations(everyone, 2):
            for _ in range(3):
                off = _line(places, seconds, within, kept).off
                kept = tuple(sorted(np.argsort(off, kind="stable")[: len(places) - strays]))
                tried.add(kept)
    lines = sorted((_line(places, seconds, within, kept) for kept in tried), key=lambda a: a.worst)
    return lines[0], lines[1].worst if len(lines) > 1 else inf
