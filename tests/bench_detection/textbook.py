"""Clean programme as a textbook makes it: every sound begins within one sample, none met a tape.

One player a track, each heard on all the others by so many dB less, at the very same sample; white
hiss on top. Plucked strings by Karplus & Strong, "Digital synthesis of plucked-string and drum
timbres", 1983 (from memory); the others are decaying sines and noise.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from bench_detection.edges import Asked
from numpy.typing import NDArray

Row = NDArray[np.float64]
Draw = np.random.Generator

LEAKS_DB: Final = (-20, -35, -99)
_PEAK: Final = 0.5
_RINGS_S: Final = 2.5  # at the end, in which nothing begins
_BEATS_S: Final = (0.25, 0.5, 0.5, 1.0)


def _pluck(rng: Draw, rate_hz: int) -> Row:
    """Partials that die away, the higher the sooner, in phase or not."""
    hz, t = rng.uniform(80, 900), _time(rng.uniform(0.4, 1.5), rate_hz)
    parts = [k for k in range(1, 12) if k * hz < rate_hz / 2.2]
    phases = rng.uniform(0, 2 * np.pi, len(parts)) * (rng.random() < 0.5)
    out = np.zeros(len(t))
    for k, phase in zip(parts, phases, strict=True):
        decay = np.exp(-t * (2 + k))
        out += rng.uniform(0.3, 1) / k * decay * np.sin(2 * np.pi * hz * k * t + phase)
    return out


def _string(rng: Draw, rate_hz: int) -> Row:
    """A burst of noise that goes round and is smoothed each time."""
    period = int(rate_hz / rng.uniform(80, 600))
    out = np.zeros(int(1.2 * rate_hz))
    burst = rng.uniform(-1, 1, period)
    out[:period] = burst - burst.mean()
    for start in range(period, len(out), period):
        stop = min(start + period, len(out))
        before = out[start - period : stop - period]
        late = np.concatenate((out[max(start - period - 1, 0)][np.newaxis], before[:-1]))
        out[start:stop] = 0.498 * (before + late)
    return out


def _snare(rng: Draw, rate_hz: int) -> Row:
    t = _time(0.3, rate_hz)
    body = 0.7 * np.sin(2 * np.pi * 190 * t) * np.exp(-t * 25)
    return np.asarray(0.6 * rng.standard_normal(len(t)) * np.exp(-t * 18) + body)


def _kick(rng: Draw, rate_hz: int) -> Row:
    t = _time(0.4, rate_hz)
    sweep = 2.5 * (1 - np.exp(-t * 40))
    return np.asarray(np.sin(2 * np.pi * (rng.uniform(45, 60) * t + sweep)) * np.exp(-t * 9))


def _hat(rng: Draw, rate_hz: int) -> Row:
    t = _time(0.12, rate_hz)
    return np.asarray(0.4 * np.diff(rng.standard_normal(len(t) + 1)) * np.exp(-t / 0.03))


def _castanet(rng: Draw, rate_hz: int) -> Row:
    t = _time(0.06, rate_hz)
    wood = np.sin(2 * np.pi * rng.uniform(1500, 3000) * t) * np.exp(-t * 90)
    return np.asarray(wood + 0.3 * rng.standard_normal(len(t)) * np.exp(-t * 200))


def _bow(rng: Draw, rate_hz: int) -> Row:
    t = _time(rng.uniform(1, 2), rate_hz)
    swell = np.minimum(1, np.minimum(t / 0.08, (t[-1] - t) / 0.1))
    turns = rng.uniform(120, 900) * np.cumsum(1 + 0.004 * np.sin(2 * np.pi * 5.5 * t)) / rate_hz
    return np.asarray(0.6 * swell * sum(np.sin(2 * np.pi * k * turns) / k for k in range(1, 10)))


PLAYERS: Final[tuple[Callable[[Draw, int], Row], ...]] = (
    *(_pluck, _string, _snare, _kick),
    *(_hat, _castanet, _bow),
)


def played(asked: Asked, leak_db: float, hiss_dbfs: float) -> NDArray[np.int32]:
    """Left-justified words of 24 bits, (tracks, frames)."""
    rng = np.random.default_rng([31, asked.seed])
    x = np.zeros((asked.tracks, round(asked.seconds * asked.rate_hz)))
    for row, player in zip(x, np.resize(rng.permutation(len(PLAYERS)), len(x)), strict=True):
        at_s = rng.uniform(0.1, 0.6)
        while at_s < asked.seconds - _RINGS_S:
            sound = rng.uniform(0.1, 0.5) * PLAYERS[player](rng, asked.rate_hz)
            start = int(at_s * asked.rate_hz)
            row[start : start + len(sound)] += sound[: len(row) - start]
            at_s += rng.choice(_BEATS_S) * rng.uniform(0.96, 1.04)
    x += 10 ** (leak_db / 20) * (x.sum(axis=0) - x)
    x *= _PEAK / np.abs(x).max()
    x += 10 ** (hiss_dbfs / 20) / np.sqrt(2) * rng.standard_normal(x.shape)
    return np.rint(x * 2.0**23).astype(np.int32) << 8


def _time(seconds: float, rate_hz: int) -> Row:
    return np.asarray(np.arange(int(seconds * rate_hz)) / rate_hz)
