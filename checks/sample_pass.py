"""The pass over the samples: any cut of the stream in, aligned blocks to every check, outcomes.

A check that raises is taken out and reported as ``not-run``; the others finish.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Block, Workspace, block_in
from checks.model import CheckPass, Finding, Outcome, Remedy, Samples, Verdict
from checks.registry import CHECKS, Check, Context


class SamplePass:
    """Runs the sample checks over one capture.

    Feed either whole aligned blocks (``feed_block``, the fast way) or any pieces (``feed``),
    never both.
    """

    def __init__(self, context: Context, checks: Sequence[Check] = CHECKS) -> None:
        self._fmt = context.fmt
        self._running: dict[str, CheckPass] = {}
        self._failed: dict[str, Outcome] = {}
        self._names = [check.name for check in checks]
        for check in checks:
            try:
                self._running[check.name] = check.start(context)
            except Exception as fault:  # a fault of ours must not cost the other checks
                self._failed[check.name] = not_run(check.name, fault, at_frame=0)
        # stored floats may be of any size; what overflows is told under ``format``
        self._errors: dict[str, Any] = {"all": "ignore"} if self._fmt.floating else {}
        self._work = Workspace()
        self._held: Samples | None = None  # (tracks, LEAD + BLOCK): lead, then what came so far
        self._filled = 0
        self._start = 0

    def feed_block(self, block: Block) -> None:
        """Show one aligned block to every check that still runs."""
        for name, check in list(self._running.items()):
            try:
                with np.errstate(**self._errors):
                    check.feed(block)
            except Exception as fault:
                del self._running[name]
                self._failed[name] = not_run(name, fault, at_frame=block.start)

    def feed(self, samples: Samples) -> None:
        """Take any number of frames, (tracks, frames), int32 left-justified or float."""
        if samples.ndim != 2:
            raise ValueError(f"samples must be (tracks, frames), got shape {samples.shape}")
        taken = 0
        while taken < samples.shape[1]:
            if self._held is None:
                shape = (samples.shape[0], LEAD_FRAMES + BLOCK_FRAMES)
                self._held = np.zeros(shape, samples.dtype)
            count = min(BLOCK_FRAMES - self._filled, samples.shape[1] - taken)
            at = LEAD_FRAMES + self._filled
            self._held[:, at : at + count] = samples[:, taken : taken + count]
            self._filled += count
            taken += count
            if self._filled == BLOCK_FRAMES:
                self._flush()

    def _flush(self) -> None:
        if self._held is None or not self._filled:
            return
        self.feed_block(
            block_in(self._held, self._filled, start=self._start, fmt=self._fmt, work=self._work)
        )
        stop = LEAD_FRAMES + self._filled
        self._held[:, :LEAD_FRAMES] = self._held[:, stop - LEAD_FRAMES : stop].copy()
        self._start += self._filled
        self._filled = 0

    def finish(self) -> dict[str, Outcome]:
        """The outcome of every check, in report order."""
        self._flush()
        outcomes: dict[str, Outcome] = {}
        for name in self._names:
            if name in self._failed:
                outcomes[name] = self._failed[name]
                continue
            try:
                with np.errstate(**self._errors):
                    outcomes[name] = self._running[name].finish()
            except Exception as fault:
                outcomes[name] = not_run(name, fault, at_frame=self._start)
        return outcomes


def not_run(name: str, fault: Exception, *, at_frame: int) -> Outcome:
    """What stands for the outcome of a check that failed itself."""
    finding = Finding(
        check=name,
        kind="not-run",
        verdict=Verdict.UNREAD,
        remedy=Remedy.NONE,
        text=f"The check itself failed ({type(fault).__name__}: {fault}); this is a fault of "
        "the program, not of the capture. The other checks stand.",
        values={"fault": type(fault).__name__, "at_frame": at_frame},
    )
    return Outcome(findings=(finding,))
