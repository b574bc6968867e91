"""The signal makers themselves: what benches and tests stand on must be what it says it is."""

from __future__ import annotations

import damage
import damage_tape
import numpy as np
import pytest
import synth
from numpy.typing import NDArray
from scipy import signal

from sample_captures import tape

RATE = 96_000


def level_dbfs(x: NDArray[np.float64], from_hz: float, to_hz: float) -> float:
    """AES17 level in a band (a full-scale sine is 0 dBFS), by SciPy's periodograms."""
    f, power = signal.welch(x, RATE, nperseg=8192)
    band = (f >= from_hz) & (f < to_hz)
    return float(10 * np.log10(2 * np.sum(power[band]) * f[1]))


@pytest.mark.parametrize("kind", synth.KINDS)
def test_every_kind_is_clean_of_zeros_holds_and_clipping(kind: str) -> None:
    x = synth.programme(kind, rate_hz=RATE, tracks=3, seconds=1.5, seed=3)
    assert x.shape == (3, 144_000)
    assert x.dtype == np.int32
    assert (np.bitwise_or.reduce(x, axis=1) == np.int32(-256)).all()  # 24 bits, all of them move
    assert int(np.abs(x.astype(np.int64)).max()) < 2**31 - 256
    for row in x:
        same = np.flatnonzero(np.diff(row) != 0)
        assert np.diff(same).max(initial=0) < 8  # no value stands for long


def test_a_seed_gives_the_same_again_and_another_seed_does_not() -> None:
    a, b, c = (
        synth.programme("band", rate_hz=RATE, tracks=2, seconds=0.5, seed=s) for s in (7, 7, 8)
    )
    assert np.array_equal(a, b)
    assert not np.array_equal(a, c)


@pytest.mark.parametrize("hiss", [-50.0, -62.0, -80.0])
def test_hiss_has_the_level_asked_for(hiss: float) -> None:
    x = synth.programme("hiss-only", rate_hz=RATE, tracks=2, seconds=4, seed=1, hiss_dbfs=hiss)
    for row in synth.as_float(x, np.float64):
        # hiss within 0.7 dB a track; the amplifier's noise 10 dB below adds 0.4 dB
        assert level_dbfs(row, 20, 20_000) == pytest.approx(hiss + 0.4, abs=1.2)


def test_hiss_is_independent_between_tracks_and_falls_above_the_band() -> None:
    x = synth.programme("hiss-only", rate_hz=352_800, tracks=2, seconds=1, seed=1)
    y = synth.as_float(x, np.float64)
    assert abs(np.corrcoef(y)[0, 1]) < 0.01
    f, power = signal.welch(y[0], 352_800, nperseg=4096)
    near = power[(f > 8e3) & (f < 12e3)].mean()
    assert power[(f > 120e3)].mean() < near / 300


def test_peak_level_is_the_one_asked_for() -> None:
    x = synth.programme("organ", rate_hz=RATE, tracks=2, seconds=2, seed=1, level_dbfs=-20)
    peak = 20 * np.log10(np.abs(synth.as_float(x, np.float64)).max())
    assert peak == pytest.approx(-20, abs=1)


def test_standing_tape_has_the_amplifier_alone() -> None:
    x = synth.programme("session", rate_hz=RATE, tracks=2, seconds=10, seed=1)
    y = synth.as_float(x, np.float64)[0]
    assert (
        level_dbfs(y[: int(0.7 * RATE)], 200, 18_000)
        < level_dbfs(y[int(1.45 * RATE) : int(1.85 * RATE)], 200, 18_000) - 6
    )


def test_loud_words_of_32_bits_move_to_the_last_bit() -> None:
    """float32 holds 24 bits: what lies below must come from elsewhere."""
    x = np.full((1, 4096), 0.7, np.float32)
    words = tape.quantised(x, 32, np.random.default_rng(1))[0]
    assert int(np.bitwise_or.reduce(words) & ~np.bitwise_and.reduce(words)) & 0xFF == 0xFF


@pytest.mark.parametrize(("dither", "mean", "spread"), [(True, 0.25, 0.5), (False, 0.0, 0.0)])
def test_words_of_16_bits_are_dithered_unless_told_otherwise(
    dither: bool, mean: float, spread: float
) -> None:
    """A quarter of a step: lost without dither, kept as a mean with it.

    Spread: triangular dither leaves a total error of a quarter step squared whatever the signal
    (Lipshitz, Wannamaker, Vanderkooy, "Quantization and dither", JAES 40, 1992).
    """
    x = np.full((1, 40_000), 0.25 * 2.0**-15, np.float32)
    words = tape.quantised(x, 16, np.random.default_rng(1), dither=dither)[0] / 2**16
    assert words.mean() == pytest.approx(mean, abs=0.02)
    assert words.std() == pytest.approx(spread, abs=0.02)


# -- planting ------------------------------------------------------------------------------------

RAMP = (np.arange(2 * 200, dtype=np.int32).reshape(2, 200) + 1) * 256


def test_zero_and_hold_change_the_place_and_nothing_else() -> None:
    hit = damage.zero_run(RAMP, at=50, frames=20, tracks=(1,)).samples
    assert (hit[1, 50:70] == 0).all()
    hit[1, 50:70] = RAMP[1, 50:70]
    assert np.array_equal(hit, RAMP)
    held = damage.hold(RAMP, at=50, frames=20, tracks=(0,)).samples
    assert (held[0, 50:70] == RAMP[0, 49]).all()
    assert held[0, 70] == RAMP[0, 70]


def test_losing_inserting_and_repeating_move_what_follows() -> None:
    lost = damage.lose(RAMP, at=60, frames=8)
    assert lost.samples.shape == (2, 192)
    assert np.array_equal(lost.samples[:, 60:], RAMP[:, 68:])
    one = damage.lose(RAMP, at=60, frames=8, tracks=(1,)).samples
    assert np.array_equal(one[0], RAMP[0, :192])
    more = damage.insert(RAMP, at=60, frames=8).samples
    assert np.array_equal(more[:, 68:], RAMP[:, 60:-8])
    over = damage.repeat_block(RAMP, at=100, frames=32, lag=40).samples
    assert np.array_equal(over[:, 100:132], RAMP[:, 60:92])
    assert np.array_equal(over[:, 132:], RAMP[:, 132:])
    within = damage.repeat_block(RAMP, at=100, frames=32, lag=8, inserted=True).samples
    assert np.array_equal(within[:, 100:132], np.tile(RAMP[:, 92:100], 4))
    assert np.array_equal(within[:, 132:], RAMP[:, 100:168])


def test_one_bit_of_one_word() -> None:
    hit = damage.wrong_word(RAMP, at=10, track=0, bit=31).samples
    assert int(hit[0, 10]) == int(RAMP[0, 10]) - 2**31
    assert np.count_nonzero(hit != RAMP) == 1


def test_spacing_loss_takes_546_db_a_wavelength() -> None:
    """Spacing loss: 54.6 dB x distance / wavelength; 38.1 cm/s at 10 kHz: 38.1 um."""
    t = np.arange(RATE) / RATE
    tone = (np.sin(2 * np.pi * 10_000 * t) * 2**29 / 256).round().astype(np.int32) * 256
    hit = damage_tape.clog(
        tone[None], rate_hz=RATE, at=20_000, ramp=0, distance_um=3.81, floor_dbfs=-120
    ).samples
    lost = np.std(hit[0, 30_000:80_000]) / np.std(tone[30_000:80_000])
    assert 20 * np.log10(lost) == pytest.approx(-5.46, abs=0.05)
    dip = damage_tape.contact_loss(
        tone[None], rate_hz=RATE, at=20_000, frames=960, distance_um=30, floor_dbfs=-120
    ).samples
    assert np.array_equal(dip[0, :20_000], tone[:20_000])
    assert np.array_equal(dip[0, 20_960:], tone[20_960:])
    assert np.abs(dip[0, 20_400:20_560]).max() < 2**29 / 50


def test_upsampled_material_has_nothing_above_the_lower_half_rate() -> None:
    x = synth.programme("castanets", rate_hz=RATE, tracks=1, seconds=1, seed=2)
    low = damage.upsample(x, rate_hz=RATE, half_rate_hz=24_000).samples[0].astype(float) / 2**31
    assert level_dbfs(low, 24_500, 48_000) < -130
    assert level_dbfs(low, 1_000, 20_000) == pytest.approx(
        level_dbfs(x[0].astype(float) / 2**31, 1_000, 20_000), abs=0.1
    )


def test_wrapping_turns_the_sign() -> None:
    x = np.full((1, 4), 2**30 + 2**28, np.int32)
    assert (damage.wrap(x, gain_db=20 * np.log10(2)).samples == -(2**31) + 2**29).all()
