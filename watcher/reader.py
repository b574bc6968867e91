"""From the bytes of a file to planar samples, every byte and every frame accounted for.

Raw PCM and float are unpacked by strided views of the very bytes that feed the digests, so the
file is read once. Everything else goes through libsndfile (``watcher.decoder``), after the bytes
were read for the digests: an I/O error is then known as one. No mmap: a file that shrinks would
kill the process.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from typing import Any, Final

import numpy as np

from checks.checksum import FileDigests
from checks.container import Layout
from checks.model import Encoding, Samples
from watcher.errors import UnreadError
from watcher.thread import Threads

PIECE_BYTES: Final = 4 << 20  # hashing releases the GIL; big pieces keep two threads busy
_AHEAD_BYTES: Final = 64 << 20  # of all files of a set together; memory limit of a check
_LEAST_BYTES: Final = 64 << 10  # smaller pieces cost more to ask for than to read
_PAD: Final = 8  # a 4-byte view of the last 3-byte sample reads one byte beyond it
_RING: Final = 4  # pieces under way between reading and hashing

Progress = Callable[[int], None]


def piece_bytes(files: int) -> int:
    """How much is read at a time of each of so many files that are read in step."""
    return max(min(PIECE_BYTES, _AHEAD_BYTES // (_RING * max(files, 1))), _LEAST_BYTES)


class ByteFeed:
    """Reads a file from first to last byte, hashing beside; hands out the bytes of a range.

    Args:
        fd: open for reading.
        size: bytes the file had when it was opened.
        digests: fed with every byte.
        hasher: the thread for digests, of one file or several read in turn.
        progress: told the count of bytes after each piece.
        give_back: whether the system need not keep what was read.
        files: that are read in step, this one among them.
    """

    def __init__(
        self,
        fd: int,
        size: int,
        digests: FileDigests,
        hasher: Threads,
        progress: Progress | None = None,
        give_back: bool = False,
        files: int = 1,
    ) -> None:
        self._fd = fd
        self._size = size
        self._digests = digests
        self._hasher = hasher
        self._progress = progress
        self._give_back = give_back
        self.piece_bytes = piece_bytes(files)
        self._ring = [np.empty(self.piece_bytes + _PAD, np.uint8) for _ in range(_RING)]
        self._turn = 0
        self._at = 0

    def next_piece(self, most: int) -> tuple[np.ndarray[Any, np.dtype[np.uint8]], int]:
        """The next ``most`` bytes (fewer only at the end): (array with padding, byte count)."""
        turn = self._turn = (self._turn + 1) % _RING
        self._hasher.wait(_RING - 1)
        buffer = self._ring[turn]
        want = min(most, self.piece_bytes, self._size - self._at)
        view = memoryview(buffer.data)[:want]
        got = 0
        while got < want:
            try:
                count = os.preadv(self._fd, [view[got:]], self._at + got)
            except OSError as error:
                raise UnreadError(
                    f"could not be read: storage error at byte {self._at + got}: "
                    f"{error.strerror or error}",
                    kind="unreadable",
                    at_byte=self._at + got,
                ) from error
            if count == 0:
                raise UnreadError(
                    f"ended at byte {self._at + got} of {self._size} while it was read",
                    kind="changed-while-read",
                    at_byte=self._at + got,
                )
            got += count
        buffer[got : got + _PAD] = 0
        self._hasher.do(partial(self._digests.update, view))
        if self._give_back and got:
            os.posix_fadvise(self._fd, self._at, got, os.POSIX_FADV_DONTNEED)
        self._at += got
        if self._progress is not None:
            self._progress(got)
        return buffer, got

    def skip_to(self, offset: int) -> None:
        """Read and hash up to a place without handing the bytes out."""
        while self._at < offset:
            self.next_piece(offset - self._at)

    def finish(self) -> None:
        """Read and hash the rest, and wait for the digests."""
        self.skip_to(self._size)
        self._hasher.wait()


class RawFeed:
    """Frames of a raw PCM or float file, in order."""

    def __init__(self, layout: Layout, data: ByteFeed) -> None:
        if layout.audio_offset is None:
            raise ValueError("layout has no audio")
        self._layout = layout
        self._data = data
        self._left = layout.audio_bytes // layout.block_align
        self._piece: np.ndarray[Any, np.dtype[np.uint8]] = np.empty(0, np.uint8)
        self._piece_frames = 0
        self._used = 0
        data.skip_to(layout.audio_offset)
        self._unpack = unpacker(layout)

    def read_into(self, out: Samples) -> int:
        """Fill ``out`` (tracks, frames); returns the frames put there, fewer only at the end."""
        done = 0
        align = self._layout.block_align
        while done < out.shape[1]:
            if self._used == self._piece_frames:
                if not self._left:
                    break
                frames = min(self._data.piece_bytes // align, self._left)
                self._piece, got = self._data.next_piece(frames * align)
                self._piece_frames, self._used = got // align, 0
                self._left -= self._piece_frames
            count = min(out.shape[1] - done, self._piece_frames - self._used)
            self._unpack(self._piece, self._used * align, out[:, done : done + count])
            self._used += count
            done += count
        return done

    def finish(self) -> None:
        """Read what follows the audio."""
        self._data.finish()


Unpack = Callable[[np.ndarray[Any, np.dtype[np.uint8]], int, Samples], None]


def sample_dtype(layout: Layout) -> np.dtype[Any]:
    """Type of the samples that blocks of this layout hold."""
    if layout.encoding is Encoding.FLOAT:
        return np.dtype(np.float64 if layout.sample_bytes == 8 else np.float32)
    return np.dtype(np.int32)


def unpacker(layout: Layout) -> Unpack:
    """How the stored words of a layout become int32 left-justified, or float.

    Returns:
        f(bytes with padding behind, offset of the first frame in bytes, out (tracks, frames)).

    Raises:
        ValueError: no raw layout of 1 to 4 integer bytes, or 4 or 8 float bytes.
    """
    width, align, channels = layout.sample_bytes, layout.block_align, layout.channels
    order = ">" if layout.big_endian else "<"
    floating = layout.encoding is Encoding.FLOAT
    if not layout.raw or width not in ((4, 8) if floating else (1, 2, 3, 4)):
        raise ValueError(f"cannot unpack {layout.coding} of {width} bytes a sample")
    kind = {1: "u1", 2: "i2", 3: "i4", 4: "i4"}[width] if not floating else f"f{width}"
    dtype = np.dtype(order + kind)
    # right-justified words: what lies above the valid bits is shifted out
    extra = 0 if layout.left_justified else max(8 * width - layout.word_length, 0)
    shift = 32 - 8 * width + extra

    def unpack(data: np.ndarray[Any, np.dtype[np.uint8]], offset: int, out: Samples) -> None:
        shape, strides = (channels, out.shape[1]), (width, align)
        words = np.ndarray(shape, dtype, data, offset, strides)
        if floating:
            np.copyto(out, words)
        elif width == 3 and layout.big_endian:
            np.copyto(out, words)  # the sample lies in the upper three bytes, the next below it
            np.bitwise_and(out, np.int32(-256), out=out)
            if extra:
                np.left_shift(out, extra, out=out)
        elif width == 1:
            np.left_shift(words, 24 + extra, out=out, dtype=np.int32, casting="unsafe")
            if not layout.signed:
                np.bitwise_xor(out, np.int32(-(2**31)), out=out)
        elif shift:
            np.left_shift(words, shift, out=out, dtype=np.int32, casting="same_kind")
        else:
            np.copyto(out, words)

    return unpack


def packed(samples: Samples, word_length: int) -> memoryview:
    """Decoded samples as FLAC's own MD5 takes them (RFC 9639, 8.2).

    Args:
        samples: (tracks, frames), int32 left-justified, or float (taken as stored).
        word_length: bits a sample; stored in whole bytes, sign extended.

    Returns:
        Interleaved little-endian bytes.
    """
    if samples.dtype != np.int32:
        return np.ascontiguousarray(samples.T).data.cast("B")
    width = (word_length + 7) // 8
    shift = 32 - word_length
    words = np.ascontiguousarray((samples >> shift).T, dtype="<i4")
    if width == 4:
        return words.data.cast("B")
    octets = words.view(np.uint8).reshape(-1, 4)[:, :width]
    return np.ascontiguousarray(octets).data.cast("B")
