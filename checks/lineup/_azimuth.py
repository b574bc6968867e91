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
from math import atan, cos, degrees, inf, log10, pi, sin, sqrt, tan
from typing import Final

import numpy as np
from numpy.typing import NDArray

MOST_DELAY_S: Final = 1e-3  # looked for: 6 degrees of tilt over 4 mm at 38 cm/s
ALONE_INVERTED_HZ: Final = 2_000.0  # a single tone up to here half a turn off: polarity
SYSTEMATIC_RAD: Final = 0.01  # least error given to a phase: replay amplifiers differ so much


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """Of one track against another. ``ambiguous``: a period of the tone more or less fits too."""

    seconds: float
    sigma_s: float
    inverted: bool
    ambiguous: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tilt:
    """A straight line through the delays of all tracks over their place on the head.

    Attributes:
        seconds_a_track: its slope.
        left_s: (tracks,) what remains of each delay; NaN where none was measured.
    """

    seconds_a_track: float
    left_s: NDArray[np.float64]


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


def track_loss_db(arcmin: float, hz: float, width_mm: float, speed_cm_s: float) -> float:
    """What the tilt takes from a track of that width, at most 0 dB."""
    x = pi * width_mm * hz * abs(tan(arcmin / 60.0 * pi / 180.0)) / (speed_cm_s * 10.0)
    if x < 1e-9:
        return 0.0
    return 20.0 * log10(max(abs(sin(x) / x), 1e-6))


def sum_loss_db(delay_s: float, hz: float) -> float:
    """What the sum of two equal tracks loses by a delay between them, at most 0 dB."""
    return 20.0 * log10(max(abs(cos(pi * hz * delay_s)), 1e-6))


def tilt_of(delays_s: NDArray[np.float64]) -> Tilt | None:
    """The line through the delays of a head's tracks, robust against single strays.

    Theil-Sen: the median of the slopes of all pairs (Sen 1968).

    Args:
        delays_s: (tracks,) in order of their place; NaN where none was measured.
    """
    places = np.flatnonzero(np.isfinite(delays_s))
    if len(places) < 2:
        return None
    first, second = np.triu_indices(len(places), 1)
    slopes = (delays_s[places[second]] - delays_s[places[first]]) / (places[second] - places[first])
    slope = float(np.median(slopes))
    base = float(np.median(delays_s[places] - slope * places))
    return Tilt(seconds_a_track=slope, left_s=delays_s - slope * np.arange(len(delays_s)) - base)
