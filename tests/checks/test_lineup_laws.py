"""What never changes what is measured of line-up tones, and captures that are no captures."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from bench_lineup.signals import ints, line_up, run
from hypothesis import given, settings
from hypothesis import strategies as st
from lineup_kit import HIGH, LEVEL, RATE

SIGNAL = line_up(RATE, [LEVEL, HIGH], tracks=3, delays_s=[0, 4e-6, 9e-6], gains_db=[0, 0.5, -0.4])
WHOLE = run(ints(SIGNAL.samples), RATE)


@settings(max_examples=8, deadline=None)
@given(cuts=st.lists(st.integers(0, SIGNAL.samples.shape[1]), max_size=6))
def test_cuts_change_nothing(cuts: list[int]) -> None:
    assert run(ints(SIGNAL.samples), RATE, cuts=cuts) == WHOLE


def test_track_order_and_polarity_change_no_level_and_no_frequency() -> None:
    order = [2, 0, 1]
    turned = run(ints(-SIGNAL.samples[order]), RATE).measures
    for a, b in zip(WHOLE.measures.tones, turned.tones, strict=True):
        assert b.frequency_hz == pytest.approx(a.frequency_hz, rel=1e-7)
        levels = [t.level_dbfs for t in a.tracks]
        assert [t.level_dbfs for t in b.tracks] == pytest.approx(
            [levels[k] for k in order], abs=1e-3
        )


def test_silence_around_changes_nothing_but_the_place() -> None:
    shift = 3 * 16_384
    x = ints(SIGNAL.samples)
    quiet = np.pad(x, ((0, 0), (shift, shift)))
    for a, b in zip(WHOLE.measures.tones, run(quiet, RATE).measures.tones, strict=True):
        assert b.start_s == pytest.approx(a.start_s + shift / RATE, abs=0.01)
        assert b.frequency_hz == pytest.approx(a.frequency_hz, rel=1e-7)
        assert b.tracks[1].level_dbfs == pytest.approx(a.tracks[1].level_dbfs, abs=1e-3)


def test_float_captures_read_like_words() -> None:
    x = ints(SIGNAL.samples)
    for dtype in (np.float32, np.float64):
        assert run((x / 2.0**31).astype(dtype), RATE).measures == WHOLE.measures


# -- nothing breaks it -------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [1, 1234, 16_000, 44_100, 352_800, 3_000_000])
@pytest.mark.parametrize("tracks", [1, 64])
@pytest.mark.parametrize("frames", [0, 1, 16_384, 70_001])
def test_any_rate_and_size_goes_through(rate_hz: int, tracks: int, frames: int) -> None:
    x = (np.arange(tracks * frames).reshape(tracks, frames) * 7919 % 4001).astype(np.int32) << 16
    run(x, rate_hz)


@pytest.mark.parametrize("value", [0, 2**31 - 1, -(2**31)])
def test_constant_words_are_no_tone(value: int) -> None:
    assert run(np.full((2, 5 * RATE), value, np.int32), RATE).findings == ()


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e-44, 1e30, 3e38])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_odd_floats_give_finite_measures(value: float, dtype: Any) -> None:
    x = (SIGNAL.samples[:, : 4 * RATE]).astype(dtype)
    x[0, RATE : RATE + 200] = value
    x[1] = value
    outcome = run(x, RATE)
    for tone in outcome.measures.tones:
        for track in tone.tracks:
            for field in ("level_dbfs", "phase_deg", "noise_dbfs", "distortion_percent"):
                number = getattr(track, field)
                assert number is None or math.isfinite(number)
