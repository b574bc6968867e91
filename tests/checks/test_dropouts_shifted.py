"""Words put together from bytes of two: found to the frame, whatever they make of the sound."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from dropouts_kit import digital, run
from hypothesis import given, settings
from hypothesis import strategies as st
from synth import programme

from checks.block import BLOCK_FRAMES
from checks.model import Finding, Remedy, Verdict

HIGH = 352_800


def shifted(x: Any, at: int, frames: int, by: int, *, octets: int = 3, big: bool = False) -> Any:
    """The words of one file, with so many bytes lost at a frame and made good some frames on."""
    words = np.ascontiguousarray(x.T).view(np.uint8).reshape(-1, 4)[:, 4 - octets :]
    stored = (words[:, ::-1] if big else words).reshape(-1).copy()
    first = at * len(x) * octets
    size = min(frames * len(x) * octets, len(stored) - first - by)
    stored[first : first + size] = stored[first + by : first + by + size].copy()
    words = stored.reshape(-1, octets)
    wide = np.zeros((len(words), 4), np.uint8)
    wide[:, 4 - octets :] = words[:, ::-1] if big else words
    return np.ascontiguousarray(wide.view(np.int32).reshape(-1, len(x)).T)


def sound(kind: str, rate_hz: int, tracks: int, seconds: float = 1.0) -> Any:
    if kind != "hiss":
        return programme(
            kind, rate_hz=rate_hz, tracks=tracks, seconds=seconds, seed=8, hiss_dbfs=-62.0
        )
    hiss = np.random.default_rng(8).standard_normal((tracks, round(seconds * rate_hz)))
    return np.rint(10 ** (-70 / 20) * 2**23 * hiss).astype(np.int32) << 8


def told(x: Any, rate_hz: int, word_length: int = 24) -> list[Finding]:
    found = digital(run(x, rate_hz, word_length=word_length))
    return [f for f in found if f.verdict is not Verdict.CLEAR]


def is_told(x: Any, rate_hz: int, tracks: tuple[int, ...], at: int, frames: int) -> None:
    (found,) = told(x, rate_hz)
    assert (found.verdict, found.remedy) == (Verdict.REDO, Remedy.RECOPY)
    assert (found.values["cause"], found.tracks) == ("scrambled", tracks)
    assert found.start_frame == pytest.approx(at, abs=4)
    assert found.frames == pytest.approx(frames, abs=6)


@pytest.mark.parametrize("kind", ["piano", "organ", "drums", "speech", "bowed", "hiss"])
@pytest.mark.parametrize(("rate_hz", "tracks"), [(44_100, 4), (HIGH, 2)])
@pytest.mark.parametrize("length_s", [0.001, 0.05, 0.283])
def test_words_two_bytes_on_are_found(
    kind: str, rate_hz: int, tracks: int, length_s: float
) -> None:
    """At a high rate they are smooth but where they wrap: no noise as even as any."""
    at, frames = round(0.5 * rate_hz), round(length_s * rate_hz)
    x = shifted(sound(kind, rate_hz, tracks), at, frames, 2)
    is_told(x, rate_hz, tuple(range(tracks)), at, frames)


@pytest.mark.parametrize("by", [1, 2, 4, 5, 23])
def test_whatever_number_of_bytes_is_lost(by: int) -> None:
    x = shifted(sound("organ", 96_000, 8), 40_000, 3_000, by)
    is_told(x, 96_000, tuple(range(8)), 40_000, 3_000)


@pytest.mark.parametrize("kind", ["piano", "speech"])
@pytest.mark.parametrize("rate_hz", [48_000, HIGH])
def test_to_the_end_all_is_one_finding(kind: str, rate_hz: int) -> None:
    x = sound(kind, rate_hz, 4, 1.2)
    at = round(0.4 * rate_hz)
    is_told(shifted(x, at, x.shape[1], 2), rate_hz, (0, 1, 2, 3), at, x.shape[1] - at)


def test_a_few_about_the_end_of_a_block_are_found() -> None:
    at = 2 * BLOCK_FRAMES - 20
    is_told(shifted(sound("bowed", 48_000, 2), at, 48, 2), 48_000, (0, 1), at, 48)


def test_words_with_the_uppermost_byte_first_are_put_back_too() -> None:
    for by in (1, 2):
        x = shifted(sound("hiss", 192_000, 2), 70_000, 9_000, by, big=True)
        is_told(x, 192_000, (0, 1), 70_000, 9_000)


def test_of_a_set_of_files_one_track_may_be_hit() -> None:
    x = sound("piano", HIGH, 3)
    x[1:2] = shifted(x[1:2], 150_000, 30_000, 2)
    is_told(x, HIGH, (1,), 150_000, 30_000)


def test_more_bytes_lost_later_is_told_throughout() -> None:
    x = shifted(sound("organ", HIGH, 2), 150_000, 100_000, 1)
    x = shifted(x, 200_000, 50_000, 1)  # by then two
    found = told(x, HIGH)
    assert {(f.verdict, f.tracks, f.values["cause"]) for f in found} == {
        (Verdict.REDO, (0, 1), "scrambled")
    }
    covered = sum(f.frames or 0 for f in found)
    assert covered == pytest.approx(100_000, abs=40)


@pytest.mark.parametrize(("octets", "word_length"), [(2, 16), (4, 32)])
def test_words_of_other_lengths(octets: int, word_length: int) -> None:
    x = sound("bowed", 96_000, 2)
    x = x >> 16 << 16 if octets == 2 else x + np.random.default_rng(1).integers(0, 256, x.shape)
    for by in range(1, octets):
        y = shifted(x.astype(np.int32), 50_000, 5_000, by, octets=octets)
        (found,) = told(y, 96_000, word_length)
        assert (found.verdict, found.tracks) == (Verdict.REDO, (0, 1))
        assert found.start_frame == pytest.approx(50_000, abs=4)


def test_sound_in_shorter_words_that_begins_is_not_shifted() -> None:
    """Its lowest byte is always zero: put together from bytes of two, it were smoother as well."""
    x = sound("drums", 96_000, 2)
    x[:, 40_000:] = x[:, 40_000:] >> 16 << 16
    x[:, 40_000 : 40_000 + 20_000] = sound("hiss", 96_000, 2)[:, :20_000] << 8
    assert not [f for f in told(x, 96_000) if f.values.get("cause") == "scrambled"]


def test_what_does_not_go_on_as_the_sound_before_is_not_said_to() -> None:
    """Bytes turned round are scrambled as well, and half right with the next word's beside them."""
    x = sound("hiss", 96_000, 2)
    turned = np.ascontiguousarray(x[:, 40_000:45_000]).view(np.uint8).reshape(2, -1, 4)
    turned[..., 1:] = turned[..., :0:-1].copy()
    x[:, 40_000:45_000] = turned.view(np.int32)[..., 0]
    (found,) = told(x, 96_000)
    assert (found.verdict, found.values["cause"]) == (Verdict.REDO, "scrambled")
    assert "put back" not in found.text


@settings(deadline=None, max_examples=15)
@given(st.lists(st.integers(1, 99_999), max_size=4))
def test_cuts_of_the_stream_change_nothing(cuts: list[int]) -> None:
    x = shifted(sound("drums", 48_000, 2, 2.1), 32_600, 20_000, 2)
    pieces = np.split(x, sorted(cuts), axis=1)
    assert digital(run([p for p in pieces if p.size], 48_000)) == digital(run(x, 48_000))
