"""Tracks that change places at a break that some of them show (``_moves``)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from checks.dropouts._junction import BEFORE, Break, Junction, shared_break
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._sentences import MOVED, SWAP
from checks.dropouts._steps import _moves
from checks.dropouts._steps._clock import Clocks
from checks.dropouts._steps._long import Sides
from checks.dropouts._steps._one_source import one_source
from checks.dropouts._steps._place import Place
from checks.dropouts._steps._rises import rises_at
from checks.dropouts._steps._telling import Telling
from checks.model import Value

LEAST: Final = 5.0
"""Standard deviations from which on a break is looked at. Noise alone: once in 1e6."""


ONE: Final = 2.0
OTHER: Final = 5.0
"""Most that either side of a move may leave of the other next to the place, floor 1, as the long
look tells (``_long``): in what is proven, and in what is told. From own trials: tracks that change
places leave 1.0 to 2.2, up to 4.5 as notes begin; notes that end on one track as others begin on
the next 2.4 to 60, 1.4 where both are alike."""

TRACKS: Final = 4  # moves looked at for longer
_EARLIER: Final = 256  # frames before a peak in which what it belongs to may have begun


@dataclass(frozen=True, slots=True)
class Swap:
    """Tracks that change places.

    Attributes:
        goes: {from: to}.
        frame: the first behind it, within the place.
        jump: height of what shows it, in standard deviations.
        sure: whether it is proven.
    """

    goes: dict[int, int]
    frame: int
    jump: float
    sure: bool


class Swaps:
    """Looks for them, and tells of them."""

    def __init__(self, limits: DropoutsLimits, clocks: Clocks, tell: Telling) -> None:
        self._limits, self._clocks, self._tell = limits, clocks, tell

    def at(self, place: Place, found: Mapping[int, Junction], shared: Break | None) -> Swap | None:
        """What goes on where behind a break: surely, or as far as it shows above the limits."""
        if shared is not None and (swap := self._behind(place, found, shared)) is not None:
            return swap
        if not found or len(place.steps) < 2:
            return None
        # other programme that follows is largest some way behind
        x = place.steps[next(iter(found))]
        rise = rises_at(x[: place.peak + BEFORE], place.peak - _EARLIER)
        for near in (place.first, rise):
            if near is None or near >= place.peak - BEFORE:
                continue
            shared = shared_break([x], near)
            if shared is None or not shared.sharp:
                continue
            swap = self._behind(place, {}, shared)
            if swap is None or set(swap.goes) != set(swap.goes.values()):
                continue  # restless tracks seem to go on from many
            if swap.sure or near == place.first:
                return swap
        return None

    def told(self, place: Place, swap: Swap) -> bool:
        goes = swap.goes
        order = ", ".join(f"{i + 1} to {k + 1}" for i, k in sorted(goes.items()))
        tracks, at = tuple(sorted({*goes, *goes.values()})), place.start + swap.frame
        values: dict[str, Value] = {"jump_sigma": round(swap.jump, 1), "moved": order}
        if swap.sure:
            self._tell.proven(tracks, at, SWAP, "swap", values)
        else:
            self._tell.doubtful(tracks, at, values, text=MOVED)
        return True

    def _behind(self, place: Place, found: Mapping[int, Junction], shared: Break) -> Swap | None:
        jump = max(*shared.jumps, *(j.jump for j in found.values()), 0.0)
        if jump < LEAST:
            return None
        codes = {t for t in place.tracks if self._clocks.running(t)}
        several = sum(height >= self._limits.step_several_tracks for height in shared.jumps) > 1
        clear = several or max(shared.jumps) >= self._limits.step_one_track
        moves = _moves.seen(list(place.steps), shared.frame, codes)
        if moves is None or not (moves.sure or clear):
            return None
        # where no side fits itself, what is loud and restless goes on from anything
        if not any(shared.clean) and not (moves.sure and moves.breaks and shared.sharp):
            return None
        # one source would turn in the same way on all tracks that show it
        high = [place.steps[t] for t in moves.broken]
        if len(high) > 1 and one_source(high, shared.frame):
            return None
        sure = moves.sure
        if not sure:
            looks = [_joined(place, i, k, shared.frame) for i, k in moves.goes.items()][:TRACKS]
            near = max((side.near for side in looks if side.enough), default=0.0)
            if near > OTHER:
                return None
            known = near <= ONE and all(side.enough for side in looks)
            if known and moves.likely and clear:
                sure = moves.breaks or any(side.goes_on().goes_on for side in looks)
        return Swap(moves.goes, shared.frame, jump, sure)


def _joined(place: Place, before: int, behind: int, frame: int) -> Sides:
    """A longer look at the past of one track and what follows on another."""
    (past, at), (later, begin) = (place.far(t, frame) for t in (before, behind))
    return Sides(np.concatenate((past[:at], later[begin:])), at, place.rate_hz)
