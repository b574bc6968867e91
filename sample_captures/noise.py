"""Noise and filters for invented tape transfers: numpy only, made in pieces, seeded.

Everything is made for its look in an analyser, not for the ear. Nothing here is a model of a
particular machine.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Curve = Callable[[NDArray[Any]], NDArray[Any]]
"""Amplitude against frequency in Hz; the scale is free where a level is given besides."""

_PIECE = 32_768
_JOIN = 2_048


def flat(f: NDArray[Any]) -> NDArray[Any]:
    """The same at all frequencies."""
    return np.ones_like(f)


def hiss_curve(corner_hz: float = 26_000.0) -> Curve:
    """Tape hiss behind a replay equaliser: rises gently to 10 kHz, falls above ``corner_hz``."""

    def curve(f: NDArray[Any]) -> NDArray[Any]:
        rise = np.sqrt(0.25 + (f / 6_000.0) / (1.0 + f / 10_000.0))
        flicker = np.sqrt(1.0 + 60.0 / np.maximum(f, 5.0))
        fall = 1.0 / (1.0 + (f / corner_hz) ** 4) ** 0.5
        return np.asarray(rise * flicker * fall, np.float64)

    return curve


def amplifier_curve(f: NDArray[Any]) -> NDArray[Any]:
    """A replay amplifier without tape: white, flicker below 100 Hz, second order above 45 kHz."""
    return np.asarray(
        np.sqrt(1.0 + 100.0 / np.maximum(f, 5.0)) / (1.0 + (f / 45_000.0) ** 2), np.float64
    )


def converter_curve(rise_db: float, half_rate_hz: float, from_hz: float = 50_000.0) -> Curve:
    """A converter's noise: flat, or rising by ``rise_db`` from ``from_hz`` to half the rate."""

    def curve(f: NDArray[Any]) -> NDArray[Any]:
        if rise_db == 0 or half_rate_hz <= from_hz:
            return flat(f)
        part = np.clip((f - from_hz) / (half_rate_hz - from_hz), 0.0, 1.0)
        return np.asarray(10.0 ** (rise_db * np.sqrt(part) / 20.0), np.float64)

    return curve


def noise(
    rng: np.random.Generator, frames: int, rate_hz: int, curve: Curve, level_dbfs: float
) -> Floats:
    """Gaussian noise with a given spectrum.

    Args:
        curve: amplitude against frequency.
        level_dbfs: AES17 level of what lies between 20 Hz and 20 kHz.

    Returns:
        float32, (frames,), full scale 1.0.
    """
    f = np.fft.rfftfreq(_PIECE, 1.0 / rate_hz)
    amplitude = curve(f)
    amplitude[0] = 0.0
    heard = (f >= 20.0) & (f <= 20_000.0)
    # Sum over the audible bins of E|X|^2 * 2 / N^2 is the mean square; a full-scale sine, 0.5.
    power = 2.0 * 2.0 * np.sum(amplitude[heard] ** 2) / _PIECE**2
    amplitude *= 10.0 ** (level_dbfs / 20.0) * np.sqrt(0.5 / power)
    shape = amplitude.astype(np.float32)
    out = np.zeros(frames, np.float32)
    ramp = np.arange(_JOIN, dtype=np.float32) / _JOIN * np.float32(np.pi / 2)
    rising, falling = np.sin(ramp), np.cos(ramp)
    step = _PIECE - _JOIN
    for start in range(-_JOIN, frames, step):
        raw = rng.standard_normal(2 * len(f), np.float32).view(np.complex64)
        raw *= shape
        piece = np.fft.irfft(raw, _PIECE)
        piece[:_JOIN] *= rising  # independent pieces: powers add to one over the join
        piece[step:] *= falling
        first, last = max(start, 0), min(start + _PIECE, frames)
        out[first:last] += piece[first - start : last - start]
    return out


def slow_noise(rng: np.random.Generator, frames: int, every: int) -> Floats:
    """Noise of unit strength that changes only every so many frames, linear in between."""
    knots = rng.standard_normal(frames // every + 2, np.float32)
    ramp = np.arange(every, dtype=np.float32) / every
    line = knots[:-1, None] + np.diff(knots)[:, None] * ramp[None, :]
    return np.asarray(line.reshape(-1)[:frames], np.float32)


def filtered(x: Floats, rate_hz: int, curve: Curve, taps: int = 1024) -> Floats:
    """``x`` through a zero-phase filter with the given amplitude, in pieces; same length."""
    grid = np.fft.rfftfreq(taps, 1.0 / rate_hz)
    kernel = np.fft.fftshift(np.fft.irfft(curve(grid), taps)) * np.hanning(taps)
    spectrum = np.fft.rfft(kernel, _PIECE).astype(np.complex64)
    step = _PIECE - taps + 1
    half = taps // 2
    out = np.empty_like(x)
    buffer = np.zeros(_PIECE, np.float32)
    for start in range(0, len(x), step):
        first = start + half - taps + 1  # buffer[0] is x[first]
        low, high = max(first, 0), min(first + _PIECE, len(x))
        buffer[:] = 0
        buffer[low - first : high - first] = x[low:high]
        piece = np.fft.irfft(np.fft.rfft(buffer) * spectrum, _PIECE)
        stop = min(start + step, len(x))
        out[start:stop] = piece[taps - 1 : taps - 1 + stop - start]
    return out


def burst(rng: np.random.Generator, frames: int, rate_hz: int, curve: Curve) -> Floats:
    """A short stretch of coloured noise of unit rms, for attacks and consonants."""
    size = 1 << max(4, (frames - 1).bit_length())
    f = np.fft.rfftfreq(size, 1.0 / rate_hz)
    raw = rng.standard_normal(2 * len(f), np.float32).view(np.complex64) * curve(f)
    out: NDArray[Any] = np.fft.irfft(raw.astype(np.complex64), size)[:frames]
    rms = float(np.sqrt(np.mean(out.astype(np.float64) ** 2))) or 1.0
    return np.asarray(out / np.float32(rms), np.float32)
