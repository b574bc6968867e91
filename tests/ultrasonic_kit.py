"""What the tests of the ultrasonic check share: running it, and signals of known density.

Signals are made here from noise of known density, so that what must come out follows from how
they were made; SciPy's filters and rate changers stand for the world outside.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy import signal

from checks.model import CaptureFormat, Finding, Outcome
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import Expect, Sheet
from checks.ultrasonic import UltrasonicLimits, UltrasonicPass

CHECK = Check("ultrasonic", lambda c: UltrasonicPass(c.fmt, c.sheet, UltrasonicLimits()))
ABOVE = Sheet(expect=Expect(above_20_khz=True))


def look(
    x: np.ndarray[Any, Any],
    rate: int,
    *,
    bits: int = 24,
    sheet: Sheet | None = None,
    cuts: Sequence[int] = (),
    known: bool = True,
) -> Outcome:
    """The outcome for (tracks, frames), fed in pieces."""
    fmt = CaptureFormat(
        rate_hz=rate,
        channels=len(x),
        word_length=bits,
        floating=x.dtype.kind == "f",
        frames=x.shape[1] if known else None,
    )
    run = SamplePass(Context(fmt=fmt, sheet=sheet or Sheet()), [CHECK])
    for piece in np.split(x, sorted(min(c, x.shape[1]) for c in cuts), axis=1):
        run.feed(piece)
    outcome = run.finish()["ultrasonic"]
    assert not [f for f in outcome.findings if f.kind == "not-run"], outcome.findings
    json.dumps(
        [dataclasses.asdict(f) for f in outcome.findings] + [dataclasses.asdict(outcome.measures)],
        allow_nan=False,
    )
    return outcome


def kinds(outcome: Outcome) -> list[tuple[str, str, str]]:
    return [(f.kind, f.verdict.value, f.remedy.value) for f in outcome.findings]


def one(outcome: Outcome, kind: str) -> Finding:
    (found,) = [f for f in outcome.findings if f.kind == kind]
    return found


def words(y: np.ndarray[Any, Any], bits: int = 24, seed: int = 99) -> np.ndarray[Any, Any]:
    """(frames,) or (tracks, frames) of full scale 1.0, with triangular dither, left-justified."""
    y = np.atleast_2d(y)
    rng = np.random.default_rng(seed)
    top = 2.0 ** (bits - 1)
    steps = np.rint(y * top + rng.random(y.shape) - rng.random(y.shape))
    return (np.clip(steps, -top, top - 1).astype(np.int64) << (32 - bits)).astype(np.int32)


def noise(rng: np.random.Generator, frames: int, rate: int, dbfs_hz: float) -> Any:
    """White noise of a density in AES17 dBFS a hertz."""
    return rng.standard_normal(frames) * np.sqrt(10 ** (dbfs_hz / 10) / 2 * rate / 2)


def shaped(y: Any, rate: int, gain: Any) -> Any:
    return np.fft.irfft(np.fft.rfft(y) * gain(np.fft.rfftfreq(len(y), 1 / rate)), len(y))


def bursts(rng: np.random.Generator, frames: int, rate: int) -> Any:
    """Bright programme that comes and goes: bursts of noise, 6 dB an octave down from 1 kHz."""
    y = shaped(rng.standard_normal(frames), rate, lambda f: 1e3 / np.maximum(f, 1e3) * (f > 40))
    envelope = np.zeros(frames)
    for at in range(0, frames, rate // 4):
        count = min(rate // 4, frames - at)
        t = np.arange(count) / rate
        loud = 10 ** (-rng.uniform(0, 24) / 20)
        envelope[at : at + count] += loud * (1 - np.exp(-t / 0.002)) * np.exp(-t / 0.05)
    return 0.2 * y * envelope / y.std()


def tape(rate: int, seed: int, seconds: float = 2.5) -> Any:
    """Bursts, hiss of -62 dBFS that falls gently above 26 kHz, amplifier and converter noise."""
    rng = np.random.default_rng(seed)
    frames = int(seconds * rate)
    hiss = shaped(noise(rng, frames, rate, -105), rate, lambda f: 1 / np.sqrt(1 + (f / 26e3) ** 4))
    amplifier, converter = noise(rng, frames, rate, -116), noise(rng, frames, rate, -161)
    return bursts(rng, frames, rate) + hiss + amplifier + converter


def raised(y: Any, source: int, rate: int, how: str) -> Any:
    """``y`` brought from one rate to another as the word says."""
    common = int(np.gcd(source, rate))
    up, down = rate // common, source // common
    if how == "held":
        return np.repeat(y, up)[::down]
    if how == "joined":
        return np.interp(np.arange(len(y) * up // down) * down / up, np.arange(len(y)), y)
    wide = max(up, down)
    taps = {
        "steep": lambda: signal.firwin(128 * wide + 1, 0.94 / wide, window=("kaiser", 12.0)),
        "half-band": lambda: signal.firwin(24 * wide + 1, 1.0 / wide, window=("kaiser", 9.0)),
        "gentle": lambda: signal.firwin(10 * wide + 1, 0.9 / wide, window=("kaiser", 6.0)),
        "minimum phase": lambda: signal.minimum_phase(
            signal.firwin(64 * wide + 1, 0.92 / wide, window=("kaiser", 10.0)), half=False
        ),
    }
    if how == "as SciPy does":
        return signal.resample_poly(y, up, down)
    kernel = taps[how]()
    return signal.resample_poly(y, up, down, window=kernel / kernel.sum())


def falls(from_hz: float, octave_db: float) -> Any:
    return lambda f: np.minimum(1.0, (np.maximum(f, 1.0) / from_hz) ** (-octave_db / 6.02))
