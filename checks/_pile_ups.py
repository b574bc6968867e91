"""Crests that pile up at one exact level, though each of them is too short to be flat.

At 44.1 or 48 kHz the cut tops of drums and strings are one or two samples long, and no single one
shows corners. Many of them do, together: where they come as high as the highest to the step, and
next to none stops just below, something did not let them rise. Crests of programme lie as the
level happens to fall: near the highest one their density is smooth, so that with ``near`` of them
in the SHARE below it some ``near`` times LEVEL_STEPS over the steps of that SHARE are to be
expected at the top. At the limits here that is less than one crest, and ten or more come about
less than once in 1e12 captures (Poisson).

Not taken for it: waves that machines make, whose crests are equal because all of the wave is (the
signal falls off either side by the same amount each time; behind a ceiling it falls as it may);
slow waves of few steps, that stand at their top by themselves; crests brought to one level by a
gain that changes, as limiters do, where hardly two samples in a row are equal; two levels, as
timecode has. Noise or a filter behind the ceiling hides it from this.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._levels import word_step
from checks._runs import Places, index_runs
from checks.block import Block
from checks.model import CaptureFormat

SHARE: Final = 0.00574  # of the level: 0.05 dB, in which next to no crest may stop short
LEVEL_STEPS: Final = 2.0  # of the word: one level, with the dither of what made the words
FEWEST_STEPS: Final = 32.0  # in the SHARE, or chance gathers crests; how far crests fall at least
TIMES: Final = 4.0  # as many at the top as stop short; own trials: 8 and more
FEWEST_PAIRS: Final = 3  # crests with two samples at the top
PAIRS_TIMES: Final = 10.0  # as many as chance gives, which puts the second anywhere in the fall
VARIED: Final = 0.1  # standard deviation of how far crests fall, over the mean; own trials: 0.3


@dataclass(slots=True)
class Pile:
    """Crests of one polarity of a track that come as high as its highest one.

    Attributes:
        top: that level, native units from zero.
        steps: of the word, up to there.
        at, near: crests that reach it, and that stop a little below or hardly fall.
        pairs: of those at it, how many have two samples there or more.
        longest, held_frames: samples there, of one crest and of all.
        fall, fall_squares: sums of how far the signal falls off both sides, over the top.
    """

    places: Places
    top: float = 0.0
    steps: float = 0.0
    at: int = 0
    near: int = 0
    pairs: int = 0
    longest: int = 0
    held_frames: int = 0
    fall: float = 0.0
    fall_squares: float = 0.0

    def add(self, lengths: NDArray[np.int64], falls: NDArray[np.float64]) -> None:
        """Crests at the top: how many samples, and how far the signal falls off both sides."""
        self.at += len(lengths)
        self.pairs += int(np.count_nonzero(lengths > 1))
        self.longest = max(self.longest, int(lengths.max(initial=0)))
        self.held_frames += int(lengths.sum())
        self.fall += float((falls / self.top).sum())
        self.fall_squares += float(np.square(falls / self.top).sum())

    def with_other(self, other: Pile) -> Pile:
        """Both polarities as one, where their levels are the same but for the sign."""
        if not self.at or abs(self.top - other.top) * self.steps > LEVEL_STEPS * self.top:
            return self
        both = dataclasses.replace(self, at=self.at + other.at, near=self.near + other.near)
        both.pairs += other.pairs
        both.fall += other.fall
        both.fall_squares += other.fall_squares
        return both

    def proves(self, least: int) -> bool:
        """Whether so many crests at one level come from a ceiling there."""
        if self.at < max(least, TIMES * self.near) or SHARE * self.steps < FEWEST_STEPS:
            return False
        mean = self.fall / self.at  # off both sides: the nearer of them by half of it at most
        chance = self.at * 4 * LEVEL_STEPS / (mean * self.steps)
        if self.pairs < max(FEWEST_PAIRS, PAIRS_TIMES * chance):
            return False
        return self.fall_squares / self.at - mean * mean >= (VARIED * mean) ** 2


@dataclass(slots=True)
class PileUps:
    """Gathers the piles of a capture block by block."""

    fmt: CaptureFormat
    gap_frames: int
    least: int
    _piles: list[tuple[Pile, Pile]] = field(init=False)
    _former: dict[tuple[int, int], Pile] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._piles = [(self._new(), self._new()) for _ in range(self.fmt.channels)]

    def _new(self) -> Pile:
        return Pile(Places(self.gap_frames))

    def rows(self, block: Block) -> NDArray[np.bool_]:
        """(tracks, 2): where a block comes as high as any before it, positive and negative."""
        high = np.stack((block.peak, block.trough), axis=1).astype(np.float64) * (1.0, -1.0)
        tops = np.array([[pile.top for pile in two] for two in self._piles])
        return (high > (1 - SHARE) * tops) & (high < np.inf)

    def look(self, block: Block, track: int, side: int) -> bool:
        """Gather the crests of one row; whether some were at its highest level."""
        row = block.with_lead[track].astype(np.float64) * (-1.0 if side else 1.0)
        step = word_step(block.samples[track], self.fmt)
        top = -float(block.trough[track]) if side else float(block.peak[track])
        pile = self._risen(track, side, top, step)
        first, last = 1, len(row) - 2  # what ends later is seen in the next block
        starts, stops = index_runs(np.flatnonzero(row > (1 - SHARE) * pile.top))
        origin = block.start - block.lead
        fresh = (starts >= first) & (stops <= last) & (stops + origin > block.start - 2)
        starts, stops = starts[fresh], stops[fresh]
        if not len(starts):
            return False
        begin, end = index_runs(np.flatnonzero(row >= pile.top - LEVEL_STEPS * step))
        within = np.searchsorted(starts, begin, side="right") - 1
        ours = (within >= 0) & (end <= stops[np.maximum(within, 0)])  # else of too few steps
        begin, end, within = begin[ours], end[ours], within[ours]
        before, behind = pile.top - row[begin - 1], pile.top - row[end]
        steep = np.minimum(before, behind) >= FEWEST_STEPS * step
        at_top = int(np.count_nonzero(np.diff(within, prepend=-1)))  # within rises
        pile.near += len(starts) - at_top + int(np.count_nonzero(~steep))
        begin, end = begin[steep], end[steep]
        if not len(begin):
            return False
        pile.add(end - begin, (before + behind)[steep])
        pile.places.add_all(begin + origin, end + origin)
        return True

    def _risen(self, track: int, side: int, top: float, step: float) -> Pile:
        """The pile of a row, a new one where the level rises beyond what it was."""
        pile = self._piles[track][side]
        if top > pile.top + LEVEL_STEPS * step:
            for one in (0, 1):  # proven together, perhaps
                if (former := self.proven(track, positive=not one)) is not None:
                    self._former[track, one] = former
            near = pile.at + pile.near if pile.top > (1 - SHARE) * top else 0
            pile = self._new()
            pile.near = near
            two = self._piles[track]
            self._piles[track] = (two[0], pile) if side else (pile, two[1])
        if top > pile.top:
            pile.top, pile.steps = top, top / step
        return pile

    def proven(self, track: int, *, positive: bool) -> Pile | None:
        """The pile at a ceiling of a track, if there is one."""
        side = 0 if positive else 1
        pile, other = self._piles[track][side], self._piles[track][1 - side]
        if pile.proves(self.least) or pile.with_other(other).proves(self.least):
            return pile
        return self._former.get((track, side))
