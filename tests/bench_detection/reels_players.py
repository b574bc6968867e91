"""Players of the complete reels: notes with the attacks of strings, lips and sticks.

Other makers than those of ``sample_captures.instruments``, so that a check is not held to one kind
of sound. Nothing here begins within one sample: fingers, bows and felt take their time.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any, Final

import numpy as np
from bench_detection.recorded import CORPUS, recording
from numpy.typing import NDArray
from scipy import signal

Row = NDArray[np.float64]
Draw = np.random.Generator
Note = Callable[[Draw, int, float, float], Row]
"""(chance, rate in Hz, pitch in Hz, length in s) to one note, of about 1 at its peak."""

_SCALE: Final = 2.0 ** (np.array([0, 2, 3, 5, 7, 8, 10, 12, 15]) / 12)
_SAMPLED: Final = (
    "wordlength/piano_A4_24bit.flac",
    "wordlength/percussion_24bit.wav",
    "wordlength/bass_24bit.wav",
    "multichannel/guitar_12ch.wav",
)


def shape(frames: int, rate_hz: int, rise_ms: float, fall_ms: float) -> Row:
    """Up and down in halves of a cosine; 1 in between."""
    out = np.ones(frames)
    for ms, end in ((rise_ms, slice(None)), (fall_ms, slice(None, None, -1))):
        count = max(4, min(frames // 2, round(ms * rate_hz / 1000)))
        out[end][:count] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(count) / count)
    return out


def band(x: Any, rate_hz: int, low_hz: float = 0.0, high_hz: float = 0.0, order: int = 2) -> Row:
    """What lies above ``low_hz`` and below ``high_hz``; 0: no bound."""
    if 0 < high_hz < 0.45 * rate_hz:
        x = signal.sosfilt(signal.butter(order, high_hz, fs=rate_hz, output="sos"), x)
    if low_hz:
        x = signal.sosfilt(signal.butter(order, low_hz, "high", fs=rate_hz, output="sos"), x)
    return np.asarray(x)


def _time(seconds: float, rate_hz: int) -> Row:
    return np.asarray(np.arange(round(seconds * rate_hz)) / rate_hz)


def _partials(turns: Row, weights: Row, rng: Draw) -> Row:
    """Sum of harmonics at phases of their own."""
    phases = rng.uniform(0, 6, len(weights))
    out = np.zeros(len(turns))
    for k, (weight, phase) in enumerate(zip(weights, phases, strict=True), 1):
        out += weight * np.sin(2 * np.pi * k * turns + phase)
    return out


def _pluck(rng: Draw, rate_hz: int, hz: float, seconds: float) -> Row:
    """A string that a finger leaves within 1 to 4 ms; a burst that goes round (textbook.py)."""
    period, frames = round(rate_hz / hz), round(seconds * rate_hz)
    width = max(2, round(period * rng.uniform(0.02, 0.12)))
    burst = signal.lfilter(np.ones(width) / width, [1.0], rng.standard_normal(2 * period))[period:]
    keeps, mix = 0.5 ** (1 / (hz * rng.uniform(0.3, 1.2))), rng.uniform(0.2, 0.5)
    rounds = -(-frames // period)
    out = np.empty((rounds + 1, period))
    out[0] = burst - burst.mean()
    for k in range(rounds):
        out[k + 1] = keeps * ((1 - mix) * out[k] + mix * np.roll(out[k], 1))
    out = out.reshape(-1)[:frames]
    return band(out * shape(frames, rate_hz, rng.uniform(1, 4), 60), rate_hz, 60, 12_000)


def _driven(rng: Draw, rate_hz: int, hz: float, seconds: float) -> Row:
    """A fifth of two strings through an amplifier that bends."""
    both = _pluck(rng, rate_hz, hz / 2, seconds) + _pluck(rng, rate_hz, hz * 0.75, seconds)
    bent = np.tanh(8 * both / np.abs(both).max())
    return band(bent, rate_hz, 90, rng.uniform(4e3, 6e3), 4)


def _bow(rng: Draw, rate_hz: int, hz: float, seconds: float) -> Row:
    t = _time(seconds, rate_hz)
    wander = 0.004 * np.sin(2 * np.pi * rng.uniform(4.5, 6.5) * t) * np.minimum(1, t / 0.3)
    turns = np.cumsum(hz * (1 + wander)) / rate_hz
    parts = np.arange(1, min(24, int(18_000 / hz)) + 1) ** -rng.uniform(0.9, 1.4)
    rosin = 0.05 * band(rng.standard_normal(len(t)), rate_hz, 1500, 8000)
    tone = _partials(turns, parts, rng) + rosin
    return np.asarray(tone * shape(len(t), rate_hz, rng.uniform(40, 140), 90))


def _brass(rng: Draw, rate_hz: int, hz: float, seconds: float) -> Row:
    """The louder, the brighter."""
    t = _time(seconds, rate_hz)
    lips = shape(len(t), rate_hz, rng.uniform(20, 60), 50)
    turns = np.cumsum(hz * (1 - 0.02 * np.exp(-t / 0.03))) / rate_hz
    bright = lips * (0.6 + 0.4 * np.exp(-t / 0.2))
    out = np.zeros(len(t))
    for k in range(1, min(30, int(20_000 / hz)) + 1):
        out += bright ** (1 + 0.12 * k) * np.sin(2 * np.pi * k * turns) / k**0.8
    return out * lips


def _bar(rng: Draw, rate_hz: int, hz: float, seconds: float) -> Row:
    """A struck bar: inharmonic partials behind a mallet of 0.4 to 2.5 ms."""
    t = _time(seconds, rate_hz)
    out = np.zeros(len(t))
    for ratio, weight, decay in ((1, 1, 1), (3.93, 0.4, 0.3), (9.2, 0.2, 0.12), (16.7, 0.1, 0.06)):
        if 2 * hz * ratio < 0.4 * rate_hz:
            dies = np.exp(-t / (decay * rng.uniform(0.3, 0.8)))
            out += weight * np.sin(2 * np.pi * 2 * hz * ratio * t) * dies
    felt = np.hanning(max(8, round(rng.uniform(0.0004, 0.0025) * rate_hz)))
    out = np.convolve(out, felt / felt.sum())[: len(t)]
    return np.asarray(out * shape(len(t), rate_hz, 0, 50))


def voice(rng: Draw, rate_hz: int, hz: float, seconds: float) -> Row:
    """Pulses of a glottis through four formants; half of the syllables begin with a hiss."""
    t = _time(seconds, rate_hz)
    drift = 0.004 * np.cumsum(rng.standard_normal(len(t))) / np.sqrt(len(t))
    turns = np.cumsum(hz * (1 + 0.01 * np.sin(2 * np.pi * 5.3 * t) + drift)) / rate_hz % 1
    pulses = np.diff(np.where(turns < 0.6, np.sin(np.pi * turns / 0.6) ** 2, 0), prepend=0)
    vowels = ((700, 1100, 2500, 3500), (300, 2200, 2900, 3800), (450, 800, 2500, 3400))
    out = np.zeros(len(t))
    for k, formant in enumerate(vowels[int(rng.integers(len(vowels)))]):
        radius, angle = np.exp(-np.pi * (80 + 40 * k) / rate_hz), 2 * np.pi * formant / rate_hz
        poles = [1, -2 * radius * np.cos(angle), radius**2]
        out += 0.7**k * signal.lfilter([1 - radius], poles, pulses)
    out *= shape(len(t), rate_hz, rng.uniform(15, 60), 60) / np.abs(out).max()
    if rng.random() < 0.5:
        lisp = round(min(seconds, rng.uniform(0.04, 0.12)) * rate_hz)
        noise = band(rng.standard_normal(lisp), rate_hz, 3000, 11_000)
        out[:lisp] += 0.15 * noise * np.hanning(lisp)
    return out


def _drum(rng: Draw, rate_hz: int, hz: float, seconds: float) -> Row:
    """Kick, snare, hat or cymbal: a skin that sinks in pitch, and noise."""
    skin_hz, sinks, rings_s, noise, low_hz, dies_s, rise_ms = (
        (50, 0.4, 0.13, 0.25, 1000, 0.004, 2.5),
        (190, 0.1, 0.06, 0.5, 700, 0.07, 1.0),
        (0, 0.0, 0.01, 0.35, 6500, 0.03, 0.5),
        (0, 0.0, 0.01, 0.3, 4000, 0.35, 2.0),
    )[int(rng.integers(4))]
    t = _time(5 * max(rings_s, dies_s), rate_hz)
    turns = skin_hz * t + sinks * 12 * (1 - np.exp(-t / 0.03))
    out = np.sin(2 * np.pi * turns) * np.exp(-t / rings_s)
    rattle = band(rng.standard_normal(len(t)), rate_hz, low_hz, 18_000) * np.exp(-t / dies_s)
    return np.asarray((out + noise * rattle) * shape(len(t), rate_hz, rise_ms, 20))


def _keys(rng: Draw, rate_hz: int, hz: float, seconds: float) -> Row:
    """An electric instrument: a saw whose overtones die sooner."""
    t = _time(seconds, rate_hz)
    out = np.zeros(len(t))
    for k in range(1, min(40, int(20_000 / hz)) + 1):
        out += np.sin(2 * np.pi * k * hz * t) / k * np.exp(-0.15 * k * t)
    return np.asarray(out * shape(len(t), rate_hz, rng.uniform(5, 20), 25))


def _claps(rng: Draw, rate_hz: int, hz: float, seconds: float) -> Row:
    """A crowd that applauds."""
    out = np.zeros(round(2 * seconds * rate_hz))
    t = _time(0.03, rate_hz)
    dies = np.exp(-t / 0.006) * shape(len(t), rate_hz, 0.8, 1)
    palms = [band(rng.standard_normal(8 * len(t)), rate_hz, 700, hz) for hz in (2500, 4000, 6000)]
    for at in rng.integers(0, len(out) - len(t), round(120 * seconds)):
        palm, start = palms[int(rng.integers(3))], int(rng.integers(7 * len(t)))
        out[at : at + len(t)] += rng.uniform(0.05, 0.5) * palm[start : start + len(t)] * dies
    return out * shape(len(out), rate_hz, 300, 400)


@lru_cache(maxsize=8)
def _sample(path: str, rate_hz: int) -> Row:
    data, from_hz, _, _ = recording(path)
    row = data[0, : 4 * from_hz].astype(np.float64)
    common = np.gcd(rate_hz, from_hz)
    row = signal.resample_poly(row - row.mean(), rate_hz // common, from_hz // common)
    heard = np.flatnonzero(np.abs(row) > 1e-3 * np.abs(row).max())
    return np.asarray(row[max(heard[0] - 200, 0) :] / np.abs(row).max())


def _sampled(rng: Draw, rate_hz: int, hz: float, seconds: float) -> Row:
    """A note of a real recording of the corpus; a plucked one without it."""
    if not CORPUS.is_dir():
        return _pluck(rng, rate_hz, hz, seconds)
    out = _sample(str(rng.choice(_SAMPLED)), rate_hz)[: round(3 * seconds * rate_hz)]
    return np.asarray(out * shape(len(out), rate_hz, 2, 40))


PLAYERS: Final[dict[str, tuple[Note, float, float]]] = {  # note, lowest Hz, beats a note
    "pluck": (_pluck, 110.0, 1.0),
    "driven": (_driven, 165.0, 2.0),
    "bow": (_bow, 131.0, 2.0),
    "brass": (_brass, 131.0, 1.0),
    "bar": (_bar, 233.0, 0.5),
    "voice": (voice, 98.0, 1.0),
    "drum": (_drum, 60.0, 0.5),
    "keys": (_keys, 82.0, 1.0),
    "claps": (_claps, 60.0, 6.0),
    "sampled": (_sampled, 220.0, 1.0),
}


def part(rng: Draw, rate_hz: int, seconds: float, player: str, beat_s: float) -> Row:
    """One player's part, 1 at its peak: phrases of 2 to 9 s, rests of 1 to 5 s between them.

    Only some notes are made, and come again at other strengths, as an instrument's do.
    """
    note, lowest_hz, beats = PLAYERS[player]
    x = np.zeros(round((seconds + 12) * rate_hz))
    step_s = beats * beat_s
    made = [
        note(rng, rate_hz, lowest_hz * float(rng.choice(_SCALE)), step_s * rng.uniform(0.8, 2.0))
        for _ in range(6)
    ]
    at_s = rng.uniform(0.02, 0.3) if rng.random() < 0.6 else rng.uniform(0.5, seconds / 3 + 0.5)
    until_s = at_s + rng.uniform(2, 9)
    while at_s < seconds - 0.4:
        if at_s > until_s:
            at_s += rng.uniform(1, 5)
            until_s = at_s + rng.uniform(2, 9)
            continue
        if rng.random() < 0.82:
            sound = made[int(rng.integers(len(made)))]
            start = round((at_s + abs(rng.normal(0, 0.006))) * rate_hz)
            x[start : start + len(sound)] += rng.uniform(0.35, 1) * sound[: len(x) - start]
        at_s += step_s
    x = x[: round(seconds * rate_hz)] * shape(round(seconds * rate_hz), rate_hz, 1, 300)
    return np.asarray(x / max(float(np.abs(x).max()), 1e-9))
