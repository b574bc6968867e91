"""Above 20 kHz: what never changes the outcome, and captures that are no captures."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ultrasonic_kit import CHECK, kinds, look, one, raised, tape, words

from checks.model import CaptureFormat, Verdict
from checks.registry import Context
from checks.sample_pass import SamplePass


def _case(seed: int) -> np.ndarray[Any, Any]:
    rng = np.random.default_rng(seed)
    source, true = tape(48_000, seed, 0.9), tape(96_000, seed + 1, 0.9)
    false = raised(source, 48_000, 96_000, rng.choice(["steep", "held"]))
    line = 1e-4 * np.sin(2 * np.pi * 30_100 * np.arange(len(true)) / 96_000)
    return words(np.stack((true + line, false[: len(true)])))


CASE = _case(50)
WHOLE = look(CASE, 96_000)


@settings(max_examples=20, deadline=None)
@given(cuts=st.lists(st.integers(0, CASE.shape[1]), max_size=6))
def test_no_cut_of_the_stream_changes_anything(cuts):
    assert look(CASE, 96_000, cuts=cuts) == WHOLE


def test_no_cut_changes_what_is_chosen_of_a_long_capture():
    rng = np.random.default_rng(51)
    x = rng.integers(-(2**24), 2**24, (1, 16_384 * 90), dtype=np.int32) * 64
    whole = look(x, 192_000)
    assert whole.measures.spectra_share < 1
    assert look(x, 192_000, cuts=[1, 16_383, 700_000, 1_000_001]) == whole


def test_the_other_way_up_and_the_other_order_are_the_same():
    assert look(np.negative(CASE), 96_000).measures == WHOLE.measures
    swapped = look(CASE[::-1].copy(), 96_000)
    for here, there in ((0, 1), (1, 0)):
        a, b = WHOLE.measures.tracks[here], swapped.measures.tracks[there]
        assert dataclasses.replace(a, track=0) == dataclasses.replace(b, track=0)
    assert one(swapped, "brickwall").tracks == (0,)
    assert one(WHOLE, "brickwall").tracks == (1,)


def test_digital_silence_before_and_after_changes_no_finding():
    quiet = np.zeros((2, 16_384 * 4), np.int32)
    padded = look(np.concatenate((quiet, CASE, quiet), axis=1), 96_000)
    assert kinds(padded) == kinds(WHOLE)
    for a, b in zip(padded.measures.tracks, WHOLE.measures.tracks, strict=True):
        assert a.brickwall_hz == pytest.approx(b.brickwall_hz or 0.0, rel=0.02) or (
            a.brickwall_hz is b.brickwall_hz is None
        )


@pytest.mark.parametrize("known", [True, False])
def test_the_share_of_a_long_capture_is_bounded(known):
    blocks = 2_000
    fmt = CaptureFormat(
        rate_hz=352_800, channels=1, word_length=24, frames=blocks * 16_384 if known else None
    )
    run = SamplePass(Context(fmt=fmt), [CHECK])
    rng = np.random.default_rng(52)
    x = rng.integers(-(2**20), 2**20, (1, 16_384), dtype=np.int32)
    for _ in range(blocks):
        run.feed(x)
    share = run.finish()["ultrasonic"].measures.spectra_share
    assert 0.05 <= share <= 0.09


# -- what must not hurt ------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [1, 1_234, 40_500, 96_000, 384_000, 3_000_000])
@pytest.mark.parametrize("frames", [0, 1, 255, 16_384, 40_000])
def test_any_rate_and_length_goes_through(rate, frames):
    rng = np.random.default_rng(53)
    x = rng.integers(-(2**31), 2**31, (1, frames), dtype=np.int32)
    outcome = look(x, rate)
    assert not [f for f in outcome.findings if f.verdict is Verdict.REDO]


@pytest.mark.parametrize("value", [0, 1, -1, 2**31 - 1, -(2**31)])
def test_a_constant_is_no_signal(value):
    outcome = look(np.full((2, 100_000), value, np.int32), 96_000)
    assert outcome.findings == ()
    assert outcome.measures.tracks[0].why == "no signal was seen"


ODD = {
    "NaN": lambda x: np.where(np.arange(x.shape[1]) % 50_000 == 77, np.nan, x),
    "infinite": lambda x: np.where(np.arange(x.shape[1]) < 30_000, np.inf, x),
    "all NaN": lambda x: x * np.nan,
    "denormal": lambda x: x * 1e-40,
    "huge": lambda x: x * 1e37,
}


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("name", ODD)
def test_odd_floats_go_through(name, dtype):
    rng = np.random.default_rng(54)
    x = ODD[name](0.1 * rng.standard_normal((2, 150_000))).astype(dtype)
    outcome = look(x, 96_000)
    assert not [f for f in outcome.findings if f.verdict is Verdict.REDO]


@pytest.mark.parametrize("tracks", [24, 64])
def test_many_tracks_are_measured_each(tracks):
    rng = np.random.default_rng(56)
    x = rng.integers(-(2**20), 2**20, (tracks, 80_000), dtype=np.int32) * 256
    outcome = look(x, 192_000)
    assert len(outcome.measures.tracks) == tracks
    assert kinds(outcome) in ([], [("no-evidence", "clear", "none")])
