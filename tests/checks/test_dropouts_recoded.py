"""Words that are whole but written otherwise from one frame on; and what sounds like them."""

from __future__ import annotations

import functools
from pathlib import Path

import dropouts_kit as kit
import numpy as np
import pytest
from numpy.typing import NDArray
from recordings import recording
from stepping import steps
from synth import programme

from checks.block import BLOCK_FRAMES
from checks.model import Finding

Ints = NDArray[np.int32]
RATE_HZ = 96_000


@functools.cache
def bed() -> Ints:
    """Strings in noise at some -75 dBFS: bytes that change places make it at -48."""
    x = programme("bowed", rate_hz=RATE_HZ, tracks=3, seconds=3.0, seed=4).astype(np.float64)
    x = np.apply_along_axis(np.convolve, 1, x, np.hanning(10)[1:-1] / np.hanning(10).sum(), "same")
    x += 2**8 * 1000 * np.random.default_rng(8).standard_normal(x.shape)
    made = np.rint(x / 2**8).astype(np.int32) << 8
    made.flags.writeable = False
    return made


def recoded(x: Ints, rate_hz: int = RATE_HZ) -> list[Finding]:
    return [f for f in steps(x, rate_hz) if f.values.get("cause") == "recoded"]


def words(x: Ints) -> NDArray[np.int64]:
    return x.astype(np.int64) >> 8


def swapped(some: NDArray[np.int64]) -> NDArray[np.int64]:
    """Middle and low byte of 24 bits change places."""
    return some >> 16 << 16 | (some & 255) << 8 | some >> 8 & 255


def with_words(x: Ints, tracks: list[int], at: slice, made: NDArray[np.int64]) -> Ints:
    out = x.copy()
    out[tracks, at] = (made << 8).astype(np.int32)
    return out


@pytest.mark.parametrize(
    ("factor", "what"),
    [(-1.0, "The polarity turns over"), (0.5, "Words stand one bit lower")],
)
@pytest.mark.parametrize("tracks", [[1], [0, 1, 2]])
def test_a_factor_from_one_frame_on(factor: float, what: str, tracks: list[int]) -> None:
    at = 150_001
    behind = words(bed())[tracks, at:]
    made = np.floor(behind * factor).astype(np.int64)
    (one,) = recoded(with_words(bed(), tracks, slice(at, None), made))
    assert (one.verdict.value, one.start_frame, one.tracks) == ("redo", at, tuple(tracks))
    assert one.values["factor"] == factor
    assert one.text.startswith(what)


def test_words_one_bit_higher() -> None:
    at = 150_001
    quiet = bed() >> 10 << 8  # room above
    made = words(quiet)[[2], at:] * 2
    (one,) = recoded(with_words(quiet, [2], slice(at, None), made))
    assert (one.start_frame, one.values["factor"]) == (at, 2.0)
    assert "level steps by +6.02 dB" in one.text


def test_the_hiss_that_falls_with_it_is_no_head_that_clogs() -> None:
    at = 150_001
    made = words(bed())[:, at:] >> 1
    outcome = kit.run(with_words(bed(), [0, 1, 2], slice(at, None), made), RATE_HZ)
    assert {f.kind for f in outcome.findings if f.verdict.value != "clear"} == {"step"}


@pytest.mark.parametrize("at", [150_001, 10 * BLOCK_FRAMES - 100])
@pytest.mark.parametrize("frames", [2_000, 60_000])
@pytest.mark.parametrize("tracks", [[0], [0, 2]])
def test_bytes_that_change_places(at: int, frames: int, tracks: list[int]) -> None:
    some = slice(at, at + frames)
    made = swapped(words(bed())[tracks, some])
    (one,) = recoded(with_words(bed(), tracks, some, made))
    assert (one.start_frame, one.tracks) == (pytest.approx(at, abs=2), tuple(tracks))
    assert one.frames == pytest.approx(frames, abs=16)
    assert (one.verdict.value, one.remedy.value) == ("redo", "recopy")
    assert one.text.startswith("Bytes 2 and 3 of each word change places for ")


def test_an_inverted_bit_to_the_end() -> None:
    at = 200_000
    made = words(bed())[[0], at:] ^ 1 << 24 - 8
    (one,) = recoded(with_words(bed(), [0], slice(at, None), made))
    assert (one.start_frame, one.remedy.value) == (pytest.approx(at, abs=2), "replay")
    assert (one.start_frame or 0) + (one.frames or 0) == bed().shape[1]
    assert one.text.startswith("Bit 8 of the words")


T = np.arange(RATE_HZ) / RATE_HZ
NOISE = np.random.default_rng(5).standard_normal(len(T))
TONE = np.sin(2 * np.pi * 400 * T) + 0.3 * np.sin(2 * np.pi * 1_100 * T + 1)
NATURE = {  # full scale 1.0
    "rectified tone": np.abs(np.sin(2 * np.pi * 100 * T)),
    "another tone from one frame on": np.where(T < 0.5, TONE, np.sin(2 * np.pi * 500 * T + 0.4)),
    "lost samples": np.where(T < 0.5, TONE, np.roll(TONE, -37)),
    "three times as loud from one frame on": np.where(T < 0.5, TONE / 3, TONE),
    "noise that sets in": 0.5 * TONE + np.where(T < 0.5, 0.0, 0.01) * NOISE,
}


@pytest.mark.parametrize("name", NATURE)
def test_what_sounds_like_it(name: str) -> None:
    made = np.rint(2**22 * NATURE[name] + 30 * NOISE).astype(np.int32)[np.newaxis] << 8
    assert recoded(made) == []


def test_short_words_in_longer_ones_do_not_change_their_bytes(corpus: Path) -> None:
    """Twelve guitar tracks of 16 bits that begin in silence, as words of 24."""
    x, rate_hz, _ = recording(corpus / "multichannel/guitar_12ch.wav")
    assert recoded(x, rate_hz) == []


def test_a_factor_is_told_where_it_is_known() -> None:
    turned = np.where(T < 0.5, TONE, -TONE)
    for noise, told in ((30, 1), (10_000, 0)):
        made = np.rint(2**20 * turned + noise * NOISE).astype(np.int32)[np.newaxis] << 8
        assert len(recoded(made)) == told
