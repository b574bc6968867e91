"""A machine that starts and stops slowly: the treble comes last, and is no hiss of the tape."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal
from taping import taped

from checks.dropouts._tape._floors import PARTS, LevelHistory
from checks.dropouts._tape._motion import _sinks, course
from checks.model import Verdict

RATE_HZ = 96_000
STARTS_S, STOPS_S, SECONDS = 1.5, 14.0, 17.0


def reel(tracks: int, seed: int) -> NDArray[np.float64]:
    """Notes with rests over hiss that rises with the speed of the tape, its treble the last."""
    rng, frames = np.random.default_rng(seed), int(SECONDS * RATE_HZ)
    t = np.arange(frames) / RATE_HZ
    speed = np.clip(np.minimum((t - STARTS_S) / 0.8, (STOPS_S + 0.8 - t) / 0.8), 0, 1)
    out = np.zeros((tracks, frames))
    for k, row in enumerate(out):
        hiss = rng.standard_normal(frames)
        for corner_hz in (4_000, 9_000, 14_000, 20_000, 28_000):
            # a band is heard once the tape is fast enough for it
            sos = signal.butter(2, corner_hz, output="sos", fs=RATE_HZ)
            low = signal.sosfilt(sos, hiss)
            hiss = low + (hiss - low) * np.clip(speed * 32_000 / corner_hz - 0.9, 0, 1)
        row += 10 ** (-57 / 20) * hiss * np.clip(3 * speed, 0, 1)
        for begin in np.arange(3.2, STOPS_S - 1.5, 1.1) + 0.2 * k:
            note = np.clip(1 - (t - begin) / 0.6, 0, 1) ** 2 * (t >= begin)
            row += 0.2 * note * np.sin(2 * np.pi * rng.uniform(200, 900) * t)
        row += 10 ** (-68 / 20) * rng.standard_normal(frames)
    return out


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(("tracks", "lost_s"), [(2, 8.0), (4, 11.8), (4, 12.6)])
def test_a_signal_that_is_lost_is_told_though_the_treble_came_slowly_and_went(
    tracks: int, lost_s: float, seed: int
) -> None:
    x = reel(tracks, seed)
    start = int(lost_s * RATE_HZ)
    rng = np.random.default_rng(seed + 9)
    x[0, start:] = 10 ** (-68 / 20) * rng.standard_normal(x.shape[1] - start)
    told = [
        f
        for f in taped(np.rint(x * 2**23).astype(np.int32) << 8, RATE_HZ).findings
        if f.verdict is not Verdict.CLEAR
    ]
    assert [(f.kind, f.tracks) for f in told] == [("signal-lost", (0,))]
    assert abs((told[0].start_frame or 0) - start) < RATE_HZ


@pytest.mark.parametrize("seed", [1, 2])
def test_such_a_reel_by_itself_has_no_fault(seed: int) -> None:
    told = taped(np.rint(reel(4, seed) * 2**23).astype(np.int32) << 8, RATE_HZ).findings
    assert {f.kind for f in told if f.verdict is not Verdict.CLEAR} == set()


def test_only_hiss_sinks() -> None:
    """Not programme (NaN) that stops just before, nor noise as it moves by itself."""
    level = np.array([np.nan, np.nan, -50, -50.2, -49.9, -50.1, -50.7, -51.5, -53], np.float32)
    assert _sinks(level).tolist() == [False] * 6 + [True] * 3


def test_what_hisses_while_the_speed_comes_is_not_the_hiss_of_a_track_that_hardly_rests() -> None:
    """Over the last part of the way to its speed a tape hisses 1 to 3 dB less, and nearly even."""
    comes = -65.0 + np.array([-9, -6, -4.4, -3.3, -2.9, -2.5, -2.1, -1.8])
    rests = np.concatenate((np.full(20, -77.0), comes, np.full(60, -65.0)))
    plays = rests.copy()
    plays[34:] = -20.0
    levels = np.stack([np.tile(row, (9, 1)) for row in (rests, rests, plays)], axis=1)
    history = LevelHistory(9, 3)
    history.append(np.repeat(10 ** (levels / 10), PARTS, axis=2).astype(np.float32))
    way = course(history, [0, 1, 2], 0.093)
    assert way.hiss_db == pytest.approx([-65.0] * 3, abs=0.1)
    assert way.running.tolist() == [False] * 28 + [True] * 60


@pytest.mark.parametrize("long_s", [0.38, 0.4, 0.6])
def test_a_machine_that_stands_for_a_moment_before_the_tape_is_noted(long_s: float) -> None:
    """Of entries of 93 ms, four lie within 0.4 s: the fifth is that in which the tape starts."""
    rate_hz, rng = 44_100, np.random.default_rng(5)
    t = np.arange(7 * rate_hz) / rate_hz
    x = rng.standard_normal((2, len(t))) * 10 ** (-62 / 20) * (t > long_s)
    x += 0.05 * np.sin(2 * np.pi * 440 * t) * (t > 1.5) * (np.sin(2 * np.pi * 0.9 * t) > 0)
    x += rng.standard_normal(x.shape) * 10 ** (-74 / 20)
    found = taped(np.rint(x * 2**23).astype(np.int32) << 8, rate_hz).findings
    (note,) = [f for f in found if f.kind == "no-tape"]
    assert (note.start_frame, note.verdict) == (0, Verdict.CLEAR)
    assert (note.frames or 0) / rate_hz == pytest.approx(long_s, abs=0.1)


@pytest.mark.parametrize("lift_s", [1.6, 1.9, 4.3, 4.6, 7.3, 7.6, 10.1, 10.4])
def test_lifts_are_told_close_to_where_the_tape_starts_or_stops(lift_s: float) -> None:
    """0.3 and 0.6 s behind a start, before leader, behind it and before the stop."""
    rate_hz, tracks = 48_000, 2
    rng, t = np.random.default_rng(6), np.arange(12 * 48_000) / 48_000
    runs = ((t > 1.3) & (t < 5.0)) | ((t > 7.0) & (t < 10.8))
    tape = rng.standard_normal((tracks, len(t))) * 10 ** (-60 / 20)
    tape += 0.05 * np.sin(2 * np.pi * 440 * t) * (np.sin(2 * np.pi * 0.9 * t) > 0)
    tape[1] *= (t < lift_s) | (t > lift_s + 0.06)  # far off: nothing is left of all that is heard
    x = tape * runs + rng.standard_normal(tape.shape) * 10 ** (-74 / 20)
    found = taped(np.rint(x * 2**23).astype(np.int32) << 8, rate_hz).findings
    kinds = {"contact-loss", "level-dip"}
    (told,) = [f for f in found if f.kind in kinds]
    assert told.tracks == (1,)
    assert (told.start_frame or 0) / rate_hz == pytest.approx(lift_s, abs=0.003)
    assert (told.frames or 0) / rate_hz == pytest.approx(0.06, abs=0.006)
