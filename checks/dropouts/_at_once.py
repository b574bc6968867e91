"""Where all tracks fall, or come back, in the same moment.

A machine that stops takes tenths of a second, in which pitch and hiss go down together; the end of
a tape, or leader that is cut in at an angle, leaves the tracks one after the other (a quarter-inch
tape cut at 45 degrees: 8 ms from the first track to the second at 38 cm/s; common practice). What
is switched, muted or unplugged goes on all tracks within a few milliseconds, and so does a tape
that was cut straight across.

What this cannot see: moments in which programme covers the hiss above 8 kHz on most tracks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from checks.dropouts._bands import ABOVE, HISS, Floats
from checks.dropouts._floors import decibels

REACH_HOPS: Final = 64  # 23 ms: looked at on either side of a moment
_SIDE_HOPS: Final = 8  # 3 ms, measured right before and right behind
_KEPT_CLEAR: Final = 2  # hops on either side of the moment: switches and windows take their time
_LEAST_DB: Final = 4.0  # in the mean of the tracks; noise moves by less than one (own trials)
_WHOLE: Final = 0.75  # of all that they fall within ``REACH_HOPS``
_MOST: Final = 4096


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment, in hops from the start of the capture, and by how much the tracks fall (dB).

    Less than zero where they come back.
    """

    hop: int
    fall_db: float


class Moments:
    """Collects the moments of some tracks."""

    def __init__(self, tracks: Sequence[int]) -> None:
        self._tracks = list(tracks)
        # One track alone shows more chance than the mean of several.
        self._side = _SIDE_HOPS if len(self._tracks) > 1 else 2 * _SIDE_HOPS
        self._found: list[Moment] = []

    def look(self, energies: Floats, first: int, last: int, origin: int) -> None:
        """Look at hops ``first`` to ``last`` of ``energies``.

        Args:
            energies: (bands, tracks, hops), with ``REACH_HOPS`` more around those where there are.
            origin: number of its hop 0 within the capture.
        """
        begin, end = max(first - REACH_HOPS, 0), min(last + REACH_HOPS, energies.shape[2])
        if not self._tracks or end - begin <= 2 * REACH_HOPS:
            return
        power = energies[HISS:ABOVE, self._tracks, begin:end].sum(axis=0, dtype=np.float64)
        total = np.pad(power.cumsum(axis=1), ((0, 0), (1, 0)))
        side, far = self._side, REACH_HOPS - _SIDE_HOPS
        near = self._level(total, side)
        wide = self._level(total, far)
        # place p of both is the moment begin + REACH_HOPS + p
        count = end - begin - 2 * REACH_HOPS
        before = near[REACH_HOPS - _KEPT_CLEAR - side :][:count]
        behind = near[REACH_HOPS + _KEPT_CLEAR :][:count]
        fall = before - behind
        whole = wide[:count] - wide[REACH_HOPS + _SIDE_HOPS :][:count]
        alike = np.abs(fall) >= np.maximum(_WHOLE * np.abs(whole), _LEAST_DB)
        at = np.flatnonzero(alike & (fall * whole > 0))
        for run in np.split(at, np.flatnonzero(np.diff(at) > REACH_HOPS) + 1) if len(at) else ():
            best = int(run[np.argmax(np.abs(fall[run]))])
            hop = begin + REACH_HOPS + best
            if first <= hop < last:
                self._found.append(Moment(origin + hop, float(fall[best])))
        if len(self._found) > _MOST:
            self._found.sort(key=lambda one: -abs(one.fall_db))
            del self._found[_MOST // 2 :]

    def _level(self, total: Floats, count: int) -> Floats:
        """Mean over the tracks of the level of so many hops, dB, from a running sum."""
        power = (total[:, count:] - total[:, :-count]) / count
        return np.asarray(decibels(power.astype(np.float32)).mean(axis=0), np.float32)

    def near(self, hop: int, reach: int, *, back: bool = False) -> Moment | None:
        """The moment of the deepest fall within some hops of one, or of a return; None without."""
        sign = -1.0 if back else 1.0
        here = [m for m in self._found if abs(m.hop - hop) <= reach and sign * m.fall_db > 0]
        return max(here, key=lambda m: sign * m.fall_db, default=None)
