"""What comes again soon behind itself is a string's, not samples put in."""

from __future__ import annotations

import numpy as np
import pytest
import stepping
from numpy.typing import NDArray
from scipy import signal

from checks.dropouts import _predict
from checks.dropouts._junction import ORDER
from checks.dropouts._steps import _comes_again

Floats = NDArray[np.float64]
RATE_HZ = 96_000


def plucks(seed: int, rate_hz: int, *, noise: float) -> Floats:
    """A string loop that soft noise sets going, over hiss, in steps of 24 bit.

    The loop is that of Karplus and Strong, "Digital Synthesis of Plucked-String and Drum Timbres",
    Computer Music Journal 7(2), 1983 (from memory).
    """
    rng = np.random.default_rng([31, seed])
    out = np.zeros(3 * rate_hz)
    for start in range(round(0.2 * rate_hz), len(out) - rate_hz // 2, round(0.3 * rate_hz)):
        period = round(rate_hz / rng.uniform(80, 330))
        burst = round(0.0025 * rate_hz)
        fed = np.zeros(len(out) - start)
        fed[:burst] = rng.standard_normal(burst) * np.hanning(burst)
        low_pass = signal.butter(1, rng.uniform(3000, 14_000), fs=rate_hz)
        wave = np.concatenate((np.zeros(period + 1), signal.lfilter(*low_pass, fed)))
        for k in range(period + 1, len(wave), period):  # one round of the loop
            before = wave[k - period - 1 : min(k, len(wave) - period)]
            wave[k : k + period] += 0.498 * (before[1:] + before[:-1])
        wave = wave[period + 1 :]
        out[start:] += rng.uniform(0.05, 0.3) * wave / np.abs(wave).max()
    return np.asarray(out * 2.0**23 + noise * rng.standard_normal(len(out)))


def comes_again(x: Floats, start: int, stop: int) -> bool:
    whitening = _predict.fitted(x[:start], ORDER)
    return _comes_again.comes_again(x, start, stop, whitening, RATE_HZ)


def bed_and_burst(frames: int) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(5)
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    bed = 1e5 * np.sin(2 * np.pi * 700 * t) + 40 * rng.standard_normal(len(t))
    return bed, 4e3 * rng.standard_normal(frames)


@pytest.mark.parametrize(("rate_hz", "seed", "noise"), [(44_100, 3, 60.0), (192_000, 5, 300.0)])
def test_strings_fed_by_soft_noise_ask_for_nothing(rate_hz: int, seed: int, noise: float) -> None:
    rows = [plucks(2 * seed + track, rate_hz, noise=noise) for track in range(2)]
    x = np.rint(np.array(rows)).astype(np.int32) << 8
    assert stepping.steps(x, rate_hz) == []


@pytest.mark.parametrize("frames", [12, 90, 500])
@pytest.mark.parametrize("share", [0.9, -0.4])
def test_a_burst_that_comes_again_weaker_is_known(frames: int, share: float) -> None:
    x, burst = bed_and_burst(frames)
    at, lag = 20_000, frames + 900
    x[at : at + frames] += burst
    x[at + lag : at + lag + frames] += share * burst
    assert comes_again(x, at, at + frames)


@pytest.mark.parametrize("frames", [6, 90, 500])
def test_a_burst_that_comes_once_is_not(frames: int) -> None:
    x, burst = bed_and_burst(frames)
    x[20_000 : 20_000 + frames] += burst
    assert not comes_again(x, 20_000, 20_000 + frames)


@pytest.mark.parametrize("frames", [1, 2, 3, 5])
def test_a_click_of_something_else_behind_a_few_samples_is_not_the_same(frames: int) -> None:
    found = 0
    for seed in range(20):
        x, _ = bed_and_burst(frames)
        rng = np.random.default_rng(seed)
        x[20_000 : 20_000 + frames] += 4e3 * rng.choice([-1, 1], frames)
        x[21_000:21_040] += 1.5e3 * rng.standard_normal(40)
        found += comes_again(x, 20_000, 20_000 + frames)
    assert found <= 2


def test_another_burst_behind_it_is_not_the_same() -> None:
    x, burst = bed_and_burst(90)
    x[20_000:20_090] += burst
    x[21_000:21_090] += burst[::-1]
    assert not comes_again(x, 20_000, 20_090)


def test_next_to_an_end_of_the_samples_nothing_is_known() -> None:
    x, burst = bed_and_burst(90)
    x[20_000:20_090] += burst
    assert not comes_again(x[:20_200], 20_000, 20_090)
