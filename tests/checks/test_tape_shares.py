"""Any share of the tracks lost for good, on a tape that starts late and stops before the end."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.dropouts._tape._dead import joined
from checks.dropouts._tape._findings import made
from checks.dropouts._tape._stretches import most_lie_under, parted
from checks.model import Finding, Remedy, Verdict

RATE = 32_000
AT_S = 4.0
T = np.arange(round(8.5 * RATE)) / RATE
RUNS = np.clip((T - 0.8) / 0.05, 0, 1) * np.clip((7.8 - T) / 0.05, 0, 1)


def _played(tracks: int, *, rests: bool, seed: int) -> NDArray[np.float64]:
    """Noise of players that swells, with two rests on each track or without any."""
    rng = np.random.default_rng(seed)
    x = rng.standard_normal((tracks, len(T)))
    x *= 0.05 * 10 ** (0.4 * np.sin(2 * np.pi * (T / 1.7 + rng.random((tracks, 1)))))
    x *= np.clip((T - (1.6 if rests else 1.0)) / 0.02, 0, 1) * np.clip((7.3 - T) / 0.05, 0, 1)
    if rests:
        at = rng.uniform(1.0, 2.0, (tracks, 1))
        x *= np.clip(np.abs(np.abs(T - AT_S) - at) / 0.05 - 5.0, 0, 1)
    return x


def _lost(x: NDArray[np.float64], tracks: list[int], amplifier_db: float) -> list[Finding]:
    rng = np.random.default_rng(9)
    tape = x + RUNS * rng.standard_normal(x.shape) * 10 ** (-62 / 20)
    tape[tracks] *= T < AT_S
    tape += rng.standard_normal(x.shape) * 10 ** (amplifier_db / 20)
    words = (np.rint(tape * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64) << 8).astype(np.int32)
    return [f for f in taped(words, RATE).findings if f.verdict is not Verdict.CLEAR]


@pytest.mark.parametrize(
    ("lost", "tracks"),
    [(1, 2), (1, 3), (2, 3), (3, 4), (3, 5), (4, 6), (5, 7), (7, 8), (6, 9), (7, 11), (15, 16)],
)
@pytest.mark.parametrize("amplifier_db", [-72.0, -110.0])
def test_any_share_of_the_tracks_is_told(lost: int, tracks: int, amplifier_db: float) -> None:
    x = _played(tracks, rests=True, seed=tracks)
    gone = sorted(np.random.default_rng(lost).permutation(tracks)[:lost].tolist())
    (found,) = _lost(x, gone, amplifier_db)
    assert (found.kind, found.verdict, found.tracks) == ("signal-lost", Verdict.REDO, tuple(gone))
    assert (found.start_frame or 0) / RATE == pytest.approx(AT_S, abs=0.2)


def test_tracks_that_never_rest_go_down_to_what_the_standing_machine_tells() -> None:
    """No steady noise is heard of them, but when the tape starts; of the others it is, in rests."""
    x = np.concatenate((_played(3, rests=True, seed=4), _played(3, rests=False, seed=5)))
    x[3:] *= 0.1 * 10 ** np.sin(2 * np.pi * 3.1 * T + np.arange(3)[:, None])
    (found,) = [f for f in _lost(x, [0, 3, 4], -74.0) if f.kind == "signal-lost"]
    assert (found.kind, found.verdict, found.tracks) == ("signal-lost", Verdict.REDO, (0, 3, 4))


def test_a_stretch_is_parted_where_the_last_track_goes() -> None:
    bare = np.zeros((2, 60), np.bool_)
    bare[0, 10:] = bare[1, 45] = bare[1, 47:] = True
    bare[1, 22] = True  # a click
    assert parted([(10, 60)], bare, bare, 11) == [(10, 45), (45, 60)]
    assert parted([(40, 60)], bare, bare, 11) == [(40, 60)]  # in a second: a machine that stops


def test_where_the_hiss_of_all_is_down_a_rest_is_no_end_of_the_tape() -> None:
    below, bare = np.ones((2, 60), np.bool_), np.zeros((2, 60), np.bool_)
    bare[:, 20:30] = True
    assert parted([(0, 60)], below, bare, 11) == [(0, 60)]
    bare[:, 50:] = True
    assert parted([(0, 60)], below, bare, 11) == [(0, 50), (50, 60)]


def test_tracks_that_were_lost_before_do_not_slow_a_machine_down() -> None:
    near = np.zeros((3, 40), np.bool_)
    near[:2, 5:] = near[2, 37:] = True
    assert np.flatnonzero(most_lie_under(near, near, 11)).tolist() == [*range(5, 16), 37, 38, 39]


def test_what_goes_together_is_told_once() -> None:
    def lost(tracks: tuple[int, ...], start: int, verdict: Verdict = Verdict.REDO) -> Finding:
        return made("signal-lost", verdict, Remedy.REPLAY, tracks, start, 1_000, "gone", {})

    told = joined([lost((1,), 100)], [lost((0, 2), 150)], 60)
    assert [f.tracks for f in told] == [(0, 1, 2)]
    assert len(joined([lost((1,), 100)], [lost((0, 2), 150, Verdict.LISTEN)], 60)) == 2
    assert len(joined([lost((1,), 100)], [lost((0, 2), 200)], 60)) == 2
    assert joined([lost((2,), 200)], [lost((0, 2), 150)], 10) == [lost((0, 2), 150)]
