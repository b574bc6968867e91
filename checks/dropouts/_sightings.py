"""Where some samples have been seen before: every repeat of a certain length is met, at any lag.

A hash is made of each few neighbouring samples. Of all that begin within so many neighbouring
places the one with the smallest hash is a landmark: wherever the same audio stands, it has the
same landmarks, so few need to be remembered (winnowing: Schleimer, Wilkerson & Aiken, "Winnowing:
local algorithms for document fingerprinting", 2003; the share of places chosen is 2 / (span + 1)).
The minima of all spans, and for each place the largest minimum of the spans that hold it, are an
opening with a flat element: ten passes over 16-bit words (van Herk, 1992, on such filters; here by
doubling, which suits whole-array arithmetic).

A table a track tells whether a key has been seen: four tags of 16 bits a slot, the newest first.
With one key a slot on average over the longest lag, a tag is pushed out too early once in forty
keys at that lag, once in 170 over all; a repeat twice as long as the least has two keys. Where
the tag agrees, the ring of keys tells the place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._runs import Indices
from checks.block import Workspace
from checks.model import Samples

MOST_BYTES: Final = 64 << 20
"""Memory of all tables. Some 40 tracks at 352.8 kHz reach it; the longest lag is then shorter
than asked for."""

FINE: Final = 8
"""Samples a key, for signals whose samples seldom agree by chance."""

COARSE: Final = 12
"""The same for noise of a few steps of the word."""

_BYTES_A_KEY: Final = 24  # a slot of the table, and places in the rings, all rounded up
_WIDEST: Final = 256  # places a landmark is chosen from: longer repeats have more of them
_PIECE: Final = 1 << 16  # places at once: more leave the cache, fewer cost more calls than work

_IN_A_SLOT: Final = 4  # tags
_MANY: Final = 256  # keys that share their slots with others
_LANES: Final = np.uint64(0x0001000100010001)
_HIGH: Final = np.uint64(0x8000800080008000)
_LANE_BITS: Final = np.uint64(16)
_TAG: Final = np.uint32(0xFFFF)
_LEAST: Final = np.uint32(1)
_HALF: Final = np.uint32(16)

_WORD: Final = np.uint32(0x9E3779B1)
"""Odd, bits well mixed: 2**32 over the golden ratio (Knuth, "Sorting and Searching", 6.4; from
memory). The others are odd numbers without a pattern."""
_SMALL: Final = np.uint32(0x85EBCA6B)
_ODD: Final = (np.uint16(0x6A35), np.uint16(0x2E9D), np.uint16(0xB5C7))

Words = NDArray[np.uint32]
Hashes = NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Seen:
    """Keys of one track that have been seen before, in order of their first frames."""

    frames: Indices
    keys: Words


class Sightings:
    """Remembers the landmarks of one track."""

    def __init__(
        self, window: int, *, least: int, frames: int, most_bytes: int, scratch: Workspace
    ) -> None:
        """``window``: samples a key, FINE or COARSE; ``least``: frames of the shortest repeat that
        must be met; ``frames``: longest lag wanted, shorter where ``most_bytes`` do not suffice;
        ``scratch``: one for all tracks, so that it stays in the cache."""
        self._window = window
        self._span = min(least - window + 1, _WIDEST)
        wanted = frames * 2 // (self._span + 1) + 1
        most = max(min(wanted, most_bytes // _BYTES_A_KEY), 1 << 9)
        bits = int(most - 1).bit_length()
        self._ring = np.zeros(1 << bits, np.uint32)
        self._frames = np.full(1 << bits, _NEVER, np.int64)
        self._shift = np.uint32(32 - bits)
        self._table = np.zeros(1 << bits, np.uint64)
        self._scratch = scratch
        self._count = 0  # landmarks so far
        self._next = 0  # first place whose span has not been looked at
        self._last = -1  # the newest landmark

    @property
    def overlap(self) -> int:
        """Frames before the new ones that must be given again."""
        return self._window + self._span

    def feed(self, x: Words, first: int) -> Seen:
        """Take samples that begin at frame ``first``: all new ones, and some seen before."""
        start = max(self._next, first)
        spans = first + len(x) - self._window - self._span + 2 - start
        if spans <= 0:
            return Seen(_NONE, _NO_WORDS)
        self._next = start + spans
        found = [
            self._take(x[at : at + _PIECE + self.overlap], first + at)
            for at in range(start - first, start - first + spans, _PIECE)
        ]
        return Seen(*(np.concatenate(some) for some in zip(*found, strict=True)))

    def _take(self, x: Words, first: int) -> tuple[Indices, Words]:
        """The landmarks of at most ``_PIECE`` spans that have been seen before: frames, keys."""
        frames, keys = self._landmarks(x, first)
        self._remember(frames, keys)
        hits = self._push(keys)
        return frames[hits], keys[hits]

    def _remember(self, frames: Indices, keys: Words) -> None:
        size = len(self._ring)
        at = self._count & (size - 1)
        self._count += len(keys)
        if at + len(keys) <= size:
            self._ring[at : at + len(keys)], self._frames[at : at + len(keys)] = keys, frames
        else:
            places = np.arange(at, at + len(keys)) & (size - 1)
            self._ring[places], self._frames[places] = keys, frames

    def skip(self, stop: int) -> None:
        """Nothing before frame ``stop`` is worth remembering."""
        self._next = max(self._next, stop)

    def earlier(self, frame: int, key: np.uint32) -> list[int]:
        """The frames before ``frame`` where a key was seen, in no order."""
        frames = self._frames.take(np.flatnonzero(self._ring == key))  # hardly ever more than one
        found: list[int] = frames[frames < frame].tolist()
        return found

    def _landmarks(self, x: Words, first: int) -> tuple[Indices, Words]:
        """New landmarks of at most ``_PIECE`` spans, the first of them at the first sample."""
        fours = _fours(x[: _PIECE + self._span + self._window - 2], self._scratch)
        hashes = fours[: len(fours) - self._window + 4]
        if self._window == COARSE:  # in so little noise four samples are like the next too often
            hashes = fours[4:-4] * _ODD[2]
            hashes += fours[:-8]
        flags = self._scratch.take("flags", (_MORE + len(hashes),), np.bool_)
        np.equal(_opening(hashes, self._span), hashes, out=flags[_MORE:])
        at = _places(flags)
        at = at[np.searchsorted(at, self._last - first, side="right") :]  # the others are known
        low, high = fours.take(at), fours[4:].take(at)
        still = low == high  # a constant is worth no key
        if still.any():
            at, low, high = at[~still], low[~still], high[~still]
        if not len(at):
            return _NONE, _NO_WORDS
        self._last = int(at[-1]) + first
        keys = high.astype(np.uint32)
        keys <<= np.uint32(16)
        keys |= low
        if self._window == COARSE:
            keys += fours[8:].take(at) * _WORD
        keys *= _WORD
        keys += fours[2:].take(at) * _SMALL  # the first two alone hash to little
        return at + first, keys

    def _push(self, keys: Words) -> Indices:
        """Put keys into the table; returns those that were there before.

        Keys that share a slot go in one after the other, the earliest first, so that the later
        ones meet it: new samples may repeat themselves.
        """
        turned = np.ascontiguousarray(keys[::-1])  # of equal indices numpy keeps the last
        slots = (turned >> self._shift).astype(np.intp)
        tags = np.maximum(turned & _TAG, _LEAST).astype(np.uint64)  # 0 is an empty lane
        seen = self._put(slots, tags)
        left = self._others(slots)
        if len(left) > _MANY:
            left = _without_runs(left, slots, tags, seen)
        while len(left):
            some = slots.take(left)
            seen[left] = self._put(some, tags.take(left))
            left = left.take(self._others(some))
        out: Indices = len(keys) - 1 - seen.nonzero()[0][::-1]
        return out

    def _put(self, slots: Indices, tags: NDArray[np.uint64]) -> NDArray[np.bool_]:
        """Put the last tag of each slot in front of those there; which were there before."""
        held = self._table.take(slots)
        lanes = tags * _LANES
        lanes ^= held
        held <<= _LANE_BITS
        held |= tags
        self._table[slots] = held
        return _with_zero_lane(lanes)

    def _others(self, slots: Indices) -> Indices:
        """Those that are not the last of their slot."""
        order = np.arange(len(slots), dtype=np.int32)
        last = self._scratch.take("last", (len(self._table),), np.int32)
        last[slots] = order
        out: Indices = (last.take(slots) != order).nonzero()[0]
        return out


def _without_runs(
    left: Indices, slots: Indices, tags: NDArray[np.uint64], seen: NDArray[np.bool_]
) -> Indices:
    """Without keys that follow four of their like into their slot: nothing else is left in it, and
    one more of the same changes nothing. Loops have thousands; they are set as ``seen``."""
    order = left[np.argsort(slots[left], kind="stable")]
    own = (slots[order].astype(np.uint64) << _LANE_BITS) | tags[order]
    next_alike = own[:-1] == own[1:]
    full = np.zeros(len(order), np.bool_)
    full[:-_IN_A_SLOT] = next_alike[: len(order) - _IN_A_SLOT]
    for later in range(1, _IN_A_SLOT):
        full[:-_IN_A_SLOT] &= next_alike[later : len(order) - _IN_A_SLOT + later]
    seen[order[full]] = True
    return np.sort(order[~full])


def words(x: Samples) -> Words:
    """Samples as 32-bit words that are equal where the samples are."""
    if x.dtype.kind == "f":
        x = x + x.dtype.type(0)  # zero has two words, and is as often the one as the other
    if x.dtype == np.float64:
        wide = x.view(np.uint64)
        out: Words = (wide ^ (wide >> np.uint64(32))).astype(np.uint32)
        return out
    return x.view(np.uint32)


def _places(flags: NDArray[np.bool_]) -> Indices:
    """Which flags are set, counted from behind the first ``_MORE``, of somewhat less than a tenth.

    Below a tenth numpy looks for one flag after the other, and guesses wrong where it stands; above
    it goes through all without a guess. So the first are set for that alone.
    """
    flags[:_MORE] = True
    out: Indices = flags.nonzero()[0][_MORE:]
    out -= _MORE
    return out


def _with_zero_lane(x: NDArray[np.uint64]) -> NDArray[np.bool_]:
    """Whether one of the four lanes of 16 bits is zero (rarely where none is, never missed).

    Mycroft's test for a zero byte (1987), on words. ``x`` is spent.
    """
    less = x - _LANES
    np.invert(x, out=x)
    x &= less
    x &= _HIGH
    out: NDArray[np.bool_] = x != 0
    return out


def _fours(x: Words, scratch: Workspace) -> Hashes:
    """A hash of each four neighbouring samples, (len(x) - 3,): a sum of products. In scratch.

    The upper half of a product with an odd number holds something of every bit of a word, also
    of left-justified ones, whose lower bits are all zero.
    """
    mixed = scratch.take("mixed", x.shape, np.uint32)
    single, double, out = (
        scratch.take(name, (max(len(x) - less, 0),), np.uint16)
        for name, less in (("single", 0), ("double", 1), ("fours", 3))
    )
    np.multiply(x, _WORD, out=mixed)
    np.right_shift(mixed, _HALF, out=single, dtype=np.uint32, casting="unsafe")
    np.multiply(single[1:], _ODD[0], out=double)
    double += single[:-1]
    np.multiply(double[2:], _ODD[1], out=out)
    out += double[:-2]
    return out


def _opening(hashes: Hashes, span: int) -> Hashes:
    """For each place the largest of the minima of all spans that hold it, (len(hashes),)."""
    least = _sliding(np.minimum, hashes, span)
    padded = np.zeros(len(least) + 2 * (span - 1), np.uint16)
    padded[span - 1 : span - 1 + len(least)] = least
    return _sliding(np.maximum, padded, span)


def _sliding(pick: np.ufunc, x: Hashes, span: int) -> Hashes:
    """``pick`` of each ``span`` neighbouring values, (len(x) - span + 1,), by doubling."""
    width = 1
    while 2 * width <= span:
        x = pick(x[width:], x[:-width])
        width *= 2
    rest = span - width
    out: Hashes = pick(x[rest:], x[: len(x) - rest]) if rest else x
    return out


_MORE: Final = _PIECE // 16
_NEVER: Final = np.iinfo(np.int64).max
_NONE: Final = np.zeros(0, np.int64)
_NO_WORDS: Final = np.zeros(0, np.uint32)
