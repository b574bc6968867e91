"""Noise up to half the rate that sets in at one sample: words a converter has lost."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal
from stepping import steps

from checks.dropouts._steps._white import is_white
from checks.model import Samples, Verdict

RATE_HZ = 96_000
AT, FRAMES = 100_000, 24_000


def _programme(seed: int, tracks: int = 4) -> NDArray[np.float64]:
    """Chords of each track its own, over a tape's noise; full scale 1."""
    rng = np.random.default_rng(seed)
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    x = 3e-4 * rng.standard_normal((tracks, len(t)))
    for row in x:
        for hz in rng.uniform(100, 2_000, 4):
            row += 0.03 * np.sin(2 * np.pi * (hz * t + rng.random()))
    return x


def _words(x: NDArray[np.float64]) -> Samples:
    return (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)


@pytest.mark.parametrize(
    ("level_dbfs", "tracks"), [(-12, (0, 1)), (-26, (0, 1)), (-12, (2,)), (-12, (0, 1, 3))]
)
def test_noise_in_place_of_programme_asks_to_listen(
    level_dbfs: float, tracks: tuple[int, ...]
) -> None:
    rng = np.random.default_rng(2)
    x = _programme(1)
    assert steps(_words(x), RATE_HZ) == []
    noise = 10 ** (level_dbfs / 20) * rng.standard_normal((len(tracks), FRAMES))
    x[list(tracks), AT : AT + FRAMES] = np.clip(noise, -0.99, 0.99)
    found = next(f for f in steps(_words(x), RATE_HZ) if "Noise up to half the rate" in f.text)
    assert (found.verdict, found.tracks) == (Verdict.LISTEN, tracks)
    assert abs(found.start_frame - AT) <= 1


def test_only_words_at_random_are_white() -> None:
    """A filter that leaves out the last tenth of the band; a strike that dies away in 50 ms."""
    rng = np.random.default_rng(3)
    noise = rng.standard_normal(round(0.018 * RATE_HZ) + 400)
    words = noise[400:]
    assert is_white(words)
    passed = signal.sosfilt(signal.cheby2(12, 60, 0.9, output="sos"), noise)[400:]
    assert not is_white(passed)
    assert not is_white(words * np.exp(-np.arange(len(words)) / (0.05 * RATE_HZ)))
