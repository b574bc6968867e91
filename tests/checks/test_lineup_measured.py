"""Line-up tones of exactly known make: where they begin and end, and what is measured on them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bench_lineup.signals import Part, line_up
from lineup_kit import DECLARED, HIGH, LEVEL, LOW, RATE, asking, checked, of_kind

from checks.model import Verdict
from checks.sheet import Sheet


@pytest.mark.parametrize(("rate_hz", "tracks"), [(44_100, 2), (96_000, 4), (352_800, 2)])
def test_three_tones_are_found_and_measured(rate_hz: int, tracks: int) -> None:
    # 1 kHz, 10 kHz and 100 Hz over hiss of -70: three stretches, edges 50 ms (common practice)
    delays = 7e-6 * np.arange(tracks)
    signal = line_up(rate_hz, [LEVEL, HIGH, LOW], tracks=tracks, delays_s=delays)
    outcome = checked(signal)
    tones = outcome.measures.tones
    assert [t.nominal_hz for t in tones] == [1000, 10_000, 100]
    assert [t.kind for t in tones] == ["steady"] * 3
    for tone, (begins, ends) in zip(tones, signal.places, strict=True):
        assert tone.start_s == pytest.approx(begins, abs=0.05)
        assert tone.end_s == pytest.approx(ends, abs=0.05)
        assert tone.frequency_hz == pytest.approx(tone.nominal_hz, rel=1e-5)  # 0.001 %
        for k, track in enumerate(tone.tracks):
            assert track.level_dbfs == pytest.approx(-18, abs=0.005)
            assert track.phase_deg == pytest.approx(360 * tone.nominal_hz * delays[k], abs=0.02)
    for k, line in enumerate(outcome.measures.azimuth, 1):
        assert (line.track, line.against, line.inverted) == (k + 1, 1, False)
        assert line.delay_us == pytest.approx(1e6 * delays[k], abs=0.01)
    assert asking(outcome) == []
    assert outcome.measures.speed_error_percent == pytest.approx(0.0, abs=0.001)


def test_tones_that_follow_without_a_gap_are_parted() -> None:
    signal = line_up(RATE, [LEVEL, HIGH, LOW], gap_s=0.0)
    tones = checked(signal).measures.tones
    assert [t.nominal_hz for t in tones] == [1000, 10_000, 100]
    for tone, (begins, ends) in zip(tones, signal.places, strict=True):
        assert (tone.start_s, tone.end_s) == pytest.approx((begins, ends), abs=0.05)


def test_one_frequency_at_two_levels_is_two_tones() -> None:
    parts = [LEVEL, Part(hz=1000, dbfs=-28, seconds=2.5)]
    tones = checked(line_up(RATE, parts, gap_s=0.0)).measures.tones
    assert [round(t.tracks[0].level_dbfs, 2) for t in tones] == [-18, -28]


def test_a_track_one_sample_late_is_told_by_its_phase() -> None:
    # 10 kHz, one sample at 192 kHz: 18.75 degrees, 5.208 us, the delayed one is late
    part = Part(hz=10_000, dbfs=-18, seconds=2.5)
    outcome = checked(line_up(192_000, [part], delays_s=[0, 1 / 192_000]))
    (tone,) = outcome.measures.tones
    assert tone.tracks[1].phase_deg == pytest.approx(18.75, abs=0.1)
    (line,) = outcome.measures.azimuth
    assert line.delay_us == pytest.approx(5.208, abs=0.01)


def test_speed_is_measured_and_judged_on_a_declared_line_up_only() -> None:
    # 3153.15 Hz for 3150: +0.100 %; judged on a declared calibration tape only
    signal = line_up(RATE, [Part(hz=3153.15 * 1.003, dbfs=-18, seconds=3)])
    told = checked(signal)
    declared = checked(signal, Sheet(reel=DECLARED))
    assert told.measures.speed_error_percent == pytest.approx(0.4003, abs=0.001)
    assert asking(told) == []
    assert asking(declared) == [("speed", Verdict.REDO, ())]  # twice 0.2 %
    assert (
        "The machine runs fast by that: turn its speed down." in of_kind(declared, "speed")[0].text
    )
    assert "turn" not in of_kind(told, "speed")[0].text
    exact = checked(line_up(RATE, [Part(hz=3153.15, dbfs=-18, seconds=3)]), Sheet(reel=DECLARED))
    assert exact.measures.speed_error_percent == pytest.approx(0.1, abs=0.005)
    assert asking(exact) == []


@pytest.mark.parametrize(
    ("hz", "expected", "room"),
    [
        (4.0, 0.0997, 0.05),  # AES6 / IEC 60386: 3150 Hz, 4 Hz, peak 0.1 %, two sigma
        (1.0, 0.0615, 0.26),  # the weighting's own tolerance is 2 dB there
        (10.0, 0.0783, 0.26),
        (20.0, 0.0505, 0.26),
    ],
)
def test_flutter_is_weighted_as_the_standards_say(hz: float, expected: float, room: float) -> None:
    part = Part(hz=3150, dbfs=-18, seconds=8, flutter=((hz, 0.1),))
    (tone,) = checked(line_up(RATE, [part], hiss_dbfs=-65)).measures.tones
    assert tone.flutter_percent == pytest.approx(expected, rel=room)
    for track in tone.tracks:
        assert track.flutter_percent == pytest.approx(tone.flutter_percent, rel=0.05)


def test_distortion_and_noise_under_the_tone() -> None:
    part = Part(hz=1000, dbfs=-10, seconds=3, harmonics=(0.01, 0.03))
    outcome = checked(line_up(RATE, [part], hiss_dbfs=-60))
    (tone,) = outcome.measures.tones
    assert tone.tracks[0].distortion_percent == pytest.approx(math.hypot(1, 3), rel=0.02)
    assert tone.tracks[0].noise_dbfs == pytest.approx(-60, abs=0.5)
    assert asking(outcome) == [("distortion", Verdict.LISTEN, (0, 1))]  # more than 3 %


@pytest.mark.parametrize("rate_hz", [44_100, 352_800])
def test_distortion_of_a_low_tone_is_measured_at_any_rate(rate_hz: int) -> None:
    part = Part(hz=63, dbfs=-10, seconds=3, harmonics=(0.0, 0.02))
    (tone,) = checked(line_up(rate_hz, [part], tracks=1)).measures.tones
    assert tone.tracks[0].distortion_percent == pytest.approx(2.0, rel=0.05)


def test_a_tone_longer_than_the_memory_for_it() -> None:
    part = Part(hz=1000.3, dbfs=-18, seconds=215, flutter=((0.5, 0.05),))
    signal = line_up(16_000, [part], tracks=1, gap_s=1.0)
    (tone,) = checked(signal).measures.tones
    assert (tone.start_s, tone.end_s) == pytest.approx(signal.places[0], abs=0.05)
    assert tone.frequency_hz == pytest.approx(1000.3, rel=1e-6)
    assert tone.tracks[0].level_dbfs == pytest.approx(-18, abs=0.005)


def test_a_click_parts_no_tone_from_its_end() -> None:
    signal = line_up(RATE, [Part(hz=1000, dbfs=-40, seconds=9)], hiss_dbfs=-70)
    at = 5 * RATE
    signal.samples[:, at : at + 40] += 0.9
    (tone,) = checked(signal).measures.tones
    assert (tone.start_s, tone.end_s) == pytest.approx(signal.places[0], abs=0.05)
    assert tone.tracks[0].level_dbfs == pytest.approx(-40, abs=0.1)


@pytest.mark.parametrize("hz", [30.0, 31.2, 40.6])
def test_the_lowest_tones_begin_and_end_in_their_place(hz: float) -> None:
    signal = line_up(RATE, [Part(hz=hz, dbfs=-33.2, seconds=2.84)], tracks=4, gap_s=0.76)
    (tone,) = checked(signal).measures.tones
    assert (tone.start_s, tone.end_s) == pytest.approx(signal.places[0], abs=0.05)


def test_weave_makes_a_delay_uncertain_and_is_told_as_a_spread() -> None:
    signal = line_up(RATE, [Part(hz=1000, dbfs=-18, seconds=4)])
    t = np.arange(signal.samples.shape[1]) / RATE
    begins, ends = signal.places[0]
    turn = 2 * np.pi * 1000 * t + 0.05 * np.sin(2 * np.pi * 0.5 * t)
    there = (t >= begins) & (t < ends)
    signal.samples[1] = np.where(there, 10 ** (-18 / 20) * np.sin(turn), signal.samples[1])
    outcome = checked(signal)
    (tone,) = outcome.measures.tones
    assert tone.tracks[1].phase_spread_deg == pytest.approx(math.degrees(0.05 / 2**0.5), rel=0.05)
    # 0.035 rad over some forty parts of 0.1 s: 0.0056 rad, 0.9 us at 1 kHz
    assert outcome.measures.azimuth[0].uncertainty_us == pytest.approx(0.9, rel=0.1)
