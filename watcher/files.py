"""Opening captures so that nothing can happen to them, and writing our own files whole.

Captures are opened read-only and never through a link; what is written appears complete under
its name or not at all.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from watcher.errors import UnreadError


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What tells one state of a file from another.

    ``ctime_ns`` moves with a new name or new rights as well: it tells nothing apart by itself.
    """

    device: int
    inode: int
    size: int
    mtime_ns: int
    ctime_ns: int | None = field(default=None, compare=False)

    @classmethod
    def of(cls, st: os.stat_result) -> Identity:
        return cls(device=st.st_dev, inode=st.st_ino, size=st.st_size, mtime_ns=st.st_mtime_ns)


class Stamp(NamedTuple):
    """One state of a file, as the file system tells it. The change time is not to be put back."""

    device: int
    inode: int
    size: int
    mtime_ns: int
    ctime_ns: int

    @classmethod
    def of(cls, st: os.stat_result) -> Stamp:
        return cls(st.st_dev, st.st_ino, st.st_size, st.st_mtime_ns, st.st_ctime_ns)

    @property
    def identity(self) -> Identity:
        return Identity(
            device=self.device,
            inode=self.inode,
            size=self.size,
            mtime_ns=self.mtime_ns,
            ctime_ns=self.ctime_ns,
        )


def modified(st: os.stat_result) -> datetime | None:
    """When a file was written last; None outside the calendar's years, which file systems allow."""
    try:
        return datetime.fromtimestamp(st.st_mtime, UTC)
    except (ValueError, OverflowError):
        return None


def real(path: str | os.PathLike[str]) -> Path:
    """A path without links; those that lead in a circle stay (``Path.resolve`` fails there)."""
    return Path(os.path.realpath(path))


@contextlib.contextmanager
def open_capture(path: Path) -> Iterator[int]:
    """A descriptor of a regular file, read-only.

    O_NONBLOCK: a FIFO that is named like a capture must not block the open for ever.

    Raises:
        UnreadError: not a regular file, a link, vanished, or not permitted.
    """
    flags = os.O_RDONLY | os.O_CLOEXEC | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOFOLLOW", 0)
    try:
        fd = os.open(path, flags)
    except OSError as error:
        raise UnreadError(f"cannot be opened: {error.strerror or error}") from error
    try:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise UnreadError("is not a regular file")
        yield fd
    finally:
        os.close(fd)


class FdSource:
    """Random access to the bytes of an open file, as the container walk wants it."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self.size = os.fstat(fd).st_size

    def read_at(self, offset: int, count: int) -> bytes:
        """``count`` bytes from ``offset``, fewer only at the end of the file."""
        parts = []
        while count > 0:
            part = os.pread(self._fd, count, offset)
            if not part:
                break
            parts.append(part)
            offset += len(part)
            count -= len(part)
        return b"".join(parts)


def _stem(path: Path) -> str:
    return path.name if len(os.fsencode(path.name)) < 200 else "report"


def sweep(path: Path, *, before: float) -> None:
    """Remove what writers of a file left behind that were killed before a moment (Unix time)."""
    ours = re.compile(re.escape(f".{_stem(path)}.") + r"\d+\.tmp")
    with contextlib.suppress(OSError), os.scandir(path.parent) as entries:
        for entry in entries:
            if ours.fullmatch(entry.name) and entry.stat(follow_symlinks=False).st_mtime < before:
                os.unlink(entry.path)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there completely or not at all, also after a power cut.

    Raises:
        OSError: it could not be written; a former file of that name is untouched.
    """
    folder = path.parent
    temporary = folder / f".{_stem(path)}.{os.getpid()}.tmp"
    with contextlib.suppress(FileNotFoundError):
        temporary.unlink()  # left by an earlier process of the same number
    # umask applies; mkstemp would give 0600
    fd = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666)
    try:
        try:
            view = memoryview(data)
            while view:
                view = view[os.write(fd, view) :]
            os.fsync(fd)
        finally:
            os.close(fd)
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
    folder_fd = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(folder_fd)
    finally:
        os.close(folder_fd)


def shown(name: str | bytes | os.PathLike[str]) -> str:
    """A name as it may be printed anywhere: nothing in it can move a cursor or forge a line.

    What is not printable (control characters, marks of writing direction, bytes that are not
    UTF-8) stands as an escape; a backslash stands doubled.
    """
    text = os.fsdecode(name)
    return "".join("\\\\" if ch == "\\" else ch if ch.isprintable() else _escape(ch) for ch in text)


def _escape(ch: str) -> str:
    code = ord(ch)
    if 0xDC80 <= code <= 0xDCFF:  # a byte that was not UTF-8 (PEP 383)
        return f"\\x{code - 0xDC00:02x}"
    return ch.encode("unicode_escape").decode("ascii")
