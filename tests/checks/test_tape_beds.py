"""Recordings that bring a bed of noise of their own over the hiss of the tape."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.model import Finding, Verdict

RATE = 48_000
Gains = NDArray[np.float64]


def _db(level: float) -> float:
    return float(10 ** (level / 20))


def _bed(t: Gains, first_s: float, last_s: float) -> Gains:
    """A gain that is up between two times, with fades of 50 ms."""
    return np.clip(np.minimum(t - first_s, last_s - t) / 0.05, 0.0, 1.0)


def _notes(t: Gains, at_s: list[float], hz: float) -> Gains:
    """Notes of a sine that die down by 9 dB in a tenth of a second; from memory, a plucked bass."""
    out = np.zeros(len(t))
    for start in at_s:
        on = np.clip(t - start, 0.0, None)
        out += 0.2 * np.minimum(on / 0.01, 1.0) * np.exp(-10.0 * on) * np.sin(2 * np.pi * hz * on)
    return out


def _told(x: Gains) -> list[Finding]:
    words = (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)
    return [f for f in taped(words, RATE).findings if f.kind != "not-judged"]


def _tape(tracks: int, *, bed_dbfs: float = -46.0, seed: int = 5) -> Gains:
    """Hiss of -68; notes over nothing else; a piece with a bed, to 12 s; 2 s of run-out."""
    rng = np.random.default_rng(seed)
    t = np.arange(14 * RATE) / RATE
    x = rng.standard_normal((tracks, len(t))) * _db(-68.0)
    for k, row in enumerate(x):
        row += rng.standard_normal(len(t)) * _db(bed_dbfs - 3 * k) * _bed(t, 7.0, 12.0)
        row += _notes(t, [1.5, 2.7, 3.9, 5.1], 220.0 + 30 * k)
        row += _notes(t, [7.5, 8.4, 9.3, 10.2, 11.4, 11.7], 440.0 + 30 * k) * _bed(t, 7.0, 12.0)
    return x


@pytest.mark.parametrize("tracks", [1, 2, 3])
@pytest.mark.parametrize("bed_dbfs", [-46.0, -56.0])
def test_hiss_that_notes_are_played_over_is_no_machine_that_stands(
    tracks: int, bed_dbfs: float
) -> None:
    assert _told(_tape(tracks, bed_dbfs=bed_dbfs)) == []


def test_a_loss_in_the_hiss_behind_a_bed_is_told() -> None:
    x = _tape(2)
    x[:, 13 * RATE : 13 * RATE + RATE // 40] *= _db(-12.0)
    (found,) = _told(x)
    assert (found.kind, found.tracks) in (("level-dip", (0, 1)), ("contact-loss", (0, 1)))


@pytest.mark.parametrize("tracks", [1, 2, 3])
def test_under_the_hiss_that_is_played_over_a_machine_still_stands(tracks: int) -> None:
    """Its own noise, 12 dB under the hiss, before the tape starts and behind its end."""
    rng = np.random.default_rng(8)
    x = np.pad(_tape(tracks), ((0, 0), (2 * RATE, 2 * RATE)))
    x += rng.standard_normal(x.shape) * _db(-80.0)
    assert [(f.kind, f.verdict, f.start_frame == 0) for f in _told(x)] == [
        ("no-tape", Verdict.CLEAR, True),
        ("no-tape", Verdict.CLEAR, False),
    ]


def test_a_machine_that_stops_under_notes_without_hiss_between_is_still_told() -> None:
    """Music breaks off; what is left is the machine's noise, over which nothing is played."""
    x = _tape(2)
    rng = np.random.default_rng(8)
    x[:, round(11.5 * RATE) :] = 0.0
    x = np.pad(x, ((0, 0), (2 * RATE, 0)))
    x += rng.standard_normal(x.shape) * _db(-80.0)
    kinds = [f.kind for f in _told(x)]
    assert kinds == ["no-tape", "no-tape", "cut-end"]
