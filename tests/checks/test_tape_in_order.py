"""What looks like signals lost and is in order: modulation noise, a generator, a click in leader.

Modulation noise of tape lies 45 to 60 dB under the sound that makes it (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.dropouts._tape._drops import Drop
from checks.dropouts._tape._floors import PARTS, LevelHistory
from checks.dropouts._tape._lasting import _began_so
from checks.model import Finding, Verdict

RATE = 48_000
SECONDS = 12.0
T = np.arange(int(SECONDS * RATE)) / RATE
Floats = NDArray[np.float64]


def _noise(level_db: float, seed: int) -> Floats:
    rng = np.random.default_rng([17, seed])
    return np.asarray(rng.standard_normal(len(T)) * 10 ** (level_db / 20))


def _between(*spans: tuple[float, float]) -> Floats:
    """1 between these times, 0 elsewhere, over 2 ms."""
    return np.asarray(sum(np.clip(np.minimum(T - a, b - T) / 0.002, 0, 1) for a, b in spans))


def _asked(*rows: Floats) -> list[Finding]:
    words = (np.rint(np.stack(rows) * 2**23).astype(np.int64) << 8).astype(np.int32)
    return [f for f in taped(words, RATE).findings if f.verdict is not Verdict.CLEAR]


@pytest.mark.parametrize(("left_db", "so"), [(-75.0, True), (-80.0, False)])
def test_noise_that_came_with_the_music_is_no_hiss_to_fall_from(left_db: float, so: bool) -> None:
    """Hiss of -75 is heard before the first note, noise of -56 under it: modulation noise."""
    rng = np.random.default_rng(2)
    levels = np.repeat([-75.0, -56.0, left_db], [3, 9, 10]) + rng.normal(0, 0.5, (9, 1, 22))
    history = LevelHistory(9, 1)
    history.append(np.repeat(10 ** (levels / 10), PARTS, axis=2).astype(np.float32))
    before, fall = np.full(9, -56.0, np.float32), np.full(9, -56.0 - left_db, np.float32)
    drop = Drop(at=3, gap=0, before=before, fall=fall, rested=False)
    assert _began_so(history, 0, np.arange(12), drop) is so


STARTS_S, LEADER_S = 2.0, (6.5, 8.2)


def _reel(tracks: int) -> list[Floats]:
    """Notes of each track over hiss, from the standing machine on, with leader between."""
    on = np.clip((T - STARTS_S) / 0.3, 0, 1) * (1 - _between(LEADER_S))
    rows = []
    for k in range(tracks):
        starts = np.array([2.6, 3.7, 4.4, 10.1, 10.9]) + 0.05 * k
        dies = [(s <= T) * np.exp(-np.clip(T - s, 0, None) / 0.1) for s in starts]
        notes = sum(dies) * np.sin(2 * np.pi * (300 + 70 * k) * T)
        rows.append(on * (0.1 * notes + _noise(-62.0, 20 + k)) + _noise(-74.0, 30 + k))
    return rows


def test_a_generator_that_is_heard_in_leader_does_not_say_that_tape_runs() -> None:
    rows = _reel(8)
    rows[7] += _between((7.3, 11.3)) * 0.126 * np.sin(2 * np.pi * 1200 * T)
    assert _asked(*rows) == []


@pytest.mark.parametrize("tracks", [1, 2])
def test_a_click_does_not_say_that_tape_runs(tracks: int) -> None:
    rows = _reel(tracks)
    for at in (1.6, 7.2):
        for row in rows:
            row[round(at * RATE)] += 0.3
    assert _asked(*rows) == []
