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
