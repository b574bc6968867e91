"""Noise put in that is hardly louder than what it stands among: the tracks agree on its ends."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from stepping import steps

RATE_HZ = 96_000
AT = 60_000
FRAMES = 256
HISS = 2000.0


def put_in(seed: int, *loud: float, one: bool = False) -> NDArray[np.int32]:
    """Hiss of several tracks, each of its own colour, into which noise of so many times was put.

    Or one noise for all, as where a click is on all inputs.
    """
    rng = np.random.default_rng([seed, 5])
    rows = []
    for k, times in enumerate(loud):
        white = HISS * rng.standard_normal(2 * AT)
        x = white + (0.2 + 0.2 * k) * np.roll(white, 1)
        noise = np.random.default_rng(9) if one else rng
        rows.append(np.insert(x, AT, times * HISS * noise.standard_normal(FRAMES)))
    return np.rint(rows).astype(np.int32) << 8


@pytest.mark.parametrize(
    ("seed", "loud"), [(0, (4.0, 3.0, 1.0)), (5, (4.0, 3.0, 1.0)), (11, (3.5, 3.0, 3.0))]
)
def test_noise_put_in_is_told_where_two_tracks_agree_on_both_its_ends(
    seed: int, loud: tuple[float, ...]
) -> None:
    (found,) = steps(put_in(seed, *loud), RATE_HZ)
    assert {0, 1} <= {*found.tracks}
    assert found.start_frame == pytest.approx(AT, abs=4)
    assert found.frames == pytest.approx(FRAMES, abs=8)


@pytest.mark.parametrize("seed", [2, 4, 5, 9])
def test_one_noise_on_several_inputs_has_its_ends_on_all_and_proves_nothing(seed: int) -> None:
    loud = (4.0, 3.0, 1.0) if seed != 2 else (3.5, 3.0, 3.0)
    assert steps(put_in(seed, *loud, one=True), RATE_HZ) == []
