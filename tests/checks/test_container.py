"""Containers: what the header claims against the bytes there, case by case.

Expected values come from the arithmetic of the bytes built here, laid out as the published
specifications say; where a published check value exists its source stands beside it.
"""

from __future__ import annotations

import math
import struct
from datetime import datetime
from typing import Any

import pytest
from container_files import (
    FLOAT_GUID,
    UNKNOWN,
    Held,
    Sparse,
    aiff,
    bext,
    caf,
    chunk,
    ds64,
    fmt,
    frames24,
    rf64,
    riff,
    w64,
    w64_chunk,
)

from checks.container import ContainerLimits, Layout, measures, parse
from checks.model import Encoding, Finding, Remedy, Verdict

GIB5 = 5 * 2**30
AUDIO = frames24(1000)  # 6,000 bytes: 1,000 frames of 2 tracks of 24 bits


def kinds(layout: Layout) -> list[tuple[str, str, str]]:
    return [(f.kind, str(f.verdict), str(f.remedy)) for f in layout.findings]


def only(layout: Layout, kind: str) -> Finding:
    """The one finding, of that kind."""
    assert [f.kind for f in layout.findings] == [kind]
    return layout.findings[0]


def plain(*, data_size: int | None = None, size: int | None = None, audio: bytes = AUDIO) -> bytes:
    return riff([fmt(), chunk(b"data", audio, size=data_size)], size=size)


# -- sizes against bytes -----------------------------------------------------------------------


def test_a_sound_file_has_no_finding() -> None:
    layout = parse(Held(plain()))
    assert layout.findings == ()
    assert (layout.kind, layout.encoding, layout.coding) == ("wav", Encoding.PCM, "PCM")
    assert (layout.rate_hz, layout.channels, layout.word_length) == (96_000, 2, 24)
    assert (layout.sample_bytes, layout.block_align, layout.raw) == (3, 6, True)
    assert (layout.audio_offset, layout.audio_bytes) == (44, 6000)
    assert (layout.header_frames, layout.found_frames, layout.complete) == (1000, 1000, True)
    assert [(c.id, c.offset, c.bytes) for c in layout.chunks] == [
        ("fmt ", 12, 16),
        ("data", 36, 6000),
    ]
    line = measures(layout)
    assert (line.kind, line.found_frames, line.audio_bytes) == ("wav", 1000, 6000)


@pytest.mark.parametrize("outer", [0, 8, 36, None, UNKNOWN], ids=str)
def test_never_finalised_wav(outer: int | None) -> None:
    """Sizes 0, 8, 36, right or -1 over a data size of 0: what interrupted writers leave."""
    layout = parse(Held(plain(data_size=0, size=outer)))
    finding = only(layout, "unfinalised")
    assert (finding.verdict, finding.remedy) == (Verdict.REDO, Remedy.MEND)
    assert finding.values["recoverable_frames"] == 1000
    assert (layout.header_frames, layout.found_frames, layout.complete) == (None, 1000, False)
    assert (layout.audio_offset, layout.audio_bytes, layout.raw) == (44, 6000, True)


def test_streamed_wav_with_sizes_minus_one() -> None:
    layout = parse(Held(plain(data_size=UNKNOWN, size=UNKNOWN)))
    assert only(layout, "unfinalised").values["recoverable_frames"] == 1000
    assert not layout.complete


def test_room_for_64_bit_sizes_never_filled() -> None:
    """EBU Tech 3306: RIFF and JUNK first, to become RF64 and ds64 on closing."""
    parts = [chunk(b"JUNK", bytes(28)), fmt(), chunk(b"data", AUDIO, size=0)]
    finding = only(parse(Held(riff(parts, size=UNKNOWN))), "unfinalised")
    assert "64-bit" in finding.text


def huge(field: int, outer: int, *, length: int = GIB5, behind: bytes = b"") -> Sparse:
    """A RIFF file beyond 4 GiB: 44 bytes of header, zeros, chunks at the end."""
    head = b"RIFF" + struct.pack("<I", outer) + b"WAVE" + fmt() + b"data" + struct.pack("<I", field)
    return Sparse(length + len(behind), {0: head, length: behind})


@pytest.mark.parametrize("turns", [1, 3])
@pytest.mark.parametrize("behind", [b"", chunk(b"LIST", b"INFO" + bytes(40))], ids=["", "LIST"])
def test_sizes_wrapped_at_4_gib(turns: int, behind: bytes) -> None:
    length = turns * 2**32 + 2**30
    audio = length - 44
    outer = (length + len(behind) - 8) % 2**32
    source = huge(audio % 2**32, outer, length=length, behind=behind)
    layout = parse(source)
    finding = only(layout, "size-mismatch")
    assert (finding.verdict, finding.remedy) == (Verdict.LISTEN, Remedy.MEND)
    assert "wrapped" in finding.text
    assert finding.values["recoverable_frames"] == audio // 6 == layout.found_frames
    assert layout.header_frames == audio % 2**32 // 6
    assert layout.complete
    assert source.bytes_read < 1_000_000


def test_wrapped_data_size_under_an_outer_size_never_written() -> None:
    length = 2**32 + 6_000_000
    layout = parse(huge((length - 44) % 2**32, 0, length=length))
    assert only(layout, "size-mismatch").values["recoverable_frames"] == (length - 44) // 6


def test_room_for_64_bit_sizes_never_filled_beyond_4_gib() -> None:
    head = riff([chunk(b"JUNK", bytes(28)), fmt()], size=UNKNOWN) + b"data\xff\xff\xff\xff"
    layout = parse(Sparse(GIB5, {0: head}))
    finding = only(layout, "unfinalised")
    assert finding.values["recoverable_frames"] == (GIB5 - len(head)) // 6


def test_saturated_sizes_beyond_4_gib() -> None:
    layout = parse(huge(UNKNOWN, UNKNOWN))
    finding = only(layout, "size-mismatch")
    assert layout.found_frames == (GIB5 - 44) // 6 == finding.values["recoverable_frames"]
    assert layout.header_frames is None
    assert not layout.complete


def test_data_of_exactly_the_largest_size_is_no_unknown_size() -> None:
    """4 GiB - 1 byte of 8-bit mono: the field's value is the true size."""
    head = fmt(channels=1, bits=8)
    size = 44 + UNKNOWN + 1
    start = (
        b"RIFF" + struct.pack("<I", (size - 8) % 2**32) + b"WAVE" + head + b"data\xff\xff\xff\xff"
    )
    layout = parse(Sparse(size, {0: start}))
    assert layout.found_frames == UNKNOWN
    assert layout.header_frames == UNKNOWN


@pytest.mark.parametrize(
    ("times", "share"), [(2, "50 %"), (4, "25 %"), (1000, "0.1 %"), (100_000, "less than 0.1 %")]
)
def test_truncated_tells_how_much_is_there(times: int, share: str) -> None:
    layout = parse(Held(plain(data_size=6000 * times)))
    finding = only(layout, "truncated")
    assert (finding.verdict, finding.remedy) == (Verdict.REDO, Remedy.RECOPY)
    assert f"truncated, {share} present" in finding.text
    assert (finding.start_frame, finding.frames) == (1000, 1000 * (times - 1))
    assert (layout.header_frames, layout.found_frames) == (1000 * times, 1000)
    assert not layout.complete


def test_one_missing_byte_is_never_rounded_to_all_of_it() -> None:
    big = b"RIFF" + struct.pack("<I", 36 + 6_000_000) + b"WAVE" + fmt() + b"data"
    head = big + struct.pack("<I", 6_000_000)
    layout = parse(Sparse(44 + 5_999_999, {0: head}))
    finding = only(layout, "truncated")
    assert "more than 99.9 % present" in finding.text
    assert layout.found_frames == 999_999


def test_data_size_that_counts_the_header_too() -> None:
    layout = parse(Held(plain(data_size=6036)))
    assert only(layout, "size-mismatch").values["present_bytes"] == 6000
    assert layout.found_frames == 1000
    assert layout.complete


def test_partial_last_frame() -> None:
    """5,998 bytes of 6-byte frames: 999 frames and 4 stray bytes."""
    layout = parse(Held(plain(audio=AUDIO[:5998])))
    finding = only(layout, "size-mismatch")
    assert (finding.values["whole_frames"], finding.values["stray_bytes"]) == (999, 4)
    assert "4 stray bytes" in finding.text
    assert (layout.found_frames, layout.audio_bytes) == (999, 5994)


def test_audio_that_goes_on_behind_the_claimed_end() -> None:
    """A writer that brought its sizes up to date now and then, and was interrupted."""
    layout = parse(Held(plain(data_size=1200, size=1236)))
    finding = only(layout, "size-mismatch")
    assert finding.values == {"claimed_frames": 200, "recoverable_frames": 1000}
    assert (layout.header_frames, layout.found_frames) == (200, 1000)
    assert not layout.complete


@pytest.mark.parametrize(
    "behind",
    [b"some text that a careless tool has appended to this file. " * 50, bytes(4000)],
    ids=["text", "zeros"],
)
def test_foreign_bytes_behind_the_audio_are_no_audio(behind: bytes) -> None:
    layout = parse(Held(plain() + behind))
    assert kinds(layout) == [("trailing-bytes", "clear", "none")]
    assert layout.findings[0].values["bytes"] == len(behind)
    assert (layout.found_frames, layout.complete) == (1000, True)


def test_much_that_may_be_audio_is_not_passed_over() -> None:
    """More than a second of what does not look like audio: a person compares."""
    state = bytes((n * n * 7919 >> 5) % 251 for n in range(96_000 * 6))
    layout = parse(Held(plain() + state))
    assert kinds(layout) == [("trailing-bytes", "listen", "listen")]
    assert layout.found_frames == 1000


def test_header_without_audio_is_empty() -> None:
    layout = parse(Held(plain(audio=b"")))
    assert kinds(layout) == [("empty", "redo", "recopy")]
    assert (layout.found_frames, layout.complete) == (0, False)


@pytest.mark.parametrize("size", [12_000, 6_036 + 2], ids=["double", "two too many"])
def test_outer_size_beyond_the_file_with_whole_audio(size: int) -> None:
    layout = parse(Held(plain(size=size)))
    assert kinds(layout) == [("size-mismatch", "listen", "mend")]
    assert (layout.found_frames, layout.complete) == (1000, False)


def test_outer_size_never_written_over_a_right_data_size() -> None:
    layout = parse(Held(plain(size=0)))
    assert kinds(layout) == [("size-mismatch", "listen", "mend")]
    assert layout.found_frames == 1000


# -- RF64, BW64 --------------------------------------------------------------------------------


def test_rf64_takes_its_sizes_from_ds64() -> None:
    data = rf64(AUDIO, frames=1000)
    layout = parse(Held(data))
    assert layout.findings == ()
    assert (layout.kind, layout.found_frames, layout.header_frames) == ("rf64", 1000, 1000)
    assert struct.unpack_from("<Q", data, 20)[0] == len(data) - 8  # EBU Tech 3306: riffSize


@pytest.mark.parametrize("count", [0, 777])
def test_bw64_count_is_not_compared(count: int) -> None:
    """ITU-R BS.2088-1: the sample count of BW64 is a dummy, normally 0."""
    layout = parse(Held(rf64(AUDIO, magic=b"BW64", frames=count)))
    assert layout.findings == ()
    assert (layout.kind, layout.found_frames) == ("bw64", 1000)


def test_rf64_count_beside_the_sizes_is_compared() -> None:
    layout = parse(Held(rf64(AUDIO, frames=1500)))
    assert only(layout, "size-mismatch").values == {"fact_frames": 1500, "found_frames": 1000}


def test_rf64_with_half_its_audio() -> None:
    finding = only(parse(Held(rf64(AUDIO, frames=0, data_size=12_000))), "truncated")
    assert "50 % present" in finding.text


def test_rf64_beyond_4_gib_and_beyond_2_to_31_frames() -> None:
    frames = 2**31 + 5
    head = rf64(b"", frames=frames, data_size=2 * frames, channels=1, bits=16)
    start = len(head)
    length = start + 2 * frames
    head = head[:20] + struct.pack("<Q", length - 8) + head[28:]
    layout = parse(Sparse(length, {0: head}))
    assert layout.findings == ()
    assert (layout.found_frames, layout.audio_offset) == (frames, start)


def test_rf64_of_just_the_largest_32_bit_size_with_a_chunk_behind() -> None:
    tail = chunk(b"LIST", b"INFO")
    head = rf64(b"", frames=0, data_size=UNKNOWN, channels=1, bits=8)
    length = len(head) + UNKNOWN + 1 + len(tail)
    head = head[:20] + struct.pack("<Q", length - 8) + head[28:]
    layout = parse(Sparse(length, {0: head, length - len(tail): tail}))
    assert layout.findings == ()
    assert layout.found_frames == UNKNOWN


@pytest.mark.parametrize("outer", [0, 8], ids=str)
def test_rf64_never_finalised(outer: int) -> None:
    data = rf64(AUDIO, frames=0, data_size=0, riff_size=outer)
    layout = parse(Held(data))
    assert only(layout, "unfinalised").values["recoverable_frames"] == 1000


def test_rf64_never_finalised_with_a_data_size_of_zero() -> None:
    parts = [ds64(8, 0, 0), fmt(), chunk(b"data", AUDIO, size=0)]
    layout = parse(Held(riff(parts, magic=b"RF64", size=UNKNOWN)))
    assert only(layout, "unfinalised").values["recoverable_frames"] == 1000


def test_rf64_whose_ds64_was_never_written() -> None:
    parts = [chunk(b"JUNK", bytes(28)), fmt(), chunk(b"data", AUDIO, size=UNKNOWN)]
    layout = parse(Held(riff(parts, magic=b"RF64", size=UNKNOWN)))
    assert [f.kind for f in layout.findings] == ["bad-chunk", "unfinalised"]
    assert layout.found_frames == 1000


def test_ds64_table_gives_the_size_of_another_large_chunk() -> None:
    parts = [
        ds64(0, len(AUDIO), 1000, [(b"axml", 60), (b"zzzz", 2**63)]),
        chunk(b"axml", b"<a>".ljust(56, b" ") + b"</a>", size=UNKNOWN),
        fmt(),
        chunk(b"data", AUDIO, size=UNKNOWN),
    ]
    data = riff(parts, magic=b"RF64", size=UNKNOWN)
    data = data[:20] + struct.pack("<Q", len(data) - 8) + data[28:]
    layout = parse(Held(data))
    assert layout.findings == ()
    assert layout.found_frames == 1000


# -- chunks ------------------------------------------------------------------------------------


@pytest.mark.parametrize("padded", [True, False])
def test_odd_chunk_with_and_without_its_pad_byte(padded: bool) -> None:
    odd = chunk(b"note", b"12345")
    layout = parse(Held(riff([odd if padded else odd[:-1], fmt(), chunk(b"data", AUDIO)])))
    assert kinds(layout) == ([] if padded else [("missing-pad", "clear", "none")])
    assert layout.found_frames == 1000


@pytest.mark.parametrize("outer", [5996 + 36 + 3, 5996 + 36 + 4], ids=["not counted", "counted"])
def test_pad_byte_missing_at_the_very_end(outer: int) -> None:
    data = riff([fmt(channels=1), chunk(b"data", AUDIO[:5997])])[:-1]
    data = data[:4] + struct.pack("<I", outer - 2) + data[8:]
    assert kinds(parse(Held(data)))[:1] == [("missing-pad", "clear", "none")]


def test_order_and_repeats() -> None:
    data = chunk(b"data", AUDIO)
    before = parse(Held(riff([data, fmt()])))
    assert kinds(before) == [("bad-chunk", "listen", "mend")]
    assert (before.found_frames, before.raw) == (1000, True)
    twice = parse(Held(riff([fmt(), data, data])))
    assert kinds(twice) == [("bad-chunk", "redo", "mend")]
    assert twice.found_frames == 1000
    empty_first = parse(Held(riff([fmt(), chunk(b"data", b""), data])))
    assert empty_first.found_frames == 1000
    two_formats = parse(Held(riff([fmt(), fmt(bits=16), data])))
    assert kinds(two_formats) == [("bad-chunk", "listen", "mend")]
    assert two_formats.word_length == 24


def test_repeats_are_told_once() -> None:
    again = chunk(b"SSND", bytes(8), big=True)
    layout = parse(Held(aiff(AUDIO, frames=1000, behind=again * 5)))
    assert kinds(layout) == [("bad-chunk", "redo", "mend")]
    layout = parse(Held(w64(AUDIO, behind=w64_chunk(b"data", AUDIO) * 5)))
    assert kinds(layout) == [("bad-chunk", "redo", "mend")]


def test_chunk_that_overruns_behind_the_audio() -> None:
    tail = chunk(b"LIST", bytes(20), size=10_000)
    cut = riff([fmt(), chunk(b"data", AUDIO), tail], size=6036 + 10_008)
    assert kinds(parse(Held(cut))) == [("bad-chunk", "listen", "recopy")]
    wrong = parse(Held(riff([fmt(), chunk(b"data", AUDIO), tail])))
    assert kinds(wrong) == [("bad-chunk", "listen", "mend")]
    assert wrong.found_frames == 1000


def test_chunk_that_hides_the_audio() -> None:
    """A wrong size in front of the audio: it is found by searching."""
    layout = parse(Held(riff([fmt(), chunk(b"note", b"abcd", size=5_000), chunk(b"data", AUDIO)])))
    assert kinds(layout) == [("bad-chunk", "listen", "mend")]
    assert (layout.found_frames, layout.audio_offset) == (1000, 56)


@pytest.mark.parametrize(
    ("parts", "kind", "verdict"),
    [
        ([fmt()], "bad-chunk", "redo"),
        ([chunk(b"data", AUDIO)], "unreadable", "unread"),
        ([chunk(b"fmt ", b"short"), chunk(b"data", AUDIO)], "unreadable", "unread"),
        ([], "bad-chunk", "redo"),
    ],
    ids=["no data", "no fmt", "short fmt", "nothing"],
)
def test_what_cannot_do_without(parts: list[bytes], kind: str, verdict: str) -> None:
    layout = parse(Held(riff(parts)))
    assert kinds(layout) == [(kind, verdict, "recopy")]
    assert not layout.raw or layout.found_frames == 0


def test_fact_is_compared() -> None:
    def with_fact(count: int) -> Layout:
        fact = chunk(b"fact", struct.pack("<I", count))
        return parse(Held(riff([fmt(), fact, chunk(b"data", AUDIO)])))

    assert with_fact(1000).findings == ()
    assert with_fact(0).findings == ()
    assert with_fact(2000).findings == ()  # the samples of both tracks, a habit of writers
    assert "missing" in only(with_fact(1200), "size-mismatch").text
    assert "whole" in only(with_fact(900), "size-mismatch").text


# -- formats -----------------------------------------------------------------------------------


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
def test_formats(head: bytes, fields: tuple[Any, ...]) -> None:
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


# -- what stands beside the audio --------------------------------------------------------------


def test_bext() -> None:
    """EBU Tech 3285 v2: an hour at 96 kHz is 345,600,000; 0x7FFF is a loudness not set."""
    part = bext(time_reference=345_600_000, description=b"side a", history=b"A=ANALOGUE\r\n")
    assert len(part) == 8 + 602 + 12
    layout = parse(Held(riff([part, fmt(), chunk(b"data", AUDIO)])))
    assert layout.findings == ()
    line = layout.bext
    assert line is not None
    assert (line.time_reference, line.version) == (345_600_000, 2)
    assert (line.loudness_lufs, line.max_true_peak_dbtp, line.umid) == (None, None, None)
    assert (line.description, line.originator) == ("side a", "recorder")
    assert line.coding_history == "A=ANALOGUE\r\n"


def test_bext_loudness_and_umid_by_version() -> None:
    values = (-2300, 500, -120, 0x7FFF, -2100)
    made = {v: bext(version=v, loudness=values, umid=b"\x06\x0a" + bytes(30)) for v in (0, 1, 2)}
    lines = {v: parse(Held(riff([p, fmt(), chunk(b"data", AUDIO)]))).bext for v, p in made.items()}
    assert lines[0] is not None
    assert lines[1] is not None
    assert lines[2] is not None
    assert (lines[2].loudness_lufs, lines[2].loudness_range_lu) == (-23.0, 5.0)
    assert (lines[2].max_momentary_lufs, lines[2].max_short_term_lufs) == (None, -21.0)
    assert (lines[1].loudness_lufs, lines[0].umid) == (None, None)
    assert (lines[1].umid or "").startswith("060a00")


@pytest.mark.parametrize(
    ("modified", "told"),
    [
        (datetime(2026, 1, 31, 5, 12, 10), []),
        (datetime(2026, 2, 1, 4), []),
        (datetime(2026, 2, 3), ["clock"]),
        (datetime(2025, 12, 1), ["clock"]),
        (None, []),
    ],
)
def test_clock(modified: datetime | None, told: list[str]) -> None:
    source = Held(riff([bext(), fmt(), chunk(b"data", AUDIO)]))
    layout = parse(source, modified=modified)
    assert [f.kind for f in layout.findings] == told
    assert all(f.verdict is Verdict.CLEAR for f in layout.findings)


@pytest.mark.parametrize("date", [b"2026-13-01", b"2026-02-30", b"garbage...", b"0000-00-00"])
def test_date_that_does_not_exist(date: bytes) -> None:
    layout = parse(Held(riff([bext(date=date), fmt(), chunk(b"data", AUDIO)])))
    assert kinds(layout) == [("clock", "clear", "none")]


def test_time_reference_beyond_midnight() -> None:
    layout = parse(Held(riff([bext(time_reference=86_400 * 96_000), fmt(), chunk(b"data", AUDIO)])))
    assert kinds(layout) == [("clock", "clear", "none")]


def test_short_bext() -> None:
    layout = parse(Held(riff([chunk(b"bext", bytes(500)), fmt(), chunk(b"data", AUDIO)])))
    assert kinds(layout) == [("bad-chunk", "listen", "mend")]
    assert layout.bext is None


IXML = b'<?xml version="1.0" encoding="UTF-8"?><!-- a --><BWFXML><TAKE>3</TAKE></BWFXML>'


@pytest.mark.parametrize(
    ("name", "text", "sound"),
    [
        (b"iXML", IXML, True),
        (b"iXML", IXML + bytes(30_000), True),
        (b"iXML", b"\xef\xbb\xbf" + IXML + b"\r\n", True),
        (b"iXML", b"\xff\xfe" + IXML.decode().encode("utf-16-le"), True),
        (b"iXML", IXML.decode().encode("utf-16-be"), True),
        (b"iXML", b"<BWFXML/>", True),
        (b"iXML", IXML[:-4], False),
        (b"iXML", b"<OTHER></OTHER>", False),
        (b"iXML", bytes(100), False),
        (b"iXML", b"no xml at all", False),
        (b"axml", b"<ebuCoreMain></ebuCoreMain>", True),
        (b"axml", b"<ebuCoreMain><a>", False),
    ],
)
def test_xml_is_looked_at_but_not_parsed(name: bytes, text: bytes, sound: bool) -> None:
    layout = parse(Held(riff([fmt(), chunk(b"data", AUDIO), chunk(name, text)])))
    assert kinds(layout) == ([] if sound else [("bad-chunk", "listen", "mend")])


def test_entity_bomb_is_not_set_off() -> None:
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]><BWFXML>&b;</BWFXML>'
    source = Held(riff([fmt(), chunk(b"data", AUDIO), chunk(b"iXML", bomb)]))
    parse(source)  # takes no time and no memory: nothing is expanded


def test_chna() -> None:
    """ITU-R BS.2088-1: 40 bytes an entry, tracks counted from 1."""

    def with_entries(count: int, tracks: list[int]) -> list[tuple[str, str, str]]:
        payload = struct.pack("<HH", len(tracks), count)
        payload += b"".join(struct.pack("<H", t) + bytes(38) for t in tracks)
        return kinds(parse(Held(riff([fmt(), chunk(b"chna", payload), chunk(b"data", AUDIO)]))))

    assert with_entries(2, [1, 2]) == []
    assert with_entries(1, [1, 0]) == []  # room for more than is used
    assert with_entries(3, [1, 2]) == [("bad-chunk", "listen", "mend")]
    assert with_entries(2, [1, 3]) == [("bad-chunk", "listen", "mend")]


def test_md5_chunk_is_read() -> None:
    digest = bytes(range(16))
    layout = parse(Held(riff([fmt(), chunk(b"data", AUDIO), chunk(b"MD5 ", digest)])))
    assert (layout.md5_chunk, layout.findings) == (digest, ())
    short = parse(Held(riff([fmt(), chunk(b"data", AUDIO), chunk(b"MD5 ", b"abc")])))
    assert short.md5_chunk is None
    assert kinds(short) == [("bad-chunk", "listen", "mend")]


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


def test_w64_truncated_and_outer_size_wrong() -> None:
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
def test_aiff_rates(rate: int) -> None:
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


def test_caf() -> None:
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


# -- hostile files -----------------------------------------------------------------------------


def many_chunks(count: int) -> Sparse:
    return Sparse(12 + 8 * count, {0: riff([], size=8 * count + 4) + chunk(b"abcd", b"") * count})


class FarChunks:
    """Twenty thousand chunks, 100,000 bytes apart."""

    size = 12 + 20_000 * 100_000

    def __init__(self) -> None:
        self.bytes_read = 0

    def read_at(self, offset: int, count: int) -> bytes:
        self.bytes_read += count
        out = bytearray(count)
        if offset < 12:
            out[:12] = riff([], size=0)[offset:12].ljust(12, b"\0")
            offset, shift = 12, 12 - offset
        else:
            shift = 0
        first = -(-(offset - 12) // 100_000) * 100_000 + 12 - offset + shift
        for at in range(first, count, 100_000):
            head = b"abcd" + struct.pack("<I", 100_000 - 8)
            out[at : at + 8] = head[: count - at]
        return bytes(out)


HOSTILE: dict[str, Any] = {
    "zero align": Held(riff([fmt(align=0, bits=0), chunk(b"data", AUDIO)])),
    "a million tiny chunks": many_chunks(1_000_000),
    "ten thousand far chunks": FarChunks(),
    "ten thousand data chunks": Held(riff([fmt(), *[chunk(b"data", b"")] * 10_500])),
    "ten thousand xml chunks": Held(riff([fmt(), *[chunk(b"iXML", bytes(2000))] * 10_500])),
    "table of 2^32 entries": Held(
        riff(
            [chunk(b"ds64", struct.pack("<QQQI", 0, 0, 0, UNKNOWN) + bytes(12 * 4_000)), fmt()],
            magic=b"RF64",
        )
    ),
    "exabytes": Sparse(2**62, {0: plain()}),
    "exabytes of rf64": Sparse(2**62, {0: rf64(b"", frames=2**62, data_size=2**63)}),
    "w64 sizes that overflow": Held(w64(AUDIO, data=2**63, size=2**64 - 1)),
    "w64 chunk of size 0": Held(w64(AUDIO, behind=w64_chunk(b"junk", b"", size=0) * 50)),
    "caf negative chunk": Held(caf(AUDIO, behind=b"free" + struct.pack(">q", -12))),
    "caf 2^32 tracks": Held(caf(AUDIO, channels=UNKNOWN, packet=UNKNOWN)),
    "caf huge packet": Held(caf(AUDIO, packet=UNKNOWN)),
    "aiff offset": Held(aiff(AUDIO, frames=1000).replace(bytes(8), b"\xff" * 8, 1)),
    "aiff negative tracks": Held(aiff(AUDIO, frames=1000, channels=-1)),
    "dsf of 2^64 bytes": Held(
        b"DSD "
        + struct.pack("<QQQ", 28, 2**64 - 1, 0)
        + b"fmt "
        + b"\xff" * 48
        + b"data"
        + b"\xff" * 8
    ),
    "dsdiff sizes": Held(b"FRM8" + b"\xff" * 8 + b"DSD " + (b"PROP" + b"\xff" * 8 + b"SND ") * 900),
    "flac metadata": Held(b"fLaC" + (b"\x02" + (4).to_bytes(3, "big") + b"abcd") * 20_000),
    "zeros": Sparse(100 * 2**30, {}),
    "flac then zeros": Sparse(
        100 * 2**30,
        {0: b"fLaC\x80\x00\x00\x22" + bytes.fromhex("10001000000000000000") + b"\x0a\xc4\x42\xf0"},
    ),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_file_ends_in_a_finding_cheaply(name: str) -> None:
    source = HOSTILE[name]
    layout = parse(source, ContainerLimits(flac_gap_mib=4))
    assert layout.findings
    assert all(f.kind != "not-run" for f in layout.findings)
    assert len(layout.findings) < 20
    assert len(layout.chunks) <= 200
    assert source.bytes_read < 80_000_000
    assert layout.found_frames is None or layout.found_frames < 2**63


def test_many_chunks_are_counted_and_the_first_listed() -> None:
    data = riff([fmt(), chunk(b"data", AUDIO), *[chunk(b"abcd", b"")] * 500])
    layout = parse(Held(data))
    assert kinds(layout) == [("many-chunks", "clear", "none")]
    assert layout.findings[0].values == {"count": 502, "listed": 200}
    assert len(layout.chunks) == 200


def test_storage_errors_pass_through() -> None:
    class Broken:
        size = 1000

        def read_at(self, offset: int, count: int) -> bytes:
            raise OSError(5, "Input/output error")

    with pytest.raises(OSError, match="Input/output"):
        parse(Broken())


@pytest.mark.parametrize("head", [b"RIFF", b"RF64\xff\xff", b"BW64\x00\x00\x00\x00WAV", b"FORM"])
def test_a_header_that_ends_at_once_is_no_text(head: bytes) -> None:
    (found,) = [f for f in parse(Held(head)).findings if f.kind != "clock"]
    assert found.kind in ("unreadable", "unsupported")
    assert "text" not in found.text
    assert f"{len(head)} bytes" in found.text
