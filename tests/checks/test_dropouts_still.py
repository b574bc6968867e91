"""Equal samples next to a jump: a hold, or a wave of few steps that rests there."""

from __future__ import annotations

import numpy as np
import pytest

from checks.dropouts._steps import _still

PEAK = 1024
BESIDE = np.arange(2048.0) - PEAK


@pytest.mark.parametrize("seed", range(20))
def test_a_wave_of_few_steps_that_rests_is_no_hold(seed: int) -> None:
    """As the crest of a sawtooth of 16 bits does before its flank; dither of two steps."""
    rng = np.random.default_rng(seed)
    rests = np.where(np.abs(BESIDE) < 30, 0.004 * BESIDE**3, 4.0 * BESIDE)
    words = np.rint(rests + rng.uniform(-0.5, 0.5, (2, len(rests))).sum(axis=0))
    words[PEAK - 2 : PEAK + 3] = words[PEAK]
    assert _still.at(words.astype(np.int32), words, PEAK) is None


def test_what_stands_still_in_noise_of_many_steps_is_a_hold() -> None:
    words = np.rint(4.0 * BESIDE + 20 * np.random.default_rng(1).standard_normal(len(BESIDE)))
    words[PEAK - 7 : PEAK + 1] = words[PEAK - 7]
    assert _still.at(words.astype(np.int32), words, PEAK) == (PEAK - 7, PEAK + 1, False)


def test_beside_a_side_too_short_to_tell_the_noise_the_share_of_equal_samples_decides() -> None:
    words = np.rint(20 * np.random.default_rng(1).standard_normal(100))
    words[40:60] = 7
    assert _still.at(words.astype(np.int32), words, 50) == (40, 60, False)
