"""Containers: RIFX, Wave64, AIFF, AIFF-C and CAF."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from container_files import Held, aiff, caf, chunk, fmt, riff, w64, w64_chunk
from container_kit import AUDIO, kinds, only

from checks.container import parse
from checks.model import Encoding

# -- RIFX, Wave64 ------------------------------------------------------------------------------


def test_rifx_is_big_endian_throughout() -> None:
    data = riff([fmt(big=True), chunk(b"data", AUDIO, big=True)], magic=b"RIFX")
    layout = parse(Held(data))
    assert layout.findings == ()
    assert (layout.kind, layout.big_endian, layout.found_frames) == ("rifx", True, 1000)


def test_w64_chunk_behind_the_audio_is_no_audio() -> None:
    """600 bytes in a chunk behind 1,000 frames: 1,000 frames, not 1,104."""
    layout = parse(Held(w64(AUDIO, behind=w64_chunk(b"junk", bytes(600)))))
    assert layout.findings == ()
    assert (layout.kind, layout.found_frames, layout.audio_offset) == ("w64", 1000, 104)


@pytest.mark.parametrize("size", [0, 24, 2**64 - 1], ids=["0", "24", "-1"])
def test_w64_never_finalised(size: int) -> None:
    layout = parse(Held(w64(AUDIO, data=size)))
    assert only(layout, "unfinalised").values["recoverable_frames"] == 1000
    assert layout.found_frames == 1000


def test_w64_truncated_or_with_a_wrong_outer_size() -> None:
    cut = parse(Held(w64(AUDIO, data=12_024)))
    assert "50 % present" in only(cut, "truncated").text
    wrong = parse(Held(w64(AUDIO, size=9_999)))
    assert kinds(wrong) == [("size-mismatch", "listen", "mend")]


# -- AIFF, CAF ---------------------------------------------------------------------------------


def test_aiff_frames_against_ssnd() -> None:
    sound = parse(Held(aiff(AUDIO, frames=1000)))
    assert sound.findings == ()
    assert (sound.kind, sound.big_endian, sound.found_frames) == ("aiff", True, 1000)
    more = parse(Held(aiff(AUDIO, frames=500)))
    assert only(more, "size-mismatch").values == {"claimed_frames": 500, "found_frames": 1000}
    assert (more.header_frames, more.found_frames) == (500, 1000)
    fewer = parse(Held(aiff(AUDIO, frames=2000)))
    assert only(fewer, "truncated").values["present_percent"] == 50.0


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 352_800])
def test_aiff_rates_are_read_from_80_bits(rate: int) -> None:
    """IEEE 754 extended: the encodings of the usual rates."""
    assert parse(Held(aiff(AUDIO, frames=1000, rate=rate))).rate_hz == rate


@pytest.mark.parametrize("ssnd", [0, 8], ids=str)
def test_aiff_never_finalised(ssnd: int) -> None:
    layout = parse(Held(aiff(AUDIO, frames=0, ssnd_size=ssnd, form_size=0)))
    assert only(layout, "unfinalised").values["recoverable_frames"] == 1000
    assert not layout.complete


def test_aiff_truncated() -> None:
    layout = parse(Held(aiff(AUDIO, frames=1000)[:-3000]))
    assert "50 % present" in only(layout, "truncated").text
    assert (layout.header_frames, layout.found_frames) == (1000, 500)


@pytest.mark.parametrize(
    ("coding", "bits", "expect"),
    [
        (b"NONE", 24, (Encoding.PCM, 3, True, True)),
        (b"sowt", 16, (Encoding.PCM, 2, False, True)),
        (b"in24", 24, (Encoding.PCM, 3, True, True)),
        (b"42n1", 24, (Encoding.PCM, 3, False, True)),
        (b"raw ", 8, (Encoding.PCM, 1, True, False)),
        (b"fl32", 32, (Encoding.FLOAT, 4, True, True)),
        (b"FL64", 64, (Encoding.FLOAT, 8, True, True)),
    ],
)
def test_aifc_codings(coding: bytes, bits: int, expect: tuple[Any, ...]) -> None:
    width = expect[1]
    audio = bytes(2 * width * 100)
    layout = parse(Held(aiff(audio, frames=100, bits=bits, coding=coding)))
    assert layout.findings == ()
    assert layout.kind == "aifc"
    assert (layout.encoding, layout.sample_bytes, layout.big_endian, layout.signed) == expect
    assert layout.found_frames == 100


def test_aiff_ssnd_offset_moves_the_audio() -> None:
    data = bytearray(aiff(bytes(30) + AUDIO, frames=1000))
    at = data.index(b"SSND") + 8
    data[at : at + 4] = struct.pack(">I", 30)
    layout = parse(Held(bytes(data)))
    assert layout.findings == ()
    assert layout.found_frames == 1000
    assert layout.audio_offset == at + 8 + 30


def test_caf_in_both_byte_orders_and_as_float() -> None:
    sound = parse(Held(caf(AUDIO)))
    assert sound.findings == ()
    assert (sound.kind, sound.rate_hz, sound.found_frames) == ("caf", 96_000, 1000)
    assert sound.big_endian
    little = parse(Held(caf(AUDIO, flags=2)))
    assert not little.big_endian
    floating = parse(Held(caf(bytes(8000), bits=32, flags=3)))
    assert (floating.encoding, floating.found_frames) == (Encoding.FLOAT, 1000)


def test_caf_of_unknown_length_is_unfinalised() -> None:
    layout = parse(Held(caf(AUDIO, data_size=-1)))
    assert only(layout, "unfinalised").values["recoverable_frames"] == 1000
    assert (layout.found_frames, layout.header_frames) == (1000, None)


def test_caf_truncated() -> None:
    layout = parse(Held(caf(AUDIO, data_size=12_004)))
    assert "50 % present" in only(layout, "truncated").text
