"""Short pieces from elsewhere in low notes, put in or written over on one track, over hiss."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from stepping import steps

from checks.model import Verdict


def piece(
    rate_hz: int, tracks: int, partials: int, frames: int, over: bool, seed: int
) -> tuple[NDArray[np.int32], int]:
    """Low notes that die away, with a piece of the first from elsewhere, and where that is."""
    rng = np.random.default_rng([seed, rate_hz, tracks, partials, frames, over])
    t = np.arange(int(2.4 * rate_hz)) / rate_hz
    at = int(1.2 * rate_hz) + int(rng.integers(0, 2000))
    x = np.zeros((tracks, len(t)))
    for row in x:
        hz = rng.uniform(55, 130)
        for k in range(1, partials + 1):
            dies = np.exp(-t * (0.2 + 0.3 * k))
            row += 0.25 / k * dies * np.sin(2 * np.pi * hz * k * t + rng.uniform(0, 6))
    x += 10 ** (-65 / 20) / 1.41 * rng.standard_normal(x.shape)
    words = np.rint(x * 2**23).astype(np.int64)
    first = int(rng.integers(int(0.2 * rate_hz), rate_hz))
    some, stop = words[0, first : first + frames], at + frames if over else at
    words[0] = np.concatenate((words[0, :at], some, words[0, stop:]))[: len(t)]
    return (words << 8).astype(np.int32), at


@pytest.mark.parametrize(
    ("rate_hz", "tracks", "partials", "frames", "over", "seed"),
    [
        (192_000, 3, 10, 10, True, 0),  # of own reckoning 1,523 standard deviations
        (192_000, 3, 4, 24, True, 1),  # 1,208
        (48_000, 1, 4, 10, False, 0),  # 600
        (48_000, 3, 1, 24, False, 0),  # 834
        (192_000, 3, 2, 50, False, 1),  # 958
    ],
)
def test_a_block_that_stands_off_is_no_top_that_is_cut_off(
    rate_hz: int, tracks: int, partials: int, frames: int, over: bool, seed: int
) -> None:
    """Its samples are the highest of all around, and side by side; but it is entered by a leap."""
    x, at = piece(rate_hz, tracks, partials, frames, over, seed)
    found = steps(x, rate_hz)
    assert {f.tracks for f in found} == {(0,)}
    assert all(f.verdict is not Verdict.CLEAR for f in found)
    assert all(abs((f.start_frame or 0) - at) <= frames + 2 for f in found)
