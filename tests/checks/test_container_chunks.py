"""Containers: chunks that are odd, out of order, doubled, lost or too many."""

from __future__ import annotations

import struct

import pytest
from container_files import Held, aiff, chunk, fmt, riff, w64, w64_chunk
from container_kit import AUDIO, kinds, only

from checks.container import parse

DATA = chunk(b"data", AUDIO)


@pytest.mark.parametrize("padded", [True, False])
def test_odd_chunk_with_and_without_its_pad_byte(padded: bool) -> None:
    odd = chunk(b"note", b"12345")
    layout = parse(Held(riff([odd if padded else odd[:-1], fmt(), DATA])))
    assert kinds(layout) == ([] if padded else [("missing-pad", "clear", "none")])
    assert layout.found_frames == 1000


@pytest.mark.parametrize("outer", [5996 + 36 + 3, 5996 + 36 + 4], ids=["not counted", "counted"])
def test_pad_byte_missing_at_the_very_end(outer: int) -> None:
    data = riff([fmt(channels=1), chunk(b"data", AUDIO[:5997])])[:-1]
    data = data[:4] + struct.pack("<I", outer - 2) + data[8:]
    assert kinds(parse(Held(data)))[:1] == [("missing-pad", "clear", "none")]


@pytest.mark.parametrize(
    ("parts", "verdict"),
    [
        ([DATA, fmt()], "listen"),
        ([fmt(), DATA, DATA], "redo"),
        ([fmt(), fmt(bits=16), DATA], "listen"),
    ],
    ids=["data first", "two of data", "two of fmt"],
)
def test_chunks_out_of_order_and_doubled(parts: list[bytes], verdict: str) -> None:
    layout = parse(Held(riff(parts)))
    assert kinds(layout) == [("bad-chunk", verdict, "mend")]
    assert (layout.found_frames, layout.word_length, layout.raw) == (1000, 24, True)


def test_an_empty_chunk_of_audio_does_not_hide_the_next() -> None:
    assert parse(Held(riff([fmt(), chunk(b"data", b""), DATA]))).found_frames == 1000


@pytest.mark.parametrize(
    "data",
    [
        aiff(AUDIO, frames=1000, behind=chunk(b"SSND", bytes(8), big=True) * 5),
        w64(AUDIO, behind=w64_chunk(b"data", AUDIO) * 5),
    ],
    ids=["AIFF", "Wave64"],
)
def test_chunks_of_audio_again_and_again_are_told_once(data: bytes) -> None:
    assert kinds(parse(Held(data))) == [("bad-chunk", "redo", "mend")]


def test_chunk_that_overruns_behind_the_audio() -> None:
    tail = chunk(b"LIST", bytes(20), size=10_000)
    cut = riff([fmt(), DATA, tail], size=6036 + 10_008)
    assert kinds(parse(Held(cut))) == [("bad-chunk", "listen", "recopy")]
    wrong = parse(Held(riff([fmt(), DATA, tail])))
    assert kinds(wrong) == [("bad-chunk", "listen", "mend")]
    assert wrong.found_frames == 1000


def test_chunk_that_hides_the_audio() -> None:
    """A wrong size in front of the audio: it is found by searching."""
    layout = parse(Held(riff([fmt(), chunk(b"note", b"abcd", size=5_000), DATA])))
    assert kinds(layout) == [("bad-chunk", "listen", "mend")]
    assert (layout.found_frames, layout.audio_offset) == (1000, 56)


@pytest.mark.parametrize(
    ("parts", "kind", "verdict"),
    [
        ([fmt()], "bad-chunk", "redo"),
        ([DATA], "unreadable", "unread"),
        ([chunk(b"fmt ", b"short"), DATA], "unreadable", "unread"),
        ([], "bad-chunk", "redo"),
    ],
    ids=["no data", "no fmt", "short fmt", "nothing"],
)
def test_what_cannot_do_without(parts: list[bytes], kind: str, verdict: str) -> None:
    layout = parse(Held(riff(parts)))
    assert kinds(layout) == [(kind, verdict, "recopy")]
    assert not layout.raw or layout.found_frames == 0


@pytest.mark.parametrize(
    ("count", "told"),
    [
        (1000, None),
        (0, None),
        (2000, None),  # the samples of both tracks, a habit of writers
        (1200, "missing"),
        (900, "whole"),
    ],
)
def test_the_count_of_fact_is_compared(count: int, told: str | None) -> None:
    layout = parse(Held(riff([fmt(), chunk(b"fact", struct.pack("<I", count)), DATA])))
    if told is None:
        assert layout.findings == ()
    else:
        assert told in only(layout, "size-mismatch").text


def test_many_chunks_are_counted_and_the_first_listed() -> None:
    data = riff([fmt(), DATA, *[chunk(b"abcd", b"")] * 500])
    layout = parse(Held(data))
    assert kinds(layout) == [("many-chunks", "clear", "none")]
    assert layout.findings[0].values == {"count": 502, "listed": 200}
    assert len(layout.chunks) == 200
