"""Containers: the sizes that a header claims against the bytes that are there.

Expected values come from the arithmetic of the bytes built here, laid out as the published
specifications say; where a published check value exists its source stands beside it.
"""

from __future__ import annotations

import struct

import pytest
from container_files import UNKNOWN, Held, Sparse, fmt
from container_kit import AUDIO, kinds, only, plain

from checks.container import measures, parse
from checks.model import Encoding, Remedy, Verdict


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


@pytest.mark.parametrize(
    ("data_size", "outer"),
    [(0, 0), (0, 8), (0, 36), (0, None), (0, UNKNOWN), (UNKNOWN, UNKNOWN)],
)
def test_never_finalised_wav(data_size: int, outer: int | None) -> None:
    """Sizes 0, 8, 36, right or -1 over a data size of 0: what interrupted writers leave.

    Both -1: what is written to a pipe.
    """
    layout = parse(Held(plain(data_size=data_size, size=outer)))
    finding = only(layout, "unfinalised")
    assert (finding.verdict, finding.remedy) == (Verdict.REDO, Remedy.MEND)
    assert finding.values["recoverable_frames"] == 1000
    assert (layout.header_frames, layout.found_frames, layout.complete) == (None, 1000, False)
    assert (layout.audio_offset, layout.audio_bytes, layout.raw) == (44, 6000, True)


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


@pytest.mark.parametrize("size", [1236, 1300, 4000], ids=["as the audio", "later", "much later"])
def test_audio_that_goes_on_behind_the_claimed_end(size: int) -> None:
    """A writer that brought its sizes up to date now and then, and was interrupted."""
    layout = parse(Held(plain(data_size=1200, size=size)))
    (finding,) = layout.findings
    assert finding.kind == "size-mismatch"
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


@pytest.mark.parametrize(
    ("size", "complete"), [(12_000, False), (6_036 + 2, False), (0, True)],
    ids=["double", "two too many", "never written"],
)  # fmt: skip
def test_wrong_outer_size_over_whole_audio(size: int, complete: bool) -> None:
    layout = parse(Held(plain(size=size)))
    assert kinds(layout) == [("size-mismatch", "listen", "mend")]
    assert (layout.found_frames, layout.complete) == (1000, complete)
