"""Stretches in which every value stands for a few samples: told; stairs that signals make: not."""

from __future__ import annotations

import damage
import dropouts_kit as kit
import numpy as np
import pytest

from checks.block import BLOCK_FRAMES
from checks.model import Finding


def held(x: damage.Ints, rate_hz: int = 96_000, word_length: int = 24) -> list[Finding]:
    return kit.of(kit.run(x, rate_hz, word_length=word_length), "held-value")


@pytest.mark.parametrize("each", [2, 3, 4, 8])
@pytest.mark.parametrize("at", [150_000, 10 * BLOCK_FRAMES - 700])  # within a block, over a border
def test_values_that_stand_for_a_few_samples_each(each: int, at: int) -> None:
    frames = 160 * each
    x = damage.hold_each(kit.bed(), at=at, frames=frames, each=each, tracks=(0, 2)).samples
    (one,) = held(x)
    assert (one.verdict.value, one.remedy.value, one.tracks) == ("redo", "replay", (0, 2))
    assert (one.start_frame, one.frames) == (
        pytest.approx(at, abs=each),
        pytest.approx(frames, abs=each),
    )
    assert one.values["held_frames"] == each


def test_to_the_end_of_a_capture() -> None:
    x = kit.bed()
    at = 200_001
    planted = damage.hold_each(x, at=at, frames=x.shape[1] - at, each=2, tracks=(1,)).samples
    (one,) = held(planted)
    assert one.start_frame == at
    assert one.start_frame + (one.frames or 0) == pytest.approx(x.shape[1], abs=2)
    assert one.text.startswith("Each value stands twice, for ")


RATE_HZ = 48_000
T = np.arange(2 * RATE_HZ) / RATE_HZ
RNG = np.random.default_rng(3)
NATURE = {  # steps of 16 bits
    "slow ramp": 24_000 * (T - 1.0),
    "slow ramp, two samples a step": 0.5 * np.arange(len(T)) - 19_999.75,
    "hiss of half a step": 0.5 * RNG.standard_normal(len(T)),
    "tone at a quarter of the rate": 9_000 * np.sign(np.sin(np.pi / 2 * np.arange(len(T)) + 0.3)),
}


@pytest.mark.parametrize("name", NATURE)
def test_stairs_that_signals_make_are_none(name: str) -> None:
    words = np.rint(NATURE[name]).astype(np.int32)[np.newaxis] << 16
    assert held(words, RATE_HZ, 16) == []
