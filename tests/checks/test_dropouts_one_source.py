"""A sound that leaks into other tracks is one witness, however many tracks jump with it."""

from __future__ import annotations

import numpy as np
import pytest
import stepping
from bench_detection import textbook
from bench_detection.edges import Asked
from numpy.typing import NDArray

from checks.dropouts._steps._one_source import one_source
from checks.model import Verdict

Floats = NDArray[np.float64]
RATE_HZ = 48_000
FULL = 2.0**23
AT = 1024


def hiss(seed: int, frames: int, rms: float = 20.0) -> Floats:
    return np.asarray(rms * np.random.default_rng([23, seed]).standard_normal(frames))


def hum_of(seed: int, frames: int) -> Floats:
    """What a track plays already, in steps of 24 bit."""
    t = np.arange(frames) / RATE_HZ
    partials = [np.sin(2 * np.pi * (180 + 31 * seed) * k * t + k * seed) / k for k in range(1, 5)]
    return 4e4 * np.sum(partials, axis=0)


def strike(frames: int, at: int, pitch_hz: float = 700.0, height: float = 0.3) -> Floats:
    """A note that a machine begins within one sample, and that dies away."""
    t = np.arange(frames - at) / RATE_HZ
    note = np.cos(2 * np.pi * pitch_hz * t) + 0.5 * np.sin(2 * np.pi * 3 * pitch_hz * t)
    return np.concatenate([np.zeros(at), FULL * height * note * np.exp(-6 * t)])


def tracks(levels: list[float], frames: int = 2 * AT) -> list[Floats]:
    """Tracks that all play on, on which one source stands at these levels."""
    return [
        hum_of(k, frames) + hiss(k, frames) + level * strike(frames, AT)
        for k, level in enumerate(levels)
    ]


@pytest.mark.parametrize(
    "levels", [[1.0, 0.1, 0.1], [1.0, 0.9, 1.0], [0.003, 1.0, 0.001], [1.0, 0.0]]
)
def test_what_leaks_is_one_source(levels: list[float]) -> None:
    assert one_source(tracks(levels), AT)


@pytest.mark.parametrize("seed", [31, 64, 133])
def test_noise_that_leaks_at_a_thousand_times_the_hiss_is(seed: int) -> None:
    """Of so high a source more is left than of the hiss: filters and levels are not exact."""
    rng = np.random.default_rng(seed)
    rows = 300 * rng.standard_normal((6, 2 * AT))
    burst = np.concatenate([np.zeros(AT), rng.standard_normal(AT)])
    burst = 2**17 * np.convolve(burst, [1.0, 0.8, 0.6, 0.3])[: 2 * AT]
    rows = np.rint(rows) + rng.uniform(0.05, 1.0, (6, 1)) * burst
    assert one_source(list(np.rint(rows)), AT)


def test_what_comes_in_opposite_polarity_is_not() -> None:
    assert not one_source(tracks([1.0, -0.5]), AT)


def test_two_notes_that_begin_together_are_not() -> None:
    rows = tracks([1.0, 0.0, 0.1])
    rows[1] += 0.02 * strike(2 * AT, AT, pitch_hz=1130.0)
    assert not one_source(rows, AT)


@pytest.mark.parametrize("lost", [8, 700])
def test_tracks_that_are_cut_are_not(lost: int) -> None:
    rows = [np.delete(x, slice(AT, AT + lost)) for x in tracks([0.0, 0.0, 0.0], 4 * AT)]
    assert not one_source([x * 10 for x in rows], AT)


def test_a_prediction_that_runs_away_tells_nothing() -> None:
    rows = [hiss(k, 2 * AT) + np.exp(0.02 * np.arange(2 * AT)) for k in range(2)]
    assert one_source(rows, AT) in (True, False)  # and raises nothing


def played(*, leak: float) -> NDArray[np.int32]:
    """Four tracks, on the last of which three notes begin within one sample."""
    frames = 4 * RATE_HZ
    notes = sum(
        strike(frames, int(s * RATE_HZ), hz) for s, hz in [(0.9, 700.0), (2.0, 503.0), (3.3, 911.0)]
    )
    rows = [
        hum_of(k, frames) + hiss(k, frames) + (1.0 if k == 3 else leak) * notes for k in range(4)
    ]
    return (np.rint(np.array(rows)).astype(np.int64) << 8).astype(np.int32)


@pytest.mark.parametrize("leak", [0.1, 0.01])
def test_notes_that_leak_into_all_tracks_are_not_told(leak: float) -> None:
    assert stepping.steps(played(leak=leak), RATE_HZ) == []


def test_but_what_all_tracks_lose_beside_them_is() -> None:
    x = np.delete(played(leak=0.1), slice(130_000, 130_500), axis=1)
    (finding,) = stepping.steps(x, RATE_HZ)
    assert finding.start_frame == 130_000
    assert len(finding.tracks) > 1


def strings(seed: int, rate_hz: int) -> Floats:
    """Notes of a string that goes round, each begun within one sample, while others still ring.

    Karplus & Strong, "Digital synthesis of plucked-string and drum timbres", 1983 (from memory).
    """
    rng = np.random.default_rng([61, seed])
    out, at = np.zeros(8 * rate_hz), 0.3 * rate_hz
    while at < 6.5 * rate_hz:
        burst = rng.uniform(-1, 1, int(rate_hz / rng.uniform(100, 500)))
        rounds = []
        for _ in range(int(1.2 * rate_hz) // len(burst)):
            rounds.append(burst)
            burst = 0.498 * (burst + np.roll(burst, 1))
        note = np.concatenate(rounds)[: len(out) - int(at)] * rng.uniform(0.1, 0.3)
        out[int(at) : int(at) + len(note)] += note
        at += rate_hz * rng.uniform(0.3, 0.7)
    return out


@pytest.mark.parametrize(("rate_hz", "seed"), [(96_000, 3), (96_000, 6), (192_000, 0)])
def test_one_player_heard_on_all_tracks_loses_nothing_and_changes_no_places(
    rate_hz: int, seed: int
) -> None:
    played = strings(seed, rate_hz)
    own = 1e-4 * np.random.default_rng(seed).standard_normal((4, len(played)))
    x = 0.5 * np.outer([0.3, 0.6, 0.8, 1.0], played) + own
    words = np.rint(x * FULL).astype(np.int64) << 8
    assert stepping.steps(words.astype(np.int32), rate_hz) == []


@pytest.mark.parametrize("seed", [5, 10, 11])
def test_a_quiet_track_that_seems_cut_off_hides_nothing_of_the_others(seed: int) -> None:
    rate_hz, frames = 96_000, 288_000
    x = np.array([20 * hum_of(k, frames) + hiss(k, frames) for k in range(4)])
    x[1, :rate_hz] *= 1e-3
    x[1, :rate_hz] += hiss(9, rate_hz)
    at, source = rate_hz // 2 + 37 * seed, 2 * rate_hz + 1001 * seed
    x = np.concatenate([x[:, :at], x[:, source : source + 58], x[:, at:]], axis=1)
    (finding,) = stepping.steps((np.rint(x).astype(np.int64) << 8).astype(np.int32), rate_hz)
    assert finding.verdict is Verdict.REDO
    assert finding.start_frame == pytest.approx(at, abs=2)


@pytest.mark.parametrize(("rate_hz", "seed"), [(96_000, 13), (96_000, 29), (352_800, 32)])
def test_one_note_in_a_mix_of_several_players_loses_nothing(rate_hz: int, seed: int) -> None:
    rng = np.random.default_rng([62, seed])
    players = np.zeros((3, 3 * rate_hz))
    for row in players:
        play = textbook.PLAYERS[rng.integers(len(textbook.PLAYERS))]
        for at_s in np.sort(rng.uniform(0.05, 2.5, 6)):
            sound, at = rng.uniform(0.1, 0.5) * play(rng, rate_hz), int(at_s * rate_hz)
            row[at : at + len(sound)] += sound[: len(row) - at]
    x = rng.uniform(0.1, 1, (4, 3)) @ players
    x = x * 0.5 / np.abs(x).max() + 3e-4 * rng.standard_normal(x.shape)
    told = stepping.steps((np.rint(x * FULL).astype(np.int64) << 8).astype(np.int32), rate_hz)
    assert Verdict.REDO not in {finding.verdict for finding in told}


@pytest.mark.parametrize(
    ("asked", "leak_db", "hiss_dbfs", "at"),
    [
        (Asked(rate_hz=96_000, tracks=1, seconds=20.0, seed=403_004), -35, -72, 1_511_086),
        (Asked(rate_hz=192_000, tracks=4, seconds=10.0, seed=403_006), -20, -55, 200_178),
    ],
)
def test_a_weak_note_on_one_track_that_a_gap_fits_by_chance_only_asks_to_listen(
    asked: Asked, leak_db: int, hiss_dbfs: int, at: int
) -> None:
    x = textbook.played(asked, leak_db, hiss_dbfs)
    x = np.ascontiguousarray(x[:, at - asked.rate_hz // 2 : at + asked.rate_hz // 3])
    assert Verdict.REDO not in {finding.verdict for finding in stepping.steps(x, asked.rate_hz)}
