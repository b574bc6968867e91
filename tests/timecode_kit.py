"""Timecode off a tape, of our own making after IEC 60461: 80 bits a frame, biphase mark."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Floats = NDArray[np.float64]
SYNC = (0, 0) + (1,) * 12 + (0, 1)  # IEC 60461, bits 64 to 79 of each frame


def code(
    rate_hz: int,
    seconds: float,
    *,
    seed: int = 1,
    flutter: float = 0.001,
    frames_s: int = 25,
    bandwidth_hz: float = 10_000,
    noise_dbfs: float = -65,
) -> Floats:
    """-9 dBFS, off a tape whose speed wanders and that passes no more than ``bandwidth_hz``."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    speed = 1 + sum(
        flutter * k**-0.5 * np.sin(2 * np.pi * f * t + rng.uniform(0, 6))
        for k, f in enumerate((0.7, 6.0, 31.0, 95.0), 1)
    )
    at = 2 * 80 * frames_s * np.cumsum(speed) / rate_hz  # in half bits
    bits = rng.integers(0, 2, int(at[-1] / 2) + 3)
    for first in range(0, len(bits) - 80, 80):
        bits[first + 64 : first + 80] = SYNC
    turns = np.ravel(np.column_stack((np.ones(len(bits), int), bits)))
    levels = np.cumsum(turns) % 2 * 2.0 - 1
    area = np.interp(at, np.arange(len(levels) + 1), np.concatenate(([0.0], np.cumsum(levels))))
    x = np.diff(area, append=area[-1]) / np.diff(at, append=at[-1] + 1)
    lowpass = signal.butter(2, min(bandwidth_hz / rate_hz, 0.45), fs=1, output="sos")
    noise = rng.standard_normal(len(t)) * 10 ** (noise_dbfs / 20)
    return np.asarray(signal.sosfilt(lowpass, x) * 10 ** (-9 / 20) + noise)


def dips(x: Floats, rng: np.random.Generator) -> Floats:
    gain = np.ones(len(x))
    for at in rng.integers(0, len(x), 6):
        gain[at : at + int(rng.integers(50, 2000))] *= 10 ** (-rng.uniform(3, 30) / 20)
    return np.asarray(x * np.convolve(gain, np.full(48, 1 / 48), mode="same"))


def breaks_off(x: Floats, rng: np.random.Generator) -> Floats:
    y = x.copy()
    y[100_000:130_000] = 0
    return y + rng.standard_normal(len(y)) * 1e-4


def speeds_up(x: Floats, rng: np.random.Generator) -> Floats:
    t = np.arange(len(x))
    speed = 1 + 0.1 * np.clip((t - 80_000) / 100_000, 0, 1)
    return np.interp(np.cumsum(speed), t, x)[: int(0.9 * len(x))]


def drums_leak(x: Floats, rng: np.random.Generator) -> Floats:
    y = x.copy()
    for at in rng.integers(0, len(x) - 9600, 12):
        y[at : at + 9600] += rng.standard_normal(9600) * np.exp(-np.arange(9600) / 2000) * 0.015
    return y


def hum(x: Floats, rng: np.random.Generator) -> Floats:
    return x + 0.02 * np.sin(np.arange(len(x)) * 2 * np.pi * 50 / 96_000) + 0.03


def clipped(x: Floats, rng: np.random.Generator) -> Floats:
    return np.clip(x, -0.25, 0.2)


HAPPENS = (dips, breaks_off, speeds_up, drums_leak, hum, clipped)
"""What tape and machine do to timecode that does not slip, made for 3 s at 96 kHz."""
