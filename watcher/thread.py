"""A thread beside this one that does what it is given, in order.

Not an executor: its futures hold a condition, whose lock Python code takes. An interrupt (Ctrl-C)
can be raised just there, once the lock is held and before anybody would give it back; the other
thread then waits for ever, and this one for it at the exit. A simple queue locks in C, where no
interrupt lands in between (CPython docs, "queue", SimpleQueue: reentrant).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from queue import SimpleQueue
from types import TracebackType


class OrderedThread:
    """One thread. Use as a context manager; ``do`` and ``wait`` are for one thread only."""

    def __init__(self, name: str) -> None:
        self._asked: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._done: SimpleQueue[Exception | None] = SimpleQueue()
        self._under_way = 0
        self._ending = False
        # a daemon, never joined: an interrupted start could leave it waiting for ever
        threading.Thread(target=self._work, name=name, daemon=True).start()

    def __enter__(self) -> OrderedThread:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the thread. What was not begun is left; what was is waited for, save at Ctrl-C."""
        self._ending = True
        self._asked.put(None)
        if kind is None or issubclass(kind, Exception):
            while self._under_way:
                self._done.get()
                self._under_way -= 1

    def do(self, work: Callable[[], None]) -> None:
        """Have it done, after all that was given before."""
        self._under_way += 1
        self._asked.put(work)

    def wait(self, left: int = 0) -> None:
        """Until no more than so many things are still to be done.

        Raises:
            Exception: what one of those done raised.
        """
        while self._under_way > left:
            raised = self._done.get()
            self._under_way -= 1
            if raised is not None:
                raise raised

    def _work(self) -> None:
        while (work := self._asked.get()) is not None:
            raised = None
            try:
                if not self._ending:
                    work()
            except Exception as error:  # told to the thread that gave the work
                raised = error
            del work  # and with it what it holds, such as a block
            self._done.put(raised)
