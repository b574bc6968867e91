"""One fault is told once: what clipping and equal tracks explain of the dropouts check."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from synth import programme

from checks.explained import told_once
from checks.model import CaptureFormat, Finding, Outcome, Remedy, Verdict
from checks.registry import Context
from checks.sample_pass import SamplePass

RATE = 48_000


def made(
    check: str, kind: str, tracks: tuple[int, ...], start: int, frames: int, **values: Any
) -> Finding:
    return Finding(
        check=check, kind=kind, verdict=values.pop("verdict", Verdict.LISTEN),
        remedy=Remedy.LISTEN, tracks=tracks, start_frame=start, frames=frames, text=kind,
        values=values,
    )  # fmt: skip


def verdict(one: Finding, other: Finding) -> Verdict:
    """Of a finding of dropouts, beside one of another check."""
    outcomes = {"dropouts": Outcome(findings=(one,)), other.check: Outcome(findings=(other,))}
    (told,) = told_once(outcomes, rate_hz=RATE)["dropouts"].findings
    assert (told.text == one.text) is (told.verdict is one.verdict)
    return told.verdict


def lift(
    start: int = 150_000, tracks: tuple[int, ...] = (1,), fall_db: float = 40.0,
    length_ms: float = 4.0, **more: Any,
) -> Finding:  # fmt: skip
    values = {"hiss_fall_db": fall_db, "length_ms": length_ms, **more}
    return made("dropouts", "contact-loss", tracks, start, 200, **values)


def test_flat_tops_are_no_lift_of_the_tape() -> None:
    tops = made("clipping", "flat-top", (1, 2), 100_000, 100_000, longest_us=3000.0)
    assert verdict(lift(), tops) is Verdict.CLEAR
    assert verdict(lift(fall_db=16.0), tops) is Verdict.CLEAR  # beyond an amplifier's noise
    for other in (
        lift(tracks=(0,)),
        lift(tracks=(0, 1)),
        lift(start=300_000),
        lift(length_ms=9.0),  # longer than any top
        lift(fall_db=12.0),  # to the amplifier's noise
        lift(verdict=Verdict.REDO),
    ):
        assert verdict(other, tops) is other.verdict
    wraps = made("clipping", "wrap", (1, 2), 100_000, 100_000, longest_us=3000.0)
    assert verdict(lift(), wraps) is Verdict.LISTEN


def test_where_a_track_stands_at_its_ceiling_no_hiss_is_heard_whatever_was_added_since() -> None:
    # 48 frames are a millisecond; the tape's part smears a place by two (``_SMEARED_MS``)
    lines = [{"track": 2, "places": [], "stretches": [[150_000, 240], [160_000, 60]]}]
    tops = made("clipping", "flat-top", (1,), 100_000, 100_000, longest_us=5000.0, by_track=lines)
    noisy = {"fall_db": 9.0, "times": 1}
    assert verdict(lift(**noisy), tops) is Verdict.CLEAR
    assert verdict(lift(start=149_930, length_ms=7.0, **noisy), tops) is Verdict.CLEAR
    both = {"fall_db": 9.0, "times": 2, "length_ms": 2.0, "start_frames": [150_000, 160_000]}
    assert verdict(lift(**both), tops) is Verdict.CLEAR
    for other in (
        lift(tracks=(0,), **noisy),
        lift(tracks=(0, 1), **noisy),
        lift(start=150_240, **noisy),  # behind it
        lift(start=149_900, **noisy),  # before it
        lift(length_ms=7.2, **noisy),  # longer than it
        lift(start=160_000, length_ms=2.6, **noisy),  # more than twice as long
        lift(**{**both, "start_frames": [150_000, 170_000]}),
        lift(**{**both, "times": 3}),  # one of which is not listed
        lift(verdict=Verdict.REDO, **noisy),
    ):
        assert verdict(other, tops) is other.verdict


def step(tracks: tuple[int, ...] = (0, 1), sigmas: float = 9.0, **more: Any) -> Finding:
    return made("dropouts", "step", tracks, 50_000, 1, jump_sigma=sigmas, **more)


@pytest.mark.parametrize("kind", ["identical", "same-signal", "inverted", "delayed"])
def test_one_signal_on_two_tracks_is_one_witness(kind: str) -> None:
    pair = made("tracks", kind, (0, 1), 0, 900_000)
    assert verdict(step(), pair) is Verdict.CLEAR
    for other in (
        step(sigmas=15.0),
        step(tracks=(0, 1, 2)),
        step(verdict=Verdict.REDO),
    ):
        assert verdict(other, pair) is other.verdict


def test_the_seams_of_an_equal_stretch_are_told_with_it() -> None:
    double = made("tracks", "identical", (0, 1), 40_000, 10_000, stretches=[[40_000, 10_000]])
    assert verdict(step((1,), 500.0), double) is Verdict.CLEAR
    both = step((1,), 500.0, start_frames=[40_010, 50_000])
    assert verdict(both, double) is Verdict.CLEAR
    within = step((1,), 500.0, start_frames=[40_010, 45_000])
    assert verdict(within, double) is Verdict.LISTEN
    assert verdict(step((2,), 500.0), double) is Verdict.LISTEN


def test_without_the_other_finding_nothing_changes() -> None:
    outcomes = {"dropouts": Outcome(findings=(step(), lift())), "tracks": Outcome()}
    assert told_once(outcomes, rate_hz=RATE) == outcomes


def test_clipped_low_notes_ask_for_nothing_but_clipping() -> None:
    """Programme driven far over a ceiling, converter noise on top (common practice: -110 dBFS)."""
    fmt = CaptureFormat(rate_hz=RATE, channels=1, word_length=24)
    x = programme("organ", rate_hz=RATE, tracks=1, seconds=8.0, seed=5).astype(np.float64)
    middle = slice(3 * RATE, 5 * RATE)
    ceiling = 0.25 * np.abs(x[:, middle]).max()
    x[:, middle] = np.clip(x[:, middle], -ceiling, ceiling)
    x += np.random.default_rng(1).normal(0, 10 ** (-110 / 20) * 2**31, x.shape)
    run = SamplePass(Context(fmt=fmt))
    run.feed((np.rint(x / 256).astype(np.int32)) << 8)
    told = told_once(run.finish(), rate_hz=RATE)
    asks = {
        (f.check, f.kind)
        for outcome in told.values()
        for f in outcome.findings
        if f.verdict is not Verdict.CLEAR
    }
    assert asks & {("clipping", "flat-top"), ("clipping", "full-scale")}
    assert not asks & {("dropouts", "contact-loss"), ("dropouts", "level-dip")}


@pytest.mark.parametrize("recognised", ["timecode", "pilot", "click", "unused", None])
@pytest.mark.parametrize("kind", ["brickwall", "absent"])
def test_a_track_without_programme_has_none_to_be_cut_off(
    recognised: str | None, kind: str
) -> None:
    note = made("tracks", "track-kind", (0,), 0, 1, recognised=recognised)
    for tracks in ((0,), (0, 1)):
        wall = made("ultrasonic", kind, tracks, 0, 0, verdict=Verdict.REDO)
        outcomes = {"tracks": Outcome(findings=(note,)), "ultrasonic": Outcome(findings=(wall,))}
        (told,) = told_once(outcomes, rate_hz=RATE)["ultrasonic"].findings
        excused = tracks == (0,) and recognised in ("timecode", "pilot", "click")
        assert told.verdict is (Verdict.CLEAR if excused else Verdict.REDO)


@pytest.mark.parametrize("kind", ["contact-loss", "level-dip", "hf-loss"])
def test_timecode_has_no_hiss_to_be_heard_but_a_pilot_tone_has(kind: str) -> None:
    note = made("tracks", "track-kind", (1,), 0, 1, recognised="timecode")
    pilot = made("tracks", "track-kind", (1,), 0, 1, recognised="pilot")
    fall = made("dropouts", kind, (1,), 50_000, 4_000)
    assert verdict(fall, note) is Verdict.CLEAR
    assert verdict(fall, pilot) is Verdict.LISTEN
    assert verdict(dataclasses.replace(fall, tracks=(1, 2)), note) is Verdict.LISTEN
    assert verdict(dataclasses.replace(fall, verdict=Verdict.REDO), note) is Verdict.REDO


@pytest.mark.parametrize("recognised", ["timecode", "pilot", "click", "unused", None])
def test_the_overtones_of_a_code_are_no_supply_to_look_for(recognised: str | None) -> None:
    kind = made("tracks", "track-kind", (1,), 0, 1, recognised=recognised)
    notes = [
        made("ultrasonic", "line", (1,), 0, 0, verdict=Verdict.CLEAR),
        made("ultrasonic", "no-evidence", (1,), 0, 0, verdict=Verdict.CLEAR),
        made("dropouts", "not-judged", (1,), 0, 0, verdict=Verdict.CLEAR),
    ]
    excused = recognised in ("timecode", "pilot", "click")
    for tracks in ((1,), (0, 1)):
        line = made("ultrasonic", "line", tracks, 0, 0)
        found = (line, *(dataclasses.replace(note, tracks=tracks) for note in notes))
        outcomes = {"tracks": Outcome(findings=(kind,)), "ultrasonic": Outcome(findings=found)}
        told = told_once(outcomes, rate_hz=RATE)["ultrasonic"].findings
        assert len(told) == (1 if excused and tracks == (1,) else 4)
        assert (told[0].verdict is Verdict.CLEAR) is (len(told) == 1)


@pytest.mark.parametrize("recognised", ["click", "timecode", None])
def test_a_click_track_jumps_by_nature(recognised: str | None) -> None:
    note = made("tracks", "track-kind", (1,), 0, 1, recognised=recognised)
    expected = Verdict.CLEAR if recognised == "click" else Verdict.LISTEN
    assert verdict(step((1,), 500.0), note) is expected
    often = Verdict.CLEAR if recognised else Verdict.LISTEN
    assert verdict(step((1,), 500.0, times=40), note) is often
    assert verdict(step((0, 1), 500.0), note) is Verdict.LISTEN
    assert verdict(step((1,), 500.0, verdict=Verdict.REDO), note) is Verdict.REDO


def word(start: int, track: int, **more: Any) -> Finding:
    return made("dropouts", "step", (track,), start, 1, verdict=Verdict.REDO, **more)


def wrapped(*places: tuple[int, int], count: int, verdict: Verdict = Verdict.REDO) -> Finding:
    """On tracks 1 and 2, at places on track 1, of one peak each."""
    listed = [{"start_frame": start, "frames": frames, "count": 1} for start, frames in places]
    start, stop = places[0][0], sum(places[-1])
    return made(
        "clipping", "wrap", (1, 2), start, stop - start, verdict=verdict, count=count,
        by_track=[{"track": 2, "places": listed}, {"track": 3, "places": []}],
    )  # fmt: skip


def test_what_looks_wrong_beside_peaks_that_wrap_round_is_told_with_them() -> None:
    wraps = wrapped((10_000, 50), (90_000, 50), count=2)
    assert verdict(word(10_060, 1), wraps) is Verdict.CLEAR
    assert verdict(word(50_000, 1), wraps) is Verdict.REDO, "between two places"
    assert verdict(word(50_000, 1), dataclasses.replace(wraps, values={"count": 9})) is (
        Verdict.CLEAR
    ), "not every place is known"
    assert verdict(word(10_060, 0), wraps) is Verdict.REDO
    assert verdict(word(10_060, 1, start_frames=[10_060, 90_020]), wraps) is Verdict.CLEAR
    assert verdict(word(10_060, 1, start_frames=[10_060, 50_000]), wraps) is Verdict.REDO
    listen = dataclasses.replace(wraps, verdict=Verdict.LISTEN)
    assert verdict(word(10_060, 1), listen) is Verdict.REDO, "never less than it asks for"


def test_scrambled_words_that_look_like_wraps_are_told_once() -> None:
    """And the remedy that costs no playing stands: fetch the file again."""
    scrambled = made(
        "dropouts", "step", (0, 1, 2), 10_000, 60, verdict=Verdict.REDO, cause="scrambled"
    )
    for places, expected in (
        (((10_010, 2), (10_030, 5)), Verdict.CLEAR),
        (((10_010, 2), (50_000, 5)), Verdict.REDO),
    ):
        wraps = wrapped(*places, count=2)
        told = told_once(
            {"clipping": Outcome(findings=(wraps,)), "dropouts": Outcome(findings=(scrambled,))},
            rate_hz=RATE,
        )
        assert told["clipping"].findings[0].verdict is expected
        assert told["dropouts"].findings[0].verdict is Verdict.REDO


def other_verdict(one: Finding, other: Finding) -> Verdict:
    """Of a finding of any check, beside one of another."""
    outcomes = {one.check: Outcome(findings=(one,)), other.check: Outcome(findings=(other,))}
    (told,) = told_once(outcomes, rate_hz=RATE)[one.check].findings
    return told.verdict


def test_words_wrong_at_a_regular_distance_look_like_other_faults() -> None:
    redo = {"verdict": Verdict.REDO, "cause": "spaced"}
    words = made("dropouts", "step", (1, 2), 100_000, 50_000, **redo)
    tops = made("clipping", "flat-top", (1,), 110_000, 30_000)
    assert other_verdict(tops, words) is Verdict.CLEAR
    assert other_verdict(dataclasses.replace(tops, tracks=(0,)), words) is Verdict.LISTEN
    assert other_verdict(dataclasses.replace(tops, start_frame=130_000), words) is Verdict.LISTEN
    wall = made("ultrasonic", "brickwall", (2,), 0, 0, mirror_likeness=0.9, verdict=Verdict.REDO)
    assert other_verdict(wall, words) is Verdict.CLEAR
    no_mirror = dataclasses.replace(wall, values={"mirror_likeness": None})
    assert other_verdict(no_mirror, words) is Verdict.REDO
    offset = made("tracks", "dc-offset", (1, 2), 99_000, 52_000)
    assert other_verdict(offset, words) is Verdict.CLEAR
    assert other_verdict(dataclasses.replace(offset, frames=300_000), words) is Verdict.LISTEN


def test_words_written_otherwise_for_a_while_hold_still_bits() -> None:
    words = made("dropouts", "step", (1, 2), 100_000, 50_000, verdict=Verdict.REDO, cause="recoded")
    bits = made("format", "unused-bits", (1,), 110_000, 30_000, verdict=Verdict.REDO)
    assert other_verdict(bits, words) is Verdict.CLEAR
    assert other_verdict(dataclasses.replace(bits, start_frame=130_000), words) is Verdict.REDO
    turned = dataclasses.replace(words, values={"cause": "recoded", "factor": -1})
    assert other_verdict(bits, turned) is Verdict.REDO


def test_a_stuck_bit_moves_the_mean_by_half_its_weight() -> None:
    bit = made("format", "unused-bits", (3,), 0, 0, stuck_bits=[9], verdict=Verdict.REDO)
    for percent, told in ((0.195, Verdict.CLEAR), (-0.2, Verdict.CLEAR), (0.4, Verdict.LISTEN)):
        offset = made("tracks", "dc-offset", (3,), 0, 0, dc_percent=[percent])
        assert other_verdict(offset, bit) is told
    assert other_verdict(dataclasses.replace(offset, tracks=(2,)), bit) is Verdict.LISTEN
