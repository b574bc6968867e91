"""Flat tops with noise on them, and what was bent softly under the same noise."""

from __future__ import annotations

import numpy as np
import pytest
from clipping_kit import Floats, asking, check, lines, only, words


def notes(seed: int, rate_hz: int, seconds: float = 1.5) -> Floats:
    """Sustained chords of some partials that swell and fade; peak 1.0."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(rate_hz * seconds)) / rate_hz
    x = np.zeros(len(t))
    for start in np.arange(0, seconds, 0.3):
        late = np.clip((t - start) / 0.3, 0, 1)
        for f in rng.uniform(150, 700, 3):
            for k in range(1, 7):
                x += np.sin(np.pi * late) * np.sin(2 * np.pi * k * f * t + k * k) / k**1.3
    return x / np.abs(x).max()


@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
@pytest.mark.parametrize("over_db", [3, 9])
def test_every_exact_top_is_counted(rate_hz: int, over_db: float) -> None:
    """Also such as lie at the foot of a higher crest, or between two that run into one another."""
    x = notes(4, rate_hz) * 10 ** (over_db / 20)
    x += 0.12 * notes(5, 4 * rate_hz, 0.375)  # chords two octaves up
    count = 0
    for sign in (1, -1):
        edges = np.flatnonzero(np.diff((sign * x > 1).astype(np.int8), prepend=0, append=0))
        count += int(np.count_nonzero(edges[1::2] - edges[::2] >= 3))  # and 7.5 us
    outcome = check(words(0.3 * np.clip(x, -1, 1)), rate_hz)
    found = only(outcome, "flat-top")
    assert found.values["count"] == pytest.approx(count, rel=0.05)
    assert lines(outcome)[0].flat_tops == found.values["count"]
    assert found.text.startswith(f"{found.values['count']} peaks")
    noisy = only(check(words(0.3 * with_noise(np.clip(x, -1, 1), 60, 1)), rate_hz), "flat-top")
    assert noisy.text.startswith("At least ")


def with_noise(x: Floats, below_db: float, seed: int) -> Floats:
    return x + 10 ** (-below_db / 20) * np.random.default_rng(seed).standard_normal(len(x))


@pytest.mark.parametrize("rate_hz", [48_000, 96_000, 352_800])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noisy_tops_are_found_from_3_and_a_half_db_over(rate_hz: int, seed: int) -> None:
    x = np.clip(notes(seed, rate_hz), -0.668, 0.668) / 0.668  # 3.5 dB
    outcome = check(words(0.12 * with_noise(x, 52, seed)), rate_hz)
    assert asking(outcome) == [("flat-top", "listen", (0,))]
    # 20 log10 0.12 = -18.4 dBFS
    assert only(outcome, "flat-top").values["level_dbfs"] == pytest.approx(-18.4, abs=0.1)


@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
@pytest.mark.parametrize("drive_db", [3, 6, 9, 12])
@pytest.mark.parametrize("below_db", [52, 80])
def test_what_was_bent_softly_is_not_clipped_however_noisy(
    rate_hz: int, drive_db: float, below_db: float
) -> None:
    """Tape bends so: a hyperbolic tangent, driven by up to 12 dB."""
    for seed in (1, 2, 3):
        x = np.tanh(10 ** (drive_db / 20) * notes(seed, rate_hz))
        assert asking(check(words(0.12 * with_noise(x, below_db, seed)), rate_hz)) == []


def brass(rate_hz: int, seed: int) -> Floats:
    """Pulses as of lips: all partials in phase, most of a period near one level."""
    rng = np.random.default_rng([seed, 6])
    time = np.arange(2 * rate_hz) / rate_hz
    turns = 6.2832 * np.cumsum(220 * (1 + 0.006 * np.sin(34 * time))) / rate_hz
    x = sum(np.cos(k * turns) * np.exp(-0.12 * k) for k in range(1, 60))
    x = x * (1 - 0.4 * np.cos(9 * time)) + 1e-3 * rng.standard_normal(len(time))
    return np.asarray(0.4 * x / np.abs(x).max())


@pytest.mark.parametrize("rate_hz", [88_200, 176_400])
@pytest.mark.parametrize("noise_db", [None, -60.0])
def test_pulses_that_rest_near_one_level_are_looked_at(
    rate_hz: int, noise_db: float | None
) -> None:
    """Not taken for clicks on a quiet ground, whose tops are flat by nature."""
    x = brass(rate_hz, 1)
    assert asking(check(words(x), rate_hz)) == []
    ceiling = 0.4 * 10 ** (-4 / 20)
    cut = np.minimum(x, ceiling)
    if noise_db is not None:
        rng = np.random.default_rng(2)
        cut += ceiling * 10 ** (noise_db / 20) * rng.standard_normal(len(cut))
    found = only(check(words(cut), rate_hz), "flat-top")
    assert found.tracks == (0,)
    assert found.values["level_dbfs"] == pytest.approx(20 * np.log10(ceiling), abs=0.2)
