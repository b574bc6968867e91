"""Bits of PCM words that go as one: two data lines that touch, or one that follows another.

Two bits are tied where they are equal, or always opposite, in words of which what stands above
the higher of them takes `_VALUES` different values in a row without a break: whatever a signal is,
bits below so much of it are as good as thrown, once for each value. So quiet tracks, whose upper
bits all go with the sign, square waves and offsets (few words above) show none; zeros and held
values neither. The chance is 2**-48 for each of at most 276 pairs; where the halves of a
generator's wave mirror each other, half the exponent. Where most words come again, as in a
generator's table, nothing is told: what a converter gives is noisy. Nor where the bits hardly ever
change, as within shorter words.

One word is kept of each `_EVERY` frames and, as the capture grows, of twice as many and so on, in
memory that stays the same: so a tie is told from about where it begins to about where it ends.
Where in these frames it lies is as good as thrown, since ramps sampled evenly are ramps again.

Not seen: bits 2 to 6 (too few words above), a tie that is shorter than some 50 of the words kept
(0.6 s at 44.1 kHz, longer in captures of more than half a minute), bits of floats. Told
are also words of few bits that were stretched by setting their bits below themselves again.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._runs import true_runs
from checks.block import Block
from checks.model import CaptureFormat, Finding, Remedy, Value, Verdict, clock, lasting

_VALUES: Final = 48  # see the odds above; own choice, as for bits that stand still
_OFTEN: Final = 0.2  # that a tied bit is set, or not: of two that touch, 0.25; own choice
_WORDS: Final = 2048  # kept a track; own choice
_EVERY: Final = 512  # frames from one to the next at first; own choice
_CHUNK: Final = 32  # words in a row that are glanced at: fewer than a tie has by half


@dataclass(frozen=True, slots=True)
class Tie:
    """Bits, counted from 1 at the top, that go as one or against each other; and where."""

    bits: tuple[int, ...]
    opposite: bool
    start: int
    stop: int


class TiedBits:
    """Keeps words of every track over the blocks of one capture, evenly spread."""

    def __init__(self, fmt: CaptureFormat) -> None:
        self._unused = max(32 - fmt.word_length, 0)
        self._every = _EVERY
        self._words = np.zeros((fmt.channels, _WORDS), np.int32)
        self._held = 0
        self._stop = 0

    def feed(self, block: Block) -> None:
        self._stop = block.stop
        stretches = np.arange(-(-block.start // _EVERY), block.stop // _EVERY)
        stretches = stretches[stretches % (self._every // _EVERY) == 0]
        some = block.samples[:, stretches * _EVERY + _thrown(stretches) - block.start]
        while self._held + some.shape[1] > _WORDS:
            self._held //= 2  # blocks bring powers of two, but for the last: it was even
            self._words[:, : self._held] = self._words[:, : 2 * self._held : 2].copy()
            some = some[:, ::2]
            self._every *= 2
        self._words[:, self._held : self._held + some.shape[1]] = some
        self._held += some.shape[1]

    def told(self, tracks: Iterable[int]) -> dict[Tie, list[int]]:
        """What is tied, and on which of some tracks."""
        found: dict[Tie, list[int]] = {}
        for track in tracks:
            for tie in self._ties(self._words[track, : self._held] >> self._unused):
                found.setdefault(tie, []).append(track)
        return found

    def _ties(self, words: NDArray[np.int32]) -> list[Tie]:
        """The ties of a track: bits with one and the same place and way together."""
        length = 32 - self._unused
        together: dict[tuple[bool, int, int], set[int]] = {}
        for low, high, opposite in _likely(words, length):
            tied = ((words >> low ^ words >> high) & 1) == opposite
            starts, stops = true_runs(tied)
            long = stops - starts >= _VALUES  # of as many words at least
            for a, b in zip(starts[long], stops[long], strict=True):
                run = words[a:b]
                thrown = _values(run >> high + 1) >= _VALUES and 2 * _values(run) >= len(run)
                if thrown and _OFTEN <= float(np.mean(run >> high & 1)) <= 1 - _OFTEN:
                    where = (opposite, int(a), int(b))
                    together.setdefault(where, set()).update((length - low, length - high))
        return [
            Tie(tuple(sorted(bits)), opposite, *self._frames(a, b))
            for (opposite, a, b), bits in together.items()
        ]

    def _frames(self, first: int, stop: int) -> tuple[int, int]:
        end = self._stop if stop == self._held else stop * self._every
        return first * self._every, end


def _thrown(numbers: NDArray[np.int64]) -> NDArray[np.int64]:
    """A number below ``_EVERY`` for each, without a pattern: products' bits mixed once more."""
    mixed = numbers.astype(np.uint32) * np.uint32(0x9E3779B1)
    mixed = (mixed ^ mixed >> np.uint32(15)) * np.uint32(0x85EBCA6B)
    return (mixed ^ mixed >> np.uint32(13)).astype(np.int64) % _EVERY


def _likely(words: NDArray[np.int32], length: int) -> list[tuple[int, int, bool]]:
    """Pairs of bits (0 is the lowest) that agree, or never do, all through some chunk of words."""
    chunks = words[: len(words) // _CHUNK * _CHUNK].reshape(-1, _CHUNK)
    if not len(chunks):
        return []
    bits = (chunks[:, np.newaxis] >> np.arange(length)[:, np.newaxis] & 1).astype(np.float32)
    signs = 2 * bits - 1
    agree = signs @ signs.transpose(0, 2, 1)
    moves = np.abs(signs.sum(axis=2)) < _CHUNK
    both = moves[:, :, np.newaxis] & moves[:, np.newaxis]
    pairs = []
    for opposite in (False, True):
        all_through = (agree == (-_CHUNK if opposite else _CHUNK)) & both
        low, high = np.nonzero(np.triu(all_through.any(axis=0), 1))
        pairs += [(a, b, opposite) for a, b in zip(low.tolist(), high.tolist(), strict=True)]
    return pairs


def _values(words: NDArray[np.int32]) -> int:
    """How many different ones there are."""
    return 1 + int(np.count_nonzero(np.diff(np.sort(words))))


def told_of(tie: Tie, tracks: Iterable[int], fmt: CaptureFormat, frames: int) -> Finding:
    """``frames``: of the capture."""
    whole = tie.start == 0 and tie.stop == frames
    named = f"{', '.join(map(str, tie.bits[:-1]))} and {tie.bits[-1]}"
    where = ""
    if not whole:
        where = f" for some {lasting((tie.stop - tie.start) / fmt.rate_hz)}"
        where += " to the end" if tie.stop == frames else ""
    how = "are always opposite" if tie.opposite else "go as one"
    values: dict[str, Value] = {
        "tied_bits": list(tie.bits),
        "opposite": tie.opposite,
        "word_length": fmt.word_length,
    }
    if not whole:
        values["from"] = clock(tie.start, fmt.rate_hz)
    return Finding(
        check="format",
        kind="unused-bits",
        verdict=Verdict.REDO,
        remedy=Remedy.REPLAY,
        tracks=tuple(tracks),
        start_frame=None if whole else tie.start,
        frames=None if whole else tie.stop - tie.start,
        text=f"Bits {named} of the words {how}{where}, as no signal makes them (counted from the "
        "top, the sign is 1): the converter or its connection is faulty; play the tape again with "
        "another.",
        values=values,
    )
