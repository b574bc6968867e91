"""Two cuts of one track with one and the same programme before the first and behind the second.

What plays on begins seldom and ends seldom within one sample, and hardly ever both within some
milliseconds with all as it was: a sound that begins leaves something behind, and one that ends was
there before. Each side is held against the other by a filter of its own (linear prediction, see
``_predict``); nothing needs to be known of what stands between, nor that the programme can be
foretold for long, so that this tells pieces in noise and in rests as well, which ``_stand_in``
cannot.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from checks.dropouts import _junction, _predict
from checks.dropouts._junction import ORDER, Junction
from checks.dropouts._limits import NEARLY
from checks.dropouts._predict import Floats
from checks.dropouts._steps._allowance import Allowance
from checks.dropouts._steps._place import Place
from checks.dropouts._steps._stand_in import StandIn

LONGEST_S: Final = 0.05
"""Longest stretch: notes that a machine begins and stops within one sample are longer."""

LEAST_FRAMES: Final = 2 * ORDER
"""Shortest: both cuts of less lie in what either is told by."""

REACH: Final = 2048
"""Frames of each side that are held against each other, and half as many that must be there."""

LEAST: Final = 5.5
"""Least height of the lower cut, in standard deviations: the higher one is at the limit. The screen
lets about as much through."""

SAME: Final = 1.3
"""Most that the filter of one side may leave of the other over what it leaves of its own, rms.
From own trials: where samples were put in 0.9 to 1.25, where a note is left behind 1.6 to 50."""

AS_LOUD: Final = 1.35
"""Most that the sides may differ in level, rms of the first differences. From own trials: 0.9 to
1.2 where samples were put in, 1.4 to 20 between the notes of machines."""


_KEPT: Final = 8  # cuts of each track
_TRIED: Final = 100
_TRIED_A_SECOND: Final = 8.0  # pairs of cuts tried at once, and on average


class Betweens:
    """Remembers the cuts of each track and looks at those that may belong together."""

    def __init__(self, rate_hz: int, *, limit: float) -> None:
        """``limit``: standard deviations from which on a jump is told."""
        self._rate_hz = rate_hz
        self._limit = limit
        self._cuts: dict[int, list[tuple[int, float]]] = {}  # frame and height
        self._tries = Allowance(at_once=_TRIED, a_second=_TRIED_A_SECOND, rate_hz=rate_hz)

    def at(self, place: Place, found: Mapping[int, Junction]) -> StandIn | None:
        """What ends at a place; None mostly."""
        ends: dict[int, tuple[int, int, float]] = {}
        for track, junction in found.items():
            jump, frame = junction.jump, junction.frame
            if jump < LEAST or not junction.parts or _junction.pushed([junction], often=True):
                continue
            if place.flat(track) or place.crest(track, junction):
                continue  # tops that are cut off have two corners
            if not place.alone(track, junction, but=1):
                continue  # what is pushed is so again and again
            stop = place.start + frame
            before = self._cuts.setdefault(track, [])
            for start, other in reversed(before):
                height = max(jump, other)
                if height >= NEARLY * self._limit and self._looked_at(place, track, start, stop):
                    ends[track] = start, stop, height
                    break
            before.append((stop, jump))
            del before[:-_KEPT]
        if not ends:
            return None
        start, stop, jump = max(ends.values(), key=lambda end: end[2])
        tracks = [t for t, end in ends.items() if end[:2] == (start, stop)]
        if len(found) > 1 and not place.witnesses([*found], stop - place.start):
            return None  # one source on several tracks: a click, a strike
        return StandIn(start, stop, tuple(sorted(tracks)), jump, gone=False, sure=False)

    def _looked_at(self, place: Place, track: int, start: int, stop: int) -> bool:
        if not LEAST_FRAMES <= stop - start <= LONGEST_S * self._rate_hz:
            return False
        if not self._tries.take(stop):
            return False
        x, first = place.stretch(track, start, stop, REACH)
        last = first + stop - start
        return bool(np.ptp(x[first:last])) and as_before(x, first, last)


def as_before(x: Floats, start: int, stop: int) -> bool:
    """Whether the programme behind ``stop`` is the one before ``start``.

    Args:
        x: samples of one track, in steps of the word.
    """
    before, behind = x[max(start - REACH, 0) : start], x[stop : stop + REACH]
    if min(len(before), len(behind)) < REACH // 2:
        return False
    low, high = sorted(float(np.std(np.diff(side))) for side in (before, behind))
    if high > AS_LOUD * low:
        return False
    return _leaves(before, behind) <= SAME and _leaves(behind, before) <= SAME


def _leaves(own: Floats, other: Floats) -> float:
    """What the filter of one side leaves of the other, over what it leaves of its own, rms."""
    whitening = _predict.fitted(own, ORDER)
    floor = _predict.spread(_predict.forward(own, whitening)[ORDER:])
    left = _predict.forward(other, whitening)[ORDER:]
    least = max(floor, _predict.rounding(whitening))
    return float(np.sqrt(np.mean(left**2))) / least
