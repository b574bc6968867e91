"""Where all tracks fall, or come back, in the same moment.

A machine that stops takes tenths of a second, in which pitch and hiss go down together; the end of
a tape, or leader that is cut in at an angle, leaves the tracks one after the other (a quarter-inch
tape cut at 45 degrees: 8 ms from the first track to the second at 38 cm/s; common practice). What
is switched, muted or unplugged goes on all tracks within a few milliseconds, and so does a tape
that was cut straight across.

What this cannot see: a fall of the hiss that programme covers above 8 kHz on most tracks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.dropouts._tape._bands import Floats
from checks.dropouts._tape._floors import decibels

REACH_HOPS: Final = 64  # 23 ms: looked at on either side of a moment
_STEP: Final = 4  # hops, 1.5 ms: looked at together; two are measured on either side of a third
HISS_DB: Final = 4.0
"""Least fall of hiss in the mean of the tracks. Noise moves by less than one (own trials)."""

_WHOLE: Final = 0.75  # of all that they fall within ``REACH_HOPS``
_SHARE: Final = 0.25  # of the mean: tracks differ by what they play
_PLAYS_DB: Final = 10.0  # over what the others leave
_FEW: Final = 1 / 8  # of the tracks
_MOST: Final = 4096


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment, in hops from the start of the capture, and by how much the tracks fall (dB).

    Less than zero where they come back.
    """

    hop: int
    fall_db: float


class Moments:
    """Collects the moments of some tracks.

    Attributes:
        found: in the order of time.
    """

    def __init__(self, tracks: Sequence[int], bands: slice, least_db: float) -> None:
        """``bands``: those whose power is added up; ``least_db``: of their fall or return."""
        self._tracks = list(tracks)
        self._bands, self._least_db = bands, least_db
        # One track alone shows more chance than the mean of several.
        self._doubled = 0 if len(self._tracks) > 1 else 1
        self.found: list[Moment] = []

    def look(self, energies: Floats, first: int, last: int, origin: int) -> None:
        """Look at hops ``first`` to ``last`` of ``energies``.

        Args:
            energies: (bands, tracks, hops), with ``REACH_HOPS`` more around those where there are.
            origin: number of its hop 0 within the capture, a multiple of ``_STEP``.
        """
        begin = max(first - REACH_HOPS, 0) // _STEP * _STEP
        steps = (min(last + REACH_HOPS, energies.shape[2]) - begin) // _STEP
        reach = REACH_HOPS // _STEP
        if not self._tracks or steps <= 2 * reach:
            return
        held = energies[self._bands, :, begin : begin + steps * _STEP].sum(axis=0)
        power = held[self._tracks].reshape(len(self._tracks), steps, _STEP).sum(axis=2)
        near = power[:, 1:] + power[:, :-1]
        for _ in range(self._doubled):
            near = near[:, 2:] + near[:, :-2]
        level = decibels(near).mean(axis=0)
        side = steps - len(level) + 1
        fall = level[: -side - 1] - level[side + 1 :]  # around step ``place + side``
        for run in _runs(np.flatnonzero(np.abs(fall) >= self._least_db), reach):
            best = int(run[np.argmax(np.abs(fall[run]))])
            step = best + side
            hop = begin + step * _STEP + _STEP // 2
            if not (first <= hop < last and reach <= step < steps - reach):
                continue
            early = decibels(power[:, step - reach : step - 2].mean(axis=1))
            late = decibels(power[:, step + 3 : step + reach].mean(axis=1))
            whole = float((early - late).mean())
            before, after = (early, late) if whole > 0 else (late, early)
            same_way = fall[best] * whole > 0 and _all_fall(before, after, abs(whole))
            if same_way and abs(fall[best]) >= _WHOLE * abs(whole):
                self.found.append(Moment(origin + hop, float(fall[best])))
        if len(self.found) > _MOST:
            self.found.sort(key=lambda one: -abs(one.fall_db))
            self.found = sorted(self.found[: _MOST // 2], key=lambda one: one.hop)

    def near(self, hop: int, reach: int, *, back: bool = False) -> Moment | None:
        """The moment of the deepest fall within some hops of one, or of a return; None without."""
        sign = -1.0 if back else 1.0
        here = [m for m in self.found if abs(m.hop - hop) <= reach and sign * m.fall_db > 0]
        return max(here, key=lambda m: sign * m.fall_db, default=None)


def _all_fall(before: Floats, after: Floats, mean_db: float) -> bool:
    """Whether hardly a track plays on; what is dead, or at rest, cannot fall.

    Zeros on some tracks fall by any amount, and so would the mean of all.
    """
    fell = before - after >= min(HISS_DB, _SHARE * mean_db)
    if not fell.any():
        return False
    plays_on = ~fell & (after > median(after[fell]) + _PLAYS_DB)
    return int(np.count_nonzero(plays_on)) <= _FEW * len(fell)


def _runs(places: NDArray[np.int64], apart: int) -> list[NDArray[np.int64]]:
    """Places that lie further apart than that, each with those near it."""
    parts = np.split(places, np.flatnonzero(np.diff(places) > apart) + 1)
    return [part for part in parts if len(part)]
