"""More clean sounds on tape, made in other ways than the ensembles: nothing in them is a fault."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from bench_detection.edges import Asked, onto_tape
from numpy.typing import NDArray
from scipy import signal

Row = NDArray[np.float64]


def _applause(rng: np.random.Generator, frames: int, rate_hz: int) -> Row:
    """Hundreds of hand claps a second, each a burst of a millisecond."""
    hits = (rng.random(frames) < 300 / rate_hz) * rng.exponential(1.0, frames)
    clap = rng.standard_normal(round(0.002 * rate_hz)) * np.exp(
        -np.linspace(0, 6, round(0.002 * rate_hz))
    )
    swell = np.sin(np.linspace(0, np.pi, frames)) ** 2
    return np.asarray(signal.fftconvolve(hits, clap, "full")[:frames] * swell)


def _clapper(rng: np.random.Generator, frames: int, rate_hz: int) -> Row:
    """A clapperboard, twice, in a room: the steepest attack that wood gives."""
    out = np.zeros(frames)
    for at in (0.25, 0.6):
        tail = round(0.25 * rate_hz)
        t = np.arange(tail) / rate_hz
        hit = rng.standard_normal(tail) * (np.exp(-t / 0.0006) + 0.05 * np.exp(-t / 0.06))
        hit += np.sin(2 * np.pi * 1900 * t) * np.exp(-t / 0.004)
        start = round(at * frames)
        out[start : start + tail] += hit[: frames - start]
    return out


def _bells(rng: np.random.Generator, frames: int, rate_hz: int) -> Row:
    """Frequency modulation with inharmonic ratios, struck twice a second."""
    out = np.zeros(frames)
    for at in np.arange(0.1, frames / rate_hz - 0.6, 0.5):
        t = np.arange(round(0.6 * rate_hz)) / rate_hz
        f = float(rng.uniform(300, 2500))
        depth = 8 * np.exp(-t / 0.1)
        tone = np.sin(2 * np.pi * f * t + depth * np.sin(2 * np.pi * 1.4 * f * t))
        start = round(at * rate_hz)
        part = out[start : start + len(t)]
        shape = np.exp(-t / 0.15) * np.minimum(t / 0.0004, 1) * np.minimum((0.6 - t) / 0.02, 1)
        part += (tone * shape)[: len(part)]
    return out


def _sweeps(rng: np.random.Generator, frames: int, rate_hz: int) -> Row:
    """Gliding tones from 30 Hz to 18 kHz and back."""
    t = np.arange(frames) / rate_hz
    length = frames / rate_hz
    place = np.abs((2 * t / length * 2) % 2 - 1)
    f = 30 * (18_000 / 30) ** place
    ends = np.minimum(1, np.minimum(t, length - t) * 20)
    return np.asarray(np.sin(2 * np.pi * np.cumsum(f) / rate_hz) * ends)


def _gated(rng: np.random.Generator, frames: int, rate_hz: int) -> Row:
    """Bursts of noise through a gate of a studio: on and off in a millisecond."""
    t = np.arange(frames) / rate_hz
    gate = ((t * 3.0) % 1 < 0.4).astype(np.float64)
    ramp = max(2, round(0.001 * rate_hz))
    gate = np.convolve(gate, np.hanning(ramp) / np.hanning(ramp).sum(), "same")
    return rng.standard_normal(frames) * 0.3 * gate


def _hall(rng: np.random.Generator, frames: int, rate_hz: int) -> Row:
    """Dry knocks in a hall of two seconds."""
    hits = np.zeros(frames)
    hits[(rng.random(12) * frames * 0.8).astype(np.int64)] = rng.uniform(0.2, 1, 12)
    t = np.arange(min(frames, 2 * rate_hz)) / rate_hz
    room = rng.standard_normal(len(t)) * np.exp(-t * 3.45)
    room[0] = 6
    return np.asarray(signal.fftconvolve(hits, room, "full")[:frames])


def _organ_low(rng: np.random.Generator, frames: int, rate_hz: int) -> Row:
    """A 32-foot stop at 16.35 Hz and a fifth above: most of the energy below 50 Hz."""
    t = np.arange(frames) / rate_hz
    tone = sum(np.sin(2 * np.pi * f * t + f) / k for k, f in enumerate((16.35, 24.5, 32.7), 1))
    return np.asarray(tone * np.minimum(1, np.minimum(t, t[-1] - t) / 0.4))


def _tremolo(rng: np.random.Generator, frames: int, rate_hz: int) -> Row:
    """An electric piano whose level swings deeply six times a second."""
    t = np.arange(frames) / rate_hz
    tone = sum(np.sin(2 * np.pi * 220 * k * t) / k**2 for k in range(1, 30))
    swing = 0.51 + 0.49 * np.sin(2 * np.pi * 6 * t)
    return np.asarray(tone * swing * np.minimum(1, np.minimum(t, t[-1] - t) / 0.1))


def _scratch(rng: np.random.Generator, frames: int, rate_hz: int) -> Row:
    """Short granular sounds with silence in between, each cut hard by the player."""
    out = np.zeros(frames)
    at = 0.0
    while at < frames / rate_hz - 0.2:
        t = np.arange(round(float(rng.uniform(0.01, 0.12)) * rate_hz)) / rate_hz
        f = float(rng.uniform(100, 3000))
        grain = signal.sawtooth(2 * np.pi * (f * t + 400 * t * t * float(rng.uniform(-1, 1))))
        edge = max(2, round(0.0005 * rate_hz))
        shape = np.minimum(1, np.minimum(np.arange(len(t)), np.arange(len(t))[::-1]) / edge)
        start = round(at * rate_hz)
        part = out[start : start + len(t)]
        part += (grain * shape * float(rng.uniform(0.2, 1)))[: len(part)]
        at += len(t) / rate_hz + float(rng.exponential(0.1))
    return out


_ROWS: Final[dict[str, Callable[[np.random.Generator, int, int], Row]]] = {
    "applause": _applause,
    "clapperboard": _clapper,
    "bells": _bells,
    "sweeps": _sweeps,
    "gated noise": _gated,
    "knocks in a hall": _hall,
    "organ below 50 Hz": _organ_low,
    "tremolo": _tremolo,
    "hard-cut grains": _scratch,
}


def _maker(name: str) -> Callable[[Asked], NDArray[np.int32]]:
    def make(asked: Asked) -> NDArray[np.int32]:
        rng = np.random.default_rng([asked.seed, 9, *name.encode()])
        frames = round(asked.seconds * asked.rate_hz)
        lead = round(0.5 * asked.rate_hz)
        x = np.zeros((asked.tracks, frames), np.float32)
        for row in x:
            sound: Any = _ROWS[name](rng, frames - 2 * lead, asked.rate_hz)
            row[lead : lead + len(sound)] = 0.35 * sound / max(float(np.abs(sound).max()), 1e-9)
        return onto_tape(x, asked, rng)

    return make


SOUNDS: Final = {name: _maker(name) for name in _ROWS}
