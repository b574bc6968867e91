"""What counts as the floor of a track, and where a fall of it begins, ends or is no fade-out."""

from __future__ import annotations

import numpy as np
import pytest
from damage_tape import clog, signal_lost
from numpy.typing import NDArray
from scipy import signal
from taping import taped

from checks.dropouts._tape._bands import HISS
from checks.dropouts._tape._breath import heard_as_hiss
from checks.model import Finding, Samples, Verdict

RATE = 44_100
LASTING = ("hf-loss", "signal-lost")


def _words(x: NDArray[np.float64]) -> Samples:
    return (np.rint(x * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64) << 8).astype(np.int32)


def _told(x: Samples, rate_hz: int = RATE) -> list[Finding]:
    return [f for f in taped(x, rate_hz).findings if f.kind in LASTING]


def _drone(
    tracks: int, seconds: float, *, rate_hz: int = RATE, hiss_dbfs: float = -62.0, seed: int = 0
) -> NDArray[np.float64]:
    """Chords of saws, that never rest, over hiss; each track has its own."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    out = rng.standard_normal((tracks, len(t))) * 10 ** (hiss_dbfs / 20)
    for row in out:
        for pitch in rng.uniform(100, 500, 3):
            swell = 1 + 0.5 * np.sin(2 * np.pi * rng.uniform(0.1, 0.4) * t + rng.uniform(0, 6))
            row += 0.06 * swell * ((pitch * t + rng.uniform()) % 1.0 - 0.5)
    return out


@pytest.mark.parametrize(
    ("at", "under", "heard"), [(4, 0, False), (5, 0, True), (5, 6, False), (8, 7, True)]
)
def test_a_floor_is_heard_for_a_while_and_has_less_under_it(
    at: int, under: int, heard: bool
) -> None:
    """Half a second of rests, and more of them than of anything quieter (own rule)."""
    levels = [-60.0] * at + [-70.0] * under + [-20.0] * 40
    low = np.tile(np.array(levels, np.float32), (HISS + 3, 1))
    level = np.full(HISS + 3, -60.0, np.float32)
    assert heard_as_hiss(low, level) is heard


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
@pytest.mark.parametrize("seed", [1, 2])
def test_treble_that_fell_under_programme_fell_then_and_not_at_the_next_rest(
    rate_hz: int, seed: int
) -> None:
    """Bright notes cover the clog but for gaps of a tenth of a second; at last comes a rest."""
    x = _drone(2, 14.0, rate_hz=rate_hz, seed=seed)
    t = np.arange(x.shape[1]) / rate_hz
    hiss = np.random.default_rng(9).standard_normal(x.shape) * 10 ** (-62 / 20)
    plays = (t > 1.2) & (t < 12.6) & ((t % 1.0) > 0.1)
    x = np.where(plays, x, hiss)
    at = round(4.5 * rate_hz)
    planted = clog(_words(x), rate_hz=rate_hz, at=at, ramp=1, distance_um=10.0, tracks=(0,))
    (found,) = _told(planted.samples, rate_hz)
    assert (found.kind, found.tracks) == ("hf-loss", (0,))
    assert abs((found.start_frame or 0) - at) < 1.2 * rate_hz


def test_a_clog_behind_the_last_loud_note_is_no_fade_out() -> None:
    """One track, hiss with a single stroke in it: a fader would take the hiss of 1.5 kHz, too."""
    rng = np.random.default_rng(5)
    x = rng.standard_normal((1, 8 * RATE)) * 10 ** (-50 / 20)
    ring = np.exp(-np.arange(RATE) / (0.08 * RATE)) * rng.standard_normal(RATE)
    x[0, 3 * RATE : 4 * RATE] += 0.5 * signal.lfilter(*signal.butter(1, 0.3), ring)
    at = round(3.6 * RATE)
    planted = clog(
        _words(x), rate_hz=RATE, at=at, ramp=1, distance_um=6.0, floor_dbfs=-62.0, seed=1
    )
    (found,) = _told(planted.samples)
    assert (found.kind, found.tracks) == ("hf-loss", (0,))


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
@pytest.mark.parametrize("tracks", [(1,), (0, 2)])
def test_programme_that_never_rests_and_is_cut_off_for_good_is_lost(
    rate_hz: int, tracks: tuple[int, ...]
) -> None:
    x = _words(_drone(3, 9.0, rate_hz=rate_hz, seed=3))
    at = 5 * rate_hz
    gone = signal_lost(x, rate_hz=rate_hz, at=at, tracks=tracks, floor_dbfs=-73.0).samples
    (found,) = _told(gone, rate_hz)
    assert (found.kind, found.tracks) == ("signal-lost", tracks)
    assert found.verdict is Verdict.LISTEN  # nothing tells whether that noise is the tape's
    assert abs((found.start_frame or 0) - at) <= 0.2 * rate_hz
    assert not _told(x, rate_hz)


def test_a_track_cut_off_down_to_less_than_another_hisses_is_to_be_played_again() -> None:
    x = _drone(3, 9.0, seed=3)
    x[0, 6 * RATE : 8 * RATE] = np.random.default_rng(2).standard_normal(2 * RATE) * 10 ** (-3.1)
    gone = signal_lost(_words(x), rate_hz=RATE, at=5 * RATE, tracks=(1,), floor_dbfs=-73.0)
    (found,) = _told(gone.samples)
    assert (found.kind, found.tracks, found.verdict) == ("signal-lost", (1,), Verdict.REDO)


def test_a_track_that_was_switched_off_when_it_was_recorded_hisses_on() -> None:
    """As much as another one does in its rest; so do sounds that always stop so."""
    x = _drone(3, 9.0, seed=3)
    hiss = np.random.default_rng(2).standard_normal(x.shape) * 10 ** (-62 / 20)
    x[0, 2 * RATE : 4 * RATE] = hiss[0, 2 * RATE : 4 * RATE]
    x[1, 5 * RATE :] = hiss[1, 5 * RATE :]
    assert not _told(_words(x))
    x = _drone(3, 9.0, seed=4)
    x[1, 5 * RATE :] = hiss[1, 5 * RATE :]
    for k in range(1, 5):
        x[1, k * RATE : k * RATE + RATE // 50] = hiss[1, : RATE // 50]
    assert not _told(_words(x))


@pytest.mark.parametrize("rate_hz", [88_200, 96_000])
def test_electronics_over_the_highest_hiss_do_not_hide_a_tape_that_stands(rate_hz: int) -> None:
    """Hiss falls from 20 kHz on, an amplifier's white noise lies 11 dB under it (common: 8 to 12).

    So at 36 kHz there is none; the machine stands for 2 s, and then a head clogs or is lost.
    """
    rng = np.random.default_rng(4)
    shape = (2, 12 * rate_hz)
    tape = signal.lfilter(
        *signal.butter(2, 22_000, fs=rate_hz), rng.standard_normal(shape) * 10 ** (-60 / 20)
    )
    t = np.arange(shape[1]) / rate_hz
    tape += 0.1 * np.sin(2 * np.pi * 500 * t) * np.clip(20 * (0.7 - np.abs(t % 2 - 1)), 0, 1)
    tape *= t > 2.0
    at = {"rate_hz": rate_hz, "at": 7 * rate_hz, "tracks": (1,)}
    amplifier = _words(rng.standard_normal(shape) * 10 ** (-71 / 20)).astype(np.int64)
    dull = clog(_words(tape), **at, ramp=1, distance_um=12.0, floor_dbfs=-140.0).samples
    (found,) = _told((dull + amplifier).astype(np.int32), rate_hz)
    assert (found.kind, found.tracks) == ("hf-loss", (1,))
    gone = signal_lost(_words(tape), **at, floor_dbfs=-140.0).samples
    (found,) = _told((gone + amplifier).astype(np.int32), rate_hz)
    assert (found.kind, found.tracks) == ("signal-lost", (1,))
