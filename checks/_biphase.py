"""Biphase mark code (IEC 60461): where it turns, and how long half a bit lasts.

The distances between its turns are half a bit and a whole one.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks._runs import true_runs

LOUD: Final = 0.3
"""Of the rms: with so much hysteresis noise on an edge is no crossing."""

BIT_RATES_HZ: Final = (500.0, 10_000.0)
"""24 to 30 frames of 80 bits a second, and varispeed."""

_ONES: Final = 12  # in the word of synchronisation, next to two noughts
_SHORT: Final = 1.4  # of the shortest distances: more is a whole bit


def turns(
    places: NDArray[np.int64], values: NDArray[Any]
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Where a signal crosses zero, between samples, and whether it rises there.

    Args:
        places, values: of the samples that are loud, in order.
    """
    at = np.flatnonzero((values[1:] > 0) != (values[:-1] > 0))
    before, behind = values[at], values[at + 1]
    share = before / (before - behind)
    return places[at] + share * (places[at + 1] - places[at]), behind > 0


def half_bit(lengths: NDArray[Any], rate_hz: float) -> float | None:
    """How long half a bit lasts, from the distances between turns; None if no code is so fast."""
    shortest = float(percentile(lengths, 10))
    half = float(median(lengths[lengths < _SHORT * shortest]))
    if half > 0 and BIT_RATES_HZ[0] <= rate_hz / (2 * half) <= BIT_RATES_HZ[1]:
        return half
    return None


def frames(short: NDArray[np.bool_]) -> bool:
    """Whether a frame's end is among some turns: two noughts, twelve ones, a nought and a one.

    The word of synchronisation of IEC 60461, played forwards or backwards. Nothing else in a frame
    has twelve ones.

    Args:
        short: whether each distance between two turns is half a bit, not a whole one.
    """
    starts, stops = true_runs(short)
    words = stops - starts == 2 * _ONES
    for start, stop in zip(starts[words].tolist(), stops[words].tolist(), strict=True):
        before, behind = ~short[max(start - 2, 0) : start], ~short[stop : stop + 2]
        if 2 in (int(before.sum()), int(behind.sum())):
            return True
    return False
