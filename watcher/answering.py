"""Storage that does not answer: a call to the system that never comes back holds up one thread.

A mount whose server went away keeps whoever asks it for anything waiting, without an end. So each
root is asked first in a thread of its own, and waited for within bounds; while an answer is owed
the root counts as one that cannot be read, and nothing else is asked of it.

What it does not prove: that the next call is answered. Storage that dies in the middle of a scan
holds the scan up; then only the watchdog of the service manager ends the daemon, and the next one
finds out here.
"""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable
from queue import Empty, SimpleQueue
from typing import Final, TypeVar

T = TypeVar("T")

# Common practice: a disk that slept turns again within it; a third of the watchdog's patience
# (``unit``) is left for three roots that fall silent at once.
ANSWER_S: Final = 10.0


class Answering:
    """Asks one root's storage, one question at a time."""

    def __init__(self, within_s: float = ANSWER_S) -> None:
        self._within_s = within_s
        self._asking: threading.Thread | None = None

    def ask(self, work: Callable[[], T]) -> T:
        """What a call to the system gives.

        Raises:
            TimeoutError: it does not answer, or an earlier question is not answered yet.
            OSError, ValueError: what the call raised.
        """
        if self._asking is not None and self._asking.is_alive():
            raise TimeoutError(errno.ETIMEDOUT, "it does not answer")
        came: SimpleQueue[tuple[T, None] | tuple[None, Exception]] = SimpleQueue()

        def asked() -> None:
            try:
                came.put((work(), None))
            except Exception as error:  # told to whoever asked
                came.put((None, error))

        # a daemon: nobody waits for it at the end
        self._asking = threading.Thread(target=asked, name="storage", daemon=True)
        self._asking.start()
        try:
            value, error = came.get(timeout=self._within_s)
        except Empty:
            raise TimeoutError(errno.ETIMEDOUT, "it does not answer") from None
        self._asking.join()
        if error is not None:
            raise error
        return value  # type: ignore[return-value]  # no error: the first form
