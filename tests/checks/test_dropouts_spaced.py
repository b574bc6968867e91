"""Words wrong at a regular distance are told, to the word; what machines and rests make is not."""

from __future__ import annotations

import dropouts_kit as kit
import numpy as np
import pytest
from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES
from checks.model import Finding

Ints = NDArray[np.int32]
LOW = 0xFF << 8  # the lowest byte of 24 bits


def steps(x: Ints, rate_hz: int = 96_000, word_length: int = 24) -> list[Finding]:
    return kit.of(kit.run(x, rate_hz, word_length=word_length), "step")


def planted(at: int, frames: int, every: int, value: int, tracks: tuple[int, ...]) -> Ints:
    x = kit.bed().copy()
    x[list(tracks), at : at + frames : every] = value
    return x


@pytest.mark.parametrize(
    ("every", "frames", "value"),
    [(2, 4_000, 0), (3, 1_500, 5 << 20), (8, 40_000, 0), (32, 4_000, -(2**31)), (96, 9_600, 0)],
)
@pytest.mark.parametrize("at", [150_001, 10 * BLOCK_FRAMES - 700])  # within a block, over a border
def test_words_at_one_value(every: int, frames: int, value: int, at: int) -> None:
    (one,) = steps(planted(at, frames, every, value, (0, 2)))
    count = -(-frames // every)
    assert (one.verdict.value, one.remedy.value, one.tracks) == ("redo", "replay", (0, 2))
    assert (one.start_frame, one.frames) == (at, (count - 1) * every + 1)
    assert (one.values["every_frames"], one.values["wrong_words"]) == (every, count)
    assert ("is 0 for" in one.text) is (value == 0)


def test_to_the_end_of_a_capture() -> None:
    x = kit.bed()
    at = 200_001
    (one,) = steps(planted(at, x.shape[1] - at, 8, 0, (1,)))
    assert (one.start_frame, one.values["times"]) == (at, 1)
    assert one.values["wrong_words"] == -(-(x.shape[1] - at) // 8)


def test_a_low_byte_that_stands_in_every_second_word() -> None:
    x = kit.bed().copy()
    some = x[1, 100_000:120_000:2]
    some[:] = some & ~LOW | 0x5A << 8
    (one,) = steps(x)
    assert (one.start_frame, one.values["still_bits"]) == (pytest.approx(100_000, abs=2), 8)
    assert one.text.startswith("In every second word the lowest 8 bits stand still for ")


RATE_HZ = 96_000
T = np.arange(RATE_HZ) / RATE_HZ
RNG = np.random.default_rng(3)
EIGHTH = np.sin(np.arange(len(T)) * np.pi / 4)
NOISE = RNG.standard_normal(len(T))
NATURE = {  # full scale 1.0; the first three are equal at each fourth or eighth sample
    "tone of an eighth of the rate that fades": 0.5 * EIGHTH * np.exp(-2 * T),
    "the same, cut off at the top": np.minimum(0.4 * EIGHTH * (1 + 0.4 * T), 0.35),
    "the same in bursts between rests": 0.5 * EIGHTH * (np.sin(12 * T) > 0) * np.exp(-2 * T),
    "tone of 1 kHz in noise of a step": 0.1 * np.sin(2000 * np.pi * T) + 2.0**-23 * NOISE,
    "hiss of a step": 2.0**-23 * NOISE,
    "noise": 0.2 * NOISE.clip(-4, 4),
}


@pytest.mark.parametrize("name", NATURE)
@pytest.mark.parametrize("bits", [16, 24])
def test_what_comes_again_by_itself_is_no_fault(name: str, bits: int) -> None:
    words = np.rint(NATURE[name] * 2 ** (bits - 1)).astype(np.int32)[np.newaxis] << 32 - bits
    told = steps(words, RATE_HZ, bits)
    assert [f for f in told if f.values.get("cause") == "spaced"] == []


def test_floats() -> None:
    x = (planted(150_000, 4_000, 8, 0, (1,)) / 2**31).astype(np.float32)
    (one,) = steps(x)
    assert (one.start_frame, one.values["wrong_words"]) == (150_000, 500)


@pytest.mark.parametrize("name", [*NATURE, "tone that passes 0 at each 48th sample"])
def test_floats_of_small_words_have_low_bits_that_stand_still(name: str) -> None:
    tone = 0.2 * np.sin(2 * np.pi * 1000.3 * T) * np.exp(-T / 2) + 10**-5.5 * NOISE
    words = np.rint(NATURE.get(name, tone) * 2**23)[np.newaxis] / 2**23
    told = steps(words.astype(np.float32), RATE_HZ)
    assert [f for f in told if f.values.get("cause") == "spaced"] == []
