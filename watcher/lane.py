"""The sample checks at work beside the reading: a thread of their own, and buffers to read into.

One thread for all checks: two threads with half of the checks each were tried, and took longer,
because a check of a block is a thousand short calls and every one of them ends in a wait for the
interpreter's lock. What does help is a second process (``partner``), where a core is free for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from types import TracebackType
from typing import Any, Final

import numpy as np

from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Workspace, block_in
from checks.model import Outcome, Samples
from checks.registry import CHECKS, Check, Context
from checks.sample_pass import SamplePass
from watcher.partner import Partner, half
from watcher.thread import Threads

_RING: Final = 4  # blocks between reading and the checks


class Lane:
    """Buffers to read into, and the checks that look at them.

    Use as a context manager: take ``buffer()``, fill its rows, ``feed`` it, ``finish``.
    """

    def __init__(
        self,
        context: Context,
        dtype: np.dtype[Any],
        checks: Sequence[Check] = CHECKS,
        partner: Partner | None = None,
    ) -> None:
        """``partner``: a process for those of the checks that are its share."""
        self._context = context
        self._fmt = context.fmt
        self._all = checks
        frames = LEAD_FRAMES + BLOCK_FRAMES
        self._ring: list[Samples] = []
        self._partner = partner
        if partner is not None and partner.share.issubset(check.name for check in checks):
            self._ring = partner.begin(context, dtype, frames)
        if not self._ring:
            self._partner = None
            shape = (context.fmt.channels, frames)
            self._ring = [np.zeros(shape, dtype) for _ in range(_RING)]
        self._shared = self._partner.share if self._partner is not None else frozenset()
        mine = [c for c in checks if c.name not in self._shared]
        mine += [half(c, 1) for c in checks if c.name in self._shared and c.halves]
        self._checks = SamplePass(context, mine)
        self._work = Workspace()
        self._thread = Threads("checks")
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
        self._thread.__exit__(kind, error, trace)

    def buffer(self) -> Samples:
        """(tracks, BLOCK_FRAMES) to be filled with the next frames; free again when given."""
        self._thread.wait(len(self._ring) - 1)
        if self._partner is not None:
            self._partner.wait()
        return self._ring[self._turn][:, LEAD_FRAMES:]

    def feed(self, frames: int) -> None:
        """Show the first frames of the buffer last taken to every check."""
        held, before = self._ring[self._turn], self._ring[self._turn - 1]
        held[:, :LEAD_FRAMES] = before[:, -LEAD_FRAMES:]
        if self._partner is not None:
            self._partner.show(frames)
        block = block_in(held, frames, start=self._start, fmt=self._fmt, work=self._work)
        self._thread.do(partial(self._checks.feed_block, block))
        self._turn = (self._turn + 1) % len(self._ring)
        self._start += frames

    def finish(self) -> dict[str, Outcome]:
        """The outcome of every check, in report order."""
        if self._partner is not None:
            self._partner.conclude()
        mine: dict[str, Outcome] = {}
        self._thread.do(lambda: mine.update(self._checks.finish()))
        self._thread.wait()
        theirs = self._partner.finish() if self._partner is not None else {}
        return {check.name: self._outcome(check, mine, theirs) for check in self._all}

    def _outcome(
        self, check: Check, mine: Mapping[str, Outcome], theirs: Mapping[str, Outcome]
    ) -> Outcome:
        if check.name not in self._shared:
            return mine[check.name]
        if check.joined is None:
            return theirs[check.name]
        return check.joined((theirs[check.name], mine[check.name]), self._context)
