"""Some processes at work at once, each with one task at a time.

No executor: its futures have locks that Python code takes, and where Ctrl-C is raised just there
the thread that looks after the processes waits for ever, and the exit for it (see ``thread``).
Here nobody is beside this thread: it waits for whichever process answers first, over a pipe each.
A process that ends before it has answered costs its task, and the others go on.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from types import TracebackType
from typing import Any, Final, Generic, TypeVar

from watcher.partner import end_with, how_it_ended

T = TypeVar("T")
R = TypeVar("R")

_GONE_S: Final = 10.0  # a killed process that is still there sits in dead input or output


@dataclass(frozen=True, slots=True)
class Died:
    """A process ended before it had answered: ``cause`` for people; ``code`` below 0: a signal."""

    cause: str
    code: int


@dataclass(frozen=True, slots=True)
class _Hand:
    process: BaseProcess
    pipe: Connection


class Processes(Generic[T, R]):
    """Use as a context manager, with nothing of ``work`` but its name handed over."""

    def __init__(self, work: Callable[[T], R], count: int) -> None:
        self._work = work
        self._count = count
        self._hands: list[_Hand] = []
        self._idle: list[_Hand] = []
        resource_tracker.ensure_running()  # or the first start does it, and lets Ctrl-C through

    def __enter__(self) -> Processes[T, R]:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End them all; nobody waits for what is under way."""
        with interrupts_later():
            for hand in self._hands:
                hand.process.kill()
            for hand in self._hands:
                hand.process.join(_GONE_S)
                hand.pipe.close()

    def each(self, tasks: Iterable[T]) -> Iterator[tuple[T, R | Died]]:
        """What came of each task, in the order they end."""
        left = deque(tasks)
        busy: dict[Connection, tuple[_Hand, T]] = {}
        while left or busy:
            while left and len(busy) < self._count:
                hand, task = self._idle.pop() if self._idle else self._begun(), left.popleft()
                busy[hand.pipe] = hand, task
                with contextlib.suppress(OSError):  # it is gone, as its pipe will say
                    hand.pipe.send(task)
            for pipe in wait(list(busy)):
                assert isinstance(pipe, Connection)
                hand, task = busy.pop(pipe)
                yield task, self._answer(hand)

    def _begun(self) -> _Hand:
        ours, theirs = multiprocessing.Pipe()
        # spawn: a forked child would inherit threads half alive
        process = multiprocessing.get_context("spawn").Process(
            target=_serve, args=(self._work, theirs, os.getpid()), daemon=True
        )
        with interrupts_later():  # it hears of none at all
            process.start()
            theirs.close()
            hand = _Hand(process, ours)
            self._hands.append(hand)
        return hand

    def _answer(self, hand: _Hand) -> R | Died:
        try:
            answer: R = hand.pipe.recv()
        except (EOFError, OSError):
            hand.process.join(_GONE_S)
            code = hand.process.exitcode or 0
            return Died(how_it_ended(code), code)
        self._idle.append(hand)
        return answer


def _serve(work: Callable[[Any], Any], pipe: Connection, parent: int) -> None:
    """All that such a process does, until nobody is at the other end."""
    end_with(parent)
    with contextlib.suppress(EOFError, BrokenPipeError):
        while True:
            pipe.send(work(pipe.recv()))


@contextlib.contextmanager
def interrupts_later() -> Iterator[None]:
    """Ctrl-C waits for the end of the block; processes begun in it never hear it.

    A terminal sends it to all of them, and one that is still importing would print what it was at.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
