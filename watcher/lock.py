"""One daemon for one ledger: a lock that dies with its process, however that ends."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from watcher.errors import WatcherError
from watcher.files import shown

_TRIES: Final = 5
_TRY_S: Final = 0.1


class AlreadyRunning(WatcherError):  # noqa: N818 - a state of things, not an error of anybody's
    """Another daemon holds the lock."""


@contextlib.contextmanager
def hold(ledger: Path) -> Iterator[None]:
    """Hold the lock beside a ledger for as long as the block runs.

    Raises:
        AlreadyRunning: another process holds it; its number is told, for people.
        WatcherError: the lock cannot be made there.
    """
    path = ledger.with_name(ledger.name + ".lock")
    try:
        ledger.parent.mkdir(parents=True, exist_ok=True)
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    except OSError as error:
        raise WatcherError(
            f"{path}: cannot be made ({error.strerror or error}): the daemon's account must be "
            "able to write in the folder of the ledger"
        ) from error
    try:
        try:
            _take(fd)
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.EACCES):
                raise
            holder = os.pread(fd, 32, 0).decode("ascii", "replace").strip()
            raise AlreadyRunning(
                f"another daemon (process {holder or 'unknown'}) uses {shown(ledger)}; "
                "stop it first, or name another ledger"
            ) from error
        os.ftruncate(fd, 0)
        os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
        yield
    finally:
        os.close(fd)


def _take(fd: int) -> None:
    """Take the lock; whoever only asks whether it is held has it for a moment."""
    for _ in range(_TRIES):
        with contextlib.suppress(BlockingIOError):
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        time.sleep(_TRY_S)
    fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)


def held(ledger: Path) -> bool | None:
    """Whether a daemon on this machine holds the lock; None where that cannot be told."""
    try:
        fd = os.open(ledger.with_name(ledger.name + ".lock"), os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    except OSError:
        return None
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return None
    finally:
        os.close(fd)
    return False
