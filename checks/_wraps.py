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
    """Jumps of one row by more than full scale.

    Attributes:
        x: (frames,) the row itself, full scale 1.0.
        every: index of the first sample behind each jump by more than full scale; what follows
            is of its length.
        ways: 1 for a jump up, -1 for one down.
        wraps: whether arithmetic modulo the word explains it.
        settling: of these, whether the signal moves on behind the way it jumped, not back as it
            must.
        foreign: number of other jumps between the outer parts of the range.
    """

    x: NDArray[np.float64]
    every: Indices
    ways: Indices
    wraps: NDArray[np.bool_]
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
    unsure: int = 0  # jumps by full scale and more that are no wraps, or have none back
    pairs: int = 0  # of the jumps that are, each with one back, whatever lies between
    awaited: int = 0  # the way of the jump that would make the next such pair
    open_way: int = 0  # of the last jump that awaits one back: 1 up, -1 down, 0 none
    open_at: int = 0
    open_sure: bool = False  # it is a wrap, not another jump of the size

    def add(self, jumps: Jumps, origin: int) -> None:
        """Further jumps in order; ``origin`` is the frame of index 0.

        Crests are told between wraps alone, while any jump of the size opens and closes one: else,
        where one was not seen for a wrap, what lies between two crests would be taken for one.
        """
        self.foreign += jumps.foreign
        self.jumps += int(np.count_nonzero(jumps.wraps))
        self.unsure += int(np.count_nonzero(~jumps.wraps))
        self.settling += int(np.count_nonzero(jumps.settling))
        self.pairs += self._pairs(jumps.ways[jumps.wraps].tolist())
        found = zip(jumps.every.tolist(), jumps.ways.tolist(), jumps.wraps.tolist(), strict=True)
        for index, way, wraps in found:
            frame = index + origin
            self._come_back(jumps.x[max(self.open_at - origin, 0) : index])
            self.unsure += self.open_way == way
            if self.open_way != -way:
                self.open_way, self.open_at, self.open_sure = way, frame, wraps
                continue
            self.open_way = 0
            if wraps and self.open_sure:
                self.crests += 1
                self.longest = max(self.longest, frame - self.open_at)
                self.places.add(self.open_at, frame)
        judged = len(jumps.x) - BESIDE + 1  # what stands behind, the next block looks at
        self._come_back(jumps.x[max(self.open_at - origin, 0) : judged])

    def _come_back(self, x: NDArray[np.float64]) -> None:
        """A crest that is open ends unseen where the signal is as far out on its own side again:
        what is left of it would be 8 dB and more beyond full scale."""
        if self.open_way and len(x) and float((x * self.open_way).min()) < -OUTER:
            self.open_way = 0
            self.unsure += 1

    def _pairs(self, ways: list[int]) -> int:
        """How many of further jumps lead back, each from one of those before."""
        count = 0
        for way in ways:
            back = self.awaited == way
            self.awaited = 0 if back else -way
            count += back
        return count

    @property
    def others(self) -> int:
        """Jumps between the outer parts of the range that no pair of wraps explains."""
        return self.foreign + self.jumps - 2 * self.pairs

    @property
    def certain(self) -> bool:
        """Whether wraps explain the jumps between the outer parts of the range."""
        return (
            self.crests > 0
            and self.others <= 1 + FOREIGN_SHARE * self.jumps
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
            self.tracks[track].add(jumps, block.start - lead)


def jumps_in(row: NDArray[Any], scale: float, step: float) -> Jumps:
    """Jumps between the outer parts of the range in one row, wraps parted from others.

    Args:
        row: (frames,) native samples; ``scale`` makes them full scale 1.0.
        step: one step of the word, full scale 1.0.

    Returns:
        jumps with ``BESIDE`` samples before them, and as many from the first behind them on.
    """
    x = np.nan_to_num(row.astype(np.float64) * scale, nan=0.0, posinf=0.0, neginf=0.0)
    every = np.flatnonzero(np.abs(np.diff(x)) > 1.0) + 1
    every = every[(every >= BESIDE) & (every < len(x) - BESIDE + 1)]
    ways = np.where(x[every] > 0, 1, -1)
    outer = np.minimum(x[every] * ways, -x[every - 1] * ways) > OUTER
    at, way = every[outer], ways[outer]
    near = x[at[:, None] + np.arange(-BESIDE, BESIDE)]
    moves = np.diff(near, axis=1)
    moves -= 2.0 * np.rint(moves / 2.0)  # modulo the word: several jumps may stand side by side
    left = np.abs(moves[:, BESIDE - 1])
    beside = np.abs(np.delete(moves, BESIDE - 1, axis=1))
    wraps = (left <= LIKE_MOVES * beside.max(axis=1)) & (left <= LARGEST_MOVE)
    wraps &= (beside.max(axis=1) <= LARGEST_MOVE) & (beside[:, BESIDE - 2 : BESIDE] >= step).all(1)
    # Only until the next jump: a short crest is soon on its way back.
    behind = np.cumsum(np.abs(np.diff(near, axis=1))[:, BESIDE:] > 1.0, axis=1) == 0
    settling = (moves[:, BESIDE:] * behind).sum(axis=1) * way > 0
    rail = 1 - RAIL_STEPS * step
    wraps &= (np.abs(near[:, BESIDE - 1 : BESIDE + 1]) < rail).any(axis=1)
    slow = np.zeros(len(every), np.bool_)
    slow[np.flatnonzero(outer)[wraps]] = True
    settles = np.zeros(len(every), np.bool_)
    settles[np.flatnonzero(outer)] = settling
    fast = np.zeros(len(every), np.bool_)
    if len(every) and not slow.all():  # crests too fast for their neighbours to tell
        fast = folded_back(x, every, ways, rail) & ~slow
    return Jumps(
        x=x,
        every=every,
        ways=ways,
        wraps=slow | fast,
        settling=settles & slow,
        foreign=int(np.count_nonzero(outer & ~slow & ~fast)),
    )
