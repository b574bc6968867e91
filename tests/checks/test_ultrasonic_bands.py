"""Above 20 kHz: levels of bands, how they move and belong together, how far information goes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from ultrasonic_kit import bursts, falls, look, noise, shaped, tape, words

from checks.ultrasonic._quiet import EPOCHS, QuietSpectra


def test_genuine_programme_has_no_finding_and_its_bands_move():
    rate = 192_000
    outcome = look(words(tape(rate, 15)), rate)
    assert outcome.findings == ()
    (track,) = outcome.measures.tracks
    assert track.information_hz > 60_000
    # bursts of -30 to -6 dBFS stand far above the noise up to 50 kHz and rise and fall as one
    for band in track.bands[:4]:
        assert band.correlation > 0.9
        assert band.movement_db > 10


def test_what_is_quieter_than_any_converter_is_no_information():
    # 60 dB an octave from 20 kHz, from some -78 dBFS/Hz: -176 dBFS/Hz is reached near 62 kHz;
    # converters reach 120 to 130 dB, -173 dBFS/Hz
    rate = 192_000
    rng = np.random.default_rng(61)
    y = shaped(bursts(rng, 2 * rate, rate), rate, falls(20e3, 60)).astype(np.float32)
    assert 50_000 < look(y[None], rate).measures.tracks[0].information_hz < 68_000


def test_noise_that_stands_still_neither_moves_nor_correlates():
    rate = 192_000
    rng = np.random.default_rng(16)
    y = bursts(rng, 3 * rate, rate)
    low = signal.butter(8, 9_000, fs=rate, output="sos")
    outcome = look(words(signal.sosfilt(low, y) + noise(rng, 3 * rate, rate, -100)), rate)
    for band in outcome.measures.tracks[0].bands[1:]:
        assert abs(band.correlation) < 0.4
        # 5 kHz and 12 ms segments: 71 degrees of freedom a band, sigma 0.52 dB (chi-squared)
        assert band.movement_db < 3.0


def test_a_band_of_white_noise_holds_its_share():
    # N(0, 0.1) at 192 kHz: 76/96 of -16.99 dBFS lie above 20 kHz, which is -18.00 dBFS
    rng = np.random.default_rng(35)
    x = words(0.1 * rng.standard_normal((2, 2 * 192_000)))
    for track in look(x, 192_000).measures.tracks:
        power = sum(10 ** (b.level_dbfs / 10) for b in track.bands)
        assert 10 * np.log10(power) == pytest.approx(-18.00, abs=0.1)
        assert track.information_hz is None


def test_bands_are_those_of_scipy_welch():
    rate = 96_000
    x = words(tape(rate, 27, 1.5))
    (track,) = look(x, rate).measures.tracks
    f, density = signal.welch(
        x[0] * 2.0**-31, rate, "hann", nperseg=2048, noverlap=1024, detrend=False
    )
    for band in track.bands:
        inside = (f >= band.from_hz) & (f < band.to_hz)
        expected = 10 * np.log10(2 * density[inside].mean() * (band.to_hz - band.from_hz))
        assert band.level_dbfs == pytest.approx(expected, abs=0.3)


def test_bands_begin_at_preferred_numbers_and_end_at_half_the_rate():
    # series R10 of ISO 3:1973
    rng = np.random.default_rng(28)
    x = words(0.01 * rng.standard_normal(352_800))
    (track,) = look(x, 352_800).measures.tracks
    edges = [b.from_hz for b in track.bands] + [track.bands[-1].to_hz]
    assert edges == [20e3, 25e3, 31.5e3, 40e3, 50e3, 63e3, 80e3, 100e3, 125e3, 160e3, 176.4e3]


def test_of_two_joined_epochs_the_quieter_is_kept():
    kept = QuietSpectra(1, 2)
    heard = [5.0, 1.0, 2.0, 7.0] * (EPOCHS // 4)  # one block an epoch, until they are joined
    for loudness in [*heard, 9.0]:
        kept.next_block()
        kept.offer(slice(0, 1), np.full((1, 1, 2), loudness), np.array([[loudness]]), 1.0)
    spectra, segments = kept.of(0)
    assert spectra[:, 0].tolist() == [1.0, 2.0] * (EPOCHS // 4) + [9.0]
    assert segments.tolist() == [1] * (EPOCHS // 2 + 1)


def test_segments_with_a_nan_are_left_out():
    y = tape(96_000, 55, 1.5) + 0.4  # an offset, so that a hole taken for 0 would be a click
    holed = y.copy()
    holed[20_000:50_000:500] = np.nan
    for a, b in zip(
        *(look(v[None], 96_000).measures.tracks[0].bands for v in (y, holed)), strict=True
    ):
        assert b.level_dbfs == pytest.approx(a.level_dbfs, abs=1.5)
