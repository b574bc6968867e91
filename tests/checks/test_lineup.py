"""The lineup check as a whole: tones of exactly known make, what is measured and what is said."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import synth
from bench_lineup.signals import Part, Signal, hiss, ints, line_up, run
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.model import Finding, Outcome, Remedy, Verdict
from checks.sheet import (
    LineupSheet,
    Reel,
    ReelKind,
    Sheet,
    SheetTone,
    Tape,
    TrackEntry,
    TrackKind,
)

RATE = 44_100
DECLARED = Reel(kind=ReelKind.LINEUP)
LEVEL = Part(hz=1000, dbfs=-18, seconds=2.5)
HIGH = Part(hz=10_000, dbfs=-18, seconds=2.5)
LOW = Part(hz=100, dbfs=-18, seconds=2.5)


def checked(signal: Signal, sheet: Sheet | None = None) -> Outcome:
    return run(ints(signal.samples), signal.rate_hz, sheet)


def of_kind(outcome: Outcome, kind: str) -> list[Finding]:
    return [f for f in outcome.findings if f.kind == kind]


def asking(outcome: Outcome) -> list[tuple[str, Verdict, tuple[int, ...]]]:
    """Kind, verdict and tracks of what asks for something."""
    return [(f.kind, f.verdict, f.tracks) for f in outcome.findings
            if f.verdict is not Verdict.CLEAR]  # fmt: skip


# -- what is measured --------------------------------------------------------------------------


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


def test_tones_that_follow_without_a_gap() -> None:
    signal = line_up(RATE, [LEVEL, HIGH, LOW], gap_s=0.0)
    tones = checked(signal).measures.tones
    assert [t.nominal_hz for t in tones] == [1000, 10_000, 100]
    for tone, (begins, ends) in zip(tones, signal.places, strict=True):
        assert (tone.start_s, tone.end_s) == pytest.approx((begins, ends), abs=0.05)


def test_one_frequency_at_two_levels_is_two_tones() -> None:
    parts = [LEVEL, Part(hz=1000, dbfs=-28, seconds=2.5)]
    tones = checked(line_up(RATE, parts, gap_s=0.0)).measures.tones
    assert [round(t.tracks[0].level_dbfs, 2) for t in tones] == [-18, -28]


def test_one_sample_late_at_192_khz() -> None:
    # 10 kHz, one sample at 192 kHz: 18.75 degrees, 5.208 us, the delayed one is late
    part = Part(hz=10_000, dbfs=-18, seconds=2.5)
    outcome = checked(line_up(192_000, [part], delays_s=[0, 1 / 192_000]))
    (tone,) = outcome.measures.tones
    assert tone.tracks[1].phase_deg == pytest.approx(18.75, abs=0.1)
    (line,) = outcome.measures.azimuth
    assert line.delay_us == pytest.approx(5.208, abs=0.01)


def test_speed() -> None:
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
def test_flutter(hz: float, expected: float, room: float) -> None:
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
def test_distortion_of_a_low_tone(rate_hz: int) -> None:
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


# -- what is said ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("off_db", "reel", "verdict"),
    [
        (-0.5, Reel(), Verdict.LISTEN),
        (-0.5, DECLARED, Verdict.LISTEN),
        (-0.7, DECLARED, Verdict.REDO),  # beyond twice 0.3 dB on a line-up that the sheet declares
        (-3.0, Reel(), Verdict.LISTEN),
        (-0.2, DECLARED, Verdict.CLEAR),
    ],
)
def test_a_track_that_is_low(off_db: float, reel: Reel, verdict: Verdict) -> None:
    outcome = checked(
        line_up(RATE, [LEVEL], tracks=4, gains_db=[0, 0, off_db, 0]), Sheet(reel=reel)
    )
    found = of_kind(outcome, "level")
    if verdict is Verdict.CLEAR:
        assert not found
        return
    (finding,) = found
    assert (finding.verdict, finding.tracks) == (verdict, (2,))
    assert finding.remedy is Remedy.REPLAY
    assert finding.values["worst_db"] == pytest.approx(off_db, abs=0.01)


def test_what_is_low_and_what_is_high_are_told_apart_with_what_to_turn() -> None:
    outcome = checked(line_up(RATE, [LEVEL], tracks=8, gains_db=[0, 0, -0.5, 0, 0.4, 0, -0.9, 0]))
    low, high = of_kind(outcome, "level")
    assert (low.tracks, high.tracks) == ((2, 6), (4,))
    assert low.text.startswith("The 1 kHz tone is 0.50 to 0.90 dB below the other tracks; 0.3 dB")
    assert low.text.endswith("Turn the replay level up by as much.")
    assert high.text.startswith("The 1 kHz tone is 0.40 dB above the other tracks;")
    assert high.text.endswith("Turn the replay level down by as much.")
    signal = line_up(RATE, [LEVEL, HIGH, Part(hz=15_000, dbfs=-18, seconds=2.5)], tracks=3)
    for (begins, _), gain in zip(signal.places[1:], (1.4, 1.6), strict=True):
        at = round(begins * RATE)
        signal.samples[1, at : at + round(2.5 * RATE)] *= 10 ** (-gain / 20)
        signal.samples[2, at : at + round(2.5 * RATE)] *= 10 ** (gain / 20)
    for finding in of_kind(checked(signal), "response"):
        (track,) = finding.tracks
        assert "10 kHz and 15 kHz are 1.40 to 1.60 dB" in finding.text
        assert (
            f"Turn the treble of the replay equaliser {('up', 'down')[track - 1]}" in finding.text
        )
    tape = Tape(low_frequency_compensated=True)
    bass = checked(line_up(RATE, [LEVEL, Part(hz=63, dbfs=-20, seconds=2.5)]), Sheet(tape=tape))
    assert of_kind(bass, "response")[0].text.endswith("Turn the bass of the replay equaliser up.")


def test_the_sheets_reference_counts_where_there_is_one() -> None:
    sheet = Sheet(reel=DECLARED, lineup=LineupSheet(reference_dbfs=-20.0))
    outcome = checked(line_up(RATE, [LEVEL]), sheet)
    (finding,) = of_kind(outcome, "level")
    assert finding.verdict is Verdict.REDO
    assert finding.values["worst_db"] == pytest.approx(2.0, abs=0.01)


def test_a_dead_track() -> None:
    outcome = checked(line_up(RATE, [LEVEL], tracks=4, gains_db=[0, -90, 0, 0]))
    assert asking(outcome) == [("level", Verdict.LISTEN, (1,))]
    sheet = Sheet(tracks=(TrackEntry(), TrackEntry(kind=TrackKind.UNUSED)))
    assert asking(checked(line_up(RATE, [LEVEL], tracks=4, gains_db=[0, -90, 0, 0]), sheet)) == []


def test_response_and_steps() -> None:
    # tones recorded 10 dB lower on purpose are recognised and said; 2 dB more is a deviation
    parts = [LEVEL, Part(hz=10_000, dbfs=-30, seconds=2.5), Part(hz=63, dbfs=-16, seconds=2.5)]
    outcome = checked(line_up(RATE, parts))
    assert "recorded lower on purpose: 10 kHz 10 dB" in of_kind(outcome, "tones")[0].text
    high, low = of_kind(outcome, "response")
    assert (high.verdict, high.values["worst_db"]) == (Verdict.LISTEN, pytest.approx(-2, abs=0.01))
    assert (low.verdict, low.values["worst_db"]) == (Verdict.CLEAR, pytest.approx(2, abs=0.01))
    sheet = Sheet(
        lineup=LineupSheet(tones=(SheetTone(hz=1000, dbfs=-18), SheetTone(hz=10_000, dbfs=-30)))
    )
    assert not [f for f in of_kind(checked(line_up(RATE, parts), sheet), "response")
                if f.verdict is not Verdict.CLEAR]  # fmt: skip


@pytest.mark.parametrize("order", [(-18, -28, -38), (-38, -28, -18)])
def test_the_loudest_of_several_level_tones_is_the_reference(order: tuple[float, ...]) -> None:
    # whichever of them is measured as the longest by a millisecond
    parts = [Part(hz=1000, dbfs=dbfs, seconds=2.5 - 0.002 * dbfs) for dbfs in order]
    short = Part(hz=1000, dbfs=-10, seconds=2.0 - 0.9)  # an announcement's beep is none
    for more in ([], [short]):
        outcome = checked(line_up(RATE, [*parts, *more], gap_s=0.0))
        assert asking(outcome) == []
        assert {t.step_db for t in outcome.measures.tones} == {0, -10, -20}


def test_a_wrong_equalisation_is_named() -> None:
    # IEC 60094-1: an IEC1 tape replayed NAB at 38 cm/s: -1.16 dB at 100 Hz, +2.51 dB at 10 kHz
    parts = [
        LEVEL,
        Part(hz=100, dbfs=-19.16, seconds=2.5),
        Part(hz=10_000, dbfs=-15.49, seconds=2.5),
    ]
    (high, _) = of_kind(checked(line_up(RATE, parts)), "response")
    assert "an IEC1 tape replayed through the NAB curve at 38.1 cm/s" in high.text


QUARTER = Tape(speed_cm_s=38.1, track_spacing_mm=4.2, track_width_mm=2.1)


def test_azimuth_in_minutes_of_arc() -> None:
    # 30 degrees at 10 kHz, 38.1 cm/s, 4.2 mm: 2.60 minutes of arc
    delay = 30 / 360 / 10_000
    sheet = Sheet(tape=QUARTER)
    outcome = checked(line_up(RATE, [LEVEL, HIGH], delays_s=[0, delay]), sheet)
    (line,) = outcome.measures.azimuth
    assert line.angle_arcmin == pytest.approx(2.60, abs=0.01)
    assert asking(outcome) == [("azimuth", Verdict.LISTEN, (0, 1))]
    (finding,) = of_kind(outcome, "azimuth")
    assert "Track 2 is 8.33 us later than track 1: either a tilt of the head" in finding.text
    assert "by 2.60 minutes of arc (8.33 us a track); 1 is allowed." in finding.text
    # 20 log10 |sin x / x|, x = pi w f tan(a) / v: 0.131 and 0.262
    assert finding.values["loss_20_khz_db"] == pytest.approx(-0.0995, abs=0.001)
    assert finding.values["loss_10_khz_db"] == pytest.approx(-0.0248, abs=0.001)
    declared = Sheet(reel=DECLARED, tape=QUARTER)
    outcome = checked(line_up(RATE, [LEVEL, HIGH], delays_s=[0, delay]), declared)
    assert asking(outcome) == [("azimuth", Verdict.REDO, (0, 1))]


def test_a_wide_head_is_judged_by_its_line() -> None:
    # 0.5 minutes of arc on 24 tracks 2 mm apart at 38 cm/s: 75 degrees at 10 kHz over the head
    step = 2e-3 * math.tan(0.5 / 60 * math.pi / 180) / 0.381
    delays = step * np.arange(24)
    sheet = Sheet(reel=DECLARED, tape=Tape(speed_cm_s=38.1, track_spacing_mm=2.0))
    assert asking(checked(line_up(RATE, [LEVEL, HIGH], tracks=24, delays_s=delays), sheet)) == []
    delays[7] += 20e-6
    outcome = checked(line_up(RATE, [LEVEL, HIGH], tracks=24, delays_s=delays), sheet)
    assert asking(outcome) == [("azimuth", Verdict.REDO, (7,))]
    assert outcome.measures.head_tilt_arcmin == pytest.approx(0.5, abs=0.01)


def test_reversed_polarity_is_no_azimuth() -> None:
    signal = line_up(RATE, [LEVEL, HIGH], delays_s=[0, 3e-6])
    signal.samples[1] *= -1
    outcome = checked(signal)
    (line,) = outcome.measures.azimuth
    assert line.inverted
    assert line.delay_us == pytest.approx(3.0, abs=0.02)
    assert asking(outcome) == [("azimuth", Verdict.LISTEN, (1,))]


def test_missing() -> None:
    noise = ints(hiss(np.random.default_rng(1), (2, 3 * RATE), -60))
    sheet = Sheet(
        reel=DECLARED, lineup=LineupSheet(tones=(SheetTone(hz=1000), SheetTone(hz=16_000)))
    )
    assert asking(run(noise, RATE, sheet)) == [("missing", Verdict.LISTEN, ())]
    assert asking(run(noise, RATE)) == []
    outcome = checked(line_up(RATE, [LEVEL]), sheet)
    assert [f.values["hz"] for f in of_kind(outcome, "missing")] == [[16_000.0]]


def test_generated_tones_are_notes() -> None:
    # what has no tape noise under it was never on a tape
    signal = line_up(RATE, [LEVEL], gains_db=[0, -6], hiss_dbfs=None)
    assert asking(checked(signal)) == []
    assert {kind for kind, *_ in asking(checked(signal, Sheet(reel=DECLARED)))} == {"level"}


# -- the reference tone of noise reduction ------------------------------------------------------

KINDS = [  # from memory: carrier, jump, its length, how often
    (850.0, (0.10, 0.030, 0.75)),
    (400.0, (0.10, 0.015, 0.50)),
]


@pytest.mark.parametrize(("hz", "jumps"), KINDS)
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_a_reference_tone(hz: float, jumps: tuple[float, float, float], rate_hz: int) -> None:
    part = Part(hz=hz, dbfs=-20, seconds=8, jumps=jumps)
    outcome = checked(line_up(rate_hz, [part], tracks=2), Sheet(reel=DECLARED))
    (tone,) = outcome.measures.tones
    assert tone.kind == "reference-tone"
    assert tone.frequency_hz == pytest.approx(hz, rel=1e-3)
    assert tone.tracks[0].level_dbfs == pytest.approx(-20, abs=0.05)
    (finding,) = of_kind(outcome, "reference-tone")
    assert finding.verdict is Verdict.CLEAR
    assert finding.values["period_s"] == pytest.approx(jumps[2], abs=0.01)
    assert finding.values["shift_percent"] == pytest.approx(10, abs=1.5)


@pytest.mark.parametrize("hz", [850.0, 400.0])
def test_a_plain_tone_is_no_reference_tone(hz: float) -> None:
    (tone,) = checked(line_up(RATE, [Part(hz=hz, dbfs=-20, seconds=6)])).measures.tones
    assert tone.kind == "steady"


def test_a_reference_tone_off_its_mark_is_never_redo() -> None:
    part = Part(hz=850, dbfs=-20, seconds=8, jumps=KINDS[0][1])
    sheet = Sheet(reel=DECLARED, lineup=LineupSheet(nr_mark_dbfs=-15.0))
    assert asking(checked(line_up(RATE, [part]), sheet)) == [
        ("reference-tone", Verdict.LISTEN, (0, 1))
    ]


# -- what is no line-up tone -------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["organ", "drone", "bowed", "piano", "speech", "brass", "tones"])
def test_music_holds_no_line_up(kind: str) -> None:
    x = synth.programme(kind, rate_hz=RATE, tracks=2, seconds=8, seed=5)
    assert run(x, RATE).findings == ()


def _hummed(rng: np.random.Generator) -> Any:
    t = np.arange(12 * RATE) / RATE
    hum = sum(10 ** (-(40 + 6 * n) / 20) * np.sin(2 * np.pi * 50 * (n + 1) * t) for n in range(3))
    return np.stack([hum, hum]) + hiss(rng, (2, len(t)), -75)


def _pilot(rng: np.random.Generator, hz: float = 60.0) -> Any:
    """Faint and pure in the rests, and under the music as well."""
    t = np.arange(12 * RATE) / RATE
    line = 10 ** (-36 / 20) * np.sin(2 * np.pi * hz * t)
    x = np.stack([line, line]) + hiss(rng, (2, len(t)), -70)
    x[:, 4 * RATE : 8 * RATE] += hiss(rng, (2, 4 * RATE), -20)
    return x


def _whistle(rng: np.random.Generator) -> Any:
    return _pilot(rng, 15_625.0)


def _glide(rng: np.random.Generator) -> Any:
    t = np.arange(8 * RATE) / RATE
    turns = 400 * t + 40 * t * t
    return np.stack([0.1 * np.sin(2 * np.pi * turns)] * 2) + hiss(rng, (2, len(t)), -70)


def _vibrato(rng: np.random.Generator) -> Any:
    t = np.arange(8 * RATE) / RATE
    turns = 440 * t + 440 * 0.012 * np.sin(2 * np.pi * 2 * t) / (2 * np.pi * 2)
    return np.stack([0.1 * np.sin(2 * np.pi * turns)] * 2) + hiss(rng, (2, len(t)), -70)


def _flue(rng: np.random.Generator) -> Any:
    """A stopped pipe, held: its third partial 18 dB down."""
    t = np.arange(6 * RATE) / RATE
    wave = np.sin(2 * np.pi * 261.6 * t) + 0.126 * np.sin(2 * np.pi * 784.9 * t)
    return np.stack([0.1 * wave] * 2) + hiss(rng, (2, len(t)), -70)


def _one_track(rng: np.random.Generator) -> Any:
    t = np.arange(6 * RATE) / RATE
    x = hiss(rng, (4, len(t)), -60)
    x[2] += 0.1 * np.sin(2 * np.pi * 1000 * t)
    return x


def _short(rng: np.random.Generator) -> Any:
    t = np.arange(6 * RATE) / RATE
    return np.stack([0.1 * np.sin(2 * np.pi * 1000 * t) * (t % 2 < 1.7)] * 2) + hiss(
        rng, (2, len(t)), -70
    )


@pytest.mark.parametrize(
    "make",
    [_hummed, _pilot, _whistle, _glide, _vibrato, _flue, _one_track, _short],
    ids=lambda f: f.__name__,
)
def test_what_is_no_line_up(make: Any) -> None:
    x = make(np.random.default_rng(3))
    assert run(ints(x), RATE).findings == ()


def test_a_click_parts_no_tone_from_its_end() -> None:
    signal = line_up(RATE, [Part(hz=1000, dbfs=-40, seconds=9)], hiss_dbfs=-70)
    at = 5 * RATE
    signal.samples[:, at : at + 40] += 0.9
    (tone,) = checked(signal).measures.tones
    assert (tone.start_s, tone.end_s) == pytest.approx(signal.places[0], abs=0.05)
    assert tone.tracks[0].level_dbfs == pytest.approx(-40, abs=0.1)


@pytest.mark.parametrize("hz", [30.0, 31.2, 40.6])
def test_ends_of_the_lowest_tones(hz: float) -> None:
    signal = line_up(RATE, [Part(hz=hz, dbfs=-33.2, seconds=2.84)], tracks=4, gap_s=0.76)
    (tone,) = checked(signal).measures.tones
    assert (tone.start_s, tone.end_s) == pytest.approx(signal.places[0], abs=0.05)


def test_a_tone_under_the_lowest_level_is_none() -> None:
    # 0 to -45 dBFS are tones of a line-up
    quiet = [Part(hz=1000, dbfs=dbfs, seconds=2.5) for dbfs in (-45.0, -47.5)]
    outcome = checked(line_up(RATE, quiet, hiss_dbfs=-75))
    assert [round(t.tracks[0].level_dbfs) for t in outcome.measures.tones] == [-45]


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


# -- laws --------------------------------------------------------------------------------------

SIGNAL = line_up(RATE, [LEVEL, HIGH], tracks=3, delays_s=[0, 4e-6, 9e-6], gains_db=[0, 0.5, -0.4])
WHOLE = run(ints(SIGNAL.samples), RATE)


@settings(max_examples=8, deadline=None)
@given(cuts=st.lists(st.integers(0, SIGNAL.samples.shape[1]), max_size=6))
def test_cuts_change_nothing(cuts: list[int]) -> None:
    assert run(ints(SIGNAL.samples), RATE, cuts=cuts) == WHOLE


def test_track_order_and_polarity() -> None:
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


# -- nothing breaks it -------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [1, 1234, 16_000, 44_100, 352_800, 3_000_000])
@pytest.mark.parametrize("tracks", [1, 64])
@pytest.mark.parametrize("frames", [0, 1, 16_384, 70_001])
def test_any_shape(rate_hz: int, tracks: int, frames: int) -> None:
    x = (np.arange(tracks * frames).reshape(tracks, frames) * 7919 % 4001).astype(np.int32) << 16
    run(x, rate_hz)


@pytest.mark.parametrize("value", [0, 2**31 - 1, -(2**31)])
def test_constant_words(value: int) -> None:
    assert run(np.full((2, 5 * RATE), value, np.int32), RATE).findings == ()


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e-44, 1e30, 3e38])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_odd_floats(value: float, dtype: Any) -> None:
    x = (SIGNAL.samples[:, : 4 * RATE]).astype(dtype)
    x[0, RATE : RATE + 200] = value
    x[1] = value
    outcome = run(x, RATE)
    for tone in outcome.measures.tones:
        for track in tone.tracks:
            for field in ("level_dbfs", "phase_deg", "noise_dbfs", "distortion_percent"):
                number = getattr(track, field)
                assert number is None or math.isfinite(number)


def test_float_captures_read_like_words() -> None:
    x = ints(SIGNAL.samples)
    for dtype in (np.float32, np.float64):
        assert run((x / 2.0**31).astype(dtype), RATE).measures == WHOLE.measures


def test_tones_of_the_sheet_without_a_reference_level() -> None:
    parts = [LEVEL, Part(hz=10_000, dbfs=-28, seconds=2.5)]
    sheet = Sheet(lineup=LineupSheet(tones=(SheetTone(hz=10_000, dbfs=-28),)))
    assert asking(checked(line_up(RATE, parts), sheet)) == []
