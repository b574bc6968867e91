"""Bits that stand still for a while: planted ones are told to the frame, clean words never."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from synth import KINDS, programme, track_kinds

from checks._bits_report import named
from checks.format import FormatLimits, FormatPass
from checks.model import CaptureFormat, Finding
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import Sheet, TrackEntry, TrackKind

NEAR_FRAMES = 32  # a bit of noise changes at a given frame every second time: 2**-32
Words = NDArray[Any]


def told(
    samples: Words,
    *,
    rate_hz: int = 96_000,
    word_length: int = 24,
    cuts: Sequence[int] = (),
    sheet: Sheet | None = None,
) -> list[Finding]:
    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=len(samples),
        word_length=word_length,
        floating=samples.dtype.kind == "f",
    )
    check = Check("format", lambda c: FormatPass(c.fmt, c.sheet, FormatLimits(), "wav"))
    whole = SamplePass(Context(fmt=fmt, sheet=sheet or Sheet()), [check])
    for part in np.split(samples, sorted(min(c, samples.shape[1]) for c in cuts), axis=1):
        whole.feed(part)
    found = whole.finish()["format"].findings
    return [f for f in found if f.kind == "unused-bits" and f.start_frame is not None]


def noise(tracks: int = 2, frames: int = 100_000, bits: int = 24, seed: int = 0) -> Words:
    rng = np.random.default_rng(seed)
    return words(rng.normal(0, 0.05, (tracks, frames)), bits)


def words(signal: NDArray[np.float64], bits: int = 24) -> Words:
    top = 2.0 ** (bits - 1)
    whole = np.clip(np.rint(signal * top), -top, top - 1).astype(np.int64)
    return (whole << (32 - bits)).astype(np.int32)


def cut_to_16(part: Words) -> Words:
    return part & -(1 << 16)


def shifted_up(part: Words) -> Words:
    return part << 4


def held(bit: int, value: int) -> Callable[[Words], Words]:
    mask = np.int32(1 << (32 - bit))
    return lambda part: part | mask if value else part & ~mask


def holds(finding: Finding, start: int, stop: int) -> bool:
    """Whether a finding stands where it was planted, give or take some frames."""
    assert finding.start_frame is not None
    assert finding.frames is not None
    end = finding.start_frame + finding.frames
    return abs(finding.start_frame - start) <= NEAR_FRAMES and abs(end - stop) <= NEAR_FRAMES


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000, 352_800])
@pytest.mark.parametrize("start", [0, 5, 16_250, 16_300, 16_384, 33_333, None])
def test_five_milliseconds_of_short_words_are_told_anywhere(
    rate_hz: int, start: int | None
) -> None:
    x = noise()
    length = rate_hz // 200
    start = x.shape[1] - length if start is None else start
    x[1, start : start + length] = cut_to_16(x[1, start : start + length])
    (finding,) = told(x, rate_hz=rate_hz)
    assert holds(finding, start, start + length)
    assert (finding.verdict, finding.remedy, finding.tracks) == ("redo", "replay", (1,))
    assert finding.values["stuck_bits"] == [17, 18, 19, 20, 21, 22, 23, 24]
    assert finding.text.startswith(("For 5 ms", "For 4.99 ms"))
    assert "only the upper 16 of 24 bits change, all of them elsewhere" in finding.text


def test_the_last_frames_of_a_capture_are_looked_at_too() -> None:
    x = noise(1, 128 * 781 - 1)  # one frame short of a whole period of the screen at 44.1 kHz
    x[0, -220:] = cut_to_16(x[0, -220:])
    (finding,) = told(x, rate_hz=44_100)
    assert holds(finding, x.shape[1] - 220, x.shape[1])


@pytest.mark.parametrize("tracks", [(17,), tuple(range(24))])
def test_from_a_moment_on_all_tracks_or_one_of_many(tracks: tuple[int, ...]) -> None:
    x = noise(24, 60_000)
    x[list(tracks), 30_001:] = cut_to_16(x[list(tracks), 30_001:])
    (finding,) = told(x)
    assert finding.tracks == tracks
    assert holds(finding, 30_001, 60_000)
    assert "to the end" in finding.text


@pytest.mark.parametrize("word_length", [16, 24, 32])
@pytest.mark.parametrize("value", [0, 1])
@pytest.mark.parametrize("bit", [10, 13, 16, 20, 24])
def test_a_bit_that_is_held_for_a_while(word_length: int, value: int, bit: int) -> None:
    if bit > word_length:
        return
    x = noise(bits=word_length)
    x[0, 40_000:70_000] = held(bit, value)(x[0, 40_000:70_000])
    (finding,) = told(x, word_length=word_length)
    assert holds(finding, 40_000, 70_000)
    assert (finding.tracks, finding.values["stuck_bits"]) == ((0,), [bit])


def test_words_that_are_shifted_for_a_while() -> None:
    x = noise()
    x[:, 20_000:50_000] = shifted_up(x[:, 20_000:50_000])
    (finding,) = told(x)
    assert finding.values["stuck_bits"] == [21, 22, 23, 24]
    assert holds(finding, 20_000, 50_000)


def test_minutes_of_it_and_several_times_are_one_finding() -> None:
    rng = np.random.default_rng(3)
    x = np.tile(noise(1, 96_000), 150)  # two and a half minutes at 96 kHz
    spans = [(100_000, 12_100_000), (13_000_000, 13_000_600), (14_000_000, 14_100_000)]
    for a, b in spans:
        x[0, a:b] |= np.int32(1 << 12)
    x[0] ^= rng.integers(0, 2, x.shape[1], np.int32) << 8
    (finding,) = told(x)
    assert finding.values["count"] == 3
    starts = finding.values["start_frames"]
    assert isinstance(starts, list)
    assert all(abs(at - a) <= NEAR_FRAMES for at, (a, _) in zip(starts, spans, strict=True))


def test_many_bits_at_many_times_are_one_finding() -> None:
    x = noise(2, 200_000)
    for k, bit in enumerate((13, 15, 17, 19, 21, 23)):
        part = slice(30_000 * k, 30_000 * k + 20_000)
        x[k % 2, part] = held(bit, 0)(x[k % 2, part])
    (finding,) = told(x)
    assert (finding.tracks, finding.values["count"]) == ((0, 1), 6)
    assert finding.values["stuck_bits"] == [13, 15, 17, 19, 21, 23]
    assert holds(finding, 0, 170_000)


def test_parts_of_16_and_24_bits_joined_are_told_and_16_throughout_are_not() -> None:
    joined = np.concatenate((noise(bits=16), noise(seed=1)), axis=1)
    (finding,) = told(joined)
    assert holds(finding, 0, 100_000)
    assert told(noise(bits=16)) == []  # of the whole capture: told without a place
    assert told(noise(bits=24), word_length=32) == []


def test_no_words_of_floats_and_of_tracks_without_programme() -> None:
    x = noise()
    x[1, 40_000:] = cut_to_16(x[1, 40_000:])
    sheet = Sheet(tracks=(TrackEntry(), TrackEntry(kind=TrackKind.TIMECODE)))
    assert told(x, sheet=sheet) == []
    assert told((x / 2.0**31).astype(np.float32), word_length=32) == []


@settings(deadline=None, max_examples=25)
@given(
    cuts=st.lists(st.integers(0, 60_000), max_size=6),
    start=st.integers(0, 59_000),
    length=st.integers(200, 60_000),
)
def test_the_cuts_of_the_stream_never_change_the_result(
    cuts: list[int], start: int, length: int
) -> None:
    x = noise(2, 60_000)
    x[1, start : start + length] = cut_to_16(x[1, start : start + length])
    assert told(x, cuts=cuts) == told(x)


# -- clean -------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_clean_programme_has_none(kind: str) -> None:
    x = programme(kind, rate_hz=96_000, tracks=4, seconds=3.0, seed=5)
    kinds = track_kinds(kind, 4)
    assert told(x) == [], kinds


def tone(hz: float, level: float, rate_hz: int) -> NDArray[np.float64]:
    return level * np.sin(2 * np.pi * hz / rate_hz * np.arange(120_000))[np.newaxis]


@pytest.mark.parametrize("rate_hz", [48_000, 352_800])
def test_clean_words_of_other_kinds_have_none(rate_hz: int) -> None:
    rng = np.random.default_rng(rate_hz)
    hiss = rng.normal(0, 3e-4, (1, 120_000))
    falling = np.linspace(1, 0, 120_000) ** 4
    loud = tone(317.0, 1.0, rate_hz) + hiss
    for hz in (20.0, 50.0, 997.0, 1000.0, 5000.0, rate_hz / 8, rate_hz / 4):
        for level in (0.9, 0.5, 0.01, 1e-4):
            clean = tone(hz, level, rate_hz)
            assert told(words(clean), rate_hz=rate_hz) == []
            assert told(words(clean * falling + hiss * falling), rate_hz=rate_hz) == []
            assert told(words(np.sign(clean) * level), rate_hz=rate_hz) == []
            assert told(words(np.sign(clean) * level + hiss), rate_hz=rate_hz) == []
    assert told(words(np.clip(100 * loud, -1, 1)), rate_hz=rate_hz) == []
    assert told(words(hiss + 0.0371), rate_hz=rate_hz) == []
    assert told(words(loud * 1e-3, 16), rate_hz=rate_hz) == []
    rests = words(loud)
    rests[:, :30_000] = rests[:, 60_000:70_000] = 0  # a converter before it runs, and a mute
    rests[:, 80_000:90_000] = rests[0, 80_000]
    assert told(rests, rate_hz=rate_hz) == []
    clicks = np.zeros((1, 120_000))
    clicks[:, ::4000] = 0.7
    assert told(words(clicks), rate_hz=rate_hz) == []
    assert told(words(clicks + hiss), rate_hz=rate_hz) == []


def test_a_triangle_whose_slope_fits_a_bit_has_none() -> None:
    step = 2 * 2.0**-11  # twice the weight of bit 12: each sample leaves that bit as it was
    lengths = np.random.default_rng(2).integers(20, 200, 500)
    slopes = np.repeat(np.tile([1.0, -1.0], 500), np.repeat(lengths, 2)) * step
    triangle = np.cumsum(slopes)[np.newaxis] + 0.3 * step
    triangle[0, -200:] = np.linspace(0, step, 200)  # there it moves
    assert told(words(triangle)) == []


def test_one_bit_and_several_are_named_as_such() -> None:
    assert named((8,)) == "Bit 8"
    assert named((8, 10)) == "Bits 8 and 10"
    assert named((8, 10, 12)) == "Bits 8, 10 and 12"
