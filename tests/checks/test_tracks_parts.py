"""The measurements behind the tracks check, each against an outside reference."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Block, Workspace
from checks.model import CaptureFormat
from checks.tracks._equal import EqualStretches
from checks.tracks._hum import HumFinder
from checks.tracks._kinds import is_timecode, pilot_hz
from checks.tracks._levels import Levels, power_of_two
from checks.tracks._low import LowRate
from checks.tracks._offset import Offset
from checks.tracks._pairs import compared
from checks.tracks._segments import LENGTH, Segments


def blocks(x: Any, rate_hz: int, *, known_length: bool = True) -> Any:
    """Aligned blocks of whole samples, as the pass makes them."""
    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=len(x),
        word_length=32,
        floating=x.dtype.kind == "f",
        frames=x.shape[1] if known_length else None,
    )
    work = Workspace()
    for start in range(0, x.shape[1], BLOCK_FRAMES):
        lead = LEAD_FRAMES if start else 0
        piece = x[:, start - lead : start + BLOCK_FRAMES]
        yield Block(piece, start=start, lead=lead, fmt=fmt, work=work)


def form(x: Any, rate_hz: int, frames: int | None = None) -> CaptureFormat:
    floating = x.dtype.kind == "f"
    return CaptureFormat(
        rate_hz=rate_hz, channels=len(x), word_length=32, floating=floating, frames=frames
    )


# -- levels --------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [32_000, 44_100, 96_000, 192_000, 352_800, 384_000])
def test_noise_level_agrees_with_welch(rate_hz: int) -> None:
    # scipy.signal.welch: power density; integrated from 20 Hz to 20 kHz (or 0.4535 of the rate)
    rng = np.random.default_rng(2)
    x = (0.01 * rng.standard_normal((1, 20 * BLOCK_FRAMES))).astype(np.float32)
    levels = Levels(form(x, rate_hz))
    for block in blocks(x, rate_hz):
        levels.feed(block, np.zeros(1))
    f, density = signal.welch(x[0].astype(np.float64), rate_hz, nperseg=4096)
    heard = (f >= 20) & (f <= min(20_000, 0.4535 * rate_hz))
    expected = 10 * math.log10(2 * float(np.trapezoid(density[heard], f[heard])))
    found = levels.level_dbfs(0, 50)
    assert found == pytest.approx(expected, abs=0.4)  # quarter decibels, 2 % of the range


def test_loud_low_programme_does_not_hide_the_hiss() -> None:
    # side lobes of the four-term window lie 92 dB down (F. J. Harris, 1978)
    t = np.arange(10 * BLOCK_FRAMES) / 352_800
    rng = np.random.default_rng(2)
    low = 0.5 * np.sin(2 * np.pi * 120 * t) + 0.2 * np.sin(2 * np.pi * 700 * t)
    noise = 1e-4 * rng.standard_normal(len(t))
    x = np.array([noise, noise + low], np.float32)
    levels = Levels(form(x, 352_800))
    for block in blocks(x, 352_800):
        levels.feed(block, np.zeros(2))
    assert levels.level_dbfs(1, 50) == pytest.approx(levels.level_dbfs(0, 50), abs=0.6)


def test_parts_kept_stay_few_and_spread() -> None:
    rng = np.random.default_rng(2)
    x = (0.01 * rng.standard_normal((1, BLOCK_FRAMES))).astype(np.float32)
    levels = Levels(form(x, 352_800))
    work = Workspace()
    for n in range(3_000):
        block = Block(x, start=n * BLOCK_FRAMES, lead=0, fmt=form(x, 352_800), work=work)
        levels.feed(block, np.zeros(1))
    assert levels.parts == 3_000
    assert 512 <= len(levels.stored) <= 1_024


@pytest.mark.parametrize(
    ("value", "low", "high", "expected"),
    [(130.9, 32, 1024, 128), (5, 32, 64, 32), (999, 2, 64, 64)],
)
def test_power_of_two(value: float, low: int, high: int, expected: int) -> None:
    assert power_of_two(value, low, high) == expected


# -- equal stretches -----------------------------------------------------------------------------


def plain_stretches(x: Any, shortest: int) -> set[tuple[int, int, int, int]]:
    """Sample by sample: first track, second track, first frame, length."""
    found = set()
    for a, b in itertools.combinations(range(len(x)), 2):
        at = 0
        for equal, run in itertools.groupby((x[a] == x[b]).tolist()):
            length = len(list(run))
            if equal and length >= shortest:
                found.add((a, b, at, length))
            at += length
    return found


@settings(max_examples=40, deadline=None)
@given(
    places=st.lists(
        st.tuples(st.integers(0, 40_000), st.integers(100, 3_000), st.integers(0, 2)), max_size=4
    ),
    frames=st.integers(30_000, 40_000),
)
def test_equal_stretches_agree_with_a_plain_search(
    places: list[tuple[int, int, int]], frames: int
) -> None:
    rng = np.random.default_rng(frames)
    x = rng.integers(-(2**23), 2**23, (4, frames)).astype(np.int32) << 8
    for at, length, pair in places:
        x[pair + 1, at : at + length] = x[pair, at : at + length]
    finder = EqualStretches(form(x, 96_000), 200)
    for block in blocks(x, 96_000):
        finder.feed(block)
    found = {
        (*double.tracks, stretch.start, stretch.stop - stretch.start)
        for double in finder.finish()
        for stretch in double.stretches
    }
    wanted = plain_stretches(x, 200)
    # tracks are chained: (a, c) is left out where (a, b) and (b, c) say it
    assert found <= wanted
    for a, b, start, length in wanted - found:
        chained = [s for s in found if s[2] <= start and s[2] + s[3] >= start + length]
        assert {a, b} <= {t for s in chained for t in s[:2]}


@pytest.mark.parametrize("dtype", [np.int32, np.float32, np.float64])
@pytest.mark.parametrize("tracks", [2, 24, 64])
def test_one_short_double_among_many_tracks(dtype: Any, tracks: int) -> None:
    rng = np.random.default_rng(7)
    x = rng.standard_normal((tracks, 60_000))
    x = (x * 2**22).astype(np.int32) << 6 if dtype is np.int32 else x.astype(dtype)
    x[tracks - 1, 33_333:33_593] = x[0, 33_333:33_593]
    finder = EqualStretches(form(x, 48_000), 256)
    for block in blocks(x, 48_000):
        finder.feed(block)
    (double,) = finder.finish()
    assert double.tracks == (0, tracks - 1)
    assert [(s.start, s.stop) for s in double.stretches] == [(33_333, 33_593)]


def test_many_stretches_are_counted_and_the_longest_kept() -> None:
    rng = np.random.default_rng(7)
    x = rng.integers(-(2**23), 2**23, (2, 400_000)).astype(np.int32) << 8
    for n in range(50):
        x[1, n * 7_000 : n * 7_000 + 300 + n] = x[0, n * 7_000 : n * 7_000 + 300 + n]
    finder = EqualStretches(form(x, 48_000), 256)
    for block in blocks(x, 48_000):
        finder.feed(block)
    (double,) = finder.finish()
    assert double.count == 50
    assert double.frames == sum(300 + n for n in range(50))
    assert [s.stop - s.start for s in double.stretches] == list(range(342, 350))


def test_only_a_noiseless_sine_is_a_generator_tone() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(60_000) / 48_000
    tone = 0.1 * np.sin(2 * np.pi * 1_000 * t)
    both = np.where(t < 0.4, tone, tone + 1e-4 * rng.standard_normal(len(t)))  # -77 dBFS
    x = np.array([both, both])
    x[:, 19_200:30_000] += 0.1 * rng.standard_normal((2, 10_800))  # apart
    x = np.rint(x * 2**23).astype(np.int32) << 8
    finder = EqualStretches(form(x, 48_000), 256)
    for block in blocks(x, 48_000):
        finder.feed(block)
    (double,) = finder.finish()
    assert [s.tone for s in double.stretches] == [True, False]


# -- stretches kept, brought down to a lower rate ------------------------------------------------


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000, 352_800])
def test_kept_stretches_are_what_scipy_filters(rate_hz: int) -> None:
    rng = np.random.default_rng(1)
    x = (0.1 * rng.standard_normal((2, 300_000))).astype(np.float32)
    segments = Segments(form(x, rate_hz, x.shape[1]))
    for block in blocks(x, rate_hz):
        segments.feed(block)
    kept, starts = segments.kept()
    factor = round(rate_hz / segments.rate_hz)
    taps = segments._taps[: LEAD_FRAMES + factor, 0] if factor > 1 else np.ones(1)
    wanted = signal.lfilter(taps[::-1], 1.0, x.astype(np.float64), axis=1)[:, factor - 1 :: factor]
    assert len(starts) > 3
    for stretch, start in zip(kept, starts, strict=True):
        at = start // factor
        np.testing.assert_allclose(stretch, wanted[:, at : at + LENGTH], atol=2e-6)
    # flat to a hundredth below the limit, and 60 dB down where it would fold there
    w, h = signal.freqz(taps, worN=8192, fs=rate_hz)
    assert np.abs(np.abs(h[w <= segments.high_hz]) - 1).max() < 0.01
    if factor > 1:
        folding = w >= segments.rate_hz - segments.high_hz
        assert 20 * np.log10(np.abs(h[folding]).max()) < -55


@pytest.mark.parametrize("known_length", [True, False])
def test_stretches_stay_few_and_spread(known_length: bool) -> None:
    x = np.ones((2, 300 * BLOCK_FRAMES), np.float32)
    segments = Segments(form(x, 48_000, x.shape[1] if known_length else None))
    for block in blocks(x, 48_000, known_length=known_length):
        segments.feed(block)
    kept, starts = segments.kept()
    assert 12 <= len(kept) <= 24
    assert len(set(np.diff(starts))) == 1
    assert starts[-1] + np.diff(starts)[0] >= x.shape[1] - 20 * BLOCK_FRAMES


# -- pairs ---------------------------------------------------------------------------------------


def pairs_of(x: Any, rate_hz: int, search_s: float = 0.05) -> Any:
    segments = Segments(form(x, rate_hz, x.shape[1]))
    for block in blocks(x, rate_hz):
        segments.feed(block)
    return compared(segments, np.cov(x), left_out=set(), least_correlation=0.4, search_s=search_s)


@pytest.mark.parametrize("rate_hz", [44_100, 192_000])
@pytest.mark.parametrize("delay", [0, 3, -57, 1500])
def test_delay_agrees_with_the_peak_of_scipys_correlation(rate_hz: int, delay: int) -> None:
    rng = np.random.default_rng(5)
    b, a = signal.butter(2, 6_000, fs=rate_hz)
    y = signal.lfilter(b, a, rng.standard_normal(400_000)) + 0.01 * rng.standard_normal(400_000)
    x = np.array([y[2_000:-2_000], -0.5 * y[2_000 - delay : len(y) - 2_000 - delay]], np.float32)
    x += 1e-4 * rng.standard_normal(x.shape).astype(np.float32)
    line = signal.correlate(x[1], x[0], mode="full", method="fft")
    lags = signal.correlation_lags(x.shape[1], x.shape[1])
    wanted = int(lags[np.argmax(np.abs(line))])
    (pair,) = pairs_of(x, rate_hz)
    assert wanted == delay
    assert pair.delay_s * rate_hz == pytest.approx(wanted, abs=0.01)
    assert pair.inverted
    assert pair.gain_db == pytest.approx(20 * math.log10(0.5), abs=0.02)


def test_residual_is_what_was_added() -> None:
    # noise of a hundredth: 20 log10(0.01) = -40 dB of the whole
    rng = np.random.default_rng(5)
    one = rng.standard_normal(300_000)
    x = np.array([one, one + 0.01 * rng.standard_normal(len(one))], np.float32) * np.float32(0.1)
    (pair,) = pairs_of(x, 48_000)
    assert pair.residual_db == pytest.approx(-40.0, abs=0.3)
    assert pair.own_share == 0.0


def test_hiss_of_their_own_shows_in_the_cells() -> None:
    # programme below 3 kHz only: above it the two have nothing in common
    rng = np.random.default_rng(5)
    b, a = signal.butter(6, 3_000, fs=48_000)
    one = signal.lfilter(b, a, rng.standard_normal(300_000))
    x = np.array([one, one]) + 1e-3 * rng.standard_normal((2, 300_000))
    (pair,) = pairs_of(x.astype(np.float32), 48_000)
    assert pair.correlation > 0.99
    assert pair.own_share > 0.3


def test_delays_beyond_the_search_are_not_told() -> None:
    rng = np.random.default_rng(5)
    y = 0.1 * rng.standard_normal(300_000)
    x = np.array([y[5_000:], y[:-5_000]], np.float32)  # 104 ms
    assert pairs_of(x, 48_000) == []
    (pair,) = pairs_of(np.array([y[2_000:], y[:-2_000]], np.float32), 48_000)
    assert pair.delay_s == pytest.approx(2_000 / 48_000, abs=1e-7)


# -- hum -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [2_000, 44_100, 96_000, 352_800])
@pytest.mark.parametrize("hz", [49.8, 50.03, 60.1])
def test_mains_lines_at_any_rate(rate_hz: int, hz: float) -> None:
    low = LowRate(rate_hz)
    finder = HumFinder(1, low, 0.5, lambda series: None)
    t = np.arange(rate_hz * 10) / rate_hz
    rng = np.random.default_rng(6)
    x = 1e-2 * (np.sin(2 * np.pi * hz * t) + 0.5 * np.sin(2 * np.pi * 3 * hz * t + 1))
    x = (x + 1e-4 * rng.standard_normal(len(t))).astype(np.float32)[None]
    for block in blocks(x, rate_hz):
        finder.feed(low.smooth(block))
    found = finder.hum(0)
    assert found is not None
    assert found.mains_hz == pytest.approx(hz, abs=0.03)
    # 20 log10(0.01), and a quarter of the power more
    assert found.level_dbfs == pytest.approx(-40 + 10 * math.log10(1.25), abs=0.4)
    assert found.harmonics == (1, 3)


def test_the_mean_has_the_gain_of_its_own_formula() -> None:
    low = LowRate(48_000)
    t = np.arange(48_000) / 48_000
    x = np.sin(2 * np.pi * 300 * t).astype(np.float32)[None]
    series = np.concatenate([low.smooth(b) for b in blocks(x, 48_000)], axis=1)
    assert np.sqrt(2 * np.mean(series**2)) == pytest.approx(low.gain(300), abs=1e-3)


# -- offset --------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(frames=st.integers(1, 300_000), rate_hz=st.sampled_from([1_234, 48_000, 352_800]))
def test_means_are_those_of_numpy(frames: int, rate_hz: int) -> None:
    rng = np.random.default_rng(frames)
    x = (0.1 * rng.standard_normal((2, frames)) + [[0.01], [-0.3]]).astype(np.float32)
    low = LowRate(rate_hz)
    offset = Offset(2, low.width)
    for block in blocks(x, rate_hz):
        offset.feed(block, low.of(block))
    np.testing.assert_allclose(offset.means(), x.mean(axis=1, dtype=np.float64), atol=1e-7)


# -- kinds ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("bits_a_second", [960, 1_920, 2_000, 2_400, 4_800])
@pytest.mark.parametrize("noise", [0.0, 0.03])
def test_biphase_code_is_timecode(bits_a_second: int, noise: float) -> None:
    # IEC 60461: a change at each bit's beginning, for a one another in its middle
    rng = np.random.default_rng(4)
    bits = rng.integers(0, 2, 4_000)
    cells = np.repeat((np.cumsum(np.column_stack((np.ones_like(bits), bits)).ravel()) % 2), 1)
    at = np.arange(4 * 8192) / 44_100 * bits_a_second * 2
    x = (2.0 * cells[at.astype(int) % len(cells)] - 1) * 0.2
    x += noise * 0.2 * rng.standard_normal(len(x))
    assert is_timecode(x.reshape(4, 8192).astype(np.float32), 44_100)


@pytest.mark.parametrize("seed", range(3))
def test_programme_is_neither_timecode_nor_pilot(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(8192) / 44_100
    square = np.sign(np.sin(2 * np.pi * 440 * t))
    chord = sum(np.sin(2 * np.pi * f * t) for f in (220, 277, 330))
    noise = rng.standard_normal(8192)
    for one in (square, chord, noise):
        x = np.tile(0.1 * one, (6, 1)).astype(np.float32)
        assert not is_timecode(x, 44_100)
        assert pilot_hz(x, 44_100) is None or one is square


@pytest.mark.parametrize("hz", [50.0, 59.94, 1_000.0, 14_400.0])
def test_steady_tone_is_a_pilot(hz: float) -> None:
    t = np.arange(6 * 8192) / 44_100
    x = (0.1 * np.sin(2 * np.pi * hz * t)).reshape(6, 8192).astype(np.float32)
    found = pilot_hz(x, 44_100)
    assert found == pytest.approx(hz, abs=3.0)
    x[3:] *= 0.1  # a tone that changes its level is none
    assert pilot_hz(x, 44_100) is None
