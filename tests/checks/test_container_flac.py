"""FLAC: CRCs, metadata, and the walk over the frames, on streams whose every byte is known."""

from __future__ import annotations

import hashlib
import io
import itertools
import struct
from typing import Any

import numpy as np
import pytest
import soundfile
from container_files import Held
from flac_files import (
    block,
    coded_number,
    crc,
    frame,
    frames_of,
    header,
    noise,
    stream,
    streaminfo,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.container import ContainerLimits, Layout, _flac_walk, parse
from checks.container._crc import PrefixCrc, crc8, crc16
from checks.container._flac_headers import find_headers
from checks.model import Encoding, Verdict

SIZE = 192


def kinds(layout: Layout) -> list[tuple[str, str, str]]:
    return [(f.kind, str(f.verdict), str(f.remedy)) for f in layout.findings]


def parsed(data: bytes, **options: Any) -> Layout:
    return parse(Held(data), **options)


# -- CRCs --------------------------------------------------------------------------------------


def test_crc_check_values() -> None:
    """RFC 9639 polynomials over "123456789": F4 and FEE8."""
    text = b"123456789"
    assert crc16(text) == 0xFEE8
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


# -- headers -----------------------------------------------------------------------------------


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


# -- damage ------------------------------------------------------------------------------------

FRAMES = frames_of(30, last=50)
TOTAL = 29 * SIZE + 50
INFO = streaminfo(frames=TOTAL)
START = len(stream(INFO, []))
OFFSETS = [START + sum(map(len, FRAMES[:n])) for n in range(31)]


def test_flipped_md5_byte_still_parses() -> None:
    """Byte 26 is the first of the MD5: the parser hands it on, the checksum check compares."""
    data = bytearray(stream(INFO, FRAMES))
    data[26] ^= 0xFF
    layout = parsed(bytes(data))
    assert layout.findings == ()
    assert layout.md5 == b"\xfe" + b"\x01" * 15


@pytest.mark.parametrize(
    "cut", [OFFSETS[15] + 7, OFFSETS[15] + 1, OFFSETS[16] - 1, OFFSETS[30] - 1]
)
def test_cut_within_a_frame(cut: int) -> None:
    good = max(n for n in range(31) if OFFSETS[n] <= cut)
    data = stream(INFO, FRAMES)[:cut]
    layout = parsed(data)
    assert kinds(layout) == [("truncated", "redo", "recopy")]
    finding = layout.findings[0]
    expected = good * SIZE
    assert finding.start_frame == finding.values["last_good_frame"] == expected
    assert finding.frames == TOTAL - expected
    assert layout.found_frames == expected
    assert not layout.complete
    assert not parsed(data, deep=False).complete


def test_cut_between_frames() -> None:
    data = stream(INFO, FRAMES[:15])
    layout = parsed(data)
    assert kinds(layout) == [("truncated", "redo", "recopy")]
    assert (layout.findings[0].start_frame, layout.found_frames) == (15 * SIZE, 15 * SIZE)
    assert not parsed(data, deep=False).complete


@pytest.mark.parametrize("hit", [[4], [4, 5, 6], [4, 10], [0], [28], [4, 6, 8, 29]])
def test_damaged_frames_are_placed(hit: list[int]) -> None:
    frames = list(FRAMES)
    for n in hit:
        at = len(frames[n]) // 2
        frames[n] = frames[n][:at] + bytes([frames[n][at] ^ 0x10]) + frames[n][at + 1 :]
    layout = parsed(stream(INFO, frames))
    inner = [n for n in hit if n < 29]
    runs = [n for n in inner if n - 1 not in inner]
    places = [f for f in layout.findings if f.kind == "bad-chunk"]
    assert [f.start_frame for f in places] == [n * SIZE for n in runs]
    assert sum(f.frames or 0 for f in places) == len(inner) * SIZE
    assert all(f.values["count"] == len(runs) for f in places)
    assert all(f.verdict is Verdict.REDO for f in places)
    assert layout.found_frames == TOTAL - len(inner) * SIZE - (50 if 29 in hit else 0)
    assert ("truncated" in [f.kind for f in layout.findings]) == (29 in hit)


def test_damaged_header_takes_the_frame_before_it_along() -> None:
    """Where a header is gone, the end of the frame before it cannot be proven either."""
    frames = list(FRAMES)
    frames[9] = b"\x00" + frames[9][1:]
    layout = parsed(stream(INFO, frames))
    finding = layout.findings[0]
    assert (finding.kind, finding.start_frame, finding.frames) == ("bad-chunk", 8 * SIZE, 2 * SIZE)
    assert len(layout.findings) == 1


def test_frames_missing_and_repeated() -> None:
    gap = parsed(stream(INFO, FRAMES[:10] + FRAMES[13:]))
    finding = gap.findings[0]
    assert (finding.values["what"], finding.start_frame) == ("missing", 10 * SIZE)
    assert (finding.frames, len(gap.findings)) == (3 * SIZE, 1)
    assert gap.found_frames == TOTAL - 3 * SIZE
    twice = parsed(stream(INFO, FRAMES[:10] + FRAMES[8:]))
    assert [f.values.get("what") for f in twice.findings] == ["repeated"]
    assert (twice.findings[0].start_frame, twice.findings[0].frames) == (8 * SIZE, 2 * SIZE)


def test_bytes_lost_in_the_middle_of_a_frame() -> None:
    data = stream(INFO, FRAMES)
    layout = parsed(data[: OFFSETS[10] + 33] + data[OFFSETS[14] + 60 :])
    finding = layout.findings[0]
    assert (finding.kind, finding.values["what"]) == ("bad-chunk", "damaged")
    assert (finding.start_frame, finding.frames) == (10 * SIZE, 5 * SIZE)
    assert len(layout.findings) == 1


def test_zeros_between_frames_are_seen_though_the_crc_does_not() -> None:
    layout = parsed(stream(INFO, [*FRAMES[:10], bytes(4096), *FRAMES[10:]]))
    assert [(f.kind, f.values["what"]) for f in layout.findings] == [("bad-chunk", "zeros")]
    assert layout.findings[0].start_frame == 10 * SIZE
    assert layout.found_frames == TOTAL


def test_zeros_in_the_place_of_frames() -> None:
    layout = parsed(stream(INFO, [*FRAMES[:10], bytes(4096), *FRAMES[12:]]))
    assert [f.values["what"] for f in layout.findings] == ["missing", "zeros"]


def test_zeros_over_frames_and_at_the_end() -> None:
    data = bytearray(stream(INFO, FRAMES))
    data[OFFSETS[5] + 40 : OFFSETS[9] + 40] = bytes(OFFSETS[9] - OFFSETS[5])
    middle = parsed(bytes(data))
    assert [(f.start_frame, f.frames) for f in middle.findings] == [(5 * SIZE, 5 * SIZE)]
    tail = parsed(stream(INFO, FRAMES)[: OFFSETS[20] + 9].ljust(200_000, b"\0"))
    assert kinds(tail) == [("truncated", "redo", "recopy")]
    assert tail.findings[0].start_frame == 20 * SIZE


def test_headers_within_the_audio_lead_nowhere() -> None:
    """Samples that spell out the very header that is to follow, with its right CRC-8."""
    frames = []
    for n in range(12):
        samples = noise(SIZE, seed=n)
        bait = np.frombuffer(header(n + 1, SIZE).ljust(12, b"\0")[:12], ">i2")
        samples[0, 100 : 100 + len(bait)] = bait
        samples[0, 150 : 150 + len(bait)] = np.frombuffer(
            header(n + 7, SIZE).ljust(12, b"\0"), ">i2"
        )
        frames.append(frame(n, samples))
    layout = parsed(stream(streaminfo(frames=12 * SIZE), frames))
    assert layout.found_frames == 12 * SIZE
    assert layout.findings == ()


@pytest.mark.parametrize("piece", [40, 64, 97, 1000, 5000])
@pytest.mark.parametrize("hit", [None, 1200, 5000])
def test_pieces_change_nothing(
    piece: int, hit: int | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = bytearray(stream(INFO, [*FRAMES[:10], bytes(700), *FRAMES[12:]]))
    if hit is not None:
        data[hit] ^= 0x55
    whole = parsed(bytes(data))
    monkeypatch.setattr(_flac_walk, "PIECE", piece)
    assert parsed(bytes(data)) == whole


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


def test_many_places_are_counted_and_the_first_listed() -> None:
    frames = frames_of(200)
    for n in range(1, 199, 2):
        frames[n] = frames[n][:50] + bytes([frames[n][50] ^ 1]) + frames[n][51:]
    layout = parse(
        Held(stream(streaminfo(frames=200 * SIZE), frames)), ContainerLimits(listed_places=7)
    )
    assert len(layout.findings) == 7
    assert all(f.values["count"] == 99 and f.values["listed"] == 7 for f in layout.findings)


@settings(deadline=None, max_examples=40)
@given(data=st.data())
def test_any_damage_is_seen(data: st.DataObject) -> None:
    """Any byte of the frames changed, anywhere: never clear, and the undamaged is counted."""
    body = bytearray(stream(INFO, FRAMES))
    at = data.draw(st.integers(START, len(body) - 1))
    body[at] ^= data.draw(st.integers(1, 255))
    layout = parsed(bytes(body))
    assert layout.findings
    assert Verdict.worst(f.verdict for f in layout.findings) is Verdict.REDO
    hit = max(n for n in range(30) if OFFSETS[n] <= at)
    lost = TOTAL - (layout.found_frames or 0)
    assert lost in (SIZE, 2 * SIZE, 50, SIZE + 50)
    first = layout.findings[0].start_frame
    assert first in (hit * SIZE, (hit - 1) * SIZE)
