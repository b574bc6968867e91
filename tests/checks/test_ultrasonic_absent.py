"""Above 20 kHz: programme that is not there, no evidence of any, and tracks not asked for it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import signal
from ultrasonic_kit import (
    ABOVE,
    bursts,
    falls,
    kinds,
    look,
    noise,
    one,
    raised,
    shaped,
    tape,
    words,
)

from checks.sheet import Reel, ReelKind, Sheet, Tape, TrackEntry, TrackKind
from checks.ultrasonic._collect import TrackSpectrum
from checks.ultrasonic._movement import Movement, absence
from checks.ultrasonic._points import band_layout


def filtered(y: Any, rate: int, at_hz: float) -> Any:
    return signal.fftconvolve(
        y, signal.firwin(2001, at_hz, fs=rate, window=("kaiser", 8.0)), "same"
    )


def cut_programme(rate: int, seed: int, at_hz: float, noise_dbfs_hz: float) -> Any:
    """Bright programme cut off by a steep filter, in noise that goes on."""
    rng = np.random.default_rng(seed)
    y = filtered(bursts(rng, 3 * rate, rate), rate, at_hz)
    return y + noise(rng, 3 * rate, rate, noise_dbfs_hz)


@pytest.mark.parametrize("at_hz", [19_800.0, 21_500.0])
@pytest.mark.parametrize("rate", [96_000, 192_000])
def test_programme_cut_off_near_20_khz_is_to_be_listened_to(rate, at_hz):
    x = words(cut_programme(rate, 12, at_hz, -120))
    outcome = look(x, rate)
    assert kinds(outcome) == [("absent", "listen", "listen")]
    assert outcome.findings[0].values["expected_over_floor_db"] > 10
    assert outcome.findings[0].values["seen_over_floor_db"] < 1
    assert kinds(look(x, rate, sheet=ABOVE)) == [("absent", "redo", "replay")]


@pytest.mark.parametrize("at_hz", [14_000.0, 16_000.0])
def test_programme_that_ends_like_a_wall_far_below_20_khz_is_noted_as_that(at_hz):
    # a stage of 32 kHz, a line for broadcasting (15 kHz), or a machine's own sound
    x = words(cut_programme(96_000, 12, at_hz, -120))
    outcome = look(x, 96_000)
    assert kinds(outcome) == [("absent", "clear", "none")]
    assert outcome.findings[0].values["from_hz"] == pytest.approx(at_hz, abs=600)
    assert "ends like a wall" in outcome.findings[0].text
    assert kinds(look(x, 96_000, sheet=ABOVE)) == [("absent", "listen", "listen")]


@pytest.mark.parametrize("octave_db", [30.0, 60.0])
@pytest.mark.parametrize("from_hz", [9_000.0, 14_000.0])
def test_a_worn_tape_ends_like_no_wall(from_hz, octave_db):
    # heads, gaps and worn tape fall by up to 60 dB an octave (common practice)
    rng = np.random.default_rng(46)
    y = shaped(bursts(rng, 3 * 96_000, 96_000), 96_000, falls(from_hz, octave_db))
    y += noise(rng, len(y), 96_000, -110)
    assert [f.kind for f in look(words(y), 96_000).findings] in ([], ["no-evidence"])


def test_one_recorder_has_one_rate_for_all_of_its_tracks():
    """What ends on one track alone, under hiss that goes on, ended before the tape."""
    rate = 96_000
    rng = np.random.default_rng(44)
    plays = np.stack([bursts(rng, 3 * rate, rate) for _ in range(3)])
    hiss = np.stack([noise(rng, 3 * rate, rate, -107) for _ in range(3)])
    amplifier = np.stack([noise(rng, 3 * rate, rate, -114) for _ in range(3)])
    cut = np.stack([filtered(y, rate, 21_500.0) for y in plays])
    ended = np.stack([filtered(y, rate, 21_500.0) for y in hiss])

    def told(programme: list[Any], noises: Any, sheet: Sheet | None = None) -> Any:
        outcome = look(words(np.stack(programme) + noises + amplifier), rate, sheet=sheet)
        return [(f.kind, f.verdict.value, f.tracks) for f in outcome.findings]

    alone = [plays[0], cut[1], plays[2]]
    assert told(alone, hiss) == [("absent", "clear", (1,))]
    assert told(alone, hiss, ABOVE) == [("absent", "listen", (1,))]
    assert told([*cut], hiss) == [("absent", "listen", (0, 1, 2))]
    assert told([cut[0], cut[1], 0 * plays[2]], hiss)[0] == ("absent", "listen", (0, 1))
    behind = np.stack((hiss[0], ended[1], hiss[2]))  # a filter that takes the hiss as well
    assert told(alone, behind) == [("absent", "listen", (1,))]


def test_single_tones_end_somewhere():
    """Notes of a machine, of which the highest overtone lies at 21 kHz."""
    rate = 96_000
    rng = np.random.default_rng(45)
    t = np.arange(4 * rate) / rate
    y = noise(rng, len(t), rate, -110)
    for at in np.arange(0.0, 4.0, 0.5):
        since = np.maximum(t - at, 0.0)
        ring = rng.uniform(0.2, 1.0) * (1 - np.exp(-since / 0.01)) * np.exp(-since / 0.06)
        y += sum(0.01 * ring * np.sin(2 * np.pi * 1_910 * k * since) for k in range(1, 12))
    assert "absent" not in [f.kind for f in look(words(y), rate).findings]


def test_programme_that_ends_early_and_gently_proves_nothing():
    rate = 96_000
    rng = np.random.default_rng(13)
    low = signal.butter(6, 9_000, fs=rate, output="sos")
    y = signal.sosfilt(low, bursts(rng, 3 * rate, rate)) + noise(rng, 3 * rate, rate, -105)
    outcome = look(words(y), rate)
    assert kinds(outcome) == [("no-evidence", "clear", "none")]
    top_hz = outcome.measures.tracks[0].information_hz
    assert 9_000 < top_hz < 20_000
    assert f"which is seen up to {top_hz / 1000:.0f} kHz at most, but" in outcome.findings[0].text


@pytest.mark.parametrize(
    ("speed_cm_s", "kind"),
    # some 25 dB over the noise at 17 kHz: 12 dB may have gone at 38 cm/s, 24 dB at 19 and less
    [(None, "absent"), (38.1, "absent"), (19.05, "no-evidence"), (9.53, "no-evidence")],
)
def test_a_slow_tape_gets_the_benefit_of_the_doubt(speed_cm_s, kind):
    rate = 96_000
    sheet = Sheet(tape=Tape(speed_cm_s=speed_cm_s))
    x = words(cut_programme(rate, 14, 18_600, -101))
    assert [f.kind for f in look(x, rate, sheet=sheet).findings] == [kind]


def test_tape_that_starts_and_stops_is_no_movement():
    # hiss that comes with the tape: a quarter of the time it stands
    rate = 96_000
    rng = np.random.default_rng(17)
    hiss = noise(rng, 4 * rate, rate, -105)
    hiss[: rate // 2] = hiss[-rate // 2 :] = 0
    outcome = look(words(hiss + noise(rng, 4 * rate, rate, -125)), rate)
    assert kinds(outcome) == [("no-evidence", "clear", "none")]
    assert outcome.measures.tracks[0].information_hz is None


@pytest.mark.parametrize("kind", ["unused", "timecode", "pilot", "click"])
def test_tracks_that_carry_no_programme_are_excused(kind):
    y = raised(tape(48_000, 18), 48_000, 96_000, "steep")
    sheet = Sheet(tracks=(TrackEntry(kind=TrackKind(kind)), TrackEntry()))
    outcome = look(words(np.stack((y, y))), 96_000, sheet=sheet)
    assert one(outcome, "brickwall").tracks == (1,)
    assert outcome.measures.tracks[0].brickwall_hz is not None


def test_a_reel_of_line_up_tones_is_not_asked_for_programme():
    rate = 96_000
    t = np.arange(rate) / rate
    tones = np.concatenate([0.1 * np.sin(2 * np.pi * f * t) for f in (1e3, 1e4, 1.6e4, 100.0)])
    rng = np.random.default_rng(19)
    y = tones + noise(rng, len(tones), rate, -110)
    assert kinds(look(words(y), rate, sheet=Sheet(reel=Reel(kind=ReelKind.LINEUP)))) == []


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_rates_without_room_give_measures_and_no_finding(rate):
    rng = np.random.default_rng(20)
    bright = tape(rate, 20)
    low = signal.butter(6, 6_000, fs=rate, output="sos")
    dull = signal.sosfilt(low, bright) + noise(rng, len(bright), rate, -105)
    outcome = look(words(np.stack((bright, dull))), rate)
    assert outcome.findings == ()
    track, other = outcome.measures.tracks
    assert "no room" in track.why
    assert other.information_hz < 20_000
    assert [(b.from_hz, b.to_hz) for b in track.bands] == [(20_000, rate / 2)]


def test_a_rate_with_nothing_above_20_khz():
    outcome = look(words(tape(32_000, 21)), 32_000)
    assert outcome.findings == ()
    assert outcome.measures.spectra_share is None
    assert outcome.measures.tracks[0].bands == ()


# Levels made by hand: programme up to 23.2 kHz, above it 0.5 dB by which chance may lift the floor.
@pytest.mark.parametrize(
    ("over_db", "doubt_db", "moves_to", "told"),
    [
        (7.0, 0.63, 23_200, False),  # 14 loud segments
        (7.0, 0.2, 23_200, True),  # 140
        (12.0, 0.63, 23_200, True),
        (12.0, 0.63, 24_900, False),  # fainter, but it goes on
    ],
)
def test_programme_just_over_the_noise_ends_like_a_wall_only_where_chance_is_small(
    over_db: float, doubt_db: float, moves_to: float, told: bool
) -> None:
    layout = band_layout(96_000, 2048)
    centres, count = layout.centre_hz, layout.count
    excess = np.where(centres < 23_200, over_db, 0.5)
    seen = Movement(
        lift_db=7.0,
        usual=np.full(count, -102.0),
        contrast_db=excess,
        doubt_db=np.full(count, doubt_db),
        excess=-102.0 + 10 * np.log10(10 ** (excess / 10) - 1),
        clear=np.ones(count, np.bool_),
        moves=centres < moves_to,
    )
    none, points = np.zeros((0, 0)), np.zeros(40)
    track = TrackSpectrum(
        bin_hz=47.0,
        density=none,
        segments=40,
        quiet=none,
        quiet_segments=np.zeros(0, np.int64),
        layout=layout,
        levels=np.full((40, count), -102.0),
        power=none,
        programme=points,
        mirror=None,
    )
    found = absence(track, seen, 96_000, allowance_db=12.0)
    assert (found is not None) is told
    assert found is None or found.like_a_wall
