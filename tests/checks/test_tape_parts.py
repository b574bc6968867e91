"""Kernels of the tape half of the dropouts check: bands, history, floors, evidence."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from checks.block import Block, Workspace
from checks.dropouts._tape._bands import BAND_DOF, HISS, FilterBank
from checks.dropouts._tape._contact import evidence, ratio_for
from checks.dropouts._tape._floors import (
    LOW_MEAN_DB,
    PART_QUANTILE_DB,
    PARTS,
    LevelHistory,
    plateau,
)
from checks.model import CaptureFormat


def _energies(x: np.ndarray, rate_hz: int) -> tuple[FilterBank, np.ndarray]:
    """Band energies of float32 (tracks, frames), block by block."""
    fmt = CaptureFormat(rate_hz=rate_hz, channels=len(x), word_length=32, floating=True)
    bank, work = FilterBank(rate_hz, len(x)), Workspace()
    out = [
        bank.energies(Block(x[:, s : s + 16_384], start=s, lead=0, fmt=fmt, work=work)).copy()
        for s in range(0, x.shape[1], 16_384)
    ]
    return bank, np.concatenate(out, axis=2)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
def test_white_noise_reads_its_variance_in_every_band(rate_hz: int) -> None:
    # Parseval: white noise has the same mean square behind any window of unit norm
    x = np.random.default_rng(1).standard_normal((2, 16 * 16_384)).astype(np.float32) * 0.1
    _, energies = _energies(x, rate_hz)
    assert np.allclose(energies.mean(axis=2), 0.01, rtol=0.12)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
def test_a_low_tone_stays_out_of_the_hiss_bands(rate_hz: int) -> None:
    # Harris 1978: side lobes of the four-term Blackman-Harris window lie 92 dB down
    t = np.arange(4 * 16_384) / rate_hz
    x = np.sin(2 * np.pi * 500.0 * t)[None].astype(np.float32)
    _, energies = _energies(x, rate_hz)
    hops = energies[:, 0, 8:-8].mean(axis=1)
    assert 10 * np.log10(hops[HISS:].max() / 0.5) < -70


def test_dc_is_no_band() -> None:
    _, energies = _energies(np.full((1, 4 * 16_384), 0.5, np.float32), 96_000)
    assert energies[:, 0, 2:].max() < 1e-9


def test_a_window_that_straddles_two_blocks_is_whole() -> None:
    rng = np.random.default_rng(2)
    x = rng.standard_normal((1, 2 * 16_384)).astype(np.float32)
    bank, energies = _energies(x, 48_000)
    _, shifted = _energies(x[:, bank.hop :], 48_000)
    a, b = energies[:, 0, 2:1500], shifted[:, 0, 1:1499]
    assert np.allclose(a, b, rtol=2e-3, atol=1e-5)


def test_degrees_of_freedom_are_at_most_two_a_band() -> None:
    bank = FilterBank(352_800, 1)
    hiss = list(range(HISS, bank.bands))
    assert bank.dof([HISS]) == pytest.approx(BAND_DOF)
    assert BAND_DOF < bank.dof(hiss) <= BAND_DOF * len(hiss)


@pytest.mark.parametrize(("ratio", "dof"), [(0.1, 20), (0.3, 60), (0.5, 100), (0.7, 300)])
def test_evidence_never_overstates(ratio: float, dof: float) -> None:
    # Chernoff 1952: the bound lies above the true lower tail of the chi-square law (scipy)
    assert stats.chi2.cdf(ratio * dof, dof) <= np.exp(-evidence(ratio, dof))


def test_ratio_for_undoes_evidence() -> None:
    assert evidence(ratio_for(18.0, 40.0), 40.0) == pytest.approx(18.0, rel=1e-3)


def test_what_steady_noise_keeps_under_its_mean() -> None:
    # the constants of _floors against scipy's chi-square law with 64 degrees of freedom
    parts = stats.chi2.rvs(64, size=(20_000, PARTS), random_state=3) / 64
    low = 10 * np.log10(parts.min(axis=1))
    assert low.mean() == pytest.approx(LOW_MEAN_DB, abs=0.05)
    assert 10 * np.log10(stats.chi2.ppf(0.15, 64) / 64) == pytest.approx(PART_QUANTILE_DB, abs=0.05)


def test_history_holds_any_length_in_bounded_memory() -> None:
    history = LevelHistory(3, 400)  # 400 tracks: the store is full after 2,048 entries
    parts = np.full((3, 400, PARTS * 64), 1e-3, np.float32)
    for _ in range(70):
        history.append(parts)
    history.close()
    assert history.entries <= 2_048
    assert history.entries * history.entry_hops >= 70 * 64 * 256
    assert np.allclose(history.mean_db.astype(float), -30, atol=0.1)
    assert np.allclose(history.low_db.astype(float), -30, atol=0.1)


def test_plateau_is_the_lowest_level_that_is_kept() -> None:
    levels = np.array([-80.0, -62.2, -62.0, -61.9, -61.5, -40, -39.9, -39.8, -39.7], np.float32)
    assert plateau(levels, 4) == pytest.approx(-61.95, abs=0.1)
    assert plateau(levels[:3], 4) is None
