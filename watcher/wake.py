"""Signals, and a wait that they end.

A handler only counts: whatever it would have to lock might be held by the very code that it
interrupted. The wait is on a pipe that the interpreter writes to when a signal comes.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
from collections.abc import Iterator
from typing import Any


class Wake:
    """What the daemon was told.

    Attributes:
        stops: how often it was told to stop; twice means at once.
        reload: it was told to read its configuration again.
    """

    def __init__(self) -> None:
        self.stops = 0
        self.reload = False
        self._ear: int | None = None

    @contextlib.contextmanager
    def listening(self) -> Iterator[None]:
        """Take the signals for as long as the block runs. In the main thread."""
        handlers = {
            signal.SIGTERM: self._on_stop,
            signal.SIGINT: self._on_stop,
            signal.SIGHUP: self._on_reload,
        }
        self._ear, mouth = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        former = {number: signal.signal(number, handler) for number, handler in handlers.items()}
        before = signal.set_wakeup_fd(mouth, warn_on_full_buffer=False)
        try:
            yield
        finally:
            signal.set_wakeup_fd(before)
            for number, handler in former.items():
                signal.signal(number, handler)
            ear, self._ear = self._ear, None
            os.close(mouth)
            os.close(ear)

    def wait(self, seconds: float) -> None:
        """Until a signal comes, at most so long."""
        if self._ear is None:
            return
        heard, _, _ = select.select([self._ear], [], [], seconds)
        if heard:
            with contextlib.suppress(BlockingIOError):
                os.read(self._ear, 4096)

    def _on_stop(self, *_: Any) -> None:
        self.stops += 1

    def _on_reload(self, *_: Any) -> None:
        self.reload = True
