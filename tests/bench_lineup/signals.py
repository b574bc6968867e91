"""Line-up tones whose every value is known exactly, and what adversaries there are to them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from checks.lineup import LineupLimits, LineupPass
from checks.model import CaptureFormat, Outcome
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import Sheet

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A tone. ``dbfs``: AES17, a full-scale sine is 0 dBFS.

    Attributes:
        flutter: (frequency in hertz, peak deviation in percent) of sine frequency modulations.
        harmonics: amplitude of the second, third, ... harmonic against the tone.
        ramp_s: length of the raised-cosine ramps at both ends, inside the length.
        jumps: (height, length in s, period in s) of a reference tone's shifts; None: a plain tone.
    """

    hz: float
    dbfs: float
    seconds: float
    flutter: tuple[tuple[float, float], ...] = ()
    harmonics: tuple[float, ...] = ()
    ramp_s: float = 0.0
    jumps: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """Samples, full scale 1.0, and where each part begins and ends in seconds."""

    samples: Floats
    rate_hz: int
    places: tuple[tuple[float, float], ...]


def line_up(
    rate_hz: int,
    parts: Sequence[Part],
    *,
    tracks: int = 2,
    gap_s: float = 0.5,
    hiss_dbfs: float | None = -70.0,
    as_hiss: bool = False,
    delays_s: Sequence[float] | None = None,
    gains_db: Sequence[float] | None = None,
    seed: int = 1,
) -> Signal:
    """Tones one after the other with gaps between, before and behind.

    Args:
        hiss_dbfs: white noise, its level in all the band; None: none.
        as_hiss: the level is that from 0 to 20 kHz instead, as hiss is told.
        delays_s, gains_db: of each track.
    """
    delays = np.zeros(tracks) if delays_s is None else np.asarray(delays_s)
    gains = np.zeros(tracks) if gains_db is None else np.asarray(gains_db)
    gap = round(gap_s * rate_hz)
    frames = gap + sum(round(p.seconds * rate_hz) + gap for p in parts)
    x = np.zeros((tracks, frames))
    at, places = gap, []
    for part in parts:
        count = round(part.seconds * rate_hz)
        for k in range(tracks):
            t = np.arange(count) / rate_hz - delays[k]
            x[k, at : at + count] = 10 ** ((part.dbfs + gains[k]) / 20) * _wave(
                part, t, at / rate_hz
            )
        places.append((at / rate_hz, (at + count) / rate_hz))
        at += count + gap
    if hiss_dbfs is not None:
        level = hiss_dbfs + (10 * math.log10(rate_hz / 40_000) if as_hiss else 0.0)
        x += hiss(np.random.default_rng(seed), x.shape, level)
    return Signal(samples=x, rate_hz=rate_hz, places=tuple(places))


def hiss(rng: np.random.Generator, shape: int | tuple[int, ...], dbfs: float) -> Floats:
    """White noise of a level; AES17: rms times the root of two."""
    return rng.standard_normal(shape) * (10 ** (dbfs / 20) / math.sqrt(2))


def _wave(part: Part, t: Floats, begins_s: float) -> Floats:
    turns = part.hz * (t + begins_s)
    for hz, percent in part.flutter:
        # frequency f (1 + p cos(2 pi hz t)): phase f t + f p sin(2 pi hz t) / (2 pi hz)
        turns = turns + part.hz * percent / 100 * np.sin(2 * np.pi * hz * t) / (2 * np.pi * hz)
    if part.jumps is not None:
        height, length, period = part.jumps
        into = np.maximum(t, 0) % period
        done = np.floor(np.maximum(t, 0) / period) * length + np.minimum(into, length)
        turns = turns + part.hz * height * done
    turns = turns + 0.05
    wave = np.sin(2 * np.pi * (turns % 1.0))
    for number, amplitude in enumerate(part.harmonics, 2):
        wave += amplitude * np.sin(2 * np.pi * (turns * number % 1.0) + number)
    if part.ramp_s:
        length = t[-1] - t[0]
        edge = np.clip(np.minimum(t - t[0], length - (t - t[0])) / part.ramp_s, 0, 1)
        wave *= np.sin(edge * np.pi / 2) ** 2
    return np.asarray(wave)


def ints(x: ArrayLike, word_length: int = 24) -> NDArray[np.int32]:
    """Left-justified words."""
    top = 2.0 ** (word_length - 1)
    words = np.clip(np.rint(np.asarray(x) * top), -top, top - 1).astype(np.int64)
    return np.asarray(words << (32 - word_length), np.int32)


def run(
    x: NDArray[Any], rate_hz: int, sheet: Sheet | None = None, *, cuts: Sequence[int] = ()
) -> Outcome:
    """The check's outcome on whole samples, (tracks, frames), int32 or float."""
    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=x.shape[0],
        word_length=24,
        floating=x.dtype.kind == "f",
        frames=x.shape[1],
    )
    check = Check("lineup", lambda c: LineupPass(c.fmt, c.sheet, LineupLimits()))
    sample_pass = SamplePass(Context(fmt=fmt, sheet=sheet or Sheet()), checks=[check])
    for piece in np.split(x, sorted(min(c, x.shape[1]) for c in cuts), axis=1):
        sample_pass.feed(piece)
    outcome = sample_pass.finish()["lineup"]
    faults = [f for f in outcome.findings if f.kind == "not-run"]
    if faults:
        raise AssertionError(faults[0].text)
    return outcome


RATES: Final = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 352_800, 384_000)
