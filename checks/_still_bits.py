"""Bits of PCM words that stand still over a stretch only: where, on which tracks, which bits.

A recorder that falls from 24 to 16 bits, words shifted up, a loose data line. A run of a bit is
told where, without a single change of it, the word above it jumps `_JUMPS` times, over `_VALUES`
different words, and half of its changes or more are jumps: by more than a smooth signal turns (a
second difference of half the bit's weight). A signal that crosses an edge of the word above
smoothly changes the bit itself there; where it jumps, the bit is as good as thrown: each jump
halves the odds, so noise does it once in 2**128 stretches. What repeats itself, as a generator's
tone does, is thrown once for each value only, hence those: 2**-48, or half the exponent where the
halves of a wave mirror each other.

So none of these is told: zeros, held values, tops at full scale and square waves (few words); a
fade into the last bits without dither, and quiet 16 bits (the lower bits move, it is the upper
ones that stand; a sign that changes moves them all); a slow tone without noise (no jumps), a
triangle or sawtooth whose slope fits the bit (jumps at the corners only; above a quarter of the
rate, where no converter gives a triangle, it may be told); a bit that never moves in the capture
(told of the whole). Parts of 16 and of 24 bits joined in one file are told: nothing in the words
says which fell short on purpose; so is a generator's lead in 16 bits of more values than that.

Not seen: bits 2 to 6 (too few words above), above bit 16 or so many more, since a smooth programme
seldom jumps by their weight (numbers in the README); a bit that moves now and then, a
stretch too still for so many jumps and words, two bits that go as one, bits below those asked for.

The screen looks at `_PIECE` neighbouring pairs in every so many frames that a stretch of 5 ms (or
152 frames) holds them all; a bit that stands there below one that moves is looked for sample by
sample. The pieces begin LEAD_FRAMES before a multiple of the period: what begins behind the last
piece of a block lies in the lead of the next.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._runs import Places
from checks.block import LEAD_FRAMES, Block

_JUMPS: Final = 128  # of the word above: see the odds above; own choice
_VALUES: Final = 48  # own choice; a tone of 1 kHz sampled at 48 and 96 kHz has 25 and 49
_PIECE: Final = 24  # pairs: noise flags one piece in 2**20, and is then looked at once more
_SHORTEST_S: Final = 0.005  # own choice
_APART: Final = 4  # findings; more of them are one cause, and told as one; own choice
_ALL: Final = 0xFFFFFFFF


@dataclass(frozen=True, slots=True)
class Still:
    """Bits (counted from 1 at the top) that stand still together on some tracks, and where."""

    tracks: tuple[int, ...]
    bits: tuple[int, ...]
    places: tuple[tuple[int, int, int], ...]  # first frame, the one behind the last, how many
    together: bool = True  # all the bits at each place, not only some of them


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Where bits stand still at one time on some tracks."""

    start: int
    stop: int
    bits: int  # a mask; 1 is the lowest of the word
    count: int  # runs so near each other that they are kept as one
    tracks: tuple[int, ...]

    def overlaps(self, other: _Stretch) -> bool:
        """Whether the two share half of the longer one."""
        shared = min(self.stop, other.stop) - max(self.start, other.start)
        return 2 * shared >= max(self.stop - self.start, other.stop - other.start)


@dataclass(slots=True)
class _Run:
    """A run of one bit that still goes on, and what is known to have jumped above it."""

    since: int
    changes: int = 0  # of the word above
    jumps: int = 0  # those of them that no smooth signal explains
    words: set[int] = field(default_factory=set)

    @property
    def proven(self) -> bool:
        enough = self.jumps >= _JUMPS and 2 * self.jumps >= self.changes
        return enough and len(self.words) >= _VALUES

    def learn(self, above: _Above, start: int, stop: int) -> None:
        """Take the changes of the word above within frames ``start`` to ``stop`` of a row."""
        if self.proven:
            return
        some = slice(max(start, 0), max(stop - 2, start, 0))
        self.changes += int(np.count_nonzero(above.changed[some]))
        at = np.flatnonzero(above.jumped[some]) + some.start + 2
        self.jumps += len(at)
        if self.jumps and len(self.words) < _VALUES:
            self.words.update(np.unique(above.word[at])[:_VALUES].tolist())


class _Above:
    """The word above one bit of a row: which of its changes no smooth signal explains."""

    def __init__(
        self, row: NDArray[np.int32], toggles: NDArray[np.uint32], turn: NDArray[np.int64], p: int
    ) -> None:
        """``changed[k]``, ``jumped[k]`` are of frame k + 2, ``word[k]`` of frame k of the row."""
        self.changed = toggles[1:] >> np.uint32(p) > 1
        self.jumped = self.changed & (turn >= (1 << p) // 2)
        self.word = row >> p + 1


class StillBits:
    """Follows the bits of every track over the blocks of one capture."""

    def __init__(self, *, tracks: int, rate_hz: int, bits: int) -> None:
        """``bits``: how many of the word, from the top, are judged."""
        room = int(_SHORTEST_S * rate_hz) - _PIECE
        self._every = max(LEAD_FRAMES, min(1 << max(room, 1).bit_length() - 1, 4096))
        self._below = _ALL >> bits  # bits that are not judged
        # (tracks, 1): those and the ones of which a run that goes on is proven
        self._passed = np.full((tracks, 1), self._below, np.uint32)
        self._on: list[dict[int, _Run]] = [{} for _ in range(tracks)]  # by place, 0 the lowest
        self._told: list[dict[int, Places]] = [{} for _ in range(tracks)]
        self._stop = 0

    def feed(self, block: Block) -> None:
        still = self._screen(block)
        for track, runs in enumerate(self._on):
            if still[track] or runs:
                self._look(block, track, still[track])
                known = sum(1 << place for place, run in runs.items() if run.proven)
                self._passed[track] = self._below | known
        self._stop = block.stop

    def told(self, moves: NDArray[np.int32], judged: Iterable[int]) -> list[Still]:
        """What stood still for a while only, on some tracks.

        ``moves``: (tracks,), the bits that ever change; one that never does is told elsewhere.
        """
        for track, runs in enumerate(self._on):
            for place in list(runs):
                self._end(track, place, self._stop)
        found: list[_Stretch] = []
        for track in judged:
            ever = int(moves[track])
            found += _together(track, {p: e for p, e in self._told[track].items() if ever >> p & 1})
        told = list(_alike(found))
        return told if len(told) <= _APART else [_as_one(told)]

    # -- one block -----------------------------------------------------------------------------

    def _screen(self, block: Block) -> list[int]:
        """Of each track the bits that stand in a piece in which a higher one moves."""
        period, x = self._every, block.samples
        pieces = block.frames // period
        first = period - LEAD_FRAMES
        still = [0] * len(x)
        view = x[:, : pieces * period].reshape(len(x), pieces, period)
        looked = view[:, :, first : first + _PIECE + 1]
        moved = _moved(looked, block.work.take("still", (len(x), pieces, _PIECE), np.int32))
        if block.frames % period > _PIECE:  # the end of the capture
            moved = np.append(moved, _moved(x[:, np.newaxis, -_PIECE - 1 :]), axis=1)
        full = moved | self._passed
        odd = full & (full + np.uint32(1))  # not 0 where some 0 stands below a 1
        if not odd.any():
            return still
        for track in np.flatnonzero(odd.any(axis=1)).tolist():
            high = full[track]
            for shift in (1, 2, 4, 8, 16):
                high = high | high >> np.uint32(shift)
            still[track] = int(np.bitwise_or.reduce(high & ~full[track]))
        return still

    def _look(self, block: Block, track: int, still: int) -> None:
        """Find the runs of some bits of a track, sample by sample; go on with those that stand."""
        runs = self._on[track]
        row = block.with_lead[track]
        new = row[max(block.lead - 1, 0) :]
        ever = int(np.bitwise_or.reduce(new)) ^ int(np.bitwise_and.reduce(new))
        for place, run in runs.items():
            if ever >> place & 1 or not run.proven:  # else it goes on, and no more is to be learned
                still |= 1 << place
        if not still:
            return
        toggles = (row[1:] ^ row[:-1]).view(np.uint32)
        wide = row.astype(np.int64)
        turn = np.abs(wide[2:] - 2 * wide[1:-1] + wide[:-2])
        for place in range(32):
            if still >> place & 1:
                changes = np.flatnonzero(toggles & np.uint32(1 << place)) + 1
                self._follow(block, track, place, changes, _Above(row, toggles, turn, place))

    def _follow(
        self, block: Block, track: int, place: int, changes: NDArray[np.intp], above: _Above
    ) -> None:
        """Go on with the run of one bit, and begin others, between its changes in a row."""
        runs, origin, frames = self._on[track], block.start - block.lead, len(above.word)
        carried = place in runs
        if carried:
            changes = changes[changes >= block.lead]
        begins = np.concatenate(([block.lead if carried else 0], changes))
        ends = np.append(changes, frames)
        long = ends - begins >= LEAD_FRAMES
        long[0] |= carried
        for a, b in zip(begins[long].tolist(), ends[long].tolist(), strict=True):
            goes_on = place in runs
            runs.setdefault(place, _Run(origin + a)).learn(above, a - 2 if goes_on else a, b)
            if b < frames:
                self._end(track, place, origin + b)

    def _end(self, track: int, place: int, stop: int) -> None:
        run = self._on[track].pop(place)
        if run.proven:
            self._told[track].setdefault(place, Places(1)).add(run.since, stop)


def _moved(looked: NDArray[np.int32], out: NDArray[np.int32] | None = None) -> NDArray[np.uint32]:
    """(tracks, pieces): the bits that change within each piece of (tracks, pieces, frames)."""
    changes = np.bitwise_xor(looked[..., 1:], looked[..., :-1], out=out)
    found: NDArray[np.uint32] = np.bitwise_or.reduce(changes, axis=2).view(np.uint32)
    return found


def _together(track: int, each: dict[int, Places]) -> list[_Stretch]:
    """The bits of a track that stand still at one time.

    All of them stand from the last change of any to the first change of any.
    """
    groups: list[_Stretch] = []
    runs = sorted((p.start, p.stop, 1 << place, p.count) for place, of in each.items() for p in of)
    for run in (_Stretch(*values, (track,)) for values in runs):
        for k in range(len(groups) - 1, -1, -1):
            g = groups[k]
            if not g.bits & run.bits and g.overlaps(run):
                start, stop = max(g.start, run.start), min(g.stop, run.stop)
                count = max(g.count, run.count)
                groups[k] = _Stretch(start, stop, g.bits | run.bits, count, run.tracks)
                break
        else:
            groups.append(run)
    return groups


def _alike(found: list[_Stretch]) -> Iterator[Still]:
    """The same bits at the same time on several tracks, and at several times, told as one."""
    merged: list[_Stretch] = []
    for one in sorted(found, key=attrgetter("start", "stop", "bits", "count", "tracks")):
        for k, m in enumerate(merged):
            if m.bits == one.bits and not set(m.tracks) & set(one.tracks) and m.overlaps(one):
                start, stop = min(m.start, one.start), max(m.stop, one.stop)
                count, tracks = max(m.count, one.count), (*m.tracks, *one.tracks)
                merged[k] = _Stretch(start, stop, one.bits, count, tracks)
                break
        else:
            merged.append(one)
    told: dict[tuple[int, tuple[int, ...]], list[tuple[int, int, int]]] = {}
    for m in merged:
        told.setdefault((m.bits, tuple(sorted(m.tracks))), []).append((m.start, m.stop, m.count))
    for (bits, tracks), places in told.items():
        named = tuple(32 - place for place in range(31, -1, -1) if bits >> place & 1)
        yield Still(tracks, named, tuple(sorted(places)))


def _as_one(told: list[Still]) -> Still:
    return Still(
        tuple(sorted({track for each in told for track in each.tracks})),
        tuple(sorted({bit for each in told for bit in each.bits})),
        tuple(sorted(place for each in told for place in each.places)),
        together=False,
    )
