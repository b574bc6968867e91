"""What the lineup check says of tones: how far off, what to turn, what is to be played again."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bench_lineup.signals import Part, hiss, ints, line_up, run
from lineup_kit import DECLARED, HIGH, LEVEL, RATE, asking, checked, of_kind

from checks.model import Remedy, Verdict
from checks.sheet import LineupSheet, Reel, Sheet, SheetTone, Tape, TrackEntry, TrackKind


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
def test_a_low_track_is_judged_by_how_far_off_and_what_is_declared(
    off_db: float, reel: Reel, verdict: Verdict
) -> None:
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


def test_tracks_too_low_and_too_high_are_told_apart_each_with_its_own_level() -> None:
    sheet = Sheet(tracks=tuple(TrackEntry(name=name) for name in "abcdefgh"))
    signal = line_up(RATE, [LEVEL], tracks=8, gains_db=[0, 0, -0.5, 0, 0.4, 0, -0.9, 0])
    low, high = of_kind(checked(signal, sheet), "level")
    assert (low.tracks, high.tracks) == ((2, 6), (4,))
    assert low.text.startswith(
        "The 1 kHz tone is below the -18.00 dBFS that 5 tracks share by 0.50 dB on c and by "
        "0.90 dB on g; 0.3 dB is allowed."
    )
    assert low.text.endswith("turn the replay level of each up by as much.")
    assert high.text.startswith("The 1 kHz tone is 0.40 dB above the -18.00 dBFS that 5 tracks")
    assert high.text.endswith("turn the replay level down by as much.")


@pytest.mark.parametrize(
    ("reference_dbfs", "told"),
    [
        (None, "No reference_dbfs is set in the sheet: the tracks are held against each other"),
        (-18.0, "below the -18.0 dBFS of the sheet"),
    ],
)
def test_it_is_told_what_levels_are_held_against(reference_dbfs: float | None, told: str) -> None:
    sheet = Sheet(lineup=LineupSheet(reference_dbfs=reference_dbfs))
    signal = line_up(RATE, [LEVEL], tracks=4, gains_db=[0, -0.5, 0, 0])
    (finding,) = of_kind(checked(signal, sheet), "level")
    assert told in finding.text
    assert ("No reference_dbfs" in finding.text) is (reference_dbfs is None)


def test_tracks_that_agree_are_not_told_to_turn_for_the_others() -> None:
    """The middle of -18, -18.8, -17.9 and -32 dBFS lies where no track is."""
    signal = line_up(RATE, [LEVEL], tracks=4, gains_db=[0, -0.8, 0.1, -14])
    (finding,) = of_kind(checked(signal), "level")
    assert finding.tracks == (1, 3)
    assert "by 0.85 dB on track 2 and by 14.05 dB on track 4" in finding.text
    assert "-17.95 dBFS that 2 tracks share" in finding.text


@pytest.mark.parametrize("gains", [[0, -2], [0, 0.1, -2, -2.1]])
def test_where_no_level_is_shared_by_most_nothing_is_to_be_turned(gains: list[float]) -> None:
    found = of_kind(checked(line_up(RATE, [LEVEL], tracks=len(gains), gains_db=gains)), "level")
    assert {k for f in found for k in f.tracks} == set(range(len(gains)))
    for finding in found:
        assert "the middle of all tracks" in finding.text
        assert finding.text.endswith("set it before anything is turned.")


def test_of_many_tracks_the_table_tells_each() -> None:
    gains = [0.0] * 12 + [-0.5 - k / 10 for k in range(9)]
    signal = line_up(RATE, [LEVEL], tracks=21, gains_db=gains)
    (finding,) = of_kind(checked(signal), "level")
    assert "by 0.50 to 1.30 dB (`reelvigil lineup` tells each track)" in finding.text


def test_treble_too_low_and_too_high_is_told_with_what_to_turn() -> None:
    signal = line_up(RATE, [LEVEL, HIGH, Part(hz=15_000, dbfs=-18, seconds=2.5)], tracks=3)
    for (begins, _), gain in zip(signal.places[1:], (1.4, 1.6), strict=True):
        at = round(begins * RATE)
        signal.samples[1, at : at + round(2.5 * RATE)] *= 10 ** (-gain / 20)
        signal.samples[2, at : at + round(2.5 * RATE)] *= 10 ** (gain / 20)
    findings = of_kind(checked(signal), "response")
    assert len(findings) == 2
    for finding in findings:
        (track,) = finding.tracks
        assert "10 kHz and 15 kHz are 1.40 to 1.60 dB" in finding.text
        assert (
            f"Turn the treble of the replay equaliser {('up', 'down')[track - 1]}" in finding.text
        )


def test_bass_too_low_is_told_with_what_to_turn() -> None:
    tape = Tape(low_frequency_compensated=True)
    bass = checked(line_up(RATE, [LEVEL, Part(hz=63, dbfs=-20, seconds=2.5)]), Sheet(tape=tape))
    assert of_kind(bass, "response")[0].text.endswith("Turn the bass of the replay equaliser up.")


def test_the_sheets_reference_counts_where_there_is_one() -> None:
    sheet = Sheet(reel=DECLARED, lineup=LineupSheet(reference_dbfs=-20.0))
    outcome = checked(line_up(RATE, [LEVEL]), sheet)
    (finding,) = of_kind(outcome, "level")
    assert finding.verdict is Verdict.REDO
    assert finding.values["worst_db"] == pytest.approx(2.0, abs=0.01)


def test_a_track_without_the_tone_is_told_unless_it_is_unused() -> None:
    outcome = checked(line_up(RATE, [LEVEL], tracks=4, gains_db=[0, -90, 0, 0]))
    assert asking(outcome) == [("level", Verdict.LISTEN, (1,))]
    sheet = Sheet(tracks=(TrackEntry(), TrackEntry(kind=TrackKind.UNUSED)))
    assert asking(checked(line_up(RATE, [LEVEL], tracks=4, gains_db=[0, -90, 0, 0]), sheet)) == []


def test_tones_lower_on_purpose_are_told_and_what_is_off_beside_that() -> None:
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


def test_tones_of_the_sheet_count_without_a_reference_level() -> None:
    parts = [LEVEL, Part(hz=10_000, dbfs=-28, seconds=2.5)]
    sheet = Sheet(lineup=LineupSheet(tones=(SheetTone(hz=10_000, dbfs=-28),)))
    assert asking(checked(line_up(RATE, parts), sheet)) == []


QUARTER = Tape(speed_cm_s=38.1, track_spacing_mm=4.2, track_width_mm=2.1)


def test_azimuth_is_told_in_minutes_of_arc_with_its_loss() -> None:
    # 30 degrees at 10 kHz, 38.1 cm/s, 4.2 mm: 2.60 minutes of arc
    delay = 30 / 360 / 10_000
    sheet = Sheet(tape=QUARTER)
    outcome = checked(line_up(RATE, [LEVEL, HIGH], delays_s=[0, delay]), sheet)
    (line,) = outcome.measures.azimuth
    assert line.angle_arcmin == pytest.approx(2.60, abs=0.01)
    assert asking(outcome) == [("azimuth", Verdict.LISTEN, (0, 1))]
    (finding,) = of_kind(outcome, "azimuth")
    assert "Track 2 is 8.33 us later than track 1: either a tilt of the head" in finding.text
    assert (
        "by 2.60 minutes of arc (8.33 us a track), where 1 is allowed, or a track" in finding.text
    )
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


def test_tones_that_the_sheet_asks_for_and_are_not_there_are_told() -> None:
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


# -- the reference tone of noise reduction -----------------------------------------------------


KINDS = [  # from memory: carrier, jump, its length, how often
    (850.0, (0.10, 0.030, 0.75)),
    (400.0, (0.10, 0.015, 0.50)),
]


@pytest.mark.parametrize(("hz", "jumps"), KINDS)
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_a_reference_tone_is_known_by_its_jumps(
    hz: float, jumps: tuple[float, float, float], rate_hz: int
) -> None:
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
