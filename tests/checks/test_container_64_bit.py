"""Containers beyond 32 bits: RF64 and BW64, and RIFF files that outgrew the sizes of theirs."""

from __future__ import annotations

import struct

import pytest
from container_files import UNKNOWN, Held, Sparse, chunk, ds64, fmt, rf64, riff
from container_kit import AUDIO, only

from checks.container import parse
from checks.model import Remedy, Verdict

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


# -- RIFF --------------------------------------------------------------------------------------


def test_room_for_64_bit_sizes_never_filled() -> None:
    """EBU Tech 3306: RIFF and JUNK first, to become RF64 and ds64 on closing."""
    parts = [chunk(b"JUNK", bytes(28)), fmt(), chunk(b"data", AUDIO, size=0)]
    finding = only(parse(Held(riff(parts, size=UNKNOWN))), "unfinalised")
    assert "64-bit" in finding.text


GIB5 = 5 * 2**30


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
