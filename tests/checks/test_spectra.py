"""The spectral kernels against published window figures, SciPy, and noise of known power."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from checks._spectra import (
    BLACKMAN_HARRIS,
    HANN,
    Welch,
    cosine_window,
    decibels,
    one_sided,
    squared_bins,
)


@pytest.mark.parametrize(
    ("coefficients", "enbw_bins", "coherent_gain"),
    [
        (HANN, 1.5000, 0.5),  # Harris 1978, table I
        (BLACKMAN_HARRIS, 2.0044, 0.35875),  # Harris 1978, table I (4 terms, 92 dB)
    ],
)
def test_equivalent_noise_bandwidth_and_coherent_gain(coefficients, enbw_bins, coherent_gain):
    window = cosine_window(coefficients, 4096)
    assert window.length * window.s2 / window.s1**2 == pytest.approx(enbw_bins, abs=1e-4)
    assert window.s1 / window.length == pytest.approx(coherent_gain, abs=1e-4)


@pytest.mark.parametrize(
    ("coefficients", "name"), [(HANN, "hann"), (BLACKMAN_HARRIS, "blackmanharris")]
)
@pytest.mark.parametrize("length", [2, 3, 255, 1024])
def test_windows_are_those_of_scipy(coefficients, name, length):
    theirs = signal.get_window(name, length, fftbins=True)
    assert cosine_window(coefficients, length).values == pytest.approx(theirs, abs=1e-12)


@pytest.mark.parametrize("length", [-1, 0, 1])
def test_a_window_too_short_to_pass_anything_is_refused(length):
    with pytest.raises(ValueError, match=f"at least 2 values, got {length}"):
        cosine_window(HANN, length)


@pytest.mark.parametrize(
    ("coefficients", "scalloping_db"),
    [(HANN, -1.424), (BLACKMAN_HARRIS, -0.826)],  # Harris 1978, table I
)
def test_a_tone_half_a_bin_off_loses_what_the_window_says(coefficients, scalloping_db):
    length = 8192
    tone = np.sin(2 * np.pi * 500.5 * np.arange(length) / length)
    welch = Welch(cosine_window(coefficients, length), 48_000)
    welch.add(tone[None])
    assert decibels(welch.spectrum()).max() == pytest.approx(scalloping_db, abs=0.01)


def test_a_full_scale_tone_on_a_bin_reads_0_dbfs():
    # AES17-2015: 0 dBFS is a full-scale sine; density = power / (ENBW in hertz), Heinzel eq. 23
    length, rate = 8192, 48_000
    tone = np.sin(2 * np.pi * 170 * np.arange(length) / length)
    welch = Welch(cosine_window(HANN, length), rate)
    welch.add(tone[None])
    assert decibels(welch.spectrum())[170] == pytest.approx(0.0, abs=0.01)
    density_db = 10 * np.log10(welch.density()[170])
    assert density_db == pytest.approx(10 * np.log10(0.5 / (1.5 * rate / length)), abs=0.01)
    assert density_db == pytest.approx(-12.45, abs=0.05)


@pytest.mark.parametrize("offset", [0.0, 0.2, 0.5, 0.77])
def test_the_power_of_a_tone_is_the_sum_of_its_bins(offset):
    # Parseval: a tone of amplitude 1 has the mean square 1/2, wherever between two bins it lies
    length, rate = 8192, 48_000
    tone = np.sin(2 * np.pi * (170 + offset) * np.arange(length) / length + 0.3)
    welch = Welch(cosine_window(HANN, length), rate)
    welch.add(tone[None])
    total = welch.density()[165:177].sum() * welch.bin_hz
    assert 10 * np.log10(2 * total) == pytest.approx(0.0, abs=0.01)


def test_white_noise_has_its_density_and_its_power():
    # N(0, 0.1) at 96 kHz: 0.01 / 48 000 a hertz = -66.81 dB; integral 0.01 (Parseval)
    rng = np.random.default_rng(33)
    noise = 0.1 * rng.standard_normal(20 * 96_000)
    welch = Welch(cosine_window(HANN, 4096), 96_000)
    welch.add(noise[: len(noise) // 4096 * 4096].reshape(-1, 4096))
    density = welch.density()
    assert 10 * np.log10(density[10:-10].mean()) == pytest.approx(-66.81, abs=0.1)
    assert decibels(density[10:-10]).mean() == pytest.approx(-66.81 + 3.01, abs=0.1)
    assert density.sum() * welch.bin_hz == pytest.approx(0.0100, rel=0.01)


@pytest.mark.parametrize(
    ("bits", "rate", "total_dbfs", "density_dbfs"),
    # triangular dither of two steps and rounding: q**2 / 4 in all (Lipshitz, Wannamaker and
    # Vanderkooy 1992), spread evenly over half the rate
    [(16, 44_100, -93.32, -136.75), (24, 352_800, -141.48, -193.95)],
)
def test_the_floor_of_a_dithered_word(bits, rate, total_dbfs, density_dbfs):
    rng = np.random.default_rng(bits)
    count = 8192 * 40
    words = np.rint(rng.random(count) - rng.random(count)) * 2.0 ** (1 - bits)
    welch = Welch(cosine_window(HANN, 8192), rate)
    welch.add(words.reshape(-1, 8192))
    density = welch.density()
    assert 10 * np.log10(2 * density.sum() * welch.bin_hz) == pytest.approx(total_dbfs, abs=0.1)
    assert decibels(density[5:-5].mean()) == pytest.approx(density_dbfs, abs=0.1)


@given(
    seed=st.integers(0, 2**32 - 1),
    length=st.integers(2, 200),
    count=st.integers(1, 6),
    name=st.sampled_from(["hann", "blackmanharris"]),
)
def test_welch_is_that_of_scipy(seed, length, count, name):
    x = np.random.default_rng(seed).standard_normal(length * count)
    coefficients = {"hann": HANN, "blackmanharris": BLACKMAN_HARRIS}[name]
    welch = Welch(cosine_window(coefficients, length), 1_000.0)
    for part in np.array_split(x.reshape(count, length), 2):
        welch.add(part)
    settings = {
        "fs": 1_000.0,
        "window": signal.get_window(name, length, fftbins=True),
        "nperseg": length,
        "noverlap": 0,
        "detrend": False,
    }
    f, density = signal.welch(x, scaling="density", **settings)
    _, spectrum = signal.welch(x, scaling="spectrum", **settings)
    assert welch.density() == pytest.approx(density, rel=1e-9, abs=1e-18)
    assert welch.spectrum() == pytest.approx(spectrum, rel=1e-9, abs=1e-18)
    assert np.arange(len(f)) * welch.bin_hz == pytest.approx(f)


def test_no_segment_gives_zeros():
    welch = Welch(cosine_window(HANN, 64), 48_000)
    assert not welch.density().any()
    assert not welch.spectrum().any()


def test_squares_in_borrowed_memory_are_the_same():
    rng = np.random.default_rng(4)
    words = rng.integers(-(2**31), 2**31, (3, 256), dtype=np.int32)
    window = cosine_window(HANN, 256).values * 2.0**-31
    held = np.empty((3, 256))
    bins = np.empty((3, 129), np.complex128)
    out = np.empty((3, 129))
    found = squared_bins(words, window, windowed=held, bins=bins, out=out)
    assert found is out
    expected = np.abs(np.fft.rfft(words * 2.0**-31 * cosine_window(HANN, 256).values)) ** 2
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(("length", "last"), [(8, 1.0), (9, 2.0)])
def test_only_0_hz_and_half_the_rate_are_not_doubled(length, last):
    # Heinzel 2002, section 9: the other bins stand for their negative twins as well
    factors = one_sided(length)
    assert factors[0] == 1.0
    assert factors[-1] == last
    assert (factors[1:-1] == 2.0).all()
