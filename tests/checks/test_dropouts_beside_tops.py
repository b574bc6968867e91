"""A cut is told though one of the tracks, or the only one, has flat tops there."""

from __future__ import annotations

import damage
import numpy as np
import pytest
from numpy.typing import NDArray
from stepping import steps as steps_alone
from synth import programme

from checks.model import Verdict

RATE = 96_000
LOST = 48


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


def near_tops(x: NDArray[np.int32], seed: int) -> int:
    """A frame at which half a millisecond is lost with a leap, some way from any top."""
    at_top = np.abs(x) == np.abs(x).max()
    apart = np.convolve(at_top, np.ones(33), "same") < 0.5
    near = np.convolve(at_top, np.ones(301), "same") > 0.5
    leap = np.abs(x[LOST + 1 :].astype(np.int64) - x[: -LOST - 1])
    places = np.flatnonzero((apart & near)[1 : len(leap) + 1] & (leap > np.abs(x).max() / 2)) + 2
    return int(np.random.default_rng(seed).choice(places[places > RATE]))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_leap_between_the_tops_of_the_only_track_is_no_corner_of_them(seed: int) -> None:
    x = one_clipped(1)[:1]
    assert steps_alone(x, RATE) == []
    at = near_tops(x[0], seed)
    (found,) = steps_alone(damage.lose(x, at=at, frames=LOST).samples, RATE)
    assert found.start_frame == pytest.approx(at, abs=1)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_one_source_on_two_tracks_is_cut_between_the_tops_of_one(seed: int) -> None:
    x = one_clipped(1)
    hiss = np.random.default_rng(seed).standard_normal(x.shape[1]) * 2**31 * 10 ** (-50 / 20)
    quiet = np.random.default_rng(9).standard_normal(x.shape[1]) * 2**31 * 10 ** (-90 / 20)
    whole = programme("bowed", rate_hz=RATE, tracks=2, seconds=3.0, seed=1, hiss_dbfs=-70.0)[0]
    x[1] = whole // 4 + quiet.astype(np.int64)
    x[0] = np.clip(whole + hiss.astype(np.int64), -np.abs(x[0]).max(), np.abs(x[0]).max())
    assert steps_alone(x, RATE) == []
    at = near_tops(x[0], seed)
    found = steps_alone(damage.lose(x, at=at, frames=LOST).samples, RATE)
    assert [f.start_frame for f in found] == [pytest.approx(at, abs=1)]
