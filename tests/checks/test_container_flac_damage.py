"""FLAC: damage is placed to the frame, on a stream whose every byte is known."""

from __future__ import annotations

import numpy as np
import pytest
from container_files import Held
from container_kit import kinds
from flac_files import frame, frames_of, header, noise, stream, streaminfo
from flac_stream import FRAMES, INFO, OFFSETS, SIZE, START, TOTAL, parsed
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.container import ContainerLimits, _flac_walk, parse
from checks.model import Verdict


@pytest.mark.parametrize(
    "cut", [OFFSETS[15], OFFSETS[15] + 1, OFFSETS[15] + 7, OFFSETS[16] - 1, OFFSETS[30] - 1]
)
def test_cut_between_frames_and_within_one(cut: int) -> None:
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
