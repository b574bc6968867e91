"""Signals on the edge of what is a fault, each fine as it stands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sample_captures.noise import filtered
from sample_captures.signals import ENSEMBLES, render
from sample_captures.tape import Transfer, electrical, motion, quantised, to_tape


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the bench asks of a maker."""

    rate_hz: int
    tracks: int
    seconds: float
    seed: int
    word_length: int = 24


def _plain(asked: Asked, **settings: Any) -> NDArray[np.int32]:
    return render(
        ENSEMBLES["plucks"],
        Transfer(**settings),
        rate_hz=asked.rate_hz,
        tracks=asked.tracks,
        seconds=asked.seconds,
        seed=asked.seed,
        word_length=asked.word_length,
    )


def onto_tape(x: NDArray[np.float32], asked: Asked, rng: np.random.Generator) -> NDArray[np.int32]:
    """Programme, (tracks, frames), as it comes back from a plain tape; ``x`` is used up."""
    transfer = Transfer()
    to_tape(x, transfer, asked.rate_hz, motion(transfer, x.shape[1], asked.rate_hz), rng)
    electrical(x, transfer, asked.rate_hz, rng)
    return quantised(x, asked.word_length, rng)


def _low_tone(asked: Asked) -> NDArray[np.int32]:
    """A 20 Hz tone that reaches full scale and is not clipped: its top code stands for long."""
    t = np.arange(round(asked.seconds * asked.rate_hz)) / asked.rate_hz
    gain = np.sin(np.clip(np.minimum(t - 0.5, asked.seconds - 0.5 - t) * 4, 0, 1) * np.pi / 2) ** 2
    turns = np.arange(asked.tracks)[:, None] / 7  # each track at a phase of its own
    steps = np.rint(np.sin(2 * np.pi * (20 * t + turns)) * gain * (2**23 - 1))
    noise = (
        np.random.default_rng(asked.seed).standard_normal((asked.tracks, len(t))) * 6 * (gain < 0.9)
    )
    words = np.clip(steps + np.rint(noise), -(2**23) + 1, 2**23 - 1)
    return np.asarray(words.astype(np.int64) << 8, np.int32)


def _generated(asked: Asked, hz: float = 1000.0) -> NDArray[np.int32]:
    """A tone from a table, without noise or dither: every period like the last, bit for bit."""
    period = max(2, round(asked.rate_hz / hz))
    one = np.rint(np.sin(2 * np.pi * np.arange(period) / period) * 2**20).astype(np.int32) << 8
    frames = round(asked.seconds * asked.rate_hz)
    tone = np.resize(one, frames)
    return np.stack([np.roll(tone, 3 * k) >> k for k in range(asked.tracks)]) & np.int32(-256)


def _silent_ends(asked: Asked) -> NDArray[np.int32]:
    """Digital silence before the hiss begins and after it has ended by a fade."""
    x = _plain(asked)
    ends = round(0.8 * asked.rate_hz)
    ramp = round(0.4 * asked.rate_hz)
    up = np.concatenate((np.zeros(ends), np.linspace(0, 1, ramp) ** 2))
    gain = np.ones(x.shape[1])
    gain[: len(up)], gain[-len(up) :] = up, up[::-1]
    return (np.rint(x / 256.0 * gain).astype(np.int32)) << 8


def _one_unused(asked: Asked) -> NDArray[np.int32]:
    x = _plain(asked)
    x[-1] = 0
    return x


def _quiet_16(asked: Asked) -> NDArray[np.int32]:
    """16-bit words without dither around hiss of -92 dBFS: values stand for long."""
    return _plain(
        asked, hiss_dbfs=-92.0, level_dbfs=-50.0, converter_dbfs=-120.0, amplifier_db=-20.0,
        dither=False,
    )  # fmt: skip


def _limited(asked: Asked) -> NDArray[np.int32]:
    """Programme through a soft limiter: peaks crowd below a level, but no top is flat."""
    x = _plain(asked, level_dbfs=-1.0).astype(np.float64) / 2**31
    y = np.tanh(x * 4) * 0.7
    return (np.rint(y * 2**23).astype(np.int64) << 8).astype(np.int32)


def _square(asked: Asked) -> NDArray[np.int32]:
    """A synthesiser's square tones played through tape: flat by nature, with hiss on top."""
    frames = round(asked.seconds * asked.rate_hz)
    t = np.arange(frames) / asked.rate_hz
    rng = np.random.default_rng(asked.seed)
    x = np.zeros((asked.tracks, frames), np.float32)
    for k in range(asked.tracks):
        for start in np.arange(0.5, asked.seconds - 1, 0.5):
            f = float(rng.uniform(60, 700))
            span = slice(round(start * asked.rate_hz), round((start + 0.4) * asked.rate_hz))
            swell = np.sin(np.linspace(0, np.pi, len(t[span]))) ** 0.3
            x[k, span] = (0.2 * np.sign(np.sin(2 * np.pi * f * t[span])) * swell).astype(np.float32)
        x[k] = filtered(x[k], asked.rate_hz, lambda f: 1 / (1 + (f / 9e3) ** 4))
    return onto_tape(x, asked, rng)


def _bass(asked: Asked) -> NDArray[np.int32]:
    """A bass that stays on G1 and D2 (49 and 73.4 Hz): no hum."""
    frames = round(asked.seconds * asked.rate_hz)
    t = np.arange(frames) / asked.rate_hz
    x = np.zeros((asked.tracks, frames), np.float32)
    for k, f in enumerate(np.resize([49.0, 73.4], asked.tracks)):
        for start in np.arange(0.5, asked.seconds - 1, 0.8):
            span = slice(round(start * asked.rate_hz), round((start + 0.75) * asked.rate_hz))
            tau = t[span] - t[span][0]
            shape = (
                np.minimum(tau / 0.01, 1) * np.exp(-tau / 0.5) * np.minimum((0.75 - tau) / 0.05, 1)
            )
            x[k, span] = sum(
                0.2 / h * np.sin(2 * np.pi * f * h * tau + h) * shape for h in range(1, 12)
            )
    rng = np.random.default_rng(asked.seed)
    return onto_tape(x, asked, rng)


def _pair(asked: Asked) -> NDArray[np.int32]:
    """Two microphones on one ensemble: much alike, with 2 ms and room between them."""
    return render(
        replace(ENSEMBLES["band"], spill_db=-2.0), Transfer(), rate_hz=asked.rate_hz,
        tracks=asked.tracks, seconds=asked.seconds, seed=asked.seed, word_length=asked.word_length,
    )  # fmt: skip


def _punched(asked: Asked) -> NDArray[np.int32]:
    """A punch-in on one track: for two seconds the hiss is 3.5 dB lower (bulk-erased tape)."""
    x = _plain(asked)
    quiet = _plain(replace(asked, seed=asked.seed + 1), hiss_dbfs=-65.5)
    a, b = round(2.0 * asked.rate_hz), round(4.0 * asked.rate_hz)
    ramp = round(0.01 * asked.rate_hz)
    over = np.zeros(x.shape[1])
    over[a:b] = 1
    over = np.convolve(over, np.ones(ramp) / ramp, "same")
    y = x[0] * np.sqrt(1 - np.clip(over, 0, 1)) + quiet[0] * np.sqrt(np.clip(over, 0, 1))
    x[0] = (np.rint(np.clip(y, -(2.0**31), 2.0**31 - 256) / 256).astype(np.int64) << 8).astype(
        np.int32
    )
    return x


EDGES: Final[dict[str, Callable[[Asked], NDArray[np.int32]]]] = {
    "full-scale 20 Hz tone": _low_tone,
    "generated tone": _generated,
    "digital silence at the ends": _silent_ends,
    "one unused digital zero track": _one_unused,
    "quiet 16 bit undithered": _quiet_16,
    "soft limiter": _limited,
    "square tones on tape": _square,
    "bass on mains notes": _bass,
    "microphone pair": _pair,
    "punch-in": _punched,
}
