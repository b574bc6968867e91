"""The last seconds of a capture, kept whole: blocks die, and some evidence lies further back."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES, Block
from checks.model import Samples

MOST_BYTES: Final = 96 << 20
"""Memory the kept samples may take. Common practice: half of what the whole process may use.
More than 48 tracks at 352.8 kHz reach it; what is kept is then shorter than asked for."""

_LEAST_BLOCKS: Final = 8  # what the looks to both sides of an event need at any rate


class History:
    """A ring of whole blocks in native samples.

    Attributes:
        start, stop: first frame still held, and the frame behind the last one seen.
    """

    def __init__(self, *, frames: int = 1, within: History | None = None) -> None:
        """``frames``: how far back one wants to look from the start of the newest block;
        ``within``: one that sees each block first, and keeps the samples for this one as well."""
        self._wanted = -(-max(frames, 1) // BLOCK_FRAMES) + 1
        self._within = within
        if within is not None:
            within._wanted = max(within._wanted, self._wanted)
        self._ring: Samples | None = None
        self._held = 0  # frames
        self.start = 0
        self.stop = 0

    def add(self, block: Block) -> None:
        """Keep a copy of the block; the oldest one goes."""
        if self._ring is None:
            one = max(block.tracks, 1) * BLOCK_FRAMES * block.with_lead.dtype.itemsize
            self._held = BLOCK_FRAMES * max(_LEAST_BLOCKS, min(self._wanted, MOST_BYTES // one))
            shape = (block.tracks, self._held)
            whole = self._within
            self._ring = whole._ring if whole else np.empty(shape, block.with_lead.dtype)
        assert self._ring is not None
        if self._within is None:
            at = block.start % self._held
            self._ring[:, at : at + block.frames] = block.samples
        self.stop = block.stop
        self.start = max(self.start, -(-self.stop // BLOCK_FRAMES) * BLOCK_FRAMES - self._held)

    def rows(self, start: int, stop: int) -> Samples:
        """(tracks, frames) copy of what is held of ``start`` to ``stop``, native samples."""
        if self._ring is None:
            return np.zeros((0, 0), np.int32)
        start, stop = max(start, self.start), min(stop, self.stop)
        out: Samples = self._ring[:, _places(start, stop, self._ring.shape[1])]
        return out

    def row(self, track: int, start: int, stop: int) -> Samples:
        """The same of one track, (frames,)."""
        if self._ring is None:
            return np.zeros(0, np.int32)
        start, stop = max(start, self.start), min(stop, self.stop)
        size = self._ring.shape[1]
        at = start % size
        if stop > start and at + stop - start <= size:
            return self._ring[track, at : at + stop - start].copy()
        out: Samples = self._ring[track, _places(start, stop, size)]
        return out

    def view(self, track: int, start: int, stop: int) -> Samples:
        """The same without a copy where that can be: until the next block comes."""
        if self._ring is None:
            return np.zeros(0, np.int32)
        start, stop = max(start, self.start), min(stop, self.stop)
        size = self._ring.shape[1]
        at = start % size
        if stop > start and at + stop - start <= size:
            return self._ring[track, at : at + stop - start]
        return self.row(track, start, stop)

    def at(self, track: int, frames: NDArray[np.int64]) -> Samples:
        """Samples of one track at any held frames, in the shape of ``frames``."""
        assert self._ring is not None
        out: NDArray[Any] = self._ring[track].take(frames % self._ring.shape[1])
        return out


def _places(start: int, stop: int, size: int) -> NDArray[np.int64]:
    return np.arange(start, max(stop, start), dtype=np.int64) % size
