"""Sound that is pushed: strikes, plucks, voices and reeds push what rings on, in a sample or a few.

Such a push is foretold by nothing before it, and all that follows goes on from it. A strike is one
of them, a voice or a reed gives some hundred a second (source and filter of speech: Fant,
"Acoustic theory of speech production", 1960, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, lfilter, sosfilt
from stepping import Ints, steps

from checks.model import Verdict

RESONANCES = (
    ((700, 120), (2600, 300)),
    ((300, 80), (1500, 200)),
    ((420, 300), (3300, 500)),
    ((900, 90), (5000, 900)),
)
"""Frequency and bandwidth in Hz of each track's two."""


def ringing(pushed: np.ndarray, rate_hz: int) -> Ints:
    """Tracks that ring to what pushes them, (tracks, frames), -18 dBFS at most."""
    out = []
    for push, resonances in zip(pushed, RESONANCES, strict=False):
        y = push
        for f_hz, width_hz in resonances:
            r = np.exp(-np.pi * width_hz / rate_hz)
            y = lfilter([1.0], [1.0, -2 * r * np.cos(2 * np.pi * f_hz / rate_hz), r * r], y)
        out.append(np.rint(y / np.abs(y).max() * 2.0**20).astype(np.int32) << 8)
    return np.array(out)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
@pytest.mark.parametrize("tracks", [1, 4])
@pytest.mark.parametrize(("height", "frames"), [(12.0, 1), (15.0, 2), (30.0, 1)])
def test_a_strike_into_what_rings_is_no_cut(
    rate_hz: int, tracks: int, height: float, frames: int
) -> None:
    rng = np.random.default_rng(tracks)
    pushed = rng.standard_normal((tracks, rate_hz))
    for at in rng.integers(4_000, rate_hz - 4_000, 8):
        gain = height * rng.uniform(0.7, 1.3, (tracks, 1)) * rng.choice([-1, 1])
        pushed[:, at : at + frames] += gain
    assert steps(ringing(pushed, rate_hz), rate_hz) == []


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
@pytest.mark.parametrize("height", [10.0, 14.0])
@pytest.mark.parametrize("seed", [0, 1])
def test_samples_lost_from_a_voice_are_told_and_its_own_pushes_are_not(
    rate_hz: int, height: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    pushed = rng.standard_normal((1, rate_hz))
    at = np.arange(50, rate_hz - 50, rate_hz // 110)
    at += rng.integers(-3, 4, len(at))
    pushed[0, at] += height * (1 + 0.1 * rng.standard_normal(len(at)))
    hiss = np.rint(900 * rng.standard_normal((3, rate_hz))).astype(np.int32) << 8
    whole = np.vstack((ringing(pushed, rate_hz), hiss))
    assert steps(whole, rate_hz) == []

    start = int(at[50]) + 8
    voice = np.concatenate((whole[0, :start], whole[0, start + 64 :]))
    found = steps(np.vstack((voice, hiss[:, : len(voice)])), rate_hz)
    assert [(f.start_frame, f.tracks) for f in found] == [(start, (0,))]
    assert found[0].verdict in (Verdict.LISTEN, Verdict.REDO)


@pytest.mark.parametrize("seed", [11, 18])
def test_small_notes_that_stop_within_a_converters_sample_prove_nothing(seed: int) -> None:
    """Some count of frames left out hides each such step in what swings slowly around it."""
    rate_hz, seconds = 96_000, 4
    rng = np.random.default_rng(seed)
    t = np.arange(rate_hz * seconds) / rate_hz
    hz = rng.uniform(150, 500)
    swing = sum(
        0.1 / k**1.2 * np.sin(2 * np.pi * hz * k * t + rng.uniform(0, 6.28)) for k in range(1, 25)
    )
    notes, length = np.zeros(len(t)), round(0.12 * rate_hz)
    for begins_s in np.arange(0.3, seconds - 0.3, 0.15):
        stop = int((begins_s + rng.uniform(0, 0.05)) * rate_hz)
        size = rng.uniform(0.002, 0.03) * rng.choice([-1, 1])
        notes[stop - length : stop] += size * np.linspace(0, 1, length)
    x = sosfilt(butter(3, 22_000, fs=rate_hz, output="sos"), swing + notes)
    x += rng.standard_normal(len(t)) * 10 ** (-65 / 20)
    found = steps(np.rint(x * 2.0**23).astype(np.int32)[np.newaxis], rate_hz)
    assert [f for f in found if f.verdict is Verdict.REDO] == []


def brass(rate_hz: int, seed: int) -> Ints:
    """One track of narrow pulses, as of lips, over hiss: most of a period near one level."""
    rng = np.random.default_rng([seed, 6])
    time = np.arange(round(1.5 * rate_hz)) / rate_hz
    hz = rng.uniform(110, 400)
    turns = 2 * np.pi * np.cumsum(hz * (1 + 0.006 * np.sin(34 * time))) / rate_hz
    x = sum(np.cos(k * turns) * np.exp(-0.1 * k) for k in range(1, int(min(80, 18_000 / hz))))
    x = 0.4 * np.tanh(1.2 * x / np.abs(x).max() * (1 - 0.2 * np.cos(9 * time)))
    hiss = np.convolve(rng.standard_normal(len(time)), [0.3, 0.4, 0.3], "same")
    x += 10 ** (-66 / 20) * hiss + 10 ** (-110 / 20) * rng.standard_normal(len(time))
    return np.rint(x[np.newaxis] * 2.0**23).astype(np.int32) << 8


@pytest.mark.parametrize(
    ("rate_hz", "seed", "lost"),
    [(44_100, 3, 2000), (88_200, 0, 64), (88_200, 4, 24), (192_000, 1, 24), (192_000, 6, 2000)],
)
def test_samples_lost_in_pulses_are_told_though_each_pushes(
    rate_hz: int, seed: int, lost: int
) -> None:
    """17 to 250 standard deviations; on both sides of the cut lies what lies beside all pulses."""
    x = brass(rate_hz, seed)
    assert steps(x, rate_hz) == []
    at = round(0.7 * rate_hz) + 977 * seed
    (found,) = steps(np.ascontiguousarray(np.delete(x, slice(at, at + lost), axis=1)), rate_hz)
    assert found.start_frame == pytest.approx(at, abs=4)


def test_nothing_is_told_of_pulses_themselves() -> None:
    assert [steps(brass(rate, seed), rate) for rate in (44_100, 96_000) for seed in range(4)] == [
        []
    ] * 8
