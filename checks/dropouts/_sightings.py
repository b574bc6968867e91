"""Where some samples have been seen before: every repeat of a certain length is met, at any lag.

Keys are made of a few neighbouring samples, at places whose number modulo a period lies in a
difference cover: for every distance there is a place in each period such that it and the place
that distance before both lie in the cover. So a fifth of all places is enough, and none is chosen
by its content, which costs less than winnowing: there the search for minima alone takes longer.
(Colbourn & Ling, "Quorums from difference covers", 2000, on such covers; those with a period of
q*q + q + 1 are the perfect difference sets of Singer 1938, the others were found by trying all.)

A table a track tells whether a key has been seen: four tags of 16 bits a slot, the newest first.
With one key a slot on average over the longest lag, a tag is pushed out too early once in forty
keys at that lag, once in 170 over all; a repeat twice as long as the least has two keys. Where
the tag agrees, the log of keys tells the place.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

MOST_BYTES: Final = 64 << 20
"""Memory of all tables and logs. Some 40 tracks at 352.8 kHz reach it; the longest lag is then
shorter than asked for."""

_BYTES_A_KEY: Final = 14  # a slot of the table, a word of the log, and a share of the rest
_FACTORS: Final = tuple((0x9E3779B1 * (2 * k + 1) ** 3 | 1) & 0xFFFFFFFF for k in range(12))
"""Odd, bits well mixed: from 2**32 over the golden ratio (Knuth, "Sorting and Searching", 6.4;
from memory)."""

_LANES: Final = np.uint64(0x0001000100010001)
_HIGH: Final = np.uint64(0x8000800080008000)
_LANE_BITS: Final = np.uint64(16)
_TAG: Final = np.uint32(0x7FFF)
_FILTER_BITS: Final = 14

Places = NDArray[np.int64]
Words = NDArray[np.uint32]


@dataclass(frozen=True, slots=True)
class Cover:
    """Places modulo ``period`` whose differences give every residue; ``window`` samples a key."""

    period: int
    places: tuple[int, ...]
    window: int

    @property
    def met_frames(self) -> int:
        """Every repeat of so many frames is met."""
        return self.period + self.window - 1


FINE: Final = (
    Cover(28, (0, 3, 4, 10, 12, 17), 5),
    Cover(57, (1, 6, 7, 9, 19, 38, 42, 49), 5),
    Cover(91, (0, 1, 3, 9, 27, 49, 56, 61, 77, 81), 5),
    Cover(183, (0, 1, 3, 16, 23, 28, 42, 76, 82, 86, 119, 137, 154, 175), 5),
)
"""For signals whose samples seldom agree by chance; the longer the repeat, the fewer keys."""

COARSE: Final = Cover(21, (0, 2, 7, 8, 11), 12)
"""For noise of a few steps of the word: keys of more samples."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Keys of one track that have been seen before, in order of their first frames."""

    frames: Places
    keys: Words


class Sightings:
    """Remembers the keys of one track."""

    def __init__(self, cover: Cover, *, frames: int, most_bytes: int) -> None:
        """``frames``: longest lag wanted; it is shorter where ``most_bytes`` do not suffice."""
        self.cover = cover
        wanted = frames * len(cover.places) // cover.period + 1
        self._most = max(min(wanted, most_bytes // _BYTES_A_KEY), 1 << 9)
        bits = max(int(self._most - 1).bit_length(), 9)
        self._shift = np.uint32(32 - bits)
        self._table = np.zeros(1 << bits, np.uint64)
        self._latest = np.zeros(1 << bits, np.int32)
        self._batches: deque[tuple[int, int, Words]] = deque()  # first period, periods, keys
        self._held = 0
        self._period = 0  # number of the next one

    def feed(self, x: Words, first: int) -> Seen | None:
        """Take samples that begin at frame ``first``: all new ones, and some seen before."""
        cover = self.cover
        start = max(self._period, -(-first // cover.period))
        count = (first + len(x) - cover.met_frames) // cover.period + 1 - start
        if count <= 0:
            return None
        keys = _keys(x[start * cover.period - first :], cover, count)
        self._period = start + count
        self._batches.append((start, count, keys))
        self._held += len(keys)
        while self._held - len(self._batches[0][2]) - len(keys) >= self._most:
            self._held -= len(self._batches.popleft()[2])
        hits = self._push(keys)
        if not len(hits):
            return None
        frames = self._frames(start, count, hits)
        order = np.argsort(frames, kind="stable")
        return Seen(frames[order], keys[hits[order]])

    def skip(self, stop: int) -> None:
        """Nothing before frame ``stop`` is worth remembering."""
        self._period = max(self._period, -(-stop // self.cover.period))

    def _push(self, keys: Words) -> Places:
        """Put keys into the table; returns those that were there before."""
        slots = (keys >> self._shift).astype(np.int64)
        tags = (keys & _TAG).astype(np.uint64)
        tags += np.uint64(1)  # 0 is an empty lane
        lanes = tags * _LANES
        held = self._table.take(slots)
        np.bitwise_xor(lanes, held, out=lanes)
        found = _with_zero_lane(lanes)
        np.left_shift(held, _LANE_BITS, out=held)
        np.bitwise_or(held, tags, out=held)
        self._table[slots] = held
        order = np.arange(len(keys), dtype=np.int32)
        self._latest[slots] = order
        winner = self._latest.take(slots)
        lost = np.flatnonzero(winner != order)
        # of new keys that share a slot one is there now: the others follow it, and where both
        # are equal the new samples repeat themselves
        twin = lost[keys[lost] == keys[winner[lost]]]
        held = self._table.take(slots[lost])
        self._table[slots[lost]] = (held << _LANE_BITS) | tags[lost]
        if not len(twin):
            return found
        return np.unique(np.concatenate((found, twin, winner[twin].astype(np.int64))))

    def _frames(self, start: int, count: int, index: Places) -> Places:
        places = np.array(self.cover.places)
        out: Places = (start + index % count) * self.cover.period + places[index // count]
        return out

    def earlier(self, seen: Seen) -> tuple[Places, Places]:
        """All pairs of a frame and an earlier one with the same key, in order of the former."""
        keys = np.unique(seen.keys)
        marks = np.zeros(1 << _FILTER_BITS, np.bool_)
        shift = np.uint32(32 - _FILTER_BITS)
        marks[keys >> shift] = True
        found_keys, found_frames = [], []
        for start, count, batch in self._batches:
            if len(keys) == 1:
                near = np.flatnonzero(batch == keys[0])
            else:
                near = np.flatnonzero(marks.take(batch >> shift))
            found_keys.append(batch[near])
            found_frames.append(self._frames(start, count, near))
        log, frames = np.concatenate(found_keys), np.concatenate(found_frames)
        order = np.argsort(log, kind="stable")
        log, frames = log[order], frames[order]
        low = np.searchsorted(log, seen.keys, side="left")
        high = np.searchsorted(log, seen.keys, side="right")
        now = np.repeat(seen.frames, high - low)
        each = np.concatenate([np.arange(a, b) for a, b in zip(low, high, strict=True)])
        then = frames[each.astype(np.int64)]
        return now[then < now], then[then < now]


def _with_zero_lane(x: NDArray[np.uint64]) -> Places:
    """Where one of the four lanes of 16 bits is zero (rarely where none is, never missed).

    Mycroft's test for a zero byte (1987), on words. ``x`` is spent.
    """
    less = x - _LANES
    np.invert(x, out=x)
    np.bitwise_and(x, less, out=x)
    np.bitwise_and(x, _HIGH, out=x)
    return np.flatnonzero(x)


def _keys(x: Words, cover: Cover, count: int) -> Words:
    """The keys of ``count`` periods from the first sample on, the places in order of the cover.

    Two sums of products with odd numbers, of the first samples and of the others; the lower bits
    of left-justified words are all zero, so the second sum is moved down before it joins.
    """
    period, places = cover.period, np.array(cover.places)
    span = max(cover.places) + cover.window
    columns = np.empty((span, count), np.uint32)
    for start in range(0, span, period):
        stop = min(start + period, span)
        rows = x[start : start + count * period]
        whole = len(rows) // period
        columns[start:stop, :whole] = (
            rows[: whole * period].reshape(whole, period)[:, : stop - start].T
        )
        rest = rows[whole * period :][: stop - start]
        if whole < count:  # the last period lacks samples that no key needs
            columns[start : start + len(rest), whole] = rest
    half = (cover.window + 1) // 2
    sums: list[Words] = []
    for j in range(cover.window):
        part = columns.take(places + j, axis=0)
        np.multiply(part, np.uint32(_FACTORS[j]), out=part)
        if j in (0, half):
            sums.append(part)
        else:
            np.add(sums[-1], part, out=sums[-1])
    np.right_shift(sums[1], np.uint32(8), out=sums[1])
    np.bitwise_xor(sums[0], sums[1], out=sums[0])
    return sums[0].reshape(-1)
