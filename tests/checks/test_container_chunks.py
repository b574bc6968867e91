"""Containers: chunks that are odd, out of order, doubled, lost or too many."""

from __future__ import annotations

import struct

import pytest
from container_files import Held, aiff, chunk, fmt, riff, w64, w64_chunk
from container_kit import AUDIO, kinds, only

from checks.container import Layout, parse


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


def test_many_chunks_are_counted_and_the_first_listed() -> None:
    data = riff([fmt(), chunk(b"data", AUDIO), *[chunk(b"abcd", b"")] * 500])
    layout = parse(Held(data))
    assert kinds(layout) == [("many-chunks", "clear", "none")]
    assert layout.findings[0].values == {"count": 502, "listed": 200}
    assert len(layout.chunks) == 200
