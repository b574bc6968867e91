"""The sample checks at work beside the reading: a thread of their own, and buffers to read into.

One thread for all checks: two threads with half of the checks each were tried, and took longer,
because a check of a block is a thousand short calls and every one of them ends in a wait for the
interpreter's lock. Several captures at once, each in a process of its own, do use several cores.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Any, Final

import numpy as np

from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Block, Workspace
from checks.model import Outcome, Samples
from checks.registry import CHECKS, Check, Context
from checks.sample_pass import SamplePass

_RING: Final = 4  # blocks between reading and the checks


class Lane:
    """Buffers to read into, and the checks that look at them.

    Use as a context manager: take ``buffer()``, fill its rows, ``feed`` it, ``finish``.
    """

    def __init__(
        self, context: Context, dtype: np.dtype[Any], checks: Sequence[Check] = CHECKS
    ) -> None:
        self._fmt = context.fmt
        self._checks = SamplePass(context, checks)
        self._work = Workspace()
        self._thread = ThreadPoolExecutor(1, "checks")
        shape = (context.fmt.channels, LEAD_FRAMES + BLOCK_FRAMES)
        self._ring = [np.zeros(shape, dtype) for _ in range(_RING)]
        self._pending: list[Future[None] | None] = [None] * _RING
        self._turn = 0
        self._start = 0

    def __enter__(self) -> Lane:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._thread.shutdown(cancel_futures=True)

    def buffer(self) -> Samples:
        """(tracks, BLOCK_FRAMES) to be filled with the next frames; free again when given."""
        pending = self._pending[self._turn]
        if pending is not None:
            pending.result()
        return self._ring[self._turn][:, LEAD_FRAMES:]

    def feed(self, frames: int) -> None:
        """Show the first frames of the buffer last taken to every check."""
        held, start = self._ring[self._turn], self._start
        before = self._ring[self._turn - 1]
        lead = LEAD_FRAMES if start else 0
        held[:, :LEAD_FRAMES] = before[:, -LEAD_FRAMES:]
        view = held[:, LEAD_FRAMES - lead : LEAD_FRAMES + frames]
        block = Block(view, start=start, lead=lead, fmt=self._fmt, work=self._work)
        self._pending[self._turn] = self._thread.submit(self._checks.feed_block, block)
        self._turn = (self._turn + 1) % _RING
        self._start += frames

    def finish(self) -> dict[str, Outcome]:
        """The outcome of every check, in report order."""
        for pending in self._pending:
            if pending is not None:
                pending.result()
        return self._thread.submit(self._checks.finish).result()
