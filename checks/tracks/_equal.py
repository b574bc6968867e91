"""Stretches over which two tracks are equal bit for bit, on every sample of every pair.

Every 128 frames a signature of eight samples is taken of each track; signatures are sorted
across the tracks, and where two agree the samples themselves are compared. An equal stretch of
135 frames and more holds one whole signature, so none of ``TracksLimits.identical_frames`` can
slip through. Eight samples that all hold one value give no signature: two silences are not a
double. A stretch counts when it moves enough: what changes by a step or two of the word in a
quiet 16-bit capture may agree by chance.

Does not find doubles with the slightest difference (see ``_pairs``), nor copies at another time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from hashlib import shake_128
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks.block import Block
from checks.model import CaptureFormat, Samples

_EVERY: Final = 128
_TAKEN: Final = 8
_MOVES: Final = 96  # a sample that moves by many steps: chance below 2**-96 even at one bit each
_QUIET_MOVES: Final = 2048  # where it moves within a few steps; tracks of one room move alike
_QUIET_STEPS: Final = 16
_LISTED: Final = 8  # stretches kept a pair
_TONE_FRAMES: Final = 2048
_TONE_STEPS: Final = 2.0  # rounding a sine moves its second-order prediction by less
_TONE_NOISE: Final = 3e-4  # -70 dB: a tone from tape has more noise
# Odd numbers without pattern (32-bit multiplicative hashing, D. E. Knuth, vol. 3, 6.4).
_ODD: Final = np.frombuffer(shake_128(b"equal tracks").digest(8 * _TAKEN), np.uint32) | 1


@dataclass(slots=True)
class Stretch:
    """Frames over which two tracks agree, and how much the signal moves there.

    Attributes:
        start, stop: first frame, and the one behind the last.
        moves: samples that differ from the one before.
        first_move, last_move: where the signal begins and ends to move.
        lowest, highest: of the samples, native units.
        tone: every part of it is a generator's sine without any noise.
    """

    start: int
    stop: int
    moves: int = 0
    first_move: int = 0
    last_move: int = 0
    lowest: float = math.inf
    highest: float = -math.inf
    tone: bool = True


@dataclass(slots=True)
class Double:
    """All equal stretches of two tracks; ``stretches`` holds the longest of ``count``."""

    tracks: tuple[int, int]
    count: int = 0
    frames: int = 0
    stretches: list[Stretch] = field(default_factory=list)


class EqualStretches:
    """Finds them block by block. Tracks that agree are chained: a group of n gives n - 1 pairs."""

    def __init__(self, fmt: CaptureFormat, min_frames: int) -> None:
        self._min = min_frames
        self._lsb = fmt.lsb
        self._lag = max(1, fmt.rate_hz // 2000)  # far enough for two partials to part
        self._open: dict[tuple[int, int], Stretch] = {}
        self._found: dict[tuple[int, int], Double] = {}

    def feed(self, block: Block) -> None:
        """Take a block."""
        if block.tracks < 2:
            return
        x = _words(block.samples)
        whole = {p for p in self._open if np.array_equal(x[p[0]], x[p[1]])}
        for pair in whole:
            self._extend(self._open[pair], block, pair[0], block.lead, x.shape[1] + block.lead)
        others = _candidates(block, {pair[1] for pair in whole}) | set(self._open)
        for pair in sorted(others - whole):
            self._compare(block, pair)

    def _compare(self, block: Block, pair: tuple[int, int]) -> None:
        """Open, continue and close the stretches of a pair that agrees in parts of a block."""
        x = _words(block.with_lead)
        end = x.shape[1]
        equal = np.zeros(end + 2, np.int8)
        np.equal(x[pair[0]], x[pair[1]], out=equal[1:-1].view(np.bool_))
        edges = np.flatnonzero(np.diff(equal))
        first, last = edges[::2], edges[1::2]
        worth = (last - first >= self._min) | (last == end)
        worth |= (first < block.lead) & (last > block.lead)
        worth &= last > block.lead
        known = self._open.pop(pair, None)
        for begin, stop in zip(first[worth].tolist(), last[worth].tolist(), strict=True):
            at = block.start - block.lead + begin
            stretch = known if known and begin < block.lead else Stretch(at, at)
            known = None if stretch is known else known
            self._extend(stretch, block, pair[0], begin, stop)
            if stop == end:
                self._open[pair] = stretch
            else:
                self._close(pair, stretch)
        if known:
            self._close(pair, known)

    def _extend(self, stretch: Stretch, block: Block, track: int, begin: int, stop: int) -> None:
        """Let a stretch reach from ``begin`` to ``stop`` of a block, both counted with the lead."""
        offset = block.start - block.lead
        begin = max(begin, stretch.stop - offset - 1) if stretch.stop > stretch.start else begin
        x = block.with_lead[track, begin:stop]
        moves = np.flatnonzero(_words(x)[1:] != _words(x)[:-1])
        if len(moves):
            if not stretch.moves:
                stretch.first_move = offset + begin + int(moves[0])
            stretch.last_move = offset + begin + int(moves[-1]) + 2
            stretch.moves += len(moves)
        stretch.lowest = min(stretch.lowest, float(x.min()))
        stretch.highest = max(stretch.highest, float(x.max()))
        stretch.stop = offset + stop
        stretch.tone = stretch.tone and _is_tone(x[:_TONE_FRAMES], self._lsb, self._lag)

    def _close(self, pair: tuple[int, int], stretch: Stretch) -> None:
        narrow = stretch.highest - stretch.lowest < _QUIET_STEPS * self._lsb
        needed = _QUIET_MOVES if narrow else _MOVES
        if stretch.last_move - stretch.first_move < self._min or stretch.moves < needed:
            return
        double = self._found.setdefault(pair, Double(pair))
        double.count += 1
        double.frames += stretch.stop - stretch.start
        double.stretches.append(stretch)
        if len(double.stretches) > _LISTED:
            double.stretches.remove(min(double.stretches, key=lambda s: s.stop - s.start))

    def finish(self) -> list[Double]:
        """All doubles, by track."""
        for pair, stretch in sorted(self._open.items()):
            self._close(pair, stretch)
        self._open.clear()
        return [self._found[pair] for pair in sorted(self._found)]


def _words(samples: Samples) -> NDArray[Any]:
    """The samples' bits as integers: NaN equals NaN, and nothing is rounded."""
    return samples.view(np.int64 if samples.itemsize == 8 else np.int32)


def _is_tone(x: Samples, lsb: float, lag: int) -> bool:
    """Whether each sample follows from the two at a distance: a sine free of noise, or silence."""
    y = x.astype(np.float64) / lsb
    lag = min(lag, len(y) // 4)
    if lag < 1 or not np.isfinite(y).all():
        return True  # too short to speak against it
    outer, now = y[: -2 * lag] + y[2 * lag :], y[lag:-lag]
    energy = float(now @ now)
    turn = float(now @ outer) / energy if energy > 0 else 0.0
    left = float(np.sqrt(np.mean((outer - turn * now) ** 2)))
    return left <= max(_TONE_STEPS, _TONE_NOISE * math.sqrt(energy / len(now)))


def _candidates(block: Block, joined: set[int]) -> set[tuple[int, int]]:
    """Pairs of tracks with equal signatures in a block; tracks in ``joined`` are left out."""
    if block.frames < _TAKEN:
        return set()
    taken = _taken(_words(block.samples))
    bits = taken.view(np.uint32)
    odd = _ODD[: bits.shape[2]].reshape(_TAKEN, -1)
    signature = bits @ odd.ravel()
    if not _hits(signature).any():
        return set()
    held = bits[:, :, : odd.shape[1]] @ odd.sum(axis=0, dtype=np.uint32)  # if it stood still
    own = np.arange(block.tracks, dtype=np.uint32)[:, None]  # agrees with no other track
    signature = np.where(signature == held, own, signature)
    for track in joined:
        signature[track] = track
    signature = signature[:, _hits(signature)]
    order = np.argsort(signature, axis=0, kind="stable")
    ordered = np.take_along_axis(signature, order, axis=0)
    row, column = np.nonzero(ordered[1:] == ordered[:-1])
    return set(zip(order[row, column].tolist(), order[row + 1, column].tolist(), strict=True))


def _taken(x: NDArray[Any]) -> NDArray[Any]:
    """(tracks, places, 8): the samples of which signatures are made, as a view."""
    tracks, frames = x.shape
    if frames % _EVERY == 0:
        return x.reshape(tracks, frames // _EVERY, _EVERY)[:, :, :_TAKEN]
    shape = (tracks, (frames - _TAKEN) // _EVERY + 1, _TAKEN)
    steps = (x.strides[0], x.strides[1] * _EVERY, x.strides[1])
    return np.lib.stride_tricks.as_strided(x, shape, steps, writeable=False)


def _hits(signature: NDArray[np.uint32]) -> NDArray[np.bool_]:
    """(places,): whether any two tracks have one signature there."""
    ordered = np.sort(signature, axis=0)
    return np.asarray((ordered[1:] == ordered[:-1]).any(axis=0))
