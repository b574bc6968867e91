"""Overflows that wrapped round: beyond positive full scale the word goes on at negative.

The jump of two full scales disappears in arithmetic modulo the word: there the signal runs on as
it did before. A wrap counts where the jump begins and ends in the outer part of the range, what
is left of it modulo the word is of the size of the movements beside it, and a second jump of the
same kind leads back later. A sawtooth of full height only ever jumps one way, square waves are
known by their two levels or go on settling the way they jumped, what is clipped jumps from rail
to rail, and noise at full level jumps in many other ways as well.

Crests of a few samples in a signal that moves by half its range a sample are judged by ``_folds``.

What it does not see: a wrap whose jump was filtered or scaled since; that is a step. Nor single
samples that wrapped in what is noise up to half the rate (cymbals at 44.1 kHz): nothing foretells
on which side they belong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._folds import folded_back
from checks._levels import two_levels
from checks._runs import Indices, Places
from checks.block import Block
from checks.model import CaptureFormat

OUTER: Final = 0.7  # of full scale, on both sides of the jump
LARGEST_MOVE: Final = 0.6  # of full scale a sample; faster signals cannot be judged
LIKE_MOVES: Final = 3.0  # times the movements beside it may be left of the jump
RAIL_STEPS: Final = 1.5  # of the word: a sample so near full scale stands at the rail
BESIDE: Final = 4  # samples looked at on either side of a jump
FOREIGN_SHARE: Final = 0.5  # of all such jumps that may be other than wraps; noise: 3 and more
SETTLING_SHARE: Final = 0.5  # of the wraps; own trials: 0.3 at most, clipped signals 0.7


@dataclass(frozen=True, slots=True)
class Jumps:
    """Jumps of one row that arithmetic modulo the word explains; arrays of one length.

    Attributes:
        at: index of the first sample behind each.
        ways: 1 for a jump up, -1 for one down.
        settling: whether the signal moves on behind it the way it jumped, not back as it must.
        foreign: number of other jumps between the outer parts of the range.
    """

    at: Indices
    ways: Indices
    settling: NDArray[np.bool_]
    foreign: int


@dataclass(slots=True)
class Wraps:
    """Folded crests of one track: each a jump and the jump back."""

    places: Places
    crests: int = 0
    longest: int = 0
    jumps: int = 0
    settling: int = 0
    foreign: int = 0
    pairs: int = 0  # of these jumps, each with one back, whatever lies between
    awaited: int = 0  # the way of the jump that would make the next such pair
    open_way: int = 0  # of the last jump that awaits one back: 1 up, -1 down, 0 none
    open_at: int = 0
    open_sure: bool = False  # it is a wrap, not another jump of the size

    def add(self, jumps: Jumps, origin: int, row: NDArray[Any], scale: float) -> None:
        """Further jumps in order.

        Crests are told between wraps alone, while any jump of the size opens and closes one: else,
        where one was not seen for a wrap, what lies between two crests would be taken for one.

        Args:
            origin: the frame of index 0.
            row: (frames,) what the jumps were sought in; ``scale`` makes it full scale 1.0.
        """
        self.foreign += jumps.foreign
        self.jumps += len(jumps.at)
        self.settling += int(np.count_nonzero(jumps.settling))
        first, last = BESIDE, len(row) - BESIDE + 1  # beyond, the blocks beside it look
        if last <= first:
            return
        self.pairs += self._pairs(jumps.ways.tolist())
        moves = np.diff(row[first - 1 : last] * scale)
        every, sure = np.abs(moves) > 1.0, np.zeros(len(moves), np.bool_)
        every[jumps.at - first] = sure[jumps.at - first] = True
        at = np.flatnonzero(every)
        ways = np.where(moves[at] > 0, 1, -1).tolist()
        found = zip((at + first + origin).tolist(), ways, sure[at].tolist(), strict=True)
        for frame, way, wraps in found:
            if self.open_way != -way:
                self.open_way, self.open_at, self.open_sure = way, frame, wraps
                continue
            self.open_way = 0
            if wraps and self.open_sure:
                self.crests += 1
                self.longest = max(self.longest, frame - self.open_at)
                self.places.add(self.open_at, frame)

    def _pairs(self, ways: list[int]) -> int:
        """How many of further jumps lead back, each from one of those before."""
        count = 0
        for way in ways:
            back = self.awaited == way
            self.awaited = 0 if back else -way
            count += back
        return count

    @property
    def certain(self) -> bool:
        """Whether wraps explain the jumps between the outer parts of the range."""
        others = self.foreign + self.jumps - 2 * self.pairs
        return (
            self.crests > 0
            and others <= 1 + FOREIGN_SHARE * self.jumps
            and self.settling <= 1 + SETTLING_SHARE * self.jumps
        )


class WrapFinder:
    """Finds wraps block by block; a track that does not reach both ends costs nothing.

    Attributes:
        tracks: what was found, one entry a track.
    """

    def __init__(self, fmt: CaptureFormat, gap_frames: int) -> None:
        self.tracks = [Wraps(Places(gap_frames)) for _ in range(fmt.channels)]
        self._scale = 1.0 / fmt.full_scale
        self._step = fmt.lsb / fmt.full_scale
        self._high = np.zeros(fmt.channels, np.bool_)  # reached by the block before
        self._low = np.zeros(fmt.channels, np.bool_)

    def feed(self, block: Block) -> None:
        """Take the next block in order."""
        outer = OUTER / self._scale
        high, low = block.peak > outer, block.trough < -outer
        both = (high | self._high) & (low | self._low)
        self._high, self._low = high, low
        if not both.any():
            return
        for track in np.flatnonzero(both).tolist():
            if two_levels(block.scaled[track]):
                continue
            # What stands too near the end to be judged is judged with the next block.
            lead = min(block.lead, BESIDE + BESIDE - 1)
            row = block.with_lead[track, block.lead - lead :]
            jumps = jumps_in(row, self._scale, self._step)
            self.tracks[track].add(jumps, block.start - lead, row, self._scale)


def jumps_in(row: NDArray[Any], scale: float, step: float) -> Jumps:
    """Jumps between the outer parts of the range in one row, wraps parted from others.

    Args:
        row: (frames,) native samples; ``scale`` makes them full scale 1.0.
        step: one step of the word, full scale 1.0.

    Returns:
        jumps with ``BESIDE`` samples before them, and as many from the first behind them on.
    """
    first, last = BESIDE, len(row) - BESIDE + 1
    if last <= first:
        none = np.empty(0, np.int64)
        return Jumps(none, none, np.empty(0, np.bool_), 0)
    high, low = row * scale > OUTER, row * scale < -OUTER
    up = high[first:last] & low[first - 1 : last - 1]
    down = low[first:last] & high[first - 1 : last - 1]
    at = np.flatnonzero(up | down) + first
    way = np.where(up[at - first], 1, -1)
    near = row[at[:, None] + np.arange(-BESIDE, BESIDE)].astype(np.float64) * scale
    near = np.nan_to_num(near, nan=0.0, posinf=0.0, neginf=0.0)
    moves = np.diff(near, axis=1)
    moves -= 2.0 * np.rint(moves / 2.0)  # modulo the word: several jumps may stand side by side
    left = np.abs(moves[:, BESIDE - 1])
    beside = np.abs(np.delete(moves, BESIDE - 1, axis=1))
    wraps = (left <= LIKE_MOVES * beside.max(axis=1)) & (left <= LARGEST_MOVE)
    wraps &= (beside.max(axis=1) <= LARGEST_MOVE) & (beside[:, BESIDE - 2 : BESIDE] >= step).all(1)
    # Only until the next jump: a short crest is soon on its way back.
    behind = np.cumsum(np.abs(np.diff(near, axis=1))[:, BESIDE:] > 1.0, axis=1) == 0
    settling = (moves[:, BESIDE:] * behind).sum(axis=1) * way > 0
    wraps &= (np.abs(near[:, BESIDE - 1 : BESIDE + 1]) < 1 - RAIL_STEPS * step).any(axis=1)
    foreign = int(len(at) - np.count_nonzero(wraps))
    return _with_fast(Jumps(at[wraps], way[wraps], settling[wraps], foreign), at, row, scale, step)


def _with_fast(slow: Jumps, listed: Indices, row: NDArray[Any], scale: float, step: float) -> Jumps:
    """The jumps of a row together with those of crests too fast for their neighbours to tell.

    Args:
        slow: what the movements beside tell; ``listed`` are all jumps among which they are.
    """
    x = np.nan_to_num(row.astype(np.float64) * scale, nan=0.0, posinf=0.0, neginf=0.0)
    moves = np.diff(x)
    at = np.flatnonzero(np.abs(moves) > 1.0) + 1
    at = at[(at >= BESIDE) & (at < len(row) - BESIDE + 1)]
    if not len(at) or not len(np.setdiff1d(at, slow.at)):
        return slow
    ways = np.where(moves[at - 1] > 0, 1, -1)
    fast = folded_back(x, at, ways, 1 - RAIL_STEPS * step) & ~np.isin(at, slow.at)
    if not fast.any():
        return slow
    together = np.concatenate((slow.at, at[fast]))
    order = np.argsort(together)
    return Jumps(
        together[order],
        np.concatenate((slow.ways, ways[fast]))[order],
        np.concatenate((slow.settling, np.zeros(np.count_nonzero(fast), np.bool_)))[order],
        slow.foreign - int(np.count_nonzero(np.isin(at[fast], listed))),
    )
