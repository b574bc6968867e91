"""A block of samples, and the quantities of it that several checks share, computed once.

Blocks are aligned: every block but the last holds exactly ``BLOCK_FRAMES`` frames and starts at
a multiple of it, however the stream was cut on its way here. So no finding and no measure can
depend on the cuts. In front of a block stand up to ``LEAD_FRAMES`` frames of the one before, for
whatever looks across the border.

A block lives until the next one is fed: what a check keeps, it copies.
"""

from __future__ import annotations

import math
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import DTypeLike, NDArray

from checks.model import CaptureFormat, Samples

BLOCK_FRAMES: Final = 16_384  # common practice: 8 tracks of it stay in an L2 cache
LEAD_FRAMES: Final = 128


class Workspace:
    """Arrays used again from block to block: fresh ones cost more than what is done in them."""

    def __init__(self) -> None:
        self._memory: dict[tuple[str, Any], NDArray[Any]] = {}
        self._arrays: dict[tuple[str, Any], NDArray[Any]] = {}  # as they were last asked for

    def take(self, name: str, shape: tuple[int, ...], dtype: DTypeLike) -> NDArray[Any]:
        """An array of that shape with any content. The same name gives the same memory again."""
        held = self._arrays.get((name, dtype))
        if held is None or held.shape != shape:
            size = math.prod(shape)
            memory = self._memory.get((name, dtype))
            if memory is None or memory.size < size:
                memory = self._memory[name, dtype] = np.empty(size, dtype)
            held = self._arrays[name, dtype] = memory[:size].reshape(shape)
        return held


class Block:
    """Some frames of all tracks, with the frames just before them.

    Attributes:
        start: frame number of the first frame of ``samples`` within the capture.
        lead: how many earlier frames stand in front (0 at the start, else LEAD_FRAMES).
        with_lead: (tracks, lead + frames), native samples: int32 left-justified or float.
        work: scratch arrays, shared by all that look at this block, under names of their own.
    """

    def __init__(
        self, with_lead: Samples, *, start: int, lead: int, fmt: CaptureFormat, work: Workspace
    ) -> None:
        if with_lead.ndim != 2:
            raise ValueError(f"block must be (tracks, frames), got shape {with_lead.shape}")
        self.with_lead = with_lead
        self.start = start
        self.lead = lead
        self.fmt = fmt
        self.work = work

    @cached_property
    def samples(self) -> Samples:
        """(tracks, frames), native samples without the lead."""
        return self.with_lead[:, self.lead :]

    @property
    def tracks(self) -> int:
        return int(self.with_lead.shape[0])

    @property
    def frames(self) -> int:
        return int(self.with_lead.shape[1]) - self.lead

    @property
    def stop(self) -> int:
        """Frame number just behind the block."""
        return self.start + self.frames

    # -- shared quantities, each computed at the first call ---------------------------------

    @cached_property
    def scaled_with_lead(self) -> NDArray[np.float32]:
        """(tracks, lead + frames) float32, full scale 1.0; what is not finite counts as 0."""
        out: NDArray[np.float32] = self.work.take("scaled", self.with_lead.shape, np.float32)
        if self.fmt.floating:
            with np.errstate(over="ignore"):  # a float64 beyond float32: infinite, so 0 below
                np.copyto(out, self.with_lead, casting="same_kind")
            if not self.all_finite or not np.isfinite(out).all():
                np.nan_to_num(out, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        else:
            np.copyto(out, self.with_lead, casting="unsafe")  # at once, it goes through float64
            np.multiply(out, np.float32(2.0**-31), out=out)
        return out

    @cached_property
    def scaled(self) -> NDArray[np.float32]:
        """(tracks, frames) float32, full scale 1.0, without the lead."""
        return self.scaled_with_lead[:, self.lead :]

    @cached_property
    def all_finite(self) -> bool:
        """Whether every sample, lead included, is a finite number (always so for PCM)."""
        return not self.fmt.floating or bool(np.isfinite(self.with_lead).all())

    @cached_property
    def peak(self) -> NDArray[Any]:
        """Largest sample of each track, native units; NaN passed over (0 where all are NaN)."""
        return self._extreme(np.maximum, -np.inf)

    @cached_property
    def trough(self) -> NDArray[Any]:
        """Smallest sample of each track, native units; NaN passed over (0 where all are NaN)."""
        return self._extreme(np.minimum, np.inf)

    def _extreme(self, pick: np.ufunc, start: float) -> NDArray[Any]:
        x = self.samples
        if self.fmt.floating and not self.all_finite:
            best: NDArray[Any] = pick.reduce(x, axis=1, initial=start, where=~np.isnan(x))
            return np.where(best == start, x.dtype.type(0), best)
        found: NDArray[Any] = pick.reduce(x, axis=1)
        return found

    @cached_property
    def bits_or(self) -> NDArray[np.int32]:
        """OR of all samples of each track (PCM only)."""
        found: NDArray[np.int32] = np.bitwise_or.reduce(self.samples, axis=1)
        return found

    @cached_property
    def bits_and(self) -> NDArray[np.int32]:
        """AND of all samples of each track (PCM only)."""
        found: NDArray[np.int32] = np.bitwise_and.reduce(self.samples, axis=1)
        return found

    @cached_property
    def sums(self) -> NDArray[np.float64]:
        """Sum of the samples of each track, full scale 1.0, good to 1e-6 of its magnitudes.

        By a product in single precision, a fifth of the time of a sum of integers.
        """
        if self.fmt.floating:  # of any size
            return np.asarray(self.scaled.sum(axis=1, dtype=np.float64))
        ones = np.ones(self.frames, np.float32)
        found: NDArray[np.float64] = np.matmul(self.scaled, ones).astype(np.float64)
        return found

    @cached_property
    def gram(self) -> NDArray[np.float64]:
        """(tracks, tracks): sums of products of every pair of tracks, full scale 1.0.

        The diagonal holds the sums of squares. Single precision in the products, good to
        about 1e-6 of the larger track's own: what needs more is computed where this points.
        """
        x = self.scaled
        found: NDArray[np.float64] = np.matmul(x, x.T).astype(np.float64)
        return found

    @cached_property
    def square_sums(self) -> NDArray[np.float64]:
        """Sum of squares of each track, full scale 1.0."""
        return np.diagonal(self.gram).copy()

    @cached_property
    def repeats(self) -> NDArray[np.bool_]:
        """(tracks, frames): whether a sample equals the one before it (False at the very first)."""
        x = self.with_lead
        out: NDArray[np.bool_] = self.work.take("repeats", (self.tracks, self.frames), np.bool_)
        if self.lead:
            np.equal(x[:, self.lead :], x[:, self.lead - 1 : -1], out=out)
        else:
            out[:, 0] = False
            np.equal(x[:, 1:], x[:, :-1], out=out[:, 1:])
        return out


def counted(flags: NDArray[np.bool_]) -> NDArray[np.int64]:
    """How many flags of each row are set, (rows,): a row at a time, which is several times as fast
    as all at once along an axis."""
    return np.array([np.count_nonzero(row) for row in flags], np.int64)


def block_in(
    held: Samples, frames: int, *, start: int, fmt: CaptureFormat, work: Workspace
) -> Block:
    """The block of so many frames that stand in ``held`` behind LEAD_FRAMES earlier ones.

    Args:
        held: (tracks, LEAD_FRAMES + at least ``frames``).
        start: frame number of the first; at 0, nothing has come before.
    """
    lead = LEAD_FRAMES if start else 0
    view = held[:, LEAD_FRAMES - lead : LEAD_FRAMES + frames]
    return Block(view, start=start, lead=lead, fmt=fmt, work=work)
