"""Copies of tones over a converter's noise alone are told with their delay; what only sounds alike
is not."""

from __future__ import annotations

import functools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tracks_kit import FULL, asking, of_kind, run

from checks.model import CaptureFormat
from checks.tracks import TracksLimits
from checks.tracks._pairs import Pair
from checks.tracks._sameness import sameness

RATE = 48_000
SECONDS = 4


@functools.cache
def notes(seed: int, shift_s: float = 0.0, cents: float = 0.0) -> Any:
    """Notes of ten partials, four a second, each let to ring; played again a little apart."""
    rng = np.random.default_rng(seed)
    t = np.arange(SECONDS * RATE) / RATE
    apart = np.random.default_rng(2)
    x = np.zeros(len(t))
    for begins in np.arange(0.1, SECONDS - 0.2, 0.25):
        hz = 110 * 2 ** (rng.integers(0, 30) / 12 + cents / 1200)
        s = t - begins - shift_s * apart.standard_normal()
        rise = np.where(s > 0, 1 - np.exp(-np.maximum(s, 0) / 0.005), 0.0)
        for k in range(1, 11):
            fade = np.exp(-np.maximum(s, 0) * (2 + 0.3 * k))
            x += 0.05 / k * rise * fade * np.sin(2 * np.pi * k * hz * s + k)
    return x


def words(x: Any, noise_dbfs: float = -112.0) -> Any:
    """(tracks, frames) with a converter's noise on each, AES17 dBFS."""
    noise = np.random.default_rng(7).standard_normal(x.shape) * 10 ** (noise_dbfs / 20) / np.sqrt(2)
    return np.rint((x + noise) * FULL / 256).astype(np.int32) * 256


def later(x: Any, seconds: float) -> Any:
    turns = np.exp(-2j * np.pi * np.fft.rfftfreq(len(x), 1 / RATE) * seconds)
    return np.fft.irfft(np.fft.rfft(x) * turns, len(x))


@pytest.mark.parametrize("gain", [0.7, -1.0])
@pytest.mark.parametrize("delay_s", [0.3e-3, -2.51e-3, 4.5e-3, 30e-3])
def test_a_late_copy_of_tones_without_hiss_is_told(delay_s: float, gain: float) -> None:
    # the delay is that of the phase turned by hand; 1 us is a twentieth of a sample
    x = notes(1)
    (found,) = of_kind(run(words(np.stack((x, gain * later(x, delay_s)))), RATE), "delayed")
    assert found.values["delay_us"] == pytest.approx(1e6 * delay_s, abs=1.0)
    assert found.values["gain_db"] == pytest.approx(20 * np.log10(abs(gain)), abs=0.01)
    assert found.values["inverted"] is (gain < 0)


def test_a_player_who_doubles_another_is_no_copy() -> None:
    # the same notes, 4 ms and 3 cents apart
    outcome = run(words(np.stack((notes(1), notes(1, 0.004, 3.0)))), RATE)
    assert of_kind(outcome, "delayed") == []
    assert asking(outcome) == []


def test_two_microphones_before_one_source_are_no_copies() -> None:
    # the second hears walls as well, 20 dB down in all (common practice: close microphones)
    rng, x = np.random.default_rng(3), notes(1)
    walls = sum(0.03 * rng.standard_normal() * later(x, s) for s in rng.uniform(0.005, 0.03, 11))
    outcome = run(words(np.stack((x, later(x, 0.002) + walls))), RATE)
    assert of_kind(outcome, "delayed") == []
    assert asking(outcome) == []


@pytest.mark.parametrize("hz", [100.0, 440.0])
def test_steady_tones_tell_no_delay(hz: float) -> None:
    t = np.arange(SECONDS * RATE) / RATE
    x = np.stack([0.2 * np.sin(2 * np.pi * hz * t + phase) for phase in (0.0, 0.7, 2.0)])
    assert not of_kind(run(words(x), RATE), "delayed")


def test_what_two_share_above_a_kilohertz_alone_is_no_copy() -> None:
    # as measured on two tracks of falling sines below 250 Hz with a third one's attacks in both
    pair = Pair(
        tracks=(0, 1),
        correlation=0.05,
        gain_db=-22.8,
        inverted=False,
        delay_s=0.00617,
        residual_db=-0.01,
        heard_correlation=0.9999,
        residual_dbfs=-105.1,
        own_share=0.146,
        quiet_dbfs=-88.0,
        peak=0.83,
    )
    fmt = CaptureFormat(rate_hz=RATE, channels=2, word_length=24, floating=False, frames=None)
    assert sameness(pair, {}, fmt, TracksLimits()) is None
    assert sameness(replace(pair, residual_db=-12.0), {}, fmt, TracksLimits()) is not None
    noisy = replace(pair, residual_db=-65.0, residual_dbfs=-98.0, own_share=0.7)
    assert sameness(noisy, {}, fmt, TracksLimits()) is not None
