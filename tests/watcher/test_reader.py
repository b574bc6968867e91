"""Stored words to samples, against arithmetic done one sample at a time and against libsndfile."""

from __future__ import annotations

import hashlib
import os
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from checks.checksum import FileDigests
from checks.container import Layout
from checks.model import Encoding
from watcher import reader
from watcher.decoder import DecodedFeed
from watcher.errors import UnreadError
from watcher.files import open_capture
from watcher.reader import ByteFeed, RawFeed, packed, unpacker
from watcher.thread import Threads


def layout(
    *,
    sample_bytes: int,
    channels: int,
    word_length: int | None = None,
    encoding: Encoding = Encoding.PCM,
    big_endian: bool = False,
    signed: bool = True,
    left_justified: bool = True,
    audio_offset: int = 0,
    frames: int = 0,
) -> Layout:
    return Layout(
        kind="wav",
        encoding=encoding,
        coding="PCM",
        rate_hz=96_000,
        channels=channels,
        word_length=word_length or 8 * sample_bytes,
        sample_bytes=sample_bytes,
        block_align=channels * sample_bytes,
        big_endian=big_endian,
        signed=signed,
        left_justified=left_justified,
        audio_offset=audio_offset,
        audio_bytes=frames * channels * sample_bytes,
        header_frames=frames,
        found_frames=frames,
        raw=True,
        chunks=(),
        bext=None,
        md5=None,
        md5_chunk=None,
        complete=True,
        findings=(),
    )


def by_hand(data: bytes, lay: Layout) -> list[list[int]]:
    """Every sample by itself: int.from_bytes, then moved to the top of 32 bits."""
    order = "big" if lay.big_endian else "little"
    frames = len(data) // lay.block_align
    rows = []
    for track in range(lay.channels):
        row = []
        for frame in range(frames):
            at = frame * lay.block_align + track * lay.sample_bytes
            bits = 8 * lay.sample_bytes
            value = int.from_bytes(data[at : at + lay.sample_bytes], order)
            if not lay.signed:
                value ^= 1 << (bits - 1)  # offset binary
            if not lay.left_justified:
                value = value << (bits - lay.word_length)
            value = (value << (32 - bits)) % 2**32
            row.append(value - 2**32 if value >= 2**31 else value)
        rows.append(row)
    return rows


@settings(deadline=None)
@given(
    data=st.binary(min_size=0, max_size=400),
    sample_bytes=st.integers(1, 4),
    channels=st.integers(1, 7),
    big_endian=st.booleans(),
    signed=st.booleans(),
    left=st.booleans(),
    spare=st.integers(0, 7),
)
def test_every_integer_word_as_by_hand(
    data: bytes,
    sample_bytes: int,
    channels: int,
    big_endian: bool,
    signed: bool,
    left: bool,
    spare: int,
) -> None:
    lay = layout(
        sample_bytes=sample_bytes,
        channels=channels,
        word_length=8 * sample_bytes - spare,
        big_endian=big_endian,
        signed=signed or sample_bytes > 1,
        left_justified=left or sample_bytes == 1,
    )
    frames = len(data) // lay.block_align
    out = np.empty((channels, frames), np.int32)
    padded = np.frombuffer(data + b"\xa5" * 8, np.uint8)
    unpacker(lay)(padded, 0, out)
    assert out.tolist() == by_hand(data[: frames * lay.block_align], lay)


@pytest.mark.parametrize("big_endian", [False, True])
@pytest.mark.parametrize(("width", "code"), [(4, "f"), (8, "d")])
def test_float_words(big_endian: bool, width: int, code: str) -> None:
    values = [0.5, -1.5, float("inf"), 1e-42, -0.0, 2.0]
    data = struct.pack((">" if big_endian else "<") + code * 6, *values)
    lay = layout(sample_bytes=width, channels=2, encoding=Encoding.FLOAT, big_endian=big_endian)
    out = np.empty((2, 3), np.float32 if width == 4 else np.float64)
    unpacker(lay)(np.frombuffer(data + bytes(8), np.uint8), 0, out)
    expected = np.array(values, out.dtype).reshape(3, 2).T
    np.testing.assert_array_equal(out, expected)


@pytest.mark.parametrize(("sample_bytes", "encoding"), [(5, Encoding.PCM), (2, Encoding.FLOAT)])
def test_words_nobody_reads_are_refused(sample_bytes: int, encoding: Encoding) -> None:
    with pytest.raises(ValueError, match="cannot unpack"):
        unpacker(layout(sample_bytes=sample_bytes, channels=1, encoding=encoding))


def read_raw(path: Path, lay: Layout, step: int) -> tuple[NDArray[Any], FileDigests]:
    digests = FileDigests(audio=(lay.audio_offset or 0, lay.audio_bytes))
    parts = []
    with Threads("digests") as hasher, open_capture(path) as fd:
        feed = RawFeed(lay, ByteFeed(fd, os.fstat(fd).st_size, digests, hasher))
        while True:
            out = np.empty((lay.channels, step), reader.sample_dtype(lay))
            got = feed.read_into(out)
            parts.append(out[:, :got])
            if got < step:
                break
        feed.finish()
    return np.concatenate(parts, axis=1), digests


@pytest.mark.parametrize("step", [1000, 16_384, 1 << 20])
def test_pieces_join_without_a_seam(
    tmp_path: Path, step: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reader, "PIECE_BYTES", 10_000)  # no multiple of a frame
    rng = np.random.default_rng(1)
    samples = rng.integers(-(2**23), 2**23, (40_000, 3), dtype=np.int64).astype(np.int32) << 8
    path = tmp_path / "a.wav"
    soundfile.write(path, samples, 96_000, subtype="PCM_24")
    size = path.stat().st_size
    lay = layout(sample_bytes=3, channels=3, audio_offset=size - 360_000, frames=40_000)
    got, digests = read_raw(path, lay, step)
    np.testing.assert_array_equal(got, samples.T)

    data = path.read_bytes()
    assert digests.sha256 == hashlib.sha256(data).hexdigest()
    assert digests.audio_sha256 == hashlib.sha256(data[-360_000:]).hexdigest()


@pytest.mark.parametrize("files", [1, 2, 4, 24, 64, 200])
def test_files_read_in_step_share_what_is_read_ahead(tmp_path: Path, files: int) -> None:
    """Each had as much as one alone: 24 tracks held half a gigabyte."""
    path = tmp_path / "a"
    path.write_bytes(bytes(5 << 20))
    with Threads("digests") as hasher, open_capture(path) as fd:
        feed = ByteFeed(fd, 5 << 20, FileDigests(), hasher, files=files)
        taken = [len(feed.next_piece(5 << 20)[0])]
        while sum(taken) < 5 << 20:
            taken.append(feed.next_piece(5 << 20)[1])
        feed.finish()
    assert 4 * max(taken) * files < 65 << 20
    assert files > 4 or max(taken) > 4 << 20  # a set of up to four as one file


def test_a_file_that_shrinks_is_no_short_capture(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(bytes(9000))
    lay = layout(sample_bytes=3, channels=1, frames=3000)
    with Threads("digests") as hasher, open_capture(path) as fd:
        feed = RawFeed(lay, ByteFeed(fd, 9000, FileDigests(), hasher))
        path.write_bytes(bytes(600))  # same inode, cut
        with pytest.raises(UnreadError, match="ended at byte 600 of 9000") as caught:
            feed.read_into(np.empty((1, 3000), np.int32))
        assert caught.value.kind == "changed-while-read"


def test_flac_is_decoded_whole_and_packed_as_its_md5_takes_it(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    samples = rng.integers(-(2**23), 2**23, (50_000, 2), dtype=np.int64).astype(np.int32) << 8
    path = tmp_path / "a.flac"
    soundfile.write(path, samples, 96_000, subtype="PCM_24")

    md5 = hashlib.md5()
    with open_capture(path) as fd:
        decoder = DecodedFeed(fd)
        out = np.empty((2, 50_000), np.int32)
        assert decoder.read_into(out) == 50_000
        assert decoder.read_into(out[:, :1]) == 0
        decoder.close()
    np.testing.assert_array_equal(out, samples.T)
    md5.update(packed(out, decoder.word_length))
    # RFC 9639, 8.2: bytes 18 to 33 of STREAMINFO, which begins 8 bytes into the file
    assert md5.digest() == path.read_bytes()[26:42]


def test_valid_flac_of_unknown_length_is_read_whole(corpus: Path) -> None:
    """The stored MD5 covers all 336,410 frames (INDEX of the corpus)."""
    path = corpus / "containers" / "flac_unknown_length.flac"
    with open_capture(path) as fd:
        decoder = DecodedFeed(fd)
        total = 0
        out = np.empty((2, 16_384), np.int32)
        while got := decoder.read_into(out):
            total += got
        decoder.close()
    assert total == 336_410


@pytest.mark.parametrize("kind", ["fifo", "folder", "link", "absent"])
def test_what_is_no_regular_file_is_not_opened(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "x.wav"
    if kind == "fifo":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    elif kind == "link":
        (tmp_path / "y.wav").write_bytes(b"abc")
        path.symlink_to("y.wav")
    with pytest.raises(UnreadError), open_capture(path):
        pass
