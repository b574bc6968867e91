"""Levels and DC offset of tracks: AES17 figures, and what has a mean without an offset."""

from __future__ import annotations

import damage
import numpy as np
import pytest
import synth
from bench_lineup.signals import hiss, ints
from tracks_kit import FULL, asking, of_kind, played, run

# -- levels ------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000, 352_800])
@pytest.mark.parametrize(
    ("amplitude", "square", "expected"),
    [
        (1.0, False, 0.00),  # AES17-2015: full-scale sine, 0 dBFS rms
        (1.0, True, 3.01),  # the same: full-scale square, sqrt(2) more
        (0.5, False, -6.02),  # half of it
    ],
)
def test_rms_level_follows_aes17(
    rate_hz: int, amplitude: float, square: bool, expected: float
) -> None:
    x = np.sin(2 * np.pi * 997 * np.arange(rate_hz) / rate_hz)
    x = amplitude * (np.sign(x) if square else x)
    line = run(ints(x[None]), rate_hz).measures.tracks[0]
    assert line.rms_dbfs == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(("rate_hz", "floor"), [(44_100, -62.0), (96_000, -50.0), (352_800, -78.0)])
def test_hiss_is_told_under_programme(rate_hz: int, floor: float) -> None:
    # the generator's own definition: AES17 level of the hiss from 20 Hz to 20 kHz; it spreads
    # the tracks by 0.7 dB, and the replay amplifier adds 0.4 dB
    x = synth.programme("speech", rate_hz=rate_hz, tracks=1, seconds=4, seed=3, hiss_dbfs=floor)
    for line in run(x, rate_hz).measures.tracks:
        assert line.hiss_dbfs == pytest.approx(floor, abs=1.5)


def test_levels_of_nothing_are_null_with_a_reason() -> None:
    line = run(np.zeros((1, 50_000), np.int32), 48_000).measures.tracks[0]
    assert (line.rms_dbfs, line.hiss_dbfs, line.hum_dbfs, line.dc_percent) == (None, None, None, 0)
    assert "digital silence" in line.why


# -- DC offset ---------------------------------------------------------------------------------


@pytest.mark.parametrize("percent", [0.2, -0.5, 12.0])
def test_offset_is_found(percent: float) -> None:
    x = damage.dc(played(4), track=1, percent=percent).samples
    outcome = run(x, 48_000)
    assert asking(outcome) == [("dc-offset", (1,))]
    (found,) = of_kind(outcome, "dc-offset")
    assert "have the offset seen to before the next tape" in found.text
    assert outcome.measures.tracks[1].dc_percent == pytest.approx(percent, abs=0.02)


@pytest.mark.parametrize(
    ("first_s", "stop_s"), [(4.0, 8.0), (0.0, 3.1), (2.9, 6.0), (1.3, 4.4), (2.4, 6.77)]
)
def test_offset_that_comes_or_goes_is_found_with_its_time(first_s: float, stop_s: float) -> None:
    x = played(8)
    x[1, int(48_000 * first_s) : int(48_000 * stop_s)] += round(0.01 * 2**31)
    (found,) = of_kind(run(x, 48_000), "dc-offset")
    assert found.tracks == (1,)
    assert "comes or goes while the tape runs" in found.text
    assert found.values["dc_percent"] == [pytest.approx(1.0, abs=0.03)]
    assert found.start_frame == pytest.approx(48_000 * first_s, abs=3_000)
    assert found.frames == pytest.approx(48_000 * (stop_s - first_s), abs=6_000)


def test_offset_that_drifts_is_found() -> None:
    x = played(8)
    x[0] += np.round(np.linspace(0, 0.01, x.shape[1]) * 2**31).astype(np.int32)
    (found,) = of_kind(run(x, 48_000), "dc-offset")
    assert found.tracks == (0,)
    assert found.start_frame is not None


@pytest.mark.parametrize(
    ("hz", "seconds"),
    [(0.3, 5.0), (1.3, 4.0), (5.0, 0.33), (19.0, 0.31), (3.0, 30.1), (0.05, 20.0)],
)
def test_very_low_tone_is_no_offset(hz: float, seconds: float) -> None:
    t = np.arange(round(48_000 * seconds)) / 48_000
    x = 0.4 * np.sin(2 * np.pi * hz * t)
    outcome = run(ints(x[None]), 48_000)
    assert of_kind(outcome, "dc-offset") == []


def test_drums_made_of_half_waves_are_no_offset() -> None:
    """A decaying sine has a mean while it sounds; between the beats there is none."""
    rng = np.random.default_rng(16)
    x = hiss(rng, 5 * 48_000, -66.0)
    t = np.arange(12_000) / 48_000
    beat = 0.5 * np.exp(-30.0 * t) * np.sin(2 * np.pi * 55.0 * t)
    for start in range(4_000, len(x) - len(beat), 24_000):
        x[start : start + len(beat)] += beat
    assert abs(float(np.mean(x))) > 0.001  # the limit, 0.1 %
    assert of_kind(run(ints(x[None]), 48_000), "dc-offset") == []


def test_the_mean_of_a_capture_is_exact() -> None:
    rng = np.random.default_rng(4)
    x = ints(hiss(rng, 61_003, -20)[None] + 0.01)
    expected = 100 * float(x.astype(np.float64).mean()) / FULL
    assert run(x, 44_100).measures.tracks[0].dc_percent == pytest.approx(expected, abs=2e-5)
