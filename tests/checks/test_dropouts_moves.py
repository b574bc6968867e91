"""Tracks that change places: proven by the very sample, not by levels that change hands."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from checks.dropouts._steps import _moves


def coloured(rng: np.random.Generator, frames: int, pole: float) -> NDArray[np.float64]:
    """A tone in noise, in steps of a word."""
    out = np.zeros(frames)
    noise = rng.standard_normal(frames) * 20
    for k in range(1, frames):
        out[k] = pole * out[k - 1] + noise[k]
    turns = rng.uniform(0.01, 0.03) * np.arange(frames) + rng.random()
    out += 40_000 * np.sin(2 * np.pi * turns)
    return out


def as_measured(
    monkeypatch: pytest.MonkeyPatch, left: NDArray[np.float64], floors: Sequence[float] = ()
) -> None:
    """What each track's past leaves of what follows on each; tracks hold their own number."""
    known = [(np.zeros(1), floor) for floor in floors or [1.0] * len(left)]
    monkeypatch.setattr(_moves, "each_known", lambda *_: known)
    monkeypatch.setattr(_moves, "each_goes_on", lambda past, *_: left[int(past[0])])


def exchanged(a: NDArray[np.float64], b: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    return [np.concatenate((a[:1000], b[1000:])), np.concatenate((b[:1000], a[1000:]))]


def test_programme_that_changes_places_is_proven_by_its_very_sample() -> None:
    rng = np.random.default_rng(5)
    tracks = exchanged(coloured(rng, 2000, 0.9), coloured(rng, 2000, 0.7))
    moves = _moves.seen(tracks, 1000, set())
    assert moves is not None
    assert moves.goes == {1: 0, 0: 1}
    assert moves.sure
    assert moves.likely
    assert moves.breaks


def test_a_sound_that_begins_as_another_ends_is_no_exchange() -> None:
    # noise of one kind at two levels: it goes on from anything of its level, at any sample
    rng = np.random.default_rng(6)
    loud, quiet = rng.standard_normal((2, 2000)) * ((9000.0,), (30.0,))
    tracks = exchanged(loud, quiet)
    moves = _moves.seen(tracks, 1000, set())
    assert moves is not None
    assert moves.goes == {1: 0, 0: 1}
    assert not moves.sure
    assert not moves.breaks


@pytest.mark.parametrize(("floor", "exchanged"), [(0.7, False), (0.05, True)])
def test_an_exchange_is_told_by_both_tracks(
    monkeypatch: pytest.MonkeyPatch, floor: float, exchanged: bool
) -> None:
    # what each track's past leaves of what follows on either; as at a plucked string beside hiss,
    # where the second track goes on as it was, and as where its floor is far from that of the first
    left = np.array(((231.0, 0.64), (1.99, 0.57)))
    floors = (floor, 1.0)
    as_measured(monkeypatch, left, floors)
    tracks = [np.full(2000, float(k)) for k in range(2)]
    assert (_moves.swapped(tracks, 1000) is not None) == exchanged


def test_two_that_stay_beside_an_exchange_have_not_moved(monkeypatch: pytest.MonkeyPatch) -> None:
    # the last two are noise of one kind, and each goes on from the other a little better
    left = np.full((4, 4), 300.0)
    left[0, 1], left[1, 0] = 0.9, 1.0
    left[2:, 2:] = ((1.2, 0.9), (0.95, 1.1))
    as_measured(monkeypatch, left)
    tracks = [np.full(2000, float(k)) for k in range(4)]
    assert _moves.swapped(tracks, 1000) == {0: 1, 1: 0}


def test_a_rotation_of_which_some_tracks_hardly_tell_is_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    left = np.full((4, 4), 300.0)
    for k in range(4):
        left[k, (k + 1) % 4], left[k, k] = 1.0, 9.0
    left[3, 3] = left[2, 2] = 1.4  # faint tracks that would nearly go on by themselves
    as_measured(monkeypatch, left)
    tracks = [np.full(2000, float(k)) for k in range(4)]
    assert _moves.swapped(tracks, 1000) == {0: 1, 1: 2, 2: 3, 3: 0}


def test_a_track_with_a_loud_floor_may_have_moved_where_both_fail_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # drums and a piano exchanged, as measured: the drums' past leaves little of what is quieter
    left = np.array(((20927.0, 0.2), (1.0, 295.0)))
    as_measured(monkeypatch, left)
    tracks = [np.full(2000, float(k)) for k in range(2)]
    assert _moves.swapped(tracks, 1000) == {0: 1, 1: 0}


def test_a_quiet_track_that_goes_on_from_many_goes_on_from_the_one_that_is_free(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # the first two change places; what follows on the second fits the third's past a little better
    left = np.full((4, 4), 300.0)
    np.fill_diagonal(left, (170.0, 40.0, 1.1, 1.2))
    left[0, 1], left[1, 0], left[2, 1] = 0.9, 0.7, 0.8
    as_measured(monkeypatch, left)
    tracks = [np.full(2000, float(k)) for k in range(4)]
    assert _moves.swapped(tracks, 1000) == {0: 1, 1: 0}


@given(seed=st.integers(0, 2**32 - 1), count=st.integers(1, 24), whole=st.booleans())
def test_each_goes_to_one_at_the_least_cost(seed: int, count: int, whole: bool) -> None:
    # against scipy's solver of the assignment problem, a general-purpose reference
    rng = np.random.default_rng(seed)
    costs = rng.standard_normal((count, count)) * 10.0 ** rng.uniform(0, 5, (count, count))
    if whole:  # many alike
        costs = rng.integers(0, 4, (count, count)).astype(float)
    rows = _moves.assigned(costs)
    assert sorted(rows) == list(range(count))
    of, to = linear_sum_assignment(costs)
    assert costs[rows, np.arange(count)].sum() == pytest.approx(costs[of, to].sum(), rel=1e-9)


@pytest.mark.parametrize("cost", [np.inf, np.nan])
def test_costs_that_are_no_numbers_are_borne(cost: float) -> None:
    assert sorted(_moves.assigned(np.full((5, 5), cost))) == list(range(5))


@pytest.mark.parametrize("gone", [True, False])
def test_programme_that_stays_where_it_was_has_not_moved(gone: bool) -> None:
    """Sounds that begin on several tracks of one mix: each shares its source with another."""
    rng, t = np.random.default_rng(5), np.arange(4000)
    tones = [
        90_000 * np.sin(0.013 * k * t + k) + 60_000 * np.sin(0.037 * k * t) for k in range(1, 9)
    ]
    before, after = [0, 1, 2, 3, 4, 5], [7, 0, 1, 2, 3, 4] if gone else [0, 1, 2, 0, 1, 2]
    rows = [
        np.concatenate((tones[a][:2000], tones[b][2000:])) + 5.0 * rng.standard_normal(4000)
        for a, b in zip(before, after, strict=True)
    ]
    assert (_moves.swapped(rows, 2000) is not None) is gone


@pytest.mark.parametrize("late", [0, 7])
def test_the_edges_of_timecode_hide_no_exchange(late: int) -> None:
    at = np.arange(2 * 1024) - 1024
    rng = np.random.default_rng(4)
    a, b = (
        4e4 * sum(np.sin(0.0013 * hz * k * at + k) / k for k in range(1, 5))
        + 20 * rng.standard_normal(len(at))
        for hz in (18.0, 21.1)
    )
    code = 3e6 * np.sign(np.sin(np.pi * (at - late + 0.5) / 97)) + 20 * rng.standard_normal(len(at))
    tracks = [np.where(at < 0, a, b), np.where(at < 0, b, a), code]
    assert _moves.seen(tracks, 1024, set()) is None
    moves = _moves.seen(tracks, 1024, {2})
    assert moves is not None
    assert moves.goes == {0: 1, 1: 0}
    assert moves.sure
