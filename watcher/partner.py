"""A second process for a part of the checks: it looks at the same blocks, in memory of both.

A thread does not do it (see ``lane``). The process is forked before the first capture, while this
one has a single thread and nothing open, and serves capture after capture. The blocks lie in
memory that both have had since the fork: no file, so it works where none may be written. Limits
on memory and files, and niceness, are inherited.

What can go wrong, and what then: where the partner is gone (killed, out of memory), its checks of
that capture are ``not-run``, and captures after it are checked without one. Where this process is
gone, the system ends the partner (Linux), or it ends when it next listens. Ctrl-C is left to this
process, which ends it.
"""

from __future__ import annotations

import contextlib
import ctypes
import math
import mmap
import os
import pickle
import signal
import sys
import threading
import traceback
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import IO, Any, Final, NoReturn

import numpy as np

from checks.block import BLOCK_FRAMES, Workspace, block_in
from checks.model import Outcome, Samples
from checks.registry import CHECKS, Check, Context
from checks.sample_pass import SamplePass, not_run

SHARE: Final = frozenset({"dropouts"})
"""What the partner looks at, of checks in halves the first: about half of the work, reading and
digests included."""

LEAST_BYTES: Final = 16_000_000
"""Of captures together: some 0.2 s of work, beside which a fork (10 ms) is nothing. Own trials."""

MOST_BYTES: Final = 64 << 20
"""Memory for blocks, of which only what is used is taken: at the most 4 of 250 tracks."""

_MOST_SLOTS: Final = 8  # enough to even out blocks that take longer; from own trials
_LEAST_SLOTS: Final = 4
_PR_SET_PDEATHSIG: Final = 1  # linux/prctl.h
_ASKING: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)  # signals that ask for an end


class PartnerGoneError(Exception):
    """The process is not there any more; the message says why, for people."""


@dataclass(frozen=True, slots=True)
class _Begin:
    context: Context
    shape: tuple[int, int]
    kind: str  # of the samples, as numpy names it
    slots: int


class Partner:
    """The second process, as seen from the first.

    For each capture: ``begin``, then ``show`` each filled buffer, ``wait`` before one is filled
    again, ``conclude``, ``finish``. None of them raises where the process is gone; ``finish``
    tells.
    """

    def __init__(self, checks: Sequence[Check] = CHECKS, share: Collection[str] = SHARE) -> None:
        """Forks. Only one thread may exist, or the new process may hang.

        Args:
            checks: all there are.
            share: names of those that the new process is for.
        """
        self.share = frozenset(share)
        self._checks = [half(check, 0) for check in checks if check.name in self.share]
        self._memory = mmap.mmap(-1, MOST_BYTES)
        orders, answers = os.pipe(), os.pipe()  # (end to read, end to write) each
        parent = os.getpid()
        before = signal.pthread_sigmask(signal.SIG_BLOCK, _ASKING)  # none may land in between
        try:
            self._pid = os.fork()
            if not self._pid:
                os.close(orders[1])
                os.close(answers[0])
                _be_partner(parent, self._memory, self._checks, orders[0], answers[1])
        except OSError:
            for end in (*orders, *answers):
                os.close(end)
            raise
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        os.close(orders[0])
        os.close(answers[1])
        self._orders = os.fdopen(orders[1], "wb")
        self._answers = os.fdopen(answers[0], "rb")
        self._gone: str | None = None  # why, once it is
        self._shown = self._seen = 0
        self._slots = 0
        self._concluded = False

    @property
    def pid(self) -> int:
        return self._pid

    def begin(self, context: Context, dtype: np.dtype[Any], frames: int) -> list[Samples]:
        """Make ready for a capture.

        Returns:
            Buffers of (tracks, frames) to be filled and shown, in turn; none where the partner
            cannot help: it is gone, or the blocks are too large.
        """
        shape = (context.fmt.channels, frames)
        slots = min(_MOST_SLOTS, MOST_BYTES // max(_bytes(shape, dtype), 1))
        if self._gone is not None or slots < _LEAST_SLOTS:
            return []
        if self._concluded:  # a capture that was given up, or else its last blocks
            self.finish()
        self._hear(self._shown)
        self._shown = self._seen = 0
        self._slots = slots
        self._tell(_Begin(context, shape, dtype.str, slots))
        return _buffers(self._memory, shape, dtype, slots)

    def show(self, frames: int) -> None:
        """Have it look at the first frames of the next buffer, behind the lead."""
        self._tell(frames)
        self._shown += 1

    def wait(self) -> None:
        """Until the buffer that is next to be filled is no longer looked at."""
        self._hear(self._shown - self._slots + 1)

    def conclude(self) -> None:
        """There are no more frames: it may conclude while this process does."""
        self._tell(None)
        self._concluded = True

    def finish(self) -> dict[str, Outcome]:
        """The outcomes of its checks; where it is gone: that they were not run."""
        self._concluded = False
        self._hear(self._shown)
        if self._gone is None:
            try:
                outcomes: dict[str, Outcome] = pickle.load(self._answers)
                return outcomes
            except EOFError:
                self._lost()
            except Exception:  # whatever half a message unpickles to
                self._end()
        fault = PartnerGoneError(self._gone)
        at_frame = self._seen * BLOCK_FRAMES
        return {c.name: not_run(c.name, fault, at_frame=at_frame) for c in self._checks}

    def close(self) -> None:
        """End it, whatever it does: it holds nothing that would be lost."""
        if self._pid:
            self._end()
        for stream in (self._orders, self._answers):
            with contextlib.suppress(OSError):
                stream.close()

    def _tell(self, order: object) -> None:
        if self._gone is None:
            try:
                pickle.dump(order, self._orders)
                self._orders.flush()
            except OSError:
                self._lost()

    def _hear(self, count: int) -> None:
        """Until it has looked at so many blocks."""
        while self._gone is None and self._seen < count:
            if self._answers.read(1):
                self._seen += 1
            else:
                self._lost()

    def _end(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._pid, signal.SIGKILL)
        self._lost()

    def _lost(self) -> None:
        """Its end of a pipe is closed, so it ended, or ends now."""
        if self._pid:
            _, status = os.waitpid(self._pid, 0)
            self._gone = how_it_ended(os.waitstatus_to_exitcode(status))
            self._pid = 0


def how_it_ended(code: int) -> str:
    """Why a process gave no more, for people; ``code`` below 0: a signal."""
    how = f"by signal {-code}" if code < 0 else f"with status {code}"
    want = ", perhaps for want of memory" if code == -signal.SIGKILL else ""
    return f"its process ended {how}{want}"


def half(check: Check, number: int) -> Check:
    """One of the halves of a check; of a check that has none, the first is all of it."""
    return Check(check.name, check.halves[number]) if check.halves else check


def cores() -> int:
    """Processor cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextlib.contextmanager
def partner_for(count: int, *, cores: int) -> Iterator[Partner | None]:
    """A partner for captures of so many bytes together, where it can be had and helps.

    To be called while the process has one thread.

    Args:
        cores: processor cores that are free for this work.
    """
    alone = threading.active_count() > 1 or not hasattr(os, "fork")
    if alone or cores < 2 or count < LEAST_BYTES:
        yield None
        return
    try:
        partner = Partner()
    except OSError:  # no more processes or memory allowed: then without
        yield None
        return
    with contextlib.closing(partner):
        yield partner


def end_with(parent: int) -> None:
    """Have the system end this process when the one that started it ends (Linux)."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent:
        os._exit(0)  # it went before


# -- in the second process ---------------------------------------------------------------------


def _be_partner(
    parent: int, memory: mmap.mmap, checks: Sequence[Check], orders: int, answers: int
) -> NoReturn:
    """All that the forked process ever does."""
    status = 1
    try:
        end_with(parent)
        for number in _ASKING:
            if signal.getsignal(number) != signal.SIG_IGN:  # as under nohup: then for both
                signal.signal(number, signal.SIG_DFL)
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _ASKING)
        null = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1):  # neither input nor output is for two
            os.dup2(null, stream)
        _serve(memory, checks, os.fdopen(orders, "rb"), os.fdopen(answers, "wb"))
        status = 0
    except Exception:  # a fault of ours; the parent tells that its checks were not run
        traceback.print_exc()
    finally:
        os._exit(status)  # nothing of the parent's is to be tidied up twice


def _serve(
    memory: mmap.mmap, checks: Sequence[Check], orders: IO[bytes], answers: IO[bytes]
) -> None:
    work = Workspace()
    with contextlib.suppress(EOFError, BrokenPipeError):  # then the parent needs no more
        while True:
            order = pickle.load(orders)
            if isinstance(order, _Begin):
                begin, count = order, 0
                buffers = _buffers(memory, begin.shape, np.dtype(begin.kind), begin.slots)
                passing = SamplePass(begin.context, checks)
                continue
            if order is None:
                pickle.dump(passing.finish(), answers)
            else:
                held, start = buffers[count % begin.slots], count * BLOCK_FRAMES
                fmt = begin.context.fmt
                passing.feed_block(block_in(held, order, start=start, fmt=fmt, work=work))
                count += 1
                answers.write(b".")
            answers.flush()


def _bytes(shape: tuple[int, int], dtype: np.dtype[Any]) -> int:
    return math.prod(shape) * dtype.itemsize


def _buffers(
    memory: mmap.mmap, shape: tuple[int, int], dtype: np.dtype[Any], slots: int
) -> list[Samples]:
    size = _bytes(shape, dtype)
    return [np.ndarray(shape, dtype, memory, k * size) for k in range(slots)]
