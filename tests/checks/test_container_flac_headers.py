"""FLAC: CRCs and frame headers, on bytes of known make. RFC 9639."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from flac_files import coded_number, crc, header
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.container._crc import PrefixCrc, crc8
from checks.container._flac_headers import find_headers


def test_crc_check_values() -> None:
    """RFC 9639 polynomials over "123456789": F4 and FEE8."""
    text = b"123456789"
    first, last = PrefixCrc().feed(
        np.frombuffer(text + b"\xfe\xe8", np.uint8), np.array([0, len(text) + 2])
    )
    assert first == last
    assert crc8(np.frombuffer(text, np.uint8)[None, :], np.array([9]))[0] == 0xF4
    assert (crc(text, poly=0x07, bits=8), crc(text, poly=0x8005, bits=16)) == (0xF4, 0xFEE8)


@settings(deadline=None, max_examples=60)
@given(
    data=st.binary(max_size=1200),
    start=st.integers(0, 1200),
    length=st.integers(0, 1200),
    cuts=st.lists(st.integers(0, 1202), max_size=4),
)
def test_running_crc_proves_stretches_however_cut(
    data: bytes, start: int, length: int, cuts: list[int]
) -> None:
    """A stretch with its CRC behind it: equal values at both ends, and only then."""
    part = data[start : start + length]
    framed = data[:start] + part + crc(part, poly=0x8005, bits=16).to_bytes(2, "big") + data
    begin = len(data[:start])
    ends = (begin, begin + len(part) + 2)
    values: dict[int, int] = {}
    running = PrefixCrc()
    bounds = [0, *sorted(min(c, len(framed)) for c in cuts), len(framed)]
    for first, stop in itertools.pairwise(bounds):
        marks = np.array([m - first for m in ends if first <= m <= stop], np.int64)
        piece = np.frombuffer(framed[first:stop], np.uint8)
        got = running.feed(piece, marks)
        values |= {first + int(m): int(v) for m, v in zip(marks, got, strict=True)}
    assert values[ends[0]] == values[ends[1]]
    broken = bytearray(framed)
    broken[begin] ^= 0x40
    other = PrefixCrc().feed(np.frombuffer(bytes(broken), np.uint8), np.array(ends))
    assert other[0] != other[1]


@pytest.mark.parametrize(
    "number", [0, 127, 128, 2047, 2048, 65_535, 65_536, 2**21, 2**26, 2**31 - 1]
)
@pytest.mark.parametrize("variable", [False, True])
def test_header_fields(number: int, variable: bool) -> None:
    raw = header(number, 4096, channels=8, variable=variable, bits_code=6)
    found = find_headers(np.frombuffer(b"\x00" * 3 + raw, np.uint8), 3 + len(raw))
    assert found.at.tolist() == [3]
    assert found.size.tolist() == [len(raw)]
    fields = (found.number[0], found.block[0], found.channels[0], found.bits[0], found.variable[0])
    assert fields == (number, 4096, 8, 24, variable)


def test_longest_number_and_rates_written_out() -> None:
    assert len(coded_number(2**36 - 1)) == 7
    raw = header(2**36 - 1, 16, variable=True, rate_code=14, rate=(35_280).to_bytes(2, "big"))
    assert len(raw) == 16
    found = find_headers(np.frombuffer(raw, np.uint8), len(raw))
    assert (found.number[0], found.rate_hz[0]) == (2**36 - 1, 352_800)
    in_khz = header(0, 16, rate_code=12, rate=b"\xc0")
    assert find_headers(np.frombuffer(in_khz, np.uint8), 1).rate_hz[0] == 192_000
    in_hz = header(0, 16, rate_code=13, rate=(1_234).to_bytes(2, "big"))
    assert find_headers(np.frombuffer(in_hz, np.uint8), 1).rate_hz[0] == 1_234


@pytest.mark.parametrize("bit", range(8 * 8))
def test_any_flipped_bit_makes_a_header_unsound(bit: int) -> None:
    raw = bytearray(header(5, 4096, channels=2))
    raw[bit // 8] ^= 1 << bit % 8
    assert len(find_headers(np.frombuffer(bytes(raw), np.uint8), 1)) == 0
