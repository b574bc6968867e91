"""Captures that begin or end in the midst of programme that never rests, or in a quick fade."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.dropouts._tape._fades import fades_there
from checks.dropouts._tape._fading import unfaded
from checks.model import Verdict

RATE = 48_000
SECONDS = 9.0
T = np.arange(round(SECONDS * RATE)) / RATE
Floats = NDArray[np.float64]


def _strings(tracks: int, *, swell: float = 0.3) -> Floats:
    """Noise that swells on each track by itself, and hiss of -62 dBFS."""
    rng = np.random.default_rng(6)
    f = np.fft.rfftfreq(len(T), 1 / RATE)
    x = np.fft.irfft(np.fft.rfft(rng.standard_normal((tracks, len(T)))) / (1 + f / 400), len(T))
    turns = T / 2.3 + rng.random((tracks, 1))
    x *= 0.1 / x.std() * 10 ** (swell * np.sin(2 * np.pi * turns))
    return np.asarray(x + rng.standard_normal(x.shape) * 10 ** (-62 / 20))


def _asked(x: Floats) -> list[tuple[str, tuple[int, ...]]]:
    noise = np.random.default_rng(7).standard_normal(x.shape) * 10 ** (-120 / 20)
    words = (np.rint((x + noise) * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64) << 8).astype(
        np.int32
    )
    found = taped(words, RATE).findings
    return [(f.kind, f.tracks) for f in found if f.verdict is not Verdict.CLEAR]


@pytest.mark.parametrize("tracks", [1, 3])
def test_programme_that_never_rests_is_cut_where_it_is_as_loud_as_ever(tracks: int) -> None:
    every = tuple(range(tracks))
    assert _asked(_strings(tracks)) == [("cut-start", every), ("cut-end", every)]


def test_of_some_tracks_those_are_cut_that_sound_there() -> None:
    """The others are heard 20 dB under that (common practice), and as little at the ends."""
    x = _strings(3)
    x[1:] *= np.clip(np.minimum(T, SECONDS - T) / 0.5, 0.1, 1.0)
    assert _asked(x) == [("cut-start", (0,)), ("cut-end", (0,))]


@pytest.mark.parametrize(
    "kind",
    ["tone", "drone", "hiss"],
)
def test_what_keeps_one_level_shows_nothing(kind: str) -> None:
    if kind == "tone":
        x = _strings(2) * 1e-3 + 0.1 * np.sin(2 * np.pi * 2000 * T)
    elif kind == "drone":
        x = _strings(2, swell=0.02)
    else:
        x = _strings(2) * 0.01
    assert _asked(x) == []


@pytest.mark.parametrize("fade_s", [0.2, 0.3])
def test_a_quick_fade_of_everything_at_either_end_is_no_fault(fade_s: float) -> None:
    """Drums of which one is struck just there, loud beside what they mostly play."""
    x = np.random.default_rng(3).standard_normal((2, len(T))) * 10 ** (-62 / 20)
    for at in (0.0, 1.1, 2.3, 3.1, 4.6, 6.0, 7.1, SECONDS - 0.1):
        for k in range(2):
            struck = (at + 0.01 * k <= T) * np.exp(-np.clip(T - at, 0, None) / 0.08)
            loud = 0.3 if at in (0.0, SECONDS - 0.1) else 0.01
            x[k] += loud * struck * np.random.default_rng([k, 5]).standard_normal(len(T))
    assert ("cut-end", (0, 1)) in _asked(x)
    assert _asked(x * np.clip(np.minimum(T, SECONDS - T) / fade_s, 0.0, 1.0)) == []


@dataclass(frozen=True)
class _At:
    start: int


def test_short_falls_in_a_quick_fade_at_an_end_are_the_fade() -> None:
    """Of a capture of 10,000 hops, 2,700 a second."""
    noise = np.random.default_rng(2).chisquare(2, (9, 2, 64)).astype(np.float32)
    out = noise * ((np.arange(64, 0, -1) / 550.0) ** 2).astype(np.float32)
    places: list[Any] = [_At(1500), _At(1700), _At(8300), _At(8500), _At(9900)]
    whole = unfaded(places, noise, noise, 9800, 2700.0)
    assert [c.start for c in whole] == [1500, 1700, 8300, 8500]
    left = unfaded(places, out[:, :, ::-1], out, 10_000, 2700.0)
    assert [c.start for c in left] == [1700, 8300]


@pytest.mark.parametrize("power", [0.5, 1.0, 2.0])  # of equal power, even, and hollow
def test_a_fade_to_nothing_is_one_whatever_its_shape(power: float) -> None:
    """Levels of noise in 64 hops of 23 ms, chi-square with two degrees of freedom a band."""
    noise = np.random.default_rng(2).chisquare(2, (9, 2, 64)).astype(np.float32)
    way = (np.arange(64, 0, -1) / 550.0).astype(np.float32) ** (2 * power)
    assert fades_there(noise * way, begins=False)
    assert fades_there((noise * way)[:, :, ::-1], begins=True)
    assert not fades_there(noise, begins=False)
    assert not fades_there(noise * way, begins=True)


@pytest.mark.parametrize("harmonic", [3, 5])
def test_hum_that_goes_on_in_rests_is_no_programme_at_the_ends(harmonic: int) -> None:
    """Over a converter's noise alone; beside it, programme that mostly rests."""
    x = sum(np.sin(2 * np.pi * 300 * h * T) / h for h in range(1, 9)) * 0.1 * T[None] / SECONDS
    x *= np.clip(np.cos(2 * np.pi * 0.7 * (T - 0.9)) - 0.6, 0, 1)
    x *= np.clip(np.minimum(T - 0.5, SECONDS - 0.5 - T) / 0.02, 0, 1)
    x += 0.012 * (np.sin(2 * np.pi * 50 * T) + 0.4 * np.sin(2 * np.pi * 50 * harmonic * T))
    assert _asked(x) == []


@pytest.mark.parametrize("cut", [False, True])
def test_a_whistle_that_swings_under_everything_is_no_programme_at_the_ends(*, cut: bool) -> None:
    """By 4 dB, as two that beat do, over a converter's noise; notes of eight harmonics over it."""
    notes = np.clip(np.cos(2 * np.pi * 4 * T / SECONDS), 0, 1) ** 0.5
    notes *= cut | ((T > 0.7) & (T < 8.3))
    x = sum(np.sin(2 * np.pi * 700 * h * T) / h for h in range(1, 9)) * 0.1 * notes[None]
    x += 0.008 * (np.sin(2 * np.pi * 1800 * T) + 0.22 * np.sin(2 * np.pi * 1801.3 * T))
    starts = [("cut-start", (0,)), ("cut-end", (0,))] if cut else []
    assert _asked(x) == starts
