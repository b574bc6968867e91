"""The sample checks at work beside the reading: two lanes, each a thread with checks of its own.

Every lane sees the same blocks in the same order and shares nothing with the other but the
samples, which nobody writes while a lane looks at them; so the outcome is that of one thread.
The second lane also glances at each block for the first, whose checks are the dearest: that part
of their work depends on nothing else.
numpy and the digests release the interpreter's lock, and the work of a block is mostly theirs.
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

# The dropouts cost more than all other checks together; less what the other lane does for them,
# about as much (tests/benchmarks).
_FIRST_LANE: Final = frozenset({"dropouts"})
_RING: Final = 4  # blocks between reading and the slower lane


class Lanes:
    """Buffers to read into, and the checks that look at them.

    Use as a context manager: take ``buffer()``, fill its rows, ``feed`` it, ``finish``.
    """

    def __init__(
        self, context: Context, dtype: np.dtype[Any], checks: Sequence[Check] = CHECKS
    ) -> None:
        self._fmt = context.fmt
        self._order = [check.name for check in checks]
        parts = (
            [check for check in checks if check.name in _FIRST_LANE],
            [check for check in checks if check.name not in _FIRST_LANE],
        )
        self._passes = [(SamplePass(context, part), Workspace()) for part in parts if part]
        self._threads = [ThreadPoolExecutor(1, "checks") for _ in self._passes]
        shape = (context.fmt.channels, LEAD_FRAMES + BLOCK_FRAMES)
        self._ring = [np.zeros(shape, dtype) for _ in range(_RING)]
        self._pending: list[list[Future[None]]] = [[] for _ in range(_RING)]
        self._turn = 0
        self._start = 0

    def __enter__(self) -> Lanes:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for thread in self._threads:
            thread.shutdown(cancel_futures=True)

    def buffer(self) -> Samples:
        """(tracks, BLOCK_FRAMES) to be filled with the next frames; free again when given."""
        for pending in self._pending[self._turn]:
            pending.result()
        return self._ring[self._turn][:, LEAD_FRAMES:]

    def feed(self, frames: int) -> None:
        """Show the first frames of the buffer last taken to every check."""
        held, start = self._ring[self._turn], self._start
        before = self._ring[self._turn - 1]
        lead = LEAD_FRAMES if start else 0
        held[:, :LEAD_FRAMES] = before[:, -LEAD_FRAMES:]
        view = held[:, LEAD_FRAMES - lead : LEAD_FRAMES + frames]

        first, *others = [
            (thread, checks, Block(view, start=start, lead=lead, fmt=self._fmt, work=work))
            for thread, (checks, work) in zip(self._threads, self._passes, strict=True)
        ]
        self._pending[self._turn] = _submitted(first, *others)
        self._turn = (self._turn + 1) % _RING
        self._start += frames

    def finish(self) -> dict[str, Outcome]:
        """The outcome of every check, in report order."""
        for waiting in self._pending:
            for pending in waiting:
                pending.result()
        ends = [
            thread.submit(lane[0].finish)
            for thread, lane in zip(self._threads, self._passes, strict=True)
        ]
        outcomes = {name: outcome for end in ends for name, outcome in end.result().items()}
        return {name: outcomes[name] for name in self._order}


_Lane = tuple[ThreadPoolExecutor, SamplePass, Block]


def _submitted(first: _Lane, second: _Lane | None = None) -> list[Future[None]]:
    """One block's work in both lanes; of one lane there is nobody to glance ahead."""
    thread, checks, block = first
    if second is None:
        return [thread.submit(checks.feed_block, block)]
    other_thread, other_checks, other_block = second
    glanced = other_thread.submit(checks.glance, other_block)

    def rest() -> None:
        glanced.result()
        checks.feed_glanced(block)

    return [other_thread.submit(other_checks.feed_block, other_block), thread.submit(rest)]
