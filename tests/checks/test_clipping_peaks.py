"""Sample peak and true peak, against EBU Tech 3341, ITU-R BS.1770 and SciPy's own filtering."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from checks._true_peak import PHASES, Peaks
from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Block, Workspace
from checks.model import CaptureFormat

Floats = NDArray[np.float64]
TOP = 2**23 - 1


def peaks_of(x: NDArray[Any], rate_hz: int) -> Peaks:
    """The peaks of (tracks, frames) samples, int32 or float, fed as aligned blocks."""
    fmt = CaptureFormat(
        rate_hz=rate_hz, channels=len(x), word_length=24, floating=x.dtype.kind == "f"
    )
    peaks, work = Peaks(fmt), Workspace()
    for start in range(0, x.shape[1], BLOCK_FRAMES):
        lead = LEAD_FRAMES if start else 0
        view = x[:, start - lead : start + BLOCK_FRAMES]
        peaks.feed(Block(view, start=start, lead=lead, fmt=fmt, work=work))
    return peaks


def words(x: Floats) -> NDArray[np.int32]:
    """24-bit words, left-justified, (1, frames) for one row."""
    steps = np.clip(np.rint(np.atleast_2d(x) * 2**23), -(2**23), TOP).astype(np.int64)
    return (steps << 8).astype(np.int32)


def db(x: float | np.floating[Any]) -> float:
    return float(20 * np.log10(x))


def tone(rate_hz: int, hz: float, amplitude: float, degrees: float, seconds: float) -> Floats:
    t = np.arange(round(rate_hz * seconds)) / rate_hz
    x = amplitude * np.sin(2 * np.pi * hz * t + np.deg2rad(degrees))
    ramp = np.clip(np.arange(1, len(t) + 1) / (0.01 * rate_hz), 0, 1)  # 10 ms, EBU Tech 3341
    return np.asarray(x * ramp * ramp[::-1])


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000, 352_800])
def test_sample_peak_of_a_full_scale_sine(rate_hz: int) -> None:
    # AES17-2015: its peak is 0 dBFS; half of it -6.02
    t = np.arange(rate_hz) / rate_hz
    x = np.sin(2 * np.pi * 997 * t)
    found = peaks_of(words(np.stack((x, x / 2))), rate_hz)
    assert db(found.sample[0]) == pytest.approx(0.0, abs=0.001)
    assert db(found.sample[1]) == pytest.approx(-6.02, abs=0.01)


def test_float_beyond_full_scale_is_measured() -> None:
    x = np.zeros((1, 400), np.float32)
    x[0, 200] = 1.5
    assert db(peaks_of(x, 352_800).sample[0]) == pytest.approx(3.52, abs=0.005)  # 20 log10 1.5


# EBU Tech 3341 v4 (2023), table 1, cases 15 to 19: true peak within +0.2/-0.4 dB
@pytest.mark.parametrize(
    ("part", "amplitude", "degrees", "expected_dbtp"),
    [(4, 0.5, 0, -6.0), (4, 0.5, 45, -6.0), (6, 0.5, 60, -6.0), (8, 0.5, 67.5, -6.0),
     (4, 1.41, 45, 3.0)],
)  # fmt: skip
def test_true_peak_of_tones(
    part: int, amplitude: float, degrees: float, expected_dbtp: float
) -> None:
    x = tone(48_000, 48_000 / part, amplitude, degrees, 0.2)
    found = db(peaks_of(words(x), 48_000).true[0])
    assert expected_dbtp - 0.4 <= found <= expected_dbtp + 0.2


# EBU Tech 3341 v4 (2023), table 1, cases 20 to 23: 0.0 dBTP within +0.2/-0.4 dB
@pytest.mark.parametrize("offset", [0, 1, 2, 3])
def test_true_peak_of_a_burst_between_samples(offset: int) -> None:
    fine = 4 * 48_000
    t = np.arange(round(0.2 * fine)) / fine
    low, high = 48_000 / 6, 48_000 / 4
    n, period = round(0.1 * fine / 24) * 24, 16  # a whole period of 8 kHz; one of 12 kHz at 4 fs
    x = 0.5 * np.sin(2 * np.pi * low * t)
    x[n : n + period] = np.sin(2 * np.pi * high * t[:period])
    x[n + period :] = 0.5 * np.sin(2 * np.pi * low * t[: len(t) - n - period])
    ramp = np.clip(np.arange(len(t)) / (0.01 * fine), 0, 1)
    taps = signal.firwin(255, 22_000, fs=fine)
    filtered = np.convolve(x * ramp * ramp[::-1], taps, "same")
    found = db(peaks_of(words(filtered[offset::4]), 48_000).true[0])
    assert -0.4 <= found <= 0.2


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_tone_whose_samples_miss_the_crest(rate_hz: int) -> None:
    # a quarter of the rate, 45 degrees: samples 3.01 dB below the crest
    found = peaks_of(words(tone(rate_hz, rate_hz / 4, 0.999, 45, 0.1)), rate_hz)
    assert db(found.sample[0]) == pytest.approx(-3.01, abs=0.02)
    assert -0.4 <= db(found.true[0]) <= 0.2


def test_a_hard_edged_file_is_no_jump_from_silence() -> None:
    x = 0.5 * np.sin(2 * np.pi * np.arange(4800) / 8 + np.deg2rad(67.5))  # case 18, no fades
    assert -6.4 <= db(peaks_of(words(x), 48_000).true[0]) <= -5.8


def test_filter_table() -> None:
    # ITU-R BS.1770-5, Annex 2: each phase is the mirror of another; sums as computed from it
    assert np.array_equal(PHASES[::-1], PHASES[:, ::-1])
    np.testing.assert_allclose(PHASES.sum(axis=0), [1.00159, 0.97302, 0.97302, 1.00159], atol=1e-5)
    assert np.array_equal(PHASES * 2**13, np.rint(PHASES * 2**13))


def by_scipy(x: Floats) -> float:
    """The largest value of the same filter, run over all samples by SciPy."""
    full = signal.upfirdn(PHASES.ravel(), x, up=4)[4 * 11 : 4 * len(x)]
    return max(float(np.abs(full).max(initial=0.0)), float(np.abs(x).max()))


@settings(deadline=None, max_examples=25)
@given(
    st.integers(0, 2**32 - 1), st.sampled_from([13, 500, 16_384, 20_000]),
    st.sampled_from([1, 3, 40, 400]), st.sampled_from([0.0, 0.02, 1.0]),
)  # fmt: skip
def test_only_blocks_that_count_are_filtered_and_the_result_is_exact(
    seed: int, frames: int, smooth: int, noise: float
) -> None:
    rng = np.random.default_rng(seed)
    x = np.convolve(rng.standard_normal(frames + smooth), np.ones(smooth), "valid")[:frames]
    x *= 0.9 / np.abs(x).max()
    x *= np.interp(np.arange(frames), [0, frames / 3, frames], rng.uniform(0.1, 1, 3))
    x = x * 0.8 + noise * 0.1 * rng.uniform(-1, 1, frames)
    samples = words(x)
    found = peaks_of(samples, 48_000)
    assert found.true[0] == pytest.approx(by_scipy(samples[0] * 2.0**-31), rel=1e-6)
    assert found.true[0] >= found.sample[0]


def test_a_peak_across_the_border_of_two_blocks() -> None:
    x = np.zeros(2 * BLOCK_FRAMES)
    x[BLOCK_FRAMES - 1 : BLOCK_FRAMES + 1] = 0.5, 0.5  # between them the filter gives 0.62
    samples = words(x)
    found = peaks_of(samples, 48_000)
    assert found.true[0] == pytest.approx(by_scipy(samples[0] * 2.0**-31), rel=1e-6)
    assert found.true[0] > 0.6


@pytest.mark.parametrize("at", range(1_000, 1_140, 7))
def test_a_peak_between_samples_anywhere(at: int) -> None:
    x = np.zeros(4_096)
    x[200] = 0.55  # the largest sample stands elsewhere
    x[at : at + 2] = 0.5, 0.5
    samples = words(x)
    assert peaks_of(samples, 48_000).true[0] == pytest.approx(
        by_scipy(samples[0] * 2.0**-31), rel=1e-6
    )


def test_at_high_rates_the_samples_are_the_peak() -> None:
    # ITU-R BS.1770-5, Annex 2: 192 kHz is the rate to be reached
    x = words(tone(192_000, 48_000, 0.9, 45, 0.05))
    found = peaks_of(x, 192_000)
    assert found.true[0] == found.sample[0]


def test_what_is_no_number_counts_as_nothing() -> None:
    x = np.zeros((2, 64))
    x[0, 10], x[0, 20], x[0, 30], x[1, 5] = np.nan, np.inf, -0.25, 1e-310
    found = peaks_of(x, 48_000)
    assert found.sample[0] == 0.25
    assert found.true[0] < 0.3
