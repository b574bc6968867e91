"""Events of the file system as hints: a path to look at soon, no more.

Nothing is decided from an event alone, and every kind of event was seen to be lost somewhere: in a
full queue, below a folder that could not be watched, behind a volume that was mounted anew, after a
handler that raised. So the handler only puts a path into a bounded queue, and the health of the
whole chain is proven by opening the root's marker: the event of it must come out at the end.
"""

from __future__ import annotations

import contextlib
import logging
import os
import queue
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, Protocol

from watchdog.events import (
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileMovedEvent,
    FileOpenedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

from watcher.roots import MARKER

# Modified events are left out: a recording of 24 tracks sends hundreds a second (measured), and
# what grows is looked at anyway. Opened ones prove that the chain is alive.
_WANTED: Final[list[type[FileSystemEvent]]] = [
    FileCreatedEvent,
    FileClosedEvent,
    FileMovedEvent,
    FileDeletedEvent,
    FileOpenedEvent,
    DirCreatedEvent,
    DirMovedEvent,
    DirDeletedEvent,
]
_MOST: Final = 65_536  # hints in the queue; some 10 MB. Common practice.
_STOP_S: Final = 5.0
_LOGGERS: Final = ("watchdog.observers.inotify_c", "watchdog.observers.inotify")


class Source(Protocol):
    """Where hints come from. ``overflowed`` and ``answered`` are told once each."""

    def start(self) -> None: ...
    def stop(self) -> None: ...
    def drain(self, most: int) -> list[bytes]: ...
    def overflowed(self) -> bool: ...
    def ask(self) -> bool: ...
    def answered(self) -> bool: ...
    def trouble(self) -> str | None: ...


class Arrivals:
    """Hints about one root.

    Args:
        root: its folder, links resolved.
        make: makes the observer.
        most: hints that wait at once; more are dropped, and a scan is wanted instead.
    """

    def __init__(
        self, root: Path, *, make: Callable[[], BaseObserver] = Observer, most: int = _MOST
    ) -> None:
        self._root = root
        self._make = make
        self._hints: queue.Queue[bytes] = queue.Queue(most)
        self._handler = _Handler(os.fsencode(root / MARKER), self._hints)
        self._listener = _Listener(self._handler)
        self._observer: BaseObserver | None = None

    def start(self) -> None:
        """Watch the root and all below it.

        Raises:
            OSError: it is not there, cannot be read, or no watch is to be had.
        """
        os.close(os.open(self._root, os.O_RDONLY | os.O_DIRECTORY))  # else nobody would say so
        for name in _LOGGERS:
            logging.getLogger(name).addHandler(self._listener)
        self._observer = self._make()
        self._observer.schedule(
            self._handler, str(self._root), recursive=True, event_filter=_WANTED
        )
        try:
            self._observer.start()
        except BaseException:
            self.stop()
            raise

    def stop(self) -> None:
        """End the threads."""
        for name in _LOGGERS:
            logging.getLogger(name).removeHandler(self._listener)
        observer, self._observer = self._observer, None
        if observer is not None:
            with contextlib.suppress(Exception):  # half-dead threads are left behind, not raised
                observer.stop()
                observer.unschedule_all()
                if observer.is_alive():
                    observer.join(_STOP_S)

    def drain(self, most: int) -> list[bytes]:
        """Paths to look at, the oldest first: a file, or a folder with all below it."""
        paths: list[bytes] = []
        with contextlib.suppress(queue.Empty):
            while len(paths) < most:
                paths.append(self._hints.get_nowait())
        return paths

    def overflowed(self) -> bool:
        """Whether hints were lost since this was last asked."""
        lost, self._handler.lost = self._handler.lost, False
        return lost

    def ask(self) -> bool:
        """Open the root's marker, for reading; False where it has none to open."""
        self._handler.opened = False
        try:
            os.close(os.open(self._root / MARKER, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW))
        except OSError:
            return False
        return True

    def answered(self) -> bool:
        """Whether that came out as an event."""
        return self._handler.opened

    def trouble(self) -> str | None:
        """What is wrong with the threads, if anything."""
        observer = self._observer
        if observer is None or not observer.is_alive():
            return "the thread that hands events on has ended"
        if not observer.emitters or not all(one.is_alive() for one in observer.emitters):
            return "a thread that reads events has ended"
        if reader_died():
            return "a thread that reads events has ended"
        return None


class _Handler(FileSystemEventHandler):
    """Puts paths into a queue. Whatever goes wrong here must not end the observer's thread."""

    def __init__(self, marker: bytes, hints: queue.Queue[bytes]) -> None:
        self._marker = marker
        self._hints = hints
        self.lost = False
        self.opened = False

    def dispatch(self, event: FileSystemEvent) -> None:
        try:
            path = os.fsencode(event.src_path)
            if isinstance(event, FileOpenedEvent):
                self.opened = self.opened or path == self._marker
                return
            self._hints.put_nowait(path)
            if event.dest_path:
                self._hints.put_nowait(os.fsencode(event.dest_path))
        except BaseException:
            self.lost = True


class _Listener(logging.Handler):
    """Hears of overflows of the kernel's queue, which are only logged."""

    def __init__(self, handler: _Handler) -> None:
        super().__init__(logging.WARNING)
        self._events = handler

    def emit(self, record: logging.LogRecord) -> None:
        self._events.lost = True


def watches() -> int | None:
    """Folders that the kernel watches for this process; None where it does not say.

    A folder beyond the limit, or not to be read, is passed over in silence by the observer.
    """
    count = 0
    try:
        for fd in os.listdir("/proc/self/fdinfo"):
            with contextlib.suppress(OSError), open(f"/proc/self/fdinfo/{fd}", "rb") as info:
                count += sum(line.startswith(b"inotify ") for line in info)
    except OSError:
        return None
    return count


def reader_died() -> bool:
    """Whether the reader of the kernel's events has ended; then the next observer gets a new one.

    watchdog 7 shares one reader among all observers and never replaces it, not even a dead one.
    """
    from watchdog.observers import inotify_c

    shared: Any = getattr(inotify_c, "InotifyFD", None)
    reader = getattr(shared, "_instance", None)
    if reader is None or reader.is_alive():
        return False
    shared._instance = None
    return True
