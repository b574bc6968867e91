"""Drums whose attack rises in a straight line, over a converter's noise alone, and cuts in them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from stepping import steps

from checks.model import Verdict


def drums(seed: int, rate_hz: int, noise_dbfs: float) -> NDArray[np.int32]:
    """One stroke on each of two tracks: a tone that rises within 2 to 20 ms and dies away."""
    rng, t = np.random.default_rng(seed), np.arange(2 * rate_hz) / rate_hz
    x = np.zeros((2, len(t)))
    for row in x:
        since = np.maximum(t - rng.uniform(0.8, 1.2), 0)
        rises = np.minimum(since / rng.uniform(0.002, 0.02), 1)
        dies = np.exp(-since / rng.uniform(0.1, 0.4))
        row += (
            0.3
            * rises
            * dies
            * np.sin(2 * np.pi * rng.uniform(80, 600) * since + rng.uniform(0, 6))
        )
    x += 10 ** (noise_dbfs / 20) / 2**0.5 * rng.standard_normal(x.shape)
    return (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)


@pytest.mark.parametrize("seed", [2, 4, 10, 11, 13, 21])
@pytest.mark.parametrize("noise_dbfs", [-105, -115])
@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_the_corners_of_an_attack_are_no_steps(rate_hz: int, noise_dbfs: float, seed: int) -> None:
    assert steps(drums(seed, rate_hz, noise_dbfs), rate_hz) == []


@pytest.mark.parametrize("seed", [2, 4, 10, 11, 13, 21])
def test_samples_lost_on_both_tracks_behind_it_are(seed: int) -> None:
    x = np.delete(drums(seed, 96_000, -105), slice(121_003, 121_103), axis=1)
    assert (Verdict.REDO, 121_003) in [(f.verdict, f.start_frame) for f in steps(x, 96_000)]
