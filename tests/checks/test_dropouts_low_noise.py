"""Samples lost in a tone that dies away over next to no noise: a generator, a drum, no tape."""

from __future__ import annotations

import numpy as np
import pytest
from stepping import steps

from checks.model import Verdict

AT = 57_637


@pytest.mark.parametrize(("rate_hz", "hz"), [(48_000, 60), (48_000, 1000), (192_000, 1000)])
@pytest.mark.parametrize("noise_dbfs", [-105, -115, -125])
def test_samples_lost_in_a_tone_that_dies_away(rate_hz: int, hz: float, noise_dbfs: float) -> None:
    """Seen from behind it grows, which is another filter than that of its past."""
    rng, t = np.random.default_rng(1), np.arange(115_000) / rate_hz
    x = 0.2 * np.exp(-t) * np.sin(2 * np.pi * hz * t + 2)
    x += 10 ** (noise_dbfs / 20) / 2**0.5 * rng.standard_normal(len(t))
    words = np.rint(np.delete(x, slice(AT, AT + 10)) * 2**23).astype(np.int64) << 8
    (found,) = steps(words.astype(np.int32)[np.newaxis], rate_hz)
    assert found.verdict is not Verdict.CLEAR
    assert found.start_frame == AT


@pytest.mark.parametrize(("rate_hz", "hz"), [(48_000, 6_300), (96_000, 16_000), (192_000, 12_000)])
def test_samples_lost_between_the_crests_of_a_steady_tone(rate_hz: int, hz: float) -> None:
    """They come back to one level, as tops do that are cut off, but leave nothing."""
    rng, t = np.random.default_rng(1), np.arange(115_000) / rate_hz
    x = 0.126 * np.sin(2 * np.pi * hz * t + 1)
    x += 10 ** (-74 / 20) / 2**0.5 * rng.standard_normal(len(t))
    words = np.rint(np.delete(x, slice(AT, AT + 2)) * 2**23).astype(np.int64) << 8
    (found,) = steps(words.astype(np.int32)[np.newaxis], rate_hz)
    assert found.start_frame == pytest.approx(AT, abs=1)


def test_the_corners_of_a_tone_that_is_cut_off_are_no_steps() -> None:
    t = np.arange(115_000) / 96_000
    x = 0.1 * sum(np.sin(2 * np.pi * hz * t + hz) for hz in (331.7, 1207.3, 2511.9))
    x = np.clip(x, -0.18, 0.18) + 1e-6 * np.random.default_rng(1).standard_normal(len(t))
    words = np.rint(x * 2**23).astype(np.int64) << 8
    assert steps(words.astype(np.int32)[np.newaxis], 96_000) == []
