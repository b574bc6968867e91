"""Tracks that carry nothing, told from tracks of hiss, and tracks of timecode, pilot and click."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import damage_tape
import numpy as np
import pytest
import synth
from bench_lineup.signals import hiss, ints
from tracks_kit import FULL, PROGRAMME, TIMECODE, UNUSED, asking, made, named, of_kind, played, run

from checks.model import Outcome, Remedy, Verdict
from checks.sheet import NoiseReduction, Sheet, Tape, TrackEntry, TrackKind
from checks.tracks import _silence
from checks.tracks._kinds import Beats

Floats = np.ndarray[Any, np.dtype[np.float64]]

# -- silent ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("floor_dbfs", "evidence"), [(None, "digital"), (-110.0, "converter"), (-72.0, "electronics")]
)
def test_silent_track_is_found_with_its_evidence(floor_dbfs: float | None, evidence: str) -> None:
    # common practice: replay amplifiers lie 8 to 12 dB under the hiss, here -62 dBFS
    x = damage_tape.silent_track(played(12), rate_hz=48_000, track=1, floor_dbfs=floor_dbfs).samples
    (found,) = of_kind(run(x, 48_000), "silent")
    assert (found.tracks, found.verdict, found.remedy) == ((1,), Verdict.LISTEN, Remedy.REPLAY)
    assert found.values["evidence"] == evidence
    assert "Check patching" in found.text  # what to do, and how to be asked no more
    assert found.text.endswith("if it has none, call the track unused in the sheet.")
    if floor_dbfs is not None:
        assert found.values["floor_dbfs"][0] == pytest.approx(floor_dbfs, abs=0.7)


@pytest.mark.parametrize(
    ("kind", "named_track", "noise_reduction", "floor_dbfs", "expected"),
    [
        (PROGRAMME, True, NoiseReduction.NONE, None, Verdict.REDO),
        (PROGRAMME, True, NoiseReduction.UNKNOWN, None, Verdict.REDO),
        (PROGRAMME, True, NoiseReduction.NONE, -110.0, Verdict.REDO),
        (PROGRAMME, True, NoiseReduction.UNKNOWN, -110.0, Verdict.LISTEN),
        (PROGRAMME, True, NoiseReduction.DECODED, -110.0, Verdict.LISTEN),
        (PROGRAMME, False, NoiseReduction.NONE, None, Verdict.LISTEN),
        (TIMECODE, True, NoiseReduction.NONE, None, Verdict.LISTEN),
        (UNUSED, True, NoiseReduction.NONE, None, None),
    ],
)
def test_silent_follows_the_sheet(
    kind: TrackKind,
    named_track: bool,
    noise_reduction: NoiseReduction,
    floor_dbfs: float | None,
    expected: Verdict | None,
) -> None:
    x = damage_tape.silent_track(played(), rate_hz=48_000, track=0, floor_dbfs=floor_dbfs).samples
    entry = TrackEntry(name="voices" if named_track else None, kind=kind)
    sheet = Sheet(tracks=(entry,), tape=Tape(noise_reduction=noise_reduction))
    outcome = run(x, 48_000, sheet=sheet)
    assert [f.verdict for f in of_kind(outcome, "silent")] == ([expected] if expected else [])
    if expected is None:
        (note,) = of_kind(outcome, "track-kind")
        assert note.values["declared"] == "unused"
        assert note.verdict is Verdict.CLEAR


@pytest.mark.parametrize("kind", ["band", "brass", "saturated", "organ", "tones", "session"])
@pytest.mark.parametrize("tracks", [2, 4])
def test_track_with_hiss_alone_is_not_silent(kind: str, tracks: int) -> None:
    x = synth.programme(
        kind, rate_hz=44_100, tracks=tracks, seconds=12, seed=900, idle_tracks=(tracks - 1,)
    )
    assert asking(run(x, 44_100)) == []


@pytest.mark.parametrize("dbfs", [-30.0, -45.0])
def test_steady_noise_louder_than_any_tape_hisses_is_no_hiss_to_be_missing(dbfs: float) -> None:
    """Tapes hiss 50 to 80 dB down (common practice): that is played, beside hiss of -62."""
    rng = np.random.default_rng(1)
    x = rng.standard_normal((3, 8 * 48_000)) * 10 ** (dbfs / 20) / np.sqrt(2)
    x[0] = rng.standard_normal(x.shape[1]) * 10 ** (-62 / 20) / np.sqrt(2)
    words = (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)
    assert of_kind(run(words, 48_000), "silent") == []


def test_silent_track_among_many_that_never_rest_together() -> None:
    # Each rests while the others play, and the hiss differs by 3 dB from track to track.
    rng = np.random.default_rng(5)
    size, count = 36_000, 7
    x = rng.standard_normal((count, count * size)) * 10 ** (-77 / 20)
    x *= 10 ** (np.linspace(0, 3, count) / 20)[:, None]
    for k in range(count):
        played_on = np.ones(count * size)
        played_on[k * size : (k + 1) * size] = 0
        x[k] += played_on * rng.standard_normal(count * size) * 10 ** (-40 / 20)
    x[4] = rng.standard_normal(count * size) * 10 ** (-87 / 20)
    (found,) = of_kind(run(ints(x), 48_000), "silent")
    assert (found.tracks, found.values["evidence"]) == ((4,), "electronics")
    x[4] += rng.standard_normal(count * size) * 10 ** (-77 / 20)  # hiss like the others'
    assert of_kind(run(ints(x), 48_000), "silent") == []


def test_a_silent_track_is_told_beside_one_whose_head_clogs() -> None:
    # from four seconds on the fourth track has but the amplifier's noise above some 4 kHz
    rng = np.random.default_rng(5)
    x = rng.standard_normal((4, 480_000)) * 10 ** (-70 / 20)
    n = np.arange(384_000)
    for k in range(1, 4):  # struck from 1 s to 9 s, each at its own pace
        since = n % (40_000 + 7_000 * k)
        x[k, 48_000:432_000] += 0.1 * np.exp(-since / 5_000) * rng.standard_normal(len(n))
    spectrum = np.fft.rfft(x[3, 192_000:])
    spectrum /= 1 + (np.fft.rfftfreq(288_000, 1 / 48_000) / 3_000) ** 4
    x[3, 192_000:] = np.fft.irfft(spectrum)
    x[0] = 0.0
    x += rng.standard_normal(x.shape) * 10 ** (-86 / 20)
    (found,) = of_kind(run(ints(x), 48_000), "silent")
    assert (found.tracks, found.values["evidence"]) == ((0,), "electronics")
    assert found.values["hiss_of_others_above_db"][0] == pytest.approx(16.1, abs=1)
    x[0] += rng.standard_normal(480_000) * 10 ** (-70 / 20)  # hiss like the others'
    assert of_kind(run(ints(x), 48_000), "silent") == []


def _noise(rng: np.random.Generator, dbfs: float, gain: Callable[[Floats], Floats]) -> Floats:
    """Ten seconds at 48 kHz, ``gain`` over frequency, of that level from 20 Hz to 20 kHz."""
    hz = np.fft.rfftfreq(480_000, 1 / 48_000)
    spectrum = np.fft.rfft(rng.standard_normal(480_000)) * gain(np.maximum(hz, 0.1))
    heard = np.fft.irfft(np.where((hz >= 20) & (hz <= 20_000), spectrum, 0))
    return np.fft.irfft(spectrum) * 10 ** (dbfs / 20) / np.sqrt(2) / np.std(heard)


def _equalised(hz: Floats) -> Floats:
    return np.sqrt(1 + (2 * np.pi * hz * 35e-6) ** 2)  # replay at 38 cm/s, IEC 60094-1


def _with_second_track(second: Floats) -> Outcome:
    """Two tracks of bright programme with a second's rest in every two, and another between."""
    rng = np.random.default_rng(8)
    x = np.stack([_noise(rng, -64.0, _equalised) for _ in range(3)])
    n = np.arange(480_000)
    x[::2] *= np.where(n % 96_000 < 48_000, 10 ** (0.7 + n / 320_000), 1)
    x[1] = second
    return run(ints(x), 48_000)


@pytest.mark.parametrize("corner_hz", [300.0, 3_000.0, 1e6])
def test_a_dead_track_whose_electronics_have_noise_of_1_f_is_silent(corner_hz: float) -> None:
    # power of an amplifier's noise: 1 + corner / f; behind the equaliser, so it has not its rise
    rng = np.random.default_rng(9)
    dead = _noise(rng, -78.0, lambda hz: np.sqrt(1 + corner_hz / hz))
    (found,) = of_kind(_with_second_track(dead), "silent")
    assert (found.tracks, found.verdict) == ((1,), Verdict.LISTEN)
    assert found.values["evidence"] == "electronics"


def test_an_unused_track_of_dull_hiss_is_not_silent() -> None:
    # an azimuth error takes sin(x) / x: 1 dB at 5.5 kHz, 13 dB at 16.5 kHz; bulk-erased: 3 dB less
    spectrum = np.fft.rfft(_noise(np.random.default_rng(10), -64.0, _equalised))
    dull = np.fft.irfft(spectrum * np.sinc(np.fft.rfftfreq(480_000, 1 / 48_000) / 20_500))
    assert of_kind(_with_second_track(0.7 * dull), "silent") == []


@pytest.mark.parametrize(
    ("floor_dbfs", "leak_db"), [(-82.0, -50.0), (-92.0, -50.0), (-92.0, -60.0)]
)
def test_a_dead_track_into_which_a_neighbour_leaks_is_silent(
    floor_dbfs: float, leak_db: float
) -> None:
    # hiss of -62 dBFS; crosstalk of amplifiers and cables: 50 to 60 dB (common practice)
    x = played(12)
    rng = np.random.default_rng(21)
    dead = hiss(rng, x.shape[1], floor_dbfs) + 10 ** (leak_db / 20) * x[0] / FULL
    x[1] = ints(dead)
    sheet = Sheet(tracks=named(*[PROGRAMME] * 3), tape=Tape(noise_reduction=NoiseReduction.NONE))
    (found,) = of_kind(run(x, 48_000, sheet=sheet), "silent")
    assert (found.tracks, found.verdict) == ((1,), Verdict.REDO)
    assert found.values["evidence"] == "leakage"
    assert "leaking in" in found.text
    # the same leak into a track of the tape, and fainter programme on a track of less gain
    x[1] = ints(hiss(rng, x.shape[1], -62.0) + 10 ** (leak_db / 20) * x[0] / FULL)
    assert of_kind(run(x, 48_000, sheet=sheet), "silent") == []
    x[1] = x[2] // 4
    assert of_kind(run(x, 48_000, sheet=sheet), "silent") == []


@pytest.mark.parametrize(
    ("over_db", "hiss_moves", "expected"),
    [(8.0, False, 8.0), (4.0, False, None), (8.0, True, None)],
)
def test_two_that_never_rest_show_their_hiss_by_the_edge_of_their_floors(
    over_db: float, hiss_moves: bool, expected: float | None
) -> None:
    # amplifiers lie 8 dB and more under the hiss, bulk-erased tape 4 dB (common practice); behind
    # a decoder such a floor is that of hiss under what plays
    rng = np.random.default_rng(22)
    over = over_db + rng.uniform(2, 40, (400, 3, 3))
    rests = rng.random(over[:, :2].shape) < 0.1  # in one band or another, and the third in none
    over[:, :2][rests] = over_db + rng.normal(0, 0.3, int(rests.sum()))
    found = _silence._hiss_of_others(over, 6.0, hiss_moves=hiss_moves)
    assert found == (expected if expected is None else pytest.approx(expected, abs=0.7))


def test_the_note_on_steady_noise_far_under_the_others_says_what_cannot_be_told() -> None:
    rng = np.random.default_rng(24)
    t = np.arange(12 * 48_000) / 48_000
    x = rng.standard_normal((3, len(t))) * 10 ** (-75 / 20)
    for k in range(2):  # they never rest, and each has a lowest level of its own
        x[k] *= 10 ** ((20 - 4 * k + 40 * np.abs(t * (0.9 + k / 3) % 2 - 1)) / 20)
    outcome = run(ints(x), 48_000)
    assert of_kind(outcome, "silent") == []
    (note,) = of_kind(outcome, "track-kind")
    assert note.tracks == (2,)
    assert "dB under all other tracks at their quietest" in note.text
    assert "at the level of tape hiss" not in note.text


def test_all_tracks_silent_make_one_finding() -> None:
    outcome = run(np.zeros((16, 48_000), np.int32), 48_000)
    assert asking(outcome) == [("silent", tuple(range(16)))]


# -- kinds of track ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("scene", "kind"), [("timecode", "timecode"), ("clicktrack", "click"), ("idle-track", "unused")]
)
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_special_tracks_are_recognised(scene: str, kind: str, rate_hz: int) -> None:
    outcome = run(made(scene, rate_hz, 3, 6, 6), rate_hz)
    assert asking(outcome) == []
    (note,) = of_kind(outcome, "track-kind")
    assert (note.tracks, note.values["recognised"]) == ((2,), kind)


def test_pilot_is_recognised() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(48_000 * 8) / 48_000
    x = played(8, tracks=2)
    x[1] = ints(0.1 * np.sin(2 * np.pi * 59.94 * t) + hiss(rng, len(t), -62))
    outcome = run(x, 48_000)
    assert asking(outcome) == []
    (note,) = of_kind(outcome, "track-kind")
    assert (note.tracks, note.values["recognised"]) == ((1,), "pilot")


@pytest.mark.parametrize("hz", [50.0, 60.0, 59.94])
def test_pilot_of_mains_frequency_is_no_hum_though_no_tape_runs_at_first_and_at_last(
    hz: float,
) -> None:
    rng = np.random.default_rng(1)
    t = np.arange(48_000 * 30) / 48_000
    runs = (t > 4) & (t < 25)  # seventy per cent of the capture
    x = played(30, tracks=2)
    x[0] = np.where(runs, x[0], ints(hiss(rng, len(t), -72)))
    x[1] = ints(0.13 * np.sin(2 * np.pi * hz * t) * runs + hiss(rng, len(t), -72))
    outcome = run(x, 48_000)
    assert asking(outcome) == []
    (note,) = of_kind(outcome, "track-kind")
    assert (note.tracks, note.values["recognised"]) == ((1,), "pilot")


def test_a_tone_for_a_part_of_the_time_is_no_pilot() -> None:
    """Neither while others play on, nor where there is nothing else to compare with."""
    rng = np.random.default_rng(1)
    t = np.arange(48_000 * 30) / 48_000
    tone = 0.13 * np.sin(2 * np.pi * 50 * t) * ((t > 4) & (t < 14)) + hiss(rng, len(t), -72)
    x = played(30, tracks=2)
    x[1] = ints(tone)
    assert not of_kind(run(x, 48_000), "track-kind")
    assert not of_kind(run(ints(tone)[None], 48_000), "track-kind")


def test_timecode_twice_is_excused() -> None:
    x = made("timecode", 44_100, 3, 6, 6).copy()
    x[0] = x[2]
    outcome = run(x, 44_100)
    assert asking(outcome) == []
    (found,) = of_kind(outcome, "identical")
    assert found.verdict is Verdict.CLEAR


def test_the_note_says_where_sheet_and_signal_differ() -> None:
    x = made("timecode", 44_100, 3, 6, 6)[1:]
    outcome = run(x, 44_100, sheet=Sheet(tracks=named(TIMECODE, PROGRAMME)))
    texts = {f.tracks: f.text for f in of_kind(outcome, "track-kind")}
    assert "does not show" in texts[0,]
    assert "but the sheet calls it programme" in texts[1,]


@pytest.mark.parametrize(
    ("beats", "is_click"),
    [
        ((2,), True),
        ((2, 2, 2, 2, 2, 2, 2, 4), True),
        ((1, 2, 2, 3), False),
        ((2, 2, 2, 1, 1), False),
    ],
)
def test_a_click_track_ticks_at_one_distance_and_players_do_not(
    beats: tuple[int, ...], is_click: bool
) -> None:
    """Strokes in quarters of 0.2 s, in strict time; a window may lose a beat to its edge."""
    rate_hz = 4000.0
    x = np.zeros((1, 40_000), np.float32)
    at = 400
    for beat in itertools.cycle(beats):
        if at > 39_000:
            break
        x[0, at : at + 80] = 0.5 * np.exp(-np.arange(80) / 20.0)
        at += beat * 800
    listening = Beats(1, rate_hz)
    for _ in range(4):
        listening.feed(x)
    assert listening.recognised(0) == is_click


@pytest.mark.parametrize("cut", range(0, 80, 16))
def test_a_click_that_a_window_cuts_counts_from_its_true_beginning(cut: int) -> None:
    """Clicks of 20 ms, twice a second, of which the window begins within the first."""
    x = np.zeros((1, 12_000), np.float32)
    for at in range(0, 12_000, 2_000):
        x[0, at : at + 80] = 0.5
    listening = Beats(1, 4000.0)
    for _ in range(4):
        listening.feed(x[:, cut:])
    assert listening.recognised(0)


def test_floats_too_small_for_a_square_are_silent() -> None:
    """Denormals are a signal to the last digit, and nothing that anybody hears."""
    rng = np.random.default_rng(1)
    x = (rng.standard_normal((2, 96_000)) * 1e-41).astype(np.float32)
    assert x.any()
    assert asking(run(x, 48_000)) == [("silent", (0, 1))]


def test_ticks_of_the_last_bit_are_silent() -> None:
    rng = np.random.default_rng(1)
    x = (rng.random((2, 192_000)) < 0.001).astype(np.int32) << 8
    assert asking(run(x, 48_000)) == [("silent", (0, 1))]
