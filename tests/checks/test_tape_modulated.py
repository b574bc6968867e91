"""Noise that a loud sound makes on tape moves with it: where it sinks, no tape lifts."""

from __future__ import annotations

import damage_tape
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal
from taping import taped

RATE = 96_000
SECONDS = 14.0


def organ(seed: int, *, hiss_dbfs: float = -77.0, under_db: float = 46.0) -> NDArray[np.float64]:
    """A held chord of low pipes over hiss, with noise so far under its envelope; (frames,).

    Modulation noise of magnetic tape: 45 to 60 dB under the signal (from memory, common practice).
    """
    rng = np.random.default_rng(seed)
    t = np.arange(int(RATE * SECONDS)) / RATE
    x = np.zeros(len(t))
    for note_hz in (33.0, 65.0, 98.0, 131.0):
        for stop, level in ((1, 1.0), (2, 0.6), (4, 0.3)):
            for k in range(1, 7):
                hz = note_hz * stop * k * (1 + rng.normal() * 3e-4)
                x += level / k**1.6 * np.sin(2 * np.pi * hz * t + rng.uniform(0, 2 * np.pi))
    x *= np.clip((t - 1) / 0.05, 0, 1) * np.clip((SECONDS - 1 - t) / 0.4, 0, 1) * 0.4
    x /= np.abs(x).max() / 0.4
    envelope = signal.sosfilt(signal.butter(1, 200, fs=RATE, output="sos"), np.abs(x))
    noise = signal.sosfilt(
        signal.butter(2, 25_000, fs=RATE, output="sos"), rng.standard_normal(len(t))
    )
    noise *= np.sqrt(0.5 / np.mean(noise**2))
    hiss = 10 ** (hiss_dbfs / 20)
    amplifier = 0.2 * hiss * rng.standard_normal(len(t))
    loudness = hiss + envelope * 10 ** (-under_db / 20)
    return np.asarray(x + loudness * noise + amplifier)


def words(rows: list[NDArray[np.float64]]) -> NDArray[np.int32]:
    return np.rint(np.stack(rows) * 2**23).astype(np.int32) << 8


@pytest.mark.parametrize("seed", [1, 3, 4])
def test_modulation_noise_between_the_waves_of_a_bass_is_no_lift(seed: int) -> None:
    found = taped(words([organ(2 * seed), organ(2 * seed + 1)]), RATE).findings
    assert [f for f in found if f.kind in ("contact-loss", "level-dip")] == []


@pytest.mark.parametrize("um", [10.0, 30.0])
def test_a_lift_of_ordinary_hiss_under_the_same_sound_is_told(um: float) -> None:
    rows = [organ(2, hiss_dbfs=-62.0, under_db=60.0), organ(3, hiss_dbfs=-62.0, under_db=60.0)]
    x = damage_tape.contact_loss(
        words(rows), rate_hz=RATE, at=7 * RATE, frames=RATE // 50, distance_um=um, tracks=[1],
        floor_dbfs=-74.0, seed=5,
    ).samples  # fmt: skip
    (found,) = [f for f in taped(x, RATE).findings if f.kind == "contact-loss"]
    assert found.tracks == (1,)
    assert found.start_frame == pytest.approx(7 * RATE, abs=RATE // 100)


@pytest.mark.parametrize("seed", [1, 3])
def test_nor_does_a_slow_tone_that_rises_make_a_series_of_them(seed: int) -> None:
    """From 8 to 60 Hz: noise of nine times the hiss sinks to the hiss twice in every wave.

    Of these hundreds, chance may take one or two lower than the hiss.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(int(RATE * SECONDS)) / RATE
    plays = np.clip((t - 2) / 0.05, 0, 1) * np.clip((SECONDS - 2 - t) / 0.4, 0, 1)
    x = plays * np.sin(2 * np.pi * np.cumsum(8 * (60 / 8) ** (t / SECONDS)) / RATE)
    hiss = 10 ** (-70 / 20)
    noise = hiss * (1 + 8 * x**2) * rng.standard_normal(len(t))
    sound = 0.3 * x + noise + 0.2 * hiss * rng.standard_normal(len(t))
    found = taped(words([sound, 0.01 * sound[::-1]]), RATE).findings
    told = [f for f in found if f.kind in ("contact-loss", "level-dip")]
    assert sum(len(f.values.get("start_frames", [0])) for f in told) <= 3


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noise_that_follows_keys_let_go_for_30_ms_is_no_lift(seed: int) -> None:
    """It sinks by 10 dB, to no less than the hiss of rests; struck again, the sound is louder.

    So its mean over that place is as before, but not in the midst.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(8 * RATE) / RATE
    plays = np.clip((t - 2) / 0.05, 0, 1) * np.clip((7 - t) / 0.4, 0, 1)
    let_go = np.clip(0.5 + (0.018 - np.abs(t - 5)) / 0.004, 0, 1)
    struck = 1 + 4 * np.clip((t - 5.009) / 0.001, 0, 1) * np.clip((5.2 - t) / 0.05, 0, 1)
    sound = 0.1 * plays * (1 - 0.6 * let_go) * struck * np.sin(2 * np.pi * 1300 * t)
    noise = 10 ** (-74 / 20) * (1 + 5 * plays * (1 - 0.9 * let_go)) * rng.standard_normal(len(t))
    noise += 10 ** (-84 / 20) * rng.standard_normal(len(t))
    found = taped(words([sound + noise]), RATE).findings
    assert [f.kind for f in found if f.kind in ("contact-loss", "level-dip")] == []
