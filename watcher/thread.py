"""Threads beside this one that do what they are given, in order.

No executor: its futures hold a condition, whose lock Python code takes. An interrupt (Ctrl-C)
can be raised just there, once the lock is held and before anybody would give it back; the other
thread then waits for ever, and this one for it at the exit. A simple queue locks in C, where no
interrupt lands in between (CPython docs, "queue", SimpleQueue: reentrant).
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from queue import SimpleQueue
from types import TracebackType
from typing import TypeVar, cast

T = TypeVar("T")


class Threads:
    """Some threads, each with one thing at a time. Use as a context manager, from one thread."""

    def __init__(self, name: str, count: int = 1) -> None:
        self._asked: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._ended: SimpleQueue[None] = SimpleQueue()
        self._under_way: deque[Callable[[], None]] = deque()
        self._count = count
        self._ending = False
        for number in range(count):
            # daemons, never joined: an interrupted start could leave one waiting for ever
            threading.Thread(target=self._work, name=f"{name} {number}", daemon=True).start()

    def __enter__(self) -> Threads:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the threads. What was not begun is left; what was is waited for, save at Ctrl-C."""
        self._ending = True
        for _ in range(self._count):
            self._asked.put(None)
        if kind is None or issubclass(kind, Exception):
            for _ in range(self._count):
                self._ended.get()

    def give(self, work: Callable[[], T]) -> Callable[[], T]:
        """Have it done; what is returned waits for it and gives or raises what came of it."""
        came: SimpleQueue[tuple[T | None, Exception | None]] = SimpleQueue()

        def job() -> None:
            try:
                came.put((work(), None))
            except Exception as error:  # told to the thread that gave the work
                came.put((None, error))

        def result() -> T:
            value, error = came.get()
            if error is not None:
                raise error
            return cast("T", value)

        self._asked.put(job)
        return result

    def do(self, work: Callable[[], None]) -> None:
        """Have it done; with one thread, after all that was given before."""
        self._under_way.append(self.give(work))

    def wait(self, left: int = 0) -> None:
        """Until no more than so many of the things to ``do`` are left.

        Raises:
            Exception: what one of those done raised.
        """
        while len(self._under_way) > left:
            self._under_way.popleft()()

    def _work(self) -> None:
        while (job := self._asked.get()) is not None:
            if not self._ending:
                job()
            del job  # and with it what it holds, such as a block
        self._ended.put(None)
