"""One reading of one file: digests of its bytes, and whether it stood still meanwhile."""

from __future__ import annotations

import contextlib
import hashlib
import mmap
import os
import stat
from collections.abc import Callable, Collection
from typing import Any, Final, NamedTuple

from watcher.files import Stamp

_PIECE: Final = 4 << 20
_SMALL: Final = 64 << 10
_FLAGS: Final = (
    os.O_RDONLY | os.O_CLOEXEC | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
)

Pace = Callable[[int], None]
"""Told the bytes read; may wait."""


class Reading(NamedTuple):
    """What came out of a file.

    Attributes:
        digests: by algorithm.
        size: bytes read.
        stat: of the file when it was opened.
        past_cache: the bytes surely came from the storage, not from memory.
    """

    digests: dict[str, bytes]
    size: int
    stat: os.stat_result
    past_cache: bool = False

    @property
    def stamp(self) -> Stamp:
        return Stamp.of(self.stat)


def is_as_recorded(path: bytes, algorithm: str, digest: bytes) -> int | None:
    """The size of a small file whose bytes have a digest; None where anything is otherwise.

    Half the cost of ``read``, for the case that is by far the commonest. What comes out of it
    is right whatever was opened: nothing but the recorded bytes has the recorded digest.
    """
    try:
        fd = os.open(path, _FLAGS)
    except OSError:
        return None
    try:
        data = os.read(fd, _SMALL)
    except OSError:
        return None
    finally:
        os.close(fd)
    made = hashlib.sha256(data) if algorithm == "sha256" else _new(algorithm, data)
    return len(data) if made.digest() == digest and len(data) < _SMALL else None


def read(path: bytes, algorithms: Collection[str], pace: Pace | None = None) -> Reading:
    """Digests of a file's bytes.

    Raises:
        OSError: it cannot be opened or read, or is no regular file.
    """
    fd = os.open(path, _FLAGS)
    try:
        st = os.fstat(fd)
        if not stat.S_ISREG(st.st_mode):
            raise OSError(0, "not a regular file")
        if st.st_size < _SMALL:  # most of the cost of small files would be the buffer
            data = os.read(fd, _SMALL)
            if len(data) == st.st_size:
                if pace is not None:
                    pace(len(data))
                return Reading({n: _new(n, data).digest() for n in algorithms}, len(data), st)
            os.lseek(fd, 0, os.SEEK_SET)  # it grows: as any other
        buffer = bytearray(min(_PIECE, st.st_size + 1))
        digests, count = _digests(lambda: os.readv(fd, [buffer]), buffer, algorithms, pace)
        return Reading(digests, count, st)
    finally:
        os.close(fd)


def read_past_cache(path: bytes, algorithms: Collection[str], pace: Pace | None = None) -> Reading:
    """The same, from the storage itself: O_DIRECT (open(2)) where the file system has it.

    Elsewhere the system is asked to drop the file's pages first (posix_fadvise(2)), which it may
    decline.

    Raises:
        OSError: as ``read``.
    """
    direct = _read_direct(path, algorithms, pace)
    if direct is not None:
        return direct
    fd = os.open(path, _FLAGS)
    try:
        with contextlib.suppress(OSError):
            os.fdatasync(fd)  # only pages that were written out can be dropped
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(fd)
    return read(path, algorithms, pace)


def _read_direct(path: bytes, algorithms: Collection[str], pace: Pace | None) -> Reading | None:
    """None where the file system does not read past its cache."""
    try:
        fd = os.open(path, _FLAGS | os.O_DIRECT)
    except (OSError, AttributeError):
        return None
    try:
        st = os.fstat(fd)
        with mmap.mmap(-1, _PIECE) as buffer:  # O_DIRECT wants whole pages
            ended = False

            def more() -> int:
                # a short piece is the end; behind it no place would be one of whole pages
                nonlocal ended
                got = 0 if ended else os.readv(fd, [buffer])
                ended = got < _PIECE
                return got

            try:
                digests, count = _digests(more, buffer, algorithms, pace)
            except OSError:
                return None  # whether the file or the way is at fault, the ordinary way will say
        return Reading(digests, count, st, True) if count == st.st_size else None
    finally:
        os.close(fd)


def _digests(
    more: Callable[[], int],
    buffer: bytearray | mmap.mmap,
    algorithms: Collection[str],
    pace: Pace | None,
) -> tuple[dict[str, bytes], int]:
    hashes = [_new(name) for name in algorithms]
    count = 0
    with memoryview(buffer) as view:
        while got := _told(more, count):
            with view[:got] as piece:
                for digest in hashes:
                    digest.update(piece)
            count += got
            if pace is not None:
                pace(got)
    return {n: digest.digest() for n, digest in zip(algorithms, hashes, strict=True)}, count


def _told(more: Callable[[], int], count: int) -> int:
    try:
        return more()
    except OSError as error:
        raise OSError(error.errno, f"{error.strerror} at byte {count}") from error


_QUICK: Final[dict[str, Any]] = {
    "sha256": hashlib.sha256,
    "sha512": hashlib.sha512,
    "blake2b": hashlib.blake2b,
}


def _new(name: str, data: bytes = b"") -> Any:
    """A digest; MD5 and SHA-1 are compared here, never trusted against an attacker."""
    made = _QUICK.get(name)
    return hashlib.new(name, data, usedforsecurity=False) if made is None else made(data)
