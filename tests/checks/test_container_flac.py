"""FLAC streams: whole ones, STREAMINFO against the frames, and what stands around them."""

from __future__ import annotations

import hashlib
import io
import struct

import numpy as np
import pytest
import soundfile
from container_kit import kinds
from flac_files import block, frame, frames_of, noise, stream, streaminfo
from flac_stream import FRAMES, INFO, SIZE, TOTAL, parsed

from checks.model import Encoding

# -- whole streams -----------------------------------------------------------------------------


@pytest.mark.parametrize("variable", [False, True])
@pytest.mark.parametrize(("count", "last"), [(1, 5), (1, 192), (2, 17), (40, 100)])
def test_whole_stream(count: int, last: int, variable: bool) -> None:
    frames = SIZE * (count - 1) + last
    data = stream(streaminfo(frames=frames), frames_of(count, last=last, variable=variable))
    for deep in (True, False):
        layout = parsed(data, deep=deep)
        assert layout.findings == ()
        assert (layout.header_frames, layout.found_frames) == (frames, frames)
        assert layout.complete
    assert (layout.kind, layout.encoding, layout.raw) == ("flac", Encoding.FLAC, False)
    assert (layout.rate_hz, layout.channels, layout.word_length) == (44_100, 1, 16)
    assert layout.md5 == b"\x01" * 16


@pytest.mark.parametrize("rate", [44_100, 96_000, 352_800])
@pytest.mark.parametrize("subtype", ["PCM_S8", "PCM_16", "PCM_24"])
@pytest.mark.parametrize("channels", [1, 2, 8])
def test_streams_of_another_writer(rate: int, subtype: str, channels: int) -> None:
    """libFLAC through libsndfile as the peer: its frames are counted to the last sample."""
    random = np.random.default_rng(channels)
    held = io.BytesIO()
    samples = random.normal(0, 0.1, (9_999, channels))
    soundfile.write(held, samples, rate, subtype=subtype, format="FLAC")
    layout = parsed(held.getvalue())
    assert layout.findings == ()
    assert (layout.found_frames, layout.header_frames) == (9_999, 9_999)
    bits = {"PCM_S8": 8, "PCM_16": 16, "PCM_24": 24}[subtype]
    assert (layout.rate_hz, layout.channels, layout.word_length) == (rate, channels, bits)
    decoded, _ = soundfile.read(io.BytesIO(held.getvalue()), dtype="int32", always_2d=True)
    words = (decoded >> (32 - bits)).astype("<i4").view(np.uint8).reshape(-1, 4)[:, : bits // 8]
    assert layout.md5 == hashlib.md5(words.tobytes()).digest()


def test_flipped_md5_byte_still_parses() -> None:
    """Byte 26 is the first of the MD5: the parser hands it on, the checksum check compares."""
    data = bytearray(stream(INFO, FRAMES))
    data[26] ^= 0xFF
    layout = parsed(bytes(data))
    assert layout.findings == ()
    assert layout.md5 == b"\xfe" + b"\x01" * 15


# -- STREAMINFO against the frames -------------------------------------------------------------


def test_length_unknown_with_and_without_digest() -> None:
    note = parsed(stream(streaminfo(frames=0), FRAMES))
    assert kinds(note) == [("size-mismatch", "clear", "none")]
    assert (note.header_frames, note.found_frames, note.complete) == (None, TOTAL, True)
    open_end = parsed(stream(streaminfo(frames=0, md5=bytes(16)), FRAMES))
    assert kinds(open_end) == [("unfinalised", "redo", "mend")]
    assert open_end.findings[0].values["recoverable_frames"] == TOTAL
    assert (open_end.complete, open_end.md5) == (False, None)
    assert not parsed(stream(streaminfo(frames=0, md5=bytes(16)), FRAMES), deep=False).complete


def test_length_too_small() -> None:
    layout = parsed(stream(streaminfo(frames=1000), FRAMES))
    assert kinds(layout) == [("size-mismatch", "listen", "mend")]
    assert (layout.header_frames, layout.found_frames) == (1000, TOTAL)


def test_largest_block_too_small() -> None:
    layout = parsed(stream(streaminfo(frames=TOTAL, block=64), FRAMES))
    assert kinds(layout) == [("bad-chunk", "listen", "mend")]
    assert layout.findings[0].values["found_frames"] == SIZE


def test_blocks_below_16_frames() -> None:
    """RFC 9639: at least 16 frames a block but for the last."""
    short = parsed(stream(streaminfo(frames=40, block=16, least=16), frames_of(5, size=8)))
    assert kinds(short) == [("bad-chunk", "listen", "mend")]
    last = parsed(stream(streaminfo(frames=193), frames_of(2, last=1)))
    assert last.findings == ()


def test_form_of_the_frames_against_the_header() -> None:
    wrong = parsed(stream(streaminfo(frames=TOTAL, bits=24), FRAMES))
    assert kinds(wrong) == [("bad-chunk", "redo", "mend")]
    assert "24 bits" in wrong.findings[0].text
    frames = [*FRAMES[:10], *[frame(n, noise(SIZE, channels=2, seed=n)) for n in range(10, 20)]]
    change = parsed(stream(streaminfo(frames=20 * SIZE), frames))
    assert kinds(change) == [("bad-chunk", "redo", "recopy")]
    assert change.findings[0].start_frame == 10 * SIZE


def test_stream_that_begins_later() -> None:
    layout = parsed(
        stream(streaminfo(frames=20 * SIZE), [frame(n, noise(SIZE)) for n in range(5, 25)])
    )
    assert kinds(layout) == [("bad-chunk", "listen", "listen")]
    assert layout.findings[0].values["first_frame"] == 5 * SIZE
    assert layout.found_frames == 20 * SIZE


def test_foreign_bytes_in_front_of_the_frames() -> None:
    layout = parsed(stream(INFO, [b"not a frame" * 20, *FRAMES]))
    assert kinds(layout) == [("bad-chunk", "listen", "recopy")]
    assert layout.found_frames == TOTAL


@pytest.mark.parametrize("bits", [4, 12, 20, 32])
def test_word_lengths_that_the_decoder_refuses(bits: int) -> None:
    layout = parsed(stream(streaminfo(frames=TOTAL, bits=bits), []))
    assert kinds(layout)[0] == ("unsupported", "unread", "none")
    assert layout.word_length == bits


# -- around the stream -------------------------------------------------------------------------


def test_id3_in_front_and_tags_behind() -> None:
    front = b"ID3\x04\x00\x00" + bytes([0, 0, 2, 44]) + b"x" * 300
    body = stream(INFO, FRAMES)
    layout = parsed(front + body)
    assert kinds(layout) == [("leading-bytes", "clear", "none")]
    assert layout.found_frames == TOTAL
    behind = parsed(body + b"TAG".ljust(128, b" "))
    assert kinds(behind) == [("trailing-bytes", "clear", "none")]
    ape = b"y" * 10 + b"APETAGEX" + struct.pack("<II", 2000, 42) + bytes(16)
    assert kinds(parsed(body + ape)) == [("trailing-bytes", "clear", "none")]
    lie = b"y" * 10 + b"APETAGEX" + struct.pack("<II", 2000, 10_000_000) + bytes(16)
    assert kinds(parsed(body + lie)) == [("truncated", "redo", "recopy")]


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"fLaC", "unreadable"),
        (b"fLaC" + block(4, bytes(10), last=True), "unreadable"),
        (b"fLaC" + block(0, INFO[:20], last=True), "unreadable"),
        (b"fLaC" + block(0, INFO, last=True), "truncated"),
        (b"fLaC" + block(0, streaminfo(frames=0), last=True), "empty"),
        (b"fLaC" + block(0, streaminfo(frames=0, rate=0), last=True), "unreadable"),
        (b"fLaC" + block(0, INFO) + block(1, b"", size=9999, last=True), "bad-chunk"),
        (b"fLaC" + block(0, INFO) + block(127, b"", last=True), "bad-chunk"),
    ],
)
def test_metadata_that_is_not_sound(data: bytes, kind: str) -> None:
    layout = parsed(data)
    assert kind in [f.kind for f in layout.findings]
    assert not layout.complete


def test_streaminfo_not_first() -> None:
    data = b"fLaC" + block(4, bytes(20)) + block(0, INFO, last=True) + b"".join(FRAMES)
    layout = parsed(data)
    assert kinds(layout) == [("bad-chunk", "listen", "mend")]
    assert layout.found_frames == TOTAL
