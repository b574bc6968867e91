"""Flat tops below full scale: crests cut at one level, gathered over a capture and judged.

A single flat crest proves little; what proves a ceiling is many of them at one level. Levels are
gathered in classes of 0.05 dB for each track and polarity, and a ceiling is taken to be there
where enough crests lie within 0.15 dB, or, behind a coupling capacitor that tilts and shifts the
tops, enough follow one another within 2 dB. Three tops equal to the bit are enough. Tops too short
to be flat prove a ceiling by their number (``_pile_ups``).

Not taken for a ceiling: blocks that spend their time at two levels (square waves, timecode,
clicks); crests with soft shoulders, taken together, unless some are equal to the bit; a few flat
crests among very many round ones.

What cannot be told: where in the chain the ceiling stands. It may be on the old recording itself;
only a ceiling that independent tracks share points to this transfer. A steady tone cut by more
than some 8 dB and a trapezoid by design look alike, and neither is reported.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._crests import FlatCrests, flat_crests
from checks._flat_screen import marked, stride
from checks._full_scale import HELD
from checks._levels import two_lengths, two_levels, word_step
from checks._pile_ups import Pile, PileUps
from checks._ranks import median
from checks._runs import Indices, Places, true_runs
from checks._stood import Stood
from checks.block import Block
from checks.model import CaptureFormat

CLASS_DB: Final = 0.05
NARROW_CLASSES: Final = 3  # 0.15 dB: exact and noisy tops
WIDE_CLASSES: Final = 40  # 2 dB: tops behind a coupling capacitor
WIDE_TIMES: Final = 2  # as many tops again are asked for where they lie so wide
DENSE_S: Final = 1.0  # within which tops follow one another where they lie wide
EXACT_TOPS: Final = 3  # equal to the bit: noise gives that to no natural crest
SOFT_SHOULDERS: Final = 0.45  # near over far: a cut gives 0.12 to 0.45, rounding 0.5 and more
# Waves that are flat for a while, as frequency modulation makes them where its depth passes a
# certain value: few of the crests that come as high are, while a ceiling holds most that reach it
# (own trials: a fifth at most). Their shoulders lie from 0.40 to 0.45 by the many samples of both
# polarities. Of a cut the straight flanks give 3 / 12 and a parabola would give 0.5 (geometry),
# chance moves it by some 0.6 over the root of the samples.
FLAT_FOR_A_WHILE: Final = 0.3
SOFTEST_CUT: Final = 0.375
SOFT_BY_CHANCE: Final = 0.6
SHOULDER_SAMPLES: Final = 24  # below which the shoulders say nothing
PILED_TIMES: Final = 2  # as many crests are asked for where none is flat by itself
LEAST_SHARE: Final = 0.02  # of the peaks that come as high; evenly spread noise: 0.0003
_EXACT_KEPT: Final = 512  # levels remembered for EXACT_TOPS
_DITHER_STEPS: Final = 1.5  # of the word: how far from their level dither moves tops


@dataclass(frozen=True, slots=True)
class Ceiling:
    """A level at which the peaks of one polarity of a track are cut off.

    ``wide``: the tops spread over more than ``NARROW_CLASSES``, so the level is a rough one.
    ``piled``: no top is flat by itself, see ``_pile_ups``.
    """

    positive: bool
    level_dbfs: float
    tops: int
    wide: bool
    piled: bool = False


@dataclass(slots=True)
class Side:
    """What was gathered for one polarity of a track.

    ``tops`` are crests that prove a ceiling by their shape, ``others`` just lie at the same level.
    """

    counts: dict[int, int] = field(default_factory=dict)
    dense: dict[int, int] = field(default_factory=dict)
    sums_db: dict[int, float] = field(default_factory=dict)
    exact: dict[int, int] = field(default_factory=dict)
    tops: int = 0
    others: int = 0
    peaks: int = 0
    near: int = 0
    far: int = 0
    longest: int = 0
    held_frames: int = 0
    last_stop: int | None = None

    @property
    def most_exact(self) -> int:
        """Most tops that are equal to the bit."""
        return max(self.exact.values(), default=0)

    @property
    def count(self) -> int:
        """Tops at the ceiling: all where some are equal to the bit, else those of plain shape."""
        return self.tops + self.others


class FlatTops:
    """Gathers flat crests block by block.

    Args:
        shortest: least samples of a flat top.
        least_tops: tops at one level that make a ceiling.

    Attributes:
        places, stood: one entry a track, both polarities together.
        gram: (tracks, tracks) sums of products over the blocks in which several tracks had flat
            tops: whether they are the same signal.
    """

    def __init__(
        self, fmt: CaptureFormat, *, shortest: int, gap_frames: int, least_tops: int
    ) -> None:
        self._fmt = fmt
        self._shortest = shortest
        self._stride = stride(fmt.rate_hz)
        self._dense_frames = round(DENSE_S * fmt.rate_hz)
        self._sides = [(Side(), Side()) for _ in range(fmt.channels)]
        self._awake = np.zeros((fmt.channels, 2), np.bool_)
        self.places = [Places(gap_frames) for _ in range(fmt.channels)]
        self.stood = [Stood(fmt.rate_hz) for _ in range(fmt.channels)]
        self.gram = np.zeros((fmt.channels, fmt.channels))
        self._piles = PileUps(fmt, gap_frames, PILED_TIMES * least_tops)
        self._least_tops = least_tops
        self._gap_frames = gap_frames

    def feed(self, block: Block) -> None:
        """Take the next block in order. Only rows that the screen marks are looked at closely."""
        rows, high = marked(block, self._stride) | self._awake, self._piles.rows(block)
        self._awake[:] = False
        cut = np.zeros(len(rows), np.bool_)
        for track in np.flatnonzero((rows | high).any(axis=1)).tolist():
            if two_levels(block.scaled[track]):
                continue
            for side in np.flatnonzero(high[track]).tolist():
                cut[track] |= self._piles.look(block, track, side)
            if not rows[track].any():
                continue
            tops = [self._look(block, track, side) for side in np.flatnonzero(rows[track]).tolist()]
            starts, stops = np.concatenate(tops, axis=1)
            if len(starts):
                self._awake[track] = True
                order = np.argsort(starts, kind="stable")
                self.places[track].add_all(starts[order], stops[order])
                self.stood[track].add_all(starts[order], stops[order])
        if np.count_nonzero(self._awake[:, 0] | cut) > 1:
            self.gram += block.gram

    def _look(self, block: Block, track: int, side: int) -> Indices:
        """Gather the flat crests of one row; (2, tops), first frame and the one behind the last."""
        rest = float(block.sums[track] / block.frames)
        sign = -1.0 if side else 1.0
        row = sign * (block.scaled_with_lead[track].astype(np.float64) - rest)
        step = word_step(block.samples[track], self._fmt) / self._fmt.full_scale
        crests = flat_crests(row, step, self._shortest)
        if two_lengths(crests.stops - crests.starts):
            return np.empty((2, 0), np.int64)
        origin = block.start - block.lead
        heights = np.abs(sign * crests.levels + rest)
        # A crest that ended earlier was seen whole in the block before; full scale is not ours.
        below = heights < 1 - max(HELD, self._fmt.lsb / self._fmt.full_scale)
        above = heights > 1
        fresh = (crests.ends + origin > block.start - 2) & (below | above)
        into = self._sides[track][side]
        into.peaks += crests.peaks
        into.near += crests.near
        into.far += crests.far
        starts, stops = crests.starts[fresh] + origin, crests.stops[fresh] + origin
        if len(starts):
            self._gather(into, starts, stops, heights[fresh], crests, fresh)
        exact = crests.exact & fresh
        if exact.any():
            off = np.abs(row - float(median(crests.levels[exact])))
            others = self._others(off <= _DITHER_STEPS * step, crests)
            into.others += int(np.count_nonzero(others[1] + origin > block.start - 2))
        return np.stack((starts, stops))

    def _others(self, at: NDArray[np.bool_], crests: FlatCrests) -> Indices:
        """Tops at the ceiling of a row whose crests are no plain ones; (2, tops).

        Args:
            at: (frames,) which samples lie there.
        """
        known = np.zeros(len(at) + 1, np.int64)
        np.add.at(known, crests.starts, 1)
        np.add.at(known, crests.stops, -1)
        starts, stops = true_runs(at)
        kept = (stops - starts >= self._shortest) & (stops <= len(at) - 2) & (starts >= 2)
        inside = np.cumsum(known) > 0
        kept &= ~(inside[starts] | inside[stops - 1])
        return np.stack((starts[kept], stops[kept]))

    def _gather(
        self,
        into: Side,
        starts: Indices,
        stops: Indices,
        heights: NDArray[np.float64],
        crests: FlatCrests,
        fresh: NDArray[np.bool_],
    ) -> None:
        into.tops += len(starts)
        into.longest = max(into.longest, int((stops - starts).max()))
        into.held_frames += int((stops - starts).sum())
        before = np.concatenate(([into.last_stop or -(1 << 62)], stops[:-1]))
        dense = starts - before <= self._dense_frames
        into.last_stop = int(stops[-1])
        level = 20 * np.log10(heights)
        classes, of, counts = np.unique(
            np.rint(level / CLASS_DB).astype(np.int64), return_inverse=True, return_counts=True
        )
        close = np.bincount(of, dense)
        total = np.bincount(of, level)
        for i, klass in enumerate(classes.tolist()):
            into.counts[klass] = into.counts.get(klass, 0) + int(counts[i])
            into.dense[klass] = into.dense.get(klass, 0) + int(close[i])
            into.sums_db[klass] = into.sums_db.get(klass, 0.0) + float(total[i])
        codes = np.rint(heights[crests.exact[fresh]] * (self._fmt.full_scale / self._fmt.lsb / 2))
        for code, count in zip(*np.unique(codes, return_counts=True), strict=True):
            into.exact[int(code)] = into.exact.get(int(code), 0) + int(count)
        if len(into.exact) > _EXACT_KEPT:
            into.exact = {code: n for code, n in into.exact.items() if n > 1}

    def side(self, track: int, *, positive: bool) -> Side:
        """What was gathered for one polarity of a track."""
        return self._sides[track][0 if positive else 1]

    def ceilings(self, track: int) -> tuple[Ceiling, ...]:
        """The ceilings of a track, positive before negative. To be asked for at the end, once."""
        found = []
        sides = {positive: self.side(track, positive=positive) for positive in (True, False)}
        shaped = {
            positive: ceiling
            for positive, side in sides.items()
            if (ceiling := _by_number(side, positive, self._least_tops)) is not None
        }
        together = [sides[positive] for positive in shaped]
        shaped = {p: c for p, c in shaped.items() if not _soft(sides[p], together)}
        for positive in (True, False):
            ceiling = shaped.get(positive)
            pile = self._piles.proven(track, positive=positive)
            if pile is not None and (ceiling is None or ceiling.wide):
                ceiling = self._piled(track, pile, positive=positive)
            if ceiling is not None:
                found.append(ceiling)
        return tuple(found)

    def _piled(self, track: int, pile: Pile, *, positive: bool) -> Ceiling:
        """The ceiling that a pile proves; its crests stand for what was gathered there."""
        side = Side(
            exact={0: pile.at},
            tops=pile.at,
            peaks=pile.at + pile.near,
            longest=pile.longest,
            held_frames=pile.held_frames,
        )
        two = self._sides[track]
        self._sides[track] = (side, two[1]) if positive else (two[0], side)
        both = sorted((*self.places[track], *pile.places), key=lambda place: place.start)
        self.places[track] = Places(self._gap_frames)
        for place in both:
            self.places[track].add(place.start, place.stop, place.count)
        level = 20 * math.log10(pile.top / self._fmt.full_scale)
        return Ceiling(positive, level, pile.at, wide=False, piled=True)

    def alike(self, a: int, b: int) -> float:
        """Magnitude of the correlation of two tracks where several had flat tops; 0: no such."""
        power = self.gram[a, a] * self.gram[b, b]
        return float(abs(self.gram[a, b]) / np.sqrt(power)) if power > 0 else 0.0


def judged(side: Side, positive: bool, least_tops: int) -> Ceiling | None:
    """The ceiling that the gathered tops of one polarity prove, if any."""
    return None if _soft(side, [side]) else _by_number(side, positive, least_tops)


def _by_number(side: Side, positive: bool, least_tops: int) -> Ceiling | None:
    """The ceiling that as many tops at one level prove, whatever their shoulders."""
    exact = side.most_exact
    narrow, at = _fullest(side.counts, NARROW_CLASSES)
    often = side.tops >= LEAST_SHARE * side.peaks
    if exact >= EXACT_TOPS or (narrow >= least_tops and often):
        return Ceiling(positive, _mean_db(side, at, NARROW_CLASSES), side.tops, wide=False)
    wide, at = _fullest(side.dense, WIDE_CLASSES)
    if wide >= WIDE_TIMES * least_tops and often:
        return Ceiling(positive, _mean_db(side, at, WIDE_CLASSES), side.tops, wide=True)
    return None


def _soft(side: Side, together: Sequence[Side]) -> bool:
    """Whether the shoulders of a polarity's tops, or of both's, are too soft for a cut."""
    if side.near + side.far < SHOULDER_SAMPLES or side.most_exact >= EXACT_TOPS:
        return False
    if side.near > SOFT_SHOULDERS * side.far:
        return True
    if side.tops > FLAT_FOR_A_WHILE * side.peaks or side.near <= SOFTEST_CUT * side.far:
        return False
    near, far = sum(one.near for one in together), sum(one.far for one in together)
    return near > (SOFTEST_CUT + SOFT_BY_CHANCE / math.sqrt(near + far)) * far


def _fullest(counts: dict[int, int], width: int) -> tuple[int, int]:
    """Most that lies in so many neighbouring classes, and the first of these."""
    best, at = 0, 0
    for first in sorted(counts):
        here = sum(counts.get(k, 0) for k in range(first, first + width))
        if here > best:
            best, at = here, first
    return best, at


def _mean_db(side: Side, first: int, width: int) -> float:
    classes = range(first, first + width)
    count = sum(side.counts.get(k, 0) for k in classes)
    return sum(side.sums_db.get(k, 0.0) for k in classes) / max(count, 1)
