"""A cut of all tracks is told though one of them stands in a flat top at that very sample."""

from __future__ import annotations

import damage
import numpy as np
import pytest
from numpy.typing import NDArray
from stepping import steps as steps_alone
from synth import programme

from checks.model import Verdict

RATE = 96_000


def one_clipped(seed: int) -> NDArray[np.int32]:
    """Two players, the first of them clipped by 6 dB before the converter."""
    x = programme("bowed", rate_hz=RATE, tracks=2, seconds=3.0, seed=seed, hiss_dbfs=-70.0)
    top = int(np.abs(x[0]).max() / 2)
    x[0] = np.clip(x[0], -top, top)
    return x


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_cut_within_a_top_of_one_track_is_told_on_both(seed: int) -> None:
    x = one_clipped(seed)
    assert steps_alone(x, RATE) == []
    inside = np.flatnonzero(x[0] == x[0].max())
    at = int(inside[inside > RATE][20])
    (found,) = steps_alone(damage.lose(x, at=at, frames=1500).samples, RATE)
    assert (found.tracks, found.verdict in (Verdict.LISTEN, Verdict.REDO)) == ((0, 1), True)
    assert found.start_frame == pytest.approx(at, abs=1)
