"""Invented instruments: one function a sound, each giving float32 of unit order, full bandwidth.

Tones are read from wavetables with as many harmonics as the rate has room for, so that overtones
run on beyond 20 kHz the way brass and strings do.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_captures.noise import Curve, Floats, burst

Rng = np.random.Generator
Sound = Callable[[Rng, int], Floats]
"""Makes one event at a rate: attack at index 0, silence at the end."""

_TOP_HZ = 110_000.0


def _times(seconds: float, rate_hz: int) -> Floats:
    return np.arange(max(16, int(seconds * rate_hz)), dtype=np.float32) / np.float32(rate_hz)


def _table(weights: NDArray[np.float64], rng: Rng) -> Floats:
    """One period with the given harmonic amplitudes at random phases, closed for interpolation."""
    size = 1 << max(12, int(np.ceil(np.log2(32 * len(weights)))))
    spectrum = np.zeros(size // 2 + 1, np.complex128)
    turn = np.exp(2j * np.pi * rng.random(len(weights)))
    spectrum[1 : len(weights) + 1] = weights * turn * size / 2
    wave = np.fft.irfft(spectrum, size)
    return np.append(wave, wave[0]).astype(np.float32)


def _read(
    f0: float, tables: Sequence[Floats], gains: Sequence[Floats], rate_hz: int, bend: Floats | None
) -> Floats:
    """Wavetables read at one pitch, each with its own envelope, summed.

    ``bend`` is added to the phase, in cycles of the fundamental.
    """
    frames = len(gains[0])
    size = len(tables[0]) - 1
    phase = np.arange(frames, dtype=np.float64) * (f0 / rate_hz)
    if bend is not None:
        phase += bend
    phase -= np.floor(phase)
    phase *= size
    index = phase.astype(np.int32)
    np.minimum(index, size - 1, out=index)
    part = (phase - index).astype(np.float32)
    out = np.zeros(frames, np.float32)
    for table, gain in zip(tables, gains, strict=True):
        low = table[index]
        out += (low + (table[index + 1] - low) * part) * gain
    return out


def _harmonics(f0: float, rate_hz: int) -> NDArray[np.float64]:
    count = max(1, min(int(min(0.46 * rate_hz, _TOP_HZ) / f0), 2048))
    return np.arange(1, count + 1, dtype=np.float64)


def _settle(x: Floats, rate_hz: int) -> Floats:
    """Fades the last 10 ms so that no event ends with a step; unit peak."""
    tail = min(len(x), max(8, rate_hz // 100))
    x[-tail:] *= np.cos(np.linspace(0, np.pi / 2, tail, dtype=np.float32)) ** 2
    return np.asarray(x / max(float(np.abs(x).max()), 1e-9), np.float32)


def _onset(t: Floats, seconds: float) -> Floats:
    rise = np.clip(t / np.float32(seconds), 0, 1)
    return np.asarray(np.sin(rise * np.float32(np.pi / 2)) ** 2, np.float32)


def pluck(rng: Rng, rate_hz: int) -> Floats:
    """A plucked string: high partials die first."""
    f0 = float(rng.choice([82.4, 110, 146.8, 196, 246.9, 329.6, 440, 587.3]) * 1.003)
    t = _times(0.4 + 110 / f0, rate_hz)
    h = _harmonics(f0, rate_hz)
    weight = np.abs(np.sin(np.pi * h * rng.uniform(0.09, 0.23))) / h**1.1
    bands = (h * f0 < 1500, (h * f0 >= 1500) & (h * f0 < 9000), h * f0 >= 9000)
    decay = (0.5 + 40 / f0, 0.16, 0.035)
    tables = [_table(weight * band, rng) for band in bands]
    gains = [np.exp(-t / np.float32(d)) * _onset(t, 0.0004) for d in decay]
    out = _read(f0, tables, gains, rate_hz, None)
    out[: rate_hz // 200] += (
        0.1
        * burst(rng, min(rate_hz // 200, len(out)), rate_hz, lambda f: 1 / (1 + f / 12e3))
        * np.exp(-t[: rate_hz // 200] / np.float32(0.0008))
        * _onset(t[: rate_hz // 200], 1e-4)
    )
    return _settle(out, rate_hz)


def bowed(rng: Rng, rate_hz: int) -> Floats:
    """A bowed string: rich, with vibrato and bow noise."""
    f0 = float(rng.choice([130.8, 196, 220, 293.7, 392, 440, 659.3]) * rng.uniform(0.995, 1.005))
    length = float(rng.uniform(0.7, 2.2))
    t = _times(length, rate_hz)
    h = _harmonics(f0, rate_hz)
    weight = 1 / h**1.05 / (1 + (h * f0 / 14e3) ** 2) * rng.uniform(0.5, 1.5, len(h))
    swell = _onset(t, 0.08) * _onset(np.float32(t[-1]) - t, 0.12)
    swell *= 1 + np.float32(0.2) * np.sin(2 * np.pi * np.float32(0.9) * t)
    depth = f0 * 0.004 / (2 * np.pi * 5.5)
    bend = np.float32(depth) * np.sin(np.float32(2 * np.pi * 5.5) * t)
    out = _read(f0, [_table(weight, rng)], [swell], rate_hz, bend)
    out += (
        0.03 * swell * burst(rng, len(t), rate_hz, lambda f: f / (f + 2e3) / (1 + (f / 18e3) ** 2))
    )
    return _settle(out, rate_hz)


def brass(rng: Rng, rate_hz: int) -> Floats:
    """A brass tone: the louder, the brighter, with strong overtones far above 20 kHz."""
    f0 = float(rng.choice([116.5, 174.6, 233.1, 311.1, 466.2, 622.3]) * rng.uniform(0.997, 1.003))
    length = float(rng.uniform(0.25, 1.3))
    t = _times(length, rate_hz)
    h = _harmonics(f0, rate_hz)
    dull = 1 / h**1.8
    bright = h**0.2 / (1 + (h * f0 / 1800) ** 1.6)
    swell = _onset(t, 0.03) * _onset(np.float32(t[-1]) - t, 0.06)
    swell *= np.float32(0.7) + np.float32(0.3) * np.exp(-t / np.float32(0.15))
    out = _read(f0, [_table(dull, rng), _table(bright, rng)], [swell, swell**2], rate_hz, None)
    return _settle(out, rate_hz)


def drum(rng: Rng, rate_hz: int) -> Floats:
    """A struck drum: modes that fall in pitch, and the noise of the stroke."""
    t = _times(float(rng.uniform(0.25, 0.7)), rate_hz)
    f0 = float(rng.uniform(55, 240))
    out = np.zeros_like(t)
    for ratio, share, decay in ((1.0, 1.0, 0.16), (1.59, 0.5, 0.08), (2.14, 0.35, 0.05)):
        f = f0 * ratio
        phase = np.float32(2 * np.pi) * (f * t + 0.35 * f * 0.03 * (1 - np.exp(-t / 0.03)))
        out += np.float32(share) * np.sin(phase) * np.exp(-t / np.float32(decay))
    snap = float(rng.uniform(0.2, 1.2))
    centre = float(rng.uniform(2e3, 7e3))
    out += (
        snap
        * burst(rng, len(t), rate_hz, _hump(centre, 3.0))
        * np.exp(-t / np.float32(rng.uniform(0.006, 0.09)))
    )
    return _settle(out * _onset(t, float(rng.uniform(0.0001, 0.0006))), rate_hz)


def castanet(rng: Rng, rate_hz: int) -> Floats:
    """A castanet-like clack: tens of microseconds of attack, wide spectrum."""
    t = _times(0.08, rate_hz)
    out = burst(rng, len(t), rate_hz, _hump(float(rng.uniform(1.5e3, 5e3)), 1.2)) * np.exp(
        -t / np.float32(rng.uniform(0.002, 0.009))
    )
    for f in rng.uniform(900, 9000, 4):
        out += np.sin(np.float32(2 * np.pi * f) * t + np.float32(rng.uniform(0, 6))) * np.exp(
            -t / np.float32(rng.uniform(0.002, 0.012))
        )
    return _settle(out * _onset(t, float(rng.uniform(0.00002, 0.00012))), rate_hz)


def cymbal(rng: Rng, rate_hz: int) -> Floats:
    """A cymbal: noise from 3 kHz to far above 20 kHz."""
    t = _times(float(rng.uniform(0.6, 1.6)), rate_hz)
    out = burst(rng, len(t), rate_hz, lambda f: (f / (f + 4e3)) ** 2 / (1 + (f / 22e3) ** 2))
    out = out * np.exp(-t / np.float32(rng.uniform(0.12, 0.5))) * _onset(t, 0.0003)
    return _settle(out.astype(np.float32), rate_hz)


def hammer(rng: Rng, rate_hz: int) -> Floats:
    """A piano-like note: two strings a little apart, with a hammer's knock."""
    f0 = float(rng.choice([65.4, 98, 130.8, 174.6, 261.6, 349.2, 523.3, 784]))
    t = _times(float(rng.uniform(0.9, 2.2)), rate_hz)
    h = _harmonics(f0, rate_hz)
    weight = 1 / h**1.3 / (1 + (h * f0 / 6e3) ** 2)
    low = h * f0 < 2000
    tables = [_table(weight * low, rng), _table(weight * ~low, rng)]
    gains = [np.exp(-t / np.float32(d)) * _onset(t, 0.0012) for d in (0.7, 0.12)]
    out = _read(f0, tables, gains, rate_hz, None)
    out += _read(f0 * 1.0009, tables[:1], [gains[0] * np.float32(0.6)], rate_hz, None)
    knock = rate_hz // 50
    out[:knock] += (
        0.2
        * burst(rng, knock, rate_hz, _hump(900, 1.5))
        * np.exp(-t[:knock] / np.float32(0.003))
        * _onset(t[:knock], 0.0003)
    )
    return _settle(out, rate_hz)


def organ(rng: Rng, rate_hz: int) -> Floats:
    """A pipe: perfectly steady, a few harmonics, long."""
    f0 = float(rng.choice([65.4, 98, 130.8, 164.8, 196, 261.6, 392]))
    t = _times(float(rng.uniform(1.5, 3.5)), rate_hz)
    h = _harmonics(f0, rate_hz)
    weight = np.exp(-h / rng.uniform(2, 8)) * rng.uniform(0.2, 1, len(h))
    swell = _onset(t, 0.05) * _onset(np.float32(t[-1]) - t, 0.08)
    out = _read(f0, [_table(weight, rng)], [swell], rate_hz, None)
    out += 0.01 * swell * burst(rng, len(t), rate_hz, lambda f: 1 / (1 + (f / 3e3) ** 2))
    return _settle(out, rate_hz)


def drone(rng: Rng, rate_hz: int) -> Floats:
    """A reed that holds for seconds: overtones to far above 20 kHz, as steady as a generator."""
    f0 = float(rng.choice([55.0, 61.7, 98.0, 146.8, 220.0, 440.0]) * rng.uniform(0.999, 1.001))
    t = _times(float(rng.uniform(3, 7)), rate_hz)
    h = _harmonics(f0, rate_hz)
    weight = 1 / h**0.7 / (1 + (h * f0 / 9e3) ** 2) * rng.uniform(0.7, 1.2, len(h))
    swell = _onset(t, 0.2) * _onset(np.float32(t[-1]) - t, 0.3)
    return _settle(_read(f0, [_table(weight, rng)], [swell], rate_hz, None), rate_hz)


def syllable(rng: Rng, rate_hz: int) -> Floats:
    """A spoken syllable: a consonant's noise, then a voice with three formants gliding."""
    f0 = float(rng.uniform(95, 220))
    t = _times(float(rng.uniform(0.12, 0.35)), rate_hz)
    h = _harmonics(f0, rate_hz)
    tables = []
    for _ in range(2):
        formants = (rng.uniform(300, 800), rng.uniform(900, 2200), rng.uniform(2300, 3200))
        peaks = sum(1 / (1 + ((h * f0 - f) / (60 + 0.05 * f)) ** 2) for f in formants)
        tables.append(_table((peaks + 0.003) / h**0.9, rng))
    swell = _onset(t, 0.03) * _onset(np.float32(t[-1]) - t, 0.07)
    glide = t / np.float32(t[-1])
    bend = np.float32(-0.08 * f0 / 2 / float(t[-1])) * t * t
    voice = _read(f0, tables, [swell * (1 - glide), swell * glide], rate_hz, bend)
    consonant = burst(
        rng, int(rng.uniform(0.02, 0.12) * rate_hz), rate_hz, _hump(float(rng.uniform(3e3, 8e3)), 1)
    )
    tc = np.arange(len(consonant), dtype=np.float32) / rate_hz
    length = np.float32(len(consonant) / rate_hz)
    consonant *= np.sin(np.float32(np.pi) * tc / length) ** 2
    loud = max(float(np.abs(voice).max()), 1e-9)
    return _settle(np.concatenate((consonant * 0.08 * loud, voice)).astype(np.float32), rate_hz)


def tone(rng: Rng, rate_hz: int) -> Floats:
    """A generator's sine, switched softly."""
    f = float(rng.choice([50, 100, 400, 1000, 3150, 6300, 10_000, 12_500]))
    t = _times(float(rng.uniform(0.8, 2.0)), rate_hz)
    swell = _onset(t, 0.02) * _onset(np.float32(t[-1]) - t, 0.02)
    phase = np.arange(len(t), dtype=np.float64) * (f / rate_hz)
    return _settle(
        (np.sin(2 * np.pi * (phase - np.floor(phase))) * swell).astype(np.float32), rate_hz
    )


def click(rng: Rng, rate_hz: int) -> Floats:
    """A beat of a click track: 8 ms of a tone that starts at once."""
    t = _times(0.008, rate_hz)
    f = float(rng.choice([1000.0, 1500.0]))
    return _settle(np.sin(np.float32(2 * np.pi * f) * t) * _onset(t, 0.0002), rate_hz)


def timecode(rng: Rng, rate_hz: int, seconds: float) -> Floats:
    """Biphase time and control code as on a sync track: 80 bits a frame, 25 frames a second.

    IEC 60461: each bit begins with a change of level, a one has another in its middle; the last
    16 bits of a frame are 0011 1111 1111 1101. The rest counts up here, without user bits.
    """
    bits: list[int] = []
    start = int(rng.integers(0, 80_000))
    for number in range(start, start + int(seconds * 25) + 1):
        word = [(number >> k) & 1 for k in range(24)] + [0] * 40
        bits += word + [0, 0] + [1] * 12 + [0, 1]
    level, edges = 1.0, []
    for bit in bits:
        level = -level
        edges.append(level)
        if bit:
            level = -level
        edges.append(level)
    cells = np.array(edges, np.float32)
    at = np.arange(int(seconds * rate_hz), dtype=np.float64) * (2 * 80 * 25 / rate_hz)
    out = cells[np.minimum(at.astype(np.int64), len(cells) - 1)]
    width = max(2, int(40e-6 * rate_hz))  # IEC 60461 allows edges of tens of microseconds
    window = np.hanning(width + 2)
    return np.convolve(out, window / window.sum(), "same").astype(np.float32)


def _hump(centre_hz: float, width: float) -> Curve:
    def curve(f: NDArray[Any]) -> NDArray[Any]:
        away = np.log2(np.maximum(f, 1.0) / centre_hz) / width
        return np.asarray(np.exp(-(away**2)) + 0.02 / (1 + (f / 30e3) ** 2), np.float64)

    return curve
