"""What the lineup check makes of measured tones: findings and measures, without any samples."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pytest

from checks.lineup import LineupLimits
from checks.lineup._findings import findings
from checks.lineup._lineup import gather
from checks.lineup._recognise import judged_tracks
from checks.lineup._report import measures
from checks.lineup._tone import Tone, TrackTone
from checks.measures import LineupMeasures
from checks.model import Finding, Verdict
from checks.sheet import LineupSheet, Reel, ReelKind, Sheet, Tape

RATE = 96_000
DECLARED = Reel(kind=ReelKind.LINEUP)


def track(dbfs: float = -18.0, turns: float = 0.0, **settings: Any) -> TrackTone:
    """A tone on a track, so many turns late."""
    usual: dict[str, Any] = {
        "amplitude": 10 ** (dbfs / 20), "phase_rad": -2 * math.pi * turns, "phase_sigma_rad": 1e-4,
        "weave_rad": 0.0, "swing_db": 0.0, "flutter_percent": None, "unweighted_percent": None,
        "distortion_percent": 0.1, "beside_db": -44.0, "noise_power": 1e-7, "holds": True,
    }  # fmt: skip
    return TrackTone(**usual | settings)


NONE = track(amplitude=0.0, phase_rad=math.nan, holds=False)


def tone(
    hz: float, tracks: Sequence[TrackTone], *, seconds: float = 5.0, flutter: float | None = None,
    period_s: float | None = None,
) -> Tone:  # fmt: skip
    return Tone(start=0, stop=round(seconds * RATE), opens=True, closes=True, hz=hz,
                drift_percent=0.0, flutter_percent=flutter, period_s=period_s,
                shift_percent=10.0 if period_s else None, tracks=tuple(tracks))  # fmt: skip


def judged(
    tones: Sequence[Tone], sheet: Sheet | None = None, *, most: int = 64
) -> tuple[list[Finding], LineupMeasures]:
    """All but the note that names the tones, and the measures."""
    sheet = sheet or Sheet(reel=DECLARED)
    count = len(tones[0].tracks)
    lineup = gather(list(tones), sheet, judged_tracks(sheet, count), count)
    found = findings(
        lineup, sheet, LineupLimits(), declared=sheet.reel.kind is ReelKind.LINEUP
    )  # fmt: skip
    told = [f for f in found if f.kind != "tones"]
    return told, measures(lineup, sheet, RATE, most=most)


def delayed(hz: float, delays_us: Sequence[float], inverted: Sequence[int] = ()) -> Tone:
    return tone(
        hz, [track(turns=hz * d * 1e-6 + 0.5 * (k in inverted)) for k, d in enumerate(delays_us)]
    )


def test_a_wrong_curve_within_the_tolerance_is_a_note() -> None:
    # IEC 60094-1: an IEC1 tape replayed NAB at 38 cm/s: +2.51 dB at 10 kHz, +2.71 at 15 kHz
    sheet = Sheet(reel=DECLARED, lineup=LineupSheet(response_db=3.0))
    tones = [tone(hz, [track(db - 18)] * 2) for hz, db in ((1e3, 0), (1e4, 2.51), (1.5e4, 2.71))]
    (finding,), _ = judged(tones, sheet)
    assert (finding.kind, finding.verdict) == ("response", Verdict.CLEAR)
    assert "an IEC1 tape replayed through the NAB curve at 38.1 cm/s" in finding.text


def test_flutter_is_that_of_the_tone_the_standard_asks_for() -> None:
    # AES6-2008, IEC 60386: 3150 Hz, older 3000; another tone only where there is none
    long = tone(1000, [track()], seconds=30, flutter=0.15)
    assert judged([long, tone(3150, [track()], flutter=0.05)])[0] == []
    (finding,), _ = judged([long, tone(3000, [track()], flutter=0.25)])
    assert (finding.verdict, finding.values["flutter_percent"]) == (Verdict.REDO, 0.25)
    (finding,), _ = judged([long])
    assert finding.verdict is Verdict.LISTEN


def test_a_reversed_reference_is_the_one_that_is_reversed() -> None:
    tones = [delayed(hz, [0, 0, 0, 0], inverted=(1, 2, 3)) for hz in (1e3, 1e4)]
    (finding,), _ = judged(tones)
    assert (finding.values["inverted"], finding.tracks) == (True, (0,))


@pytest.mark.parametrize(
    ("delays_us", "tracks"),
    [([0, 30, 60, 90], (0, 1, 2, 3)), ([0, 0, 60, 0, 0], (2,))],  # a tilt; one stray track
)
def test_nothing_is_redo_by_a_delay_without_an_angle(
    delays_us: list[float], tracks: tuple[int, ...]
) -> None:
    tones = [delayed(hz, delays_us) for hz in (1e3, 1e4)]
    (finding,), _ = judged(tones)
    assert (finding.kind, finding.verdict, finding.tracks) == ("azimuth", Verdict.LISTEN, tracks)
    # 4 mm and 38.1 cm/s: 30 us are 9.8 minutes of arc
    sheet = Sheet(reel=DECLARED, tape=Tape(speed_cm_s=38.1, track_spacing_mm=4.0))
    assert {f.verdict for f in judged(tones, sheet)[0]} == {Verdict.REDO}


THREE_MM = Sheet(reel=DECLARED, tape=Tape(speed_cm_s=38.1, track_spacing_mm=3.0))


def azimuth_of(
    delays_us: Sequence[float], inverted: Sequence[int] = (), sheet: Sheet = THREE_MM
) -> tuple[list[Finding], LineupMeasures]:
    return judged([delayed(hz, delays_us, inverted) for hz in (1e3, 1e4)], sheet)


@pytest.mark.parametrize("late", range(4))
def test_one_late_track_of_four_is_no_tilt(late: int) -> None:
    (finding,), told = azimuth_of([15.0 * (k == late) for k in range(4)])
    assert (finding.verdict, finding.tracks) == (Verdict.REDO, (late,))
    assert finding.text.startswith("Off the line of the other tracks by 15.00 us (late): ")
    assert finding.values["tracks"] == [{"track": late + 1, "off_us": 15.0}]
    assert told.head_tilt_arcmin == pytest.approx(0.0, abs=1e-6)


def test_a_tilt_and_a_late_track_are_both_told() -> None:
    # 9 us over 3 mm at 38.1 cm/s: 3.93 minutes of arc; the fourth is 33 us behind its place
    (tilt, stray), told = azimuth_of([0, 9, 18, 60])
    assert (tilt.tracks, stray.tracks) == ((0, 1, 2), (3,))
    assert "tilted by 3.93 minutes of arc (9.00 us a track), the last track" in tilt.text
    assert "Set the azimuth." in tilt.text
    assert stray.values["tracks"] == [{"track": 4, "off_us": 33.0}]
    assert told.head_tilt_arcmin == pytest.approx(3.93, abs=0.005)


def test_a_reversed_track_and_a_late_one() -> None:
    (turned, stray), _ = azimuth_of([0, 0, 0, 15], inverted=(1,))
    assert (turned.values["inverted"], turned.tracks, stray.tracks) == (True, (1,), (3,))


@pytest.mark.parametrize(
    ("delays_us", "said"),
    [
        ([0, 9], "Track 2 is 9.00 us later than track 1: either a tilt of the head by 3.93 "),
        ([0, -9], "Track 1 is 9.00 us later than track 2: either a tilt of the head by 3.93 "),
        ([0, 5, 10], "Track 3 is 10.00 us later than track 1: either a tilt of the head by 2.18 "),
        ([0, 0, 15], "whether the head is tilted besides, three tracks cannot tell."),
        ([0, 0, 15, 15], "later than the earliest by 0.00, 0.00, 15.00, 15.00 us."),
    ],
)
def test_nobody_is_told_to_set_the_azimuth_by_what_may_be_a_late_track(
    delays_us: list[float], said: str
) -> None:
    (finding,), _ = azimuth_of(delays_us)
    assert (finding.verdict, finding.tracks) == (Verdict.REDO, tuple(range(len(delays_us))))
    assert said in finding.text
    assert "cannot tell" in finding.text
    assert "Set the azimuth" not in finding.text


@pytest.mark.parametrize(
    ("late_us", "said"),
    [
        # 20 log10 |cos(pi f t)|
        (25.0, "The sum of two neighbours loses 3.0 dB at 10 kHz and 30 dB and more at 20 kHz."),
        (8.0, "The sum of two neighbours loses 0.28 dB at 10 kHz and 1.1 dB at 20 kHz."),
    ],
)
def test_a_loss_is_told_no_more_exactly_than_it_is_known(late_us: float, said: str) -> None:
    (finding,), _ = azimuth_of([0, late_us])
    assert said in finding.text


def test_tracks_on_no_line_have_no_tilt() -> None:
    (finding,), told = azimuth_of([0, 0, 15, 15])
    assert told.head_tilt_arcmin is None
    assert finding.values["delays"] == [
        {"track": k + 1, "later_us": us} for k, us in enumerate((0.0, 0.0, 15.0, 15.0))
    ]
    (finding,), _ = azimuth_of([0, 0, 60, 60], sheet=Sheet(reel=DECLARED))
    assert finding.verdict is Verdict.LISTEN


@pytest.mark.parametrize(
    ("beside_db", "verdict"), [(-44.0, Verdict.LISTEN), (-100.0, Verdict.CLEAR)]
)
def test_a_generated_reference_tone_asks_for_nothing(beside_db: float, verdict: Verdict) -> None:
    sheet = Sheet(lineup=LineupSheet(nr_mark_dbfs=-15.0))
    (finding,), _ = judged([tone(850, [track(beside_db=beside_db)] * 2, period_s=0.75)], sheet)
    assert (finding.kind, finding.verdict) == ("reference-tone", verdict)


def test_phases_refer_to_the_first_track_that_has_tones_where_the_sheets_has_none() -> None:
    tones = [tone(hz, [NONE, track(), track(turns=hz * 4e-6)]) for hz in (1e3, 1e4)]
    _, told = judged(tones)
    assert {line.against for line in told.azimuth} == {2}
    assert told.azimuth[-1].delay_us == pytest.approx(4.0, abs=1e-3)
    sheet = Sheet(lineup=LineupSheet(reference_track=3))
    assert {line.against for line in judged(tones, sheet)[1].azimuth} == {3}


def test_of_two_tones_of_one_frequency_the_surer_one_tells_the_delay() -> None:
    rough = tone(1e4, [track(), track(turns=0.09, phase_sigma_rad=0.1)])
    fine = tone(1e4, [track(), track(turns=0.05)])
    for tones in ([rough, fine], [fine, rough]):
        line = judged([tone(1e3, [track(), track(turns=0.005)]), *tones])[1].azimuth[0]
        assert line.delay_us == pytest.approx(5.0, abs=0.01)


def test_angles_count_the_distance_from_the_reference_track() -> None:
    # dt = d tan(a) / v: 10 us over 2 x 3 mm at 38.1 cm/s are 2.18 minutes of arc
    sheet = Sheet(tape=Tape(speed_cm_s=38.1, track_spacing_mm=3.0))
    _, told = judged([delayed(hz, [0, 5, 10]) for hz in (1e3, 1e4)], sheet)
    assert [line.angle_arcmin for line in told.azimuth] == pytest.approx([2.183] * 2, abs=0.005)
    assert told.head_tilt_arcmin == pytest.approx(2.183, abs=0.005)


def test_tones_that_disagree_make_a_delay_uncertain() -> None:
    def sigma(*turns: float) -> float:
        tones = [tone(hz, [track(), track(turns=t)])
                 for hz, t in zip((1e3, 5e3, 1e4), turns, strict=True)]  # fmt: skip
        return judged(tones)[1].azimuth[0].uncertainty_us or 0.0

    assert sigma(0.005, 0.025, 0.05) < 0.01
    assert sigma(0.005, 0.035, 0.05) > 0.1  # 0.01 turns at 5 kHz: 2 us


def test_more_tones_than_are_listed_are_counted() -> None:
    _, told = judged([tone(hz, [track()]) for hz in (1e3, 1e4, 1.5e4)], most=2)
    assert (len(told.tones), told.tones_found) == (2, 3)
    assert [line.frequency_hz for line in told.response] == [1e4]


GONE = track(-115.0, beside_db=20.0, holds=False)


@pytest.mark.parametrize("dead", [GONE, NONE])
@pytest.mark.parametrize("hz", [100.0, 10_000.0])
def test_a_track_that_dies_within_a_line_up_lost_the_tone(dead: TrackTone, hz: float) -> None:
    full = [track()] * 4
    (finding,), _ = judged([tone(1e3, full), tone(hz, [*full[:2], dead, dead])])
    assert (finding.kind, finding.verdict, finding.tracks) == ("level", Verdict.REDO, (2, 3))
    assert "lost the tone: " in finding.text
    # half of the tracks are under the others, not the others over them; no equaliser does that
    assert finding.values["listed"] == 2
    (early,), _ = judged([tone(1e3, [*full[:3], dead]), tone(hz, [*full[:3], dead])])
    assert (early.kind, early.verdict, early.tracks) == ("level", Verdict.REDO, (3,))
    assert early.text.startswith("The 1 kHz tone that the other tracks carry is not there, or 20")


def test_a_note_without_a_line_up_is_lost_by_nobody() -> None:
    tones = [tone(1e3, [track()] * 3), tone(441.3, [track(), track(), NONE])]
    assert judged(tones, Sheet())[0] == []
    (finding,), _ = judged([tones[0], tone(1e4, tones[1].tracks)], Sheet())
    assert (finding.kind, finding.verdict, finding.tracks) == ("level", Verdict.LISTEN, (2,))


@pytest.mark.parametrize(("off_db", "verdict"), [(-9.0, Verdict.CLEAR), (-12.0, Verdict.REDO)])
def test_what_low_frequencies_do_by_themselves_has_an_end(off_db: float, verdict: Verdict) -> None:
    tones = [tone(1e3, [track()] * 3), tone(100, [track(), track(), track(-18 + off_db)])]
    (finding,), _ = judged(tones)
    assert (finding.kind, finding.verdict, finding.tracks) == ("response", verdict, (2,))
