"""Containers: what a header says of the words, and what the samples say to that."""

from __future__ import annotations

import math
import struct
from typing import Any

import pytest
from container_files import FLOAT_GUID, UNKNOWN, Held, chunk, fmt, riff
from container_kit import AUDIO, kinds

from checks.container import parse
from checks.model import Encoding


def words32(values: list[int], *, bits: int, left: bool, extended: bool = True) -> bytes:
    out = b""
    for value in values:
        word = value << (32 - bits) if left else (value if extended else value & (2**bits - 1))
        out += struct.pack("<I", word & UNKNOWN)
    return out


WAVE = [round(7_000_000 * math.sin(n / 9)) for n in range(2000)]


@pytest.mark.parametrize("tag", ["extensible", "plain"])
@pytest.mark.parametrize("how", ["left", "right", "bare"])
def test_24_bits_in_words_of_32(tag: str, how: str) -> None:
    """WAVEFORMATEXTENSIBLE: valid bits at the top; what stands at the bottom is told."""
    audio = words32(WAVE, bits=24, left=how == "left", extended=how == "right")
    head = fmt(bits=32, valid=24) if tag == "extensible" else fmt(bits=24, align=8)
    layout = parse(Held(riff([head, chunk(b"data", audio)])))
    assert (layout.word_length, layout.sample_bytes, layout.block_align) == (24, 4, 8)
    assert (layout.found_frames, layout.left_justified) == (1000, how == "left")
    told = [f.kind for f in layout.findings]
    assert told == ["bad-chunk"] * ((how != "left") + (tag == "plain"))


def test_quiet_20_bit_capture_with_moving_low_bits_stays_left_justified() -> None:
    """Peaks of -30 dBFS in a 24-bit word whose header says 20: nothing speaks for the bottom."""
    audio = b"".join((value // 32).to_bytes(3, "little", signed=True) for value in WAVE)
    layout = parse(Held(riff([fmt(bits=24, valid=20), chunk(b"data", audio)])))
    assert (layout.left_justified, layout.word_length, layout.findings) == (True, 20, ())


def test_silence_says_nothing_of_justification() -> None:
    layout = parse(Held(riff([fmt(bits=32, valid=24), chunk(b"data", bytes(8000))])))
    assert layout.left_justified
    assert layout.findings == ()


@pytest.mark.parametrize(
    ("head", "fields"),
    [
        (fmt(bits=8), (Encoding.PCM, 8, 1, False, True)),
        (fmt(bits=16), (Encoding.PCM, 16, 2, True, True)),
        (fmt(bits=12), (Encoding.PCM, 12, 2, True, True)),
        (fmt(bits=20), (Encoding.PCM, 20, 3, True, True)),
        (fmt(bits=32), (Encoding.PCM, 32, 4, True, True)),
        (fmt(bits=32, tag=3), (Encoding.FLOAT, 32, 4, True, True)),
        (fmt(bits=64, tag=3), (Encoding.FLOAT, 64, 8, True, True)),
        (fmt(bits=32, valid=32, guid=FLOAT_GUID), (Encoding.FLOAT, 32, 4, True, True)),
        (fmt(bits=8, tag=6), (Encoding.ALAW, 8, 0, True, False)),
        (fmt(bits=8, tag=7), (Encoding.ULAW, 8, 0, True, False)),
        (fmt(bits=4, tag=0x11, align=1024), (Encoding.OTHER, 4, 0, True, False)),
    ],
    ids=lambda v: "" if isinstance(v, bytes) else f"{v[0]}-{v[1]}",
)
def test_the_header_tells_coding_word_and_bytes(head: bytes, fields: tuple[Any, ...]) -> None:
    layout = parse(Held(riff([head, chunk(b"data", bytes(3072))])))
    assert layout.findings == ()
    got = (layout.encoding, layout.word_length, layout.sample_bytes, layout.signed, layout.raw)
    assert got == fields


def test_float_file_keeps_its_encoding() -> None:
    """0.5 and 1.5 in 32-bit float: to be read as float, never as int32."""
    audio = struct.pack("<4f", 0.5, 1.5, -0.5, -1.5)
    layout = parse(Held(riff([fmt(bits=32, tag=3), chunk(b"data", audio)])))
    assert (layout.encoding, layout.raw, layout.found_frames) == (Encoding.FLOAT, True, 2)


@pytest.mark.parametrize(
    ("head", "kind", "remedy"),
    [
        (fmt(bits=36, align=10), "unsupported", "none"),
        (fmt(bits=48), "unsupported", "none"),
        (fmt(bits=16, tag=3), "unsupported", "none"),
        (fmt(bits=24, valid=24, guid=bytes(16)), "unsupported", "none"),
        (fmt(bits=0, tag=0x4600), "unsupported", "none"),
        (fmt(channels=0), "unreadable", "recopy"),
        (fmt(channels=257), "unreadable", "recopy"),
        (fmt(channels=65_535, align=24), "unreadable", "recopy"),
        (fmt(rate=0), "unreadable", "recopy"),
        (fmt(rate=UNKNOWN), "unreadable", "recopy"),
    ],
)
def test_what_no_decoder_reads(head: bytes, kind: str, remedy: str) -> None:
    layout = parse(Held(riff([head, chunk(b"data", bytes(1440))])))
    assert kinds(layout) == [(kind, "unread", remedy)]
    assert not layout.raw


def test_limits_of_tracks_and_rate_are_inside() -> None:
    layout = parse(Held(riff([fmt(channels=256, bits=8), chunk(b"data", bytes(1024))])))
    assert (layout.channels, layout.found_frames, layout.findings) == (256, 4, ())
    layout = parse(Held(riff([fmt(rate=3_100_000), chunk(b"data", bytes(60))])))
    assert (layout.rate_hz, layout.findings) == (3_100_000, ())


def test_impossible_rate_is_taken_from_the_byte_rate() -> None:
    layout = parse(Held(riff([fmt(rate=0, byte_rate=96_000 * 6), chunk(b"data", AUDIO)])))
    assert kinds(layout) == [("bad-chunk", "listen", "mend")]
    assert (layout.rate_hz, layout.raw) == (96_000, True)
    layout = parse(Held(riff([fmt(rate=0, byte_rate=96_000 * 6 + 1), chunk(b"data", AUDIO)])))
    assert kinds(layout) == [("unreadable", "unread", "recopy")]


@pytest.mark.parametrize("align", [0, 1, 3, 4, 8, 24, 65_535])
def test_block_align_that_contradicts_is_settled_by_the_samples(align: int) -> None:
    """2 tracks of packed 24 bits, whatever the header says of the frame."""
    layout = parse(Held(riff([fmt(align=align), chunk(b"data", AUDIO)])))
    assert kinds(layout) == [("bad-chunk", "listen", "mend")]
    assert (layout.block_align, layout.found_frames, layout.raw) == (6, 1000, True)
