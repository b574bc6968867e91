"""The tracks check as a whole: kinds, verdicts and measures on signals of known make."""

from __future__ import annotations

import functools
import math
from pathlib import Path
from typing import Any

import damage
import damage_tape
import numpy as np
import pytest
import soundfile
import synth
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.model import CaptureFormat, Finding, Outcome, Remedy, Verdict
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import NoiseReduction, Reel, ReelKind, Sheet, Tape, TrackEntry, TrackKind
from checks.tracks import TracksLimits, TracksPass

FULL = 2.0**31


def run(
    x: Any,
    rate_hz: int,
    *,
    sheet: Sheet | None = None,
    word_length: int = 24,
    cuts: list[int] | None = None,
    limits: TracksLimits | None = None,
    known_length: bool = True,
) -> Outcome:
    """The check's outcome on whole samples, (tracks, frames), int32 or float."""
    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=x.shape[0],
        word_length=word_length,
        floating=x.dtype.kind == "f",
        frames=x.shape[1] if known_length else None,
    )
    check = Check("tracks", lambda c: TracksPass(c.fmt, c.sheet, limits or TracksLimits()))
    sample_pass = SamplePass(Context(fmt=fmt, sheet=sheet or Sheet()), checks=[check])
    for piece in np.split(x, sorted(min(c, x.shape[1]) for c in cuts or []), axis=1):
        sample_pass.feed(piece)
    outcome = sample_pass.finish()["tracks"]
    assert not [f for f in outcome.findings if f.kind == "not-run"], outcome.findings
    return outcome


def of_kind(outcome: Outcome, kind: str) -> list[Finding]:
    return [f for f in outcome.findings if f.kind == kind]


def asking(outcome: Outcome) -> list[tuple[str, tuple[int, ...]]]:
    """Kinds and tracks of what asks for something."""
    return [(f.kind, f.tracks) for f in outcome.findings if f.verdict is not Verdict.CLEAR]


def ints(x: Any) -> Any:
    return np.clip(np.rint(np.asarray(x) * 2**23), -(2**23), 2**23 - 1).astype(np.int32) << 8


def hiss(rng: np.random.Generator, frames: int, dbfs: float) -> Any:
    """White noise; AES17: a full-scale sine is 0 dBFS rms."""
    return rng.standard_normal(frames) * 10 ** (dbfs / 20) / math.sqrt(2)


def named(*kinds: TrackKind) -> tuple[TrackEntry, ...]:
    return tuple(TrackEntry(name=f"name {n}", kind=kind) for n, kind in enumerate(kinds))


PROGRAMME, UNUSED, TIMECODE = TrackKind.PROGRAMME, TrackKind.UNUSED, TrackKind.TIMECODE


# -- levels --------------------------------------------------------------------------------------


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


# -- silent --------------------------------------------------------------------------------------


def played(
    seconds: float = 8, tracks: int = 3, rate_hz: int = 48_000, hiss_dbfs: float = -62.0
) -> Any:
    """Clean programme of a band, a copy to spoil."""
    return made("band", rate_hz, tracks, seconds, 11, hiss_dbfs).copy()


@functools.cache
def made(
    kind: str, rate_hz: int, tracks: int, seconds: float, seed: int, hiss_dbfs: float = -62.0
) -> Any:
    return synth.programme(
        kind, rate_hz=rate_hz, tracks=tracks, seconds=seconds, seed=seed, hiss_dbfs=hiss_dbfs
    )


@pytest.mark.parametrize(
    ("floor_dbfs", "evidence"), [(None, "digital"), (-110.0, "converter"), (-72.0, "electronics")]
)
def test_silent_track_is_found_with_its_evidence(floor_dbfs: float | None, evidence: str) -> None:
    # common practice: replay amplifiers lie 8 to 12 dB under the hiss, here -62 dBFS
    x = damage_tape.silent_track(played(12), rate_hz=48_000, track=1, floor_dbfs=floor_dbfs).samples
    (found,) = of_kind(run(x, 48_000), "silent")
    assert (found.tracks, found.verdict, found.remedy) == ((1,), Verdict.LISTEN, Remedy.REPLAY)
    assert found.values["evidence"] == evidence
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
    words = (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)
    (found,) = of_kind(run(words, 48_000), "silent")
    assert (found.tracks, found.values["evidence"]) == ((4,), "electronics")
    x[4] += rng.standard_normal(count * size) * 10 ** (-77 / 20)  # hiss like the others'
    words = (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)
    assert of_kind(run(words, 48_000), "silent") == []


def test_all_tracks_silent_make_one_finding() -> None:
    outcome = run(np.zeros((16, 48_000), np.int32), 48_000)
    assert asking(outcome) == [("silent", tuple(range(16)))]


# -- identical -----------------------------------------------------------------------------------


def test_identical_tracks_ask_for_another_playing() -> None:
    x = damage.copy_track(played(4), source=0, target=2).samples
    outcome = run(x, 48_000)
    (found,) = outcome.findings
    assert (found.kind, found.tracks) == ("identical", (0, 2))
    assert (found.verdict, found.remedy) == (Verdict.REDO, Remedy.REPLAY)
    assert (found.start_frame, found.frames) == (0, x.shape[1])
    pair = next(p for p in outcome.measures.pairs if p.tracks == (1, 3))
    assert (pair.correlation, pair.gain_db, pair.delay_us, pair.residual_db) == (1, 0, 0, None)


@pytest.mark.parametrize(
    ("at", "frames"),
    [(0, 256), (16_384 - 100, 256), (50_001, 256), (16_383, 40_000), (100_000, 1_000)],
)
def test_identical_stretch_is_found_where_it_is(at: int, frames: int) -> None:
    x = damage.copy_track(played(4, tracks=4), source=3, target=1, at=at, frames=frames).samples
    (found,) = of_kind(run(x, 48_000), "identical")
    assert (found.tracks, found.start_frame, found.frames) == ((1, 3), at, frames)
    assert (found.verdict, found.values["whole"]) == (Verdict.REDO, False)


def test_shared_digital_silence_is_not_identical() -> None:
    x = played(4)
    x[:2, 60_000:120_000] = 0
    x[:, :20_000] = 0
    assert of_kind(run(x, 48_000), "identical") == []


def test_a_double_begins_where_the_shared_silence_ends() -> None:
    x = damage.copy_track(played(4), source=0, target=1, at=50_000, frames=30_000).samples
    x[:2, 40_000:60_000] = 0
    (found,) = of_kind(run(x, 48_000), "identical")
    assert found.start_frame == pytest.approx(60_000, abs=2)
    assert found.start_frame + found.frames == 80_000


def test_quiet_16_bit_tracks_agree_by_chance_only() -> None:
    rng = np.random.default_rng(5)
    slow = np.repeat(rng.integers(-1, 2, (4, 4_000)), 60, axis=1)  # hiss far below one step
    assert of_kind(run((slow << 16).astype(np.int32), 352_800, word_length=16), "identical") == []


@pytest.mark.parametrize(
    ("sheet", "expected"),
    [
        (Sheet(), Verdict.REDO),
        (Sheet(same=((1, 2),)), Verdict.CLEAR),
        (Sheet(tracks=named(PROGRAMME, PROGRAMME)), Verdict.REDO),
        (Sheet(tracks=named(TIMECODE, TIMECODE)), Verdict.CLEAR),
        (Sheet(tracks=named(TIMECODE, PROGRAMME)), Verdict.REDO),
        (Sheet(tracks=named(UNUSED, UNUSED)), Verdict.CLEAR),
    ],
)
def test_identical_follows_the_sheet(sheet: Sheet, expected: Verdict) -> None:
    x = damage.copy_track(played(3), source=0, target=1).samples
    (found,) = of_kind(run(x, 48_000, sheet=sheet), "identical")
    assert found.verdict is expected
    assert (found.remedy is Remedy.NONE) == (expected is Verdict.CLEAR)


def test_groups_of_identical_tracks_are_one_finding() -> None:
    x = played(3, tracks=5)
    x[2] = x[0]
    x[4] = x[0]
    (found,) = of_kind(run(x, 48_000), "identical")
    assert found.tracks == (0, 2, 4)


# -- one signal on two tracks --------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize(
    ("kind", "gain_db", "inverted", "delay"),
    [
        ("same-signal", -4.3, False, 0),
        ("same-signal", 0.02, False, 0),
        ("inverted", 0.0, True, 0),
        ("inverted", 3.0, True, 0),
        ("delayed", -1.0, False, 1),
        ("delayed", -6.0, False, 300),
    ],
)
def test_one_signal_twice_is_told_with_gain_and_delay(
    rate_hz: int, kind: str, gain_db: float, inverted: bool, delay: int
) -> None:
    x = played(3, rate_hz=rate_hz, tracks=2)
    x = damage.gain_copy(
        x, source=0, target=1, gain_db=gain_db, inverted=inverted, delay=delay
    ).samples
    outcome = run(x, rate_hz)
    assert asking(outcome) == [(kind, (0, 1))]
    (found,) = of_kind(outcome, kind)
    assert (found.verdict, found.remedy) == (Verdict.LISTEN, Remedy.LISTEN)
    assert found.values["gain_db"] == pytest.approx(gain_db, abs=0.02)
    assert found.values["inverted"] is inverted
    assert found.values["delay_us"] == pytest.approx(1e6 * delay / rate_hz, abs=0.05)
    assert found.values["residual_db"] < -50  # own noise -110 dBFS under programme
    (pair,) = outcome.measures.pairs
    assert pair.gain_db == pytest.approx(gain_db, abs=0.02)
    assert pair.delay_us == pytest.approx(1e6 * delay / rate_hz, abs=0.05)
    assert pair.correlation == pytest.approx(-1.0 if inverted else 1.0, abs=0.001)


def test_the_earlier_track_second_gives_a_negative_delay() -> None:
    x = damage.gain_copy(played(5, tracks=2), source=1, target=0, gain_db=0, delay=96).samples
    (found,) = of_kind(run(x, 48_000), "delayed")
    assert found.values["delay_us"] == pytest.approx(-2000, abs=0.1)
    assert found.values["delay_samples"] == pytest.approx(-96, abs=0.01)


def test_delay_of_a_fraction_of_a_sample() -> None:
    # an outside way to delay: the shift theorem on the whole signal
    x = played(6, tracks=2).astype(np.float64)
    f = np.fft.rfftfreq(x.shape[1])
    x[1] = np.fft.irfft(np.fft.rfft(x[0]) * np.exp(-2j * np.pi * f * 0.37), x.shape[1])
    (found,) = of_kind(run((x / 256).astype(np.int32) * 256, 48_000), "delayed")
    assert found.values["delay_us"] == pytest.approx(0.37 / 48_000 * 1e6, abs=0.02)


def test_exact_reversal_of_polarity() -> None:
    # correlation -1.000, "reversed", not azimuth: phase 180 degrees at all frequencies
    x = played(4, tracks=2)
    x[1] = -x[0]
    (found,) = of_kind(run(x, 48_000), "inverted")
    assert found.values["correlation"] == pytest.approx(-1.0, abs=1e-4)
    assert found.values["gain_db"] == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("kind", ["piano", "band", "drums", "organ", "brass", "saturated"])
@pytest.mark.parametrize("floor", [-55.0, -80.0])
def test_mono_material_on_two_tracks_is_usual(kind: str, floor: float) -> None:
    """One programme panned to two tape tracks, each with hiss of its own: never to listen to."""
    rng = np.random.default_rng(8)
    mono = made(kind, 44_100, 1, 8, 2, -110.0)[0] / FULL
    two = [g * mono + hiss(rng, len(mono), floor) for g in (1.0, 0.7)]
    outcome = run(ints(two), 44_100)
    assert asking(outcome) == []
    assert outcome.measures.pairs[0].correlation > 0.9


def test_reversed_mono_with_hiss_of_its_own_is_worth_a_look() -> None:
    rng = np.random.default_rng(8)
    mono = played(6, tracks=1, hiss_dbfs=-110.0)[0] / FULL
    two = [g * mono + hiss(rng, len(mono), -62) for g in (1.0, -0.9)]
    (found,) = of_kind(run(ints(two), 48_000), "inverted")
    assert (found.verdict, "hiss of its own" in found.text) == (Verdict.LISTEN, True)


@pytest.mark.parametrize(
    "sheet", [Sheet(same=((1, 2),)), Sheet(tracks=named(TIMECODE, TIMECODE))], ids=["same", "kind"]
)
@pytest.mark.parametrize(("inverted", "delay"), [(False, 0), (True, 0), (False, 40)])
def test_declared_doubles_are_notes(sheet: Sheet, inverted: bool, delay: int) -> None:
    x = damage.gain_copy(
        played(4, tracks=2), source=0, target=1, gain_db=-2, inverted=inverted, delay=delay
    ).samples
    outcome = run(x, 48_000, sheet=sheet)
    assert asking(outcome) == []
    assert {"same-signal", "inverted", "delayed"} & {f.kind for f in outcome.findings}


@pytest.mark.parametrize("inverted", [False, True])
def test_what_to_do_about_doubles_is_told(inverted: bool) -> None:
    x = damage.gain_copy(played(4, tracks=2), source=0, target=1, gain_db=-2, inverted=inverted)
    (found,) = [f for f in run(x.samples, 48_000).findings if f.verdict is Verdict.LISTEN]
    assert "look whether the right tracks were patched" in found.text
    assert ("which lead is reversed" in found.text) is inverted


def test_correlation_of_two_tones() -> None:
    # correlation of one tone in two tracks is the cosine of the phase between them: 60 degrees
    # give 0.500; a steady tone tells no delay, so none may be "found"
    t = np.arange(48_000 * 2) / 48_000
    x = [0.5 * np.sin(2 * np.pi * 1000 * t + p) for p in (0.0, np.pi / 3)]
    outcome = run(ints(x), 48_000)
    (pair,) = outcome.measures.pairs
    assert pair.correlation == pytest.approx(0.500, abs=0.005)
    assert pair.delay_us is None
    assert asking(outcome) == []


def test_no_pair_is_told_for_tracks_of_their_own() -> None:
    rng = np.random.default_rng(1)
    x = [hiss(rng, 200_000, -30) for _ in range(6)]
    assert run(ints(x), 96_000).measures.pairs == ()


def test_the_list_of_pairs_is_capped() -> None:
    rng = np.random.default_rng(1)
    one = hiss(rng, 40_000, -20)
    x = [one + hiss(rng, 40_000, -22) for _ in range(20)]
    outcome = run(ints(x), 48_000)
    assert len(outcome.measures.pairs) == 64
    sizes = [abs(p.correlation) for p in outcome.measures.pairs]
    assert sizes == sorted(sizes, reverse=True)


# -- DC offset -----------------------------------------------------------------------------------


@pytest.mark.parametrize("percent", [0.2, -0.5, 12.0])
def test_offset_is_found(percent: float) -> None:
    x = damage.dc(played(4), track=1, percent=percent).samples
    outcome = run(x, 48_000)
    assert asking(outcome) == [("dc-offset", (1,))]
    assert outcome.measures.tracks[1].dc_percent == pytest.approx(percent, abs=0.02)


@pytest.mark.parametrize(
    ("hz", "seconds"), [(0.3, 5.0), (1.3, 4.0), (5.0, 0.33), (19.0, 0.31), (3.0, 30.1)]
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


def test_mean_of_a_capture_is_exact() -> None:
    rng = np.random.default_rng(4)
    x = ints(hiss(rng, 61_003, -20)[None] + 0.01)
    expected = 100 * float(x.astype(np.float64).mean()) / FULL
    assert run(x, 44_100).measures.tracks[0].dc_percent == pytest.approx(expected, abs=2e-5)


# -- hum -----------------------------------------------------------------------------------------


def test_lines_of_hum_are_told_to_a_tenth_of_a_hertz() -> None:
    # 50 Hz at -60 dBFS with 100 and 150 Hz, 10 s: lines found to 0.1 Hz
    t = np.arange(480_000) / 48_000
    lines = sum(
        10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * t)
        for hz, dbfs in ((50, -60), (100, -66), (150, -72))
    )
    rng = np.random.default_rng(1)
    outcome = run(ints((lines + hiss(rng, len(t), -75))[None]), 48_000)
    line = outcome.measures.tracks[0]
    assert line.hum_hz == pytest.approx(50.0, abs=0.1)
    # powers add: 10 log10(1 + 1/4 + 1/16) = 1.18 dB
    assert line.hum_dbfs == pytest.approx(-60 + 1.18, abs=0.5)
    (found,) = of_kind(outcome, "hum")
    assert found.values["harmonics"] == [[1, 2, 3]]


@pytest.mark.parametrize("hz", [49.97, 50.0, 60.02, 59.9])
@pytest.mark.parametrize("kind", ["plucks", "piano", "speech", "band", "session"])
def test_hum_is_found_under_programme(kind: str, hz: float) -> None:
    x = damage.hum(made(kind, 44_100, 2, 20, 21), rate_hz=44_100, track=1, hz=hz, dbfs=-60).samples
    outcome = run(x, 44_100)
    assert asking(outcome) == [("hum", (1,))]
    assert outcome.measures.tracks[1].hum_hz == pytest.approx(hz, abs=0.05)


@pytest.mark.parametrize(
    "hz", [49.00, 51.91, 55.0, 58.27, 61.74, 98.0, 103.83]
)  # G1, G#1, A1, A#1, B1, G2, G#2: equal temperament at 440 Hz
@pytest.mark.parametrize("held", [True, False])
def test_bass_note_is_no_hum(hz: float, held: bool) -> None:
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 24) / 48_000
    note = sum(0.1 / n * np.sin(2 * np.pi * hz * n * t + n) for n in range(1, 7))
    if not held:  # plucked twice in three seconds
        note = note * np.exp(-(t % 1.5) * 2.0)
    outcome = run(ints((note + hiss(rng, len(t), -65))[None]), 48_000)
    assert of_kind(outcome, "hum") == []


def test_mains_notes_that_pause_are_no_hum() -> None:
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 30) / 48_000
    note = sum(0.1 / n * np.sin(2 * np.pi * 50 * n * t) for n in range(1, 5))
    outcome = run(ints((note * (t % 10 < 6) + hiss(rng, len(t), -65))[None]), 48_000)
    assert of_kind(outcome, "hum") == []


@pytest.mark.parametrize(("bpm", "hz"), [(120, 1_000), (133.3, 210), (600, 300)])
def test_lines_of_a_beat_are_no_hum(bpm: float, hz: float) -> None:
    # what repeats f times a second has lines at the multiples of f (Fourier series): 50 or 60 Hz
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 12) / 48_000
    since = t % (60 / bpm)
    stroke = 0.5 * np.exp(-since * 60) * np.sin(2 * np.pi * hz * since)
    outcome = run(ints((stroke + hiss(rng, len(t), -65))[None]), 48_000)
    assert of_kind(outcome, "hum") == []


@pytest.mark.parametrize("hz", [50.0, 60.0])
def test_a_note_that_stops_before_the_end_is_no_hum(hz: float) -> None:
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 11) / 48_000
    note = sum(0.1 / n * np.sin(2 * np.pi * hz * n * t) for n in range(1, 5))
    x = note * ((t > 1) & (t < 10)) + hiss(rng, len(t), -62)
    assert of_kind(run(ints(x[None]), 48_000), "hum") == []


@pytest.mark.parametrize("hz", [50.0, 60.0])
@pytest.mark.parametrize("dbfs", [-50, -42])
def test_hum_is_found_in_the_rests_of_a_bass(hz: float, dbfs: float) -> None:
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 11) / 48_000
    x = hiss(rng, len(t), -62)
    for start, note in zip(
        np.arange(1.0, 9.5, 0.9), np.resize([49.0, 98.0, 55.0, 110.0], 10), strict=True
    ):
        tau = t[: round(0.87 * 48_000)]
        shape = np.minimum(tau / 0.01, 1) * np.exp(-tau * 0.6) * np.minimum((0.87 - tau) / 0.03, 1)
        at = round(start * 48_000)
        x[at : at + len(tau)] += shape * sum(
            0.1 / k * np.sin(2 * np.pi * note * k * tau + k) for k in range(1, 7)
        )
    hummed = damage.hum(ints(x[None]), rate_hz=48_000, track=0, hz=hz, dbfs=dbfs).samples
    outcome = run(hummed, 48_000)
    assert asking(outcome) == [("hum", (0,))]
    line = outcome.measures.tracks[0]
    assert line.hum_hz == pytest.approx(hz, abs=0.1)
    # five lines that fall by 4 dB each: 10 log10(sum of 10^(-0.4 n), n = 0 to 4) = 2.16 dB
    assert line.hum_dbfs == pytest.approx(dbfs + 2.16, abs=0.5)


def test_hum_is_excused_where_it_belongs() -> None:
    x = damage.hum(played(12, tracks=2), rate_hz=48_000, track=0, hz=50, dbfs=-50).samples
    assert asking(run(x, 48_000)) == [("hum", (0,))]
    pilot = Sheet(tracks=named(TrackKind.PILOT, PROGRAMME))
    assert asking(run(x, 48_000, sheet=pilot)) == []
    assert asking(run(x, 48_000, sheet=Sheet(reel=Reel(kind=ReelKind.LINEUP)))) == []


def test_why_no_hum_is_told() -> None:
    short = run(played(1, tracks=1), 48_000).measures.tracks[0]
    assert short.hum_hz is None
    assert "hum: no 2.7 s" in short.why
    brief = damage.hum(played(5, tracks=1), rate_hz=48_000, track=0, hz=50, dbfs=-50).samples
    outcome = run(brief, 48_000)
    assert asking(outcome) == []
    assert "too short to tell" in outcome.measures.tracks[0].why
    low = run(ints(hiss(np.random.default_rng(1), 4_000, -40)[None]), 200).measures.tracks[0]
    assert "too low" in low.why


# -- kinds of track ------------------------------------------------------------------------------


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


# -- laws ----------------------------------------------------------------------------------------


def mixed(seed: int, frames: int, tracks: int = 3) -> Any:
    """A little of everything: hiss, a double, a stretch, an offset, silence."""
    rng = np.random.default_rng(seed)
    x = ints([hiss(rng, frames, -20 - 10 * k) for k in range(tracks)])
    x[1, frames // 3 : frames // 2] = x[0, frames // 3 : frames // 2]
    x[2] += 1 << 26
    x[2, frames // 2 :] = 0
    return x


@settings(max_examples=25, deadline=None)
@given(
    frames=st.integers(0, 60_000),
    cuts=st.lists(st.integers(0, 60_000), max_size=5),
    rate_hz=st.sampled_from([1_234, 48_000, 352_800]),
)
def test_cuts_never_change_the_result(frames: int, cuts: list[int], rate_hz: int) -> None:
    x = mixed(frames, frames)
    assert run(x, rate_hz, cuts=cuts) == run(x, rate_hz)


@settings(max_examples=10, deadline=None)
@given(order=st.permutations(range(4)))
def test_order_of_tracks_only_renames_them(order: list[int]) -> None:
    x = mixed(3, 70_000, tracks=4)
    plain, turned = run(x, 48_000), run(x[order], 48_000)
    assert {(f.kind, tuple(sorted(order.index(t) for t in f.tracks))) for f in plain.findings} == {
        (f.kind, f.tracks) for f in turned.findings
    }
    for place, track in enumerate(order):
        a, b = turned.measures.tracks[place], plain.measures.tracks[track]
        assert (a.rms_dbfs, a.hiss_dbfs, a.dc_percent) == (b.rms_dbfs, b.hiss_dbfs, b.dc_percent)


def test_polarity_of_all_tracks_changes_nothing_but_the_offset() -> None:
    x = damage.gain_copy(played(4, tracks=2), source=0, target=1, gain_db=-3).samples
    plain, turned = run(x, 48_000), run(-x, 48_000)
    assert [f.kind for f in plain.findings] == [f.kind for f in turned.findings]
    assert plain.measures.pairs == turned.measures.pairs
    assert [line.rms_dbfs for line in plain.measures.tracks] == [
        line.rms_dbfs for line in turned.measures.tracks
    ]


def test_an_unknown_length_changes_no_finding() -> None:
    x = damage.gain_copy(played(12, tracks=2), source=0, target=1, gain_db=-3).samples
    known, unknown = run(x, 48_000), run(x, 48_000, known_length=False)
    assert asking(known) == asking(unknown) == [("same-signal", (0, 1))]


# -- clean programme and real recordings ---------------------------------------------------------


@pytest.mark.parametrize("kind", synth.KINDS)
def test_clean_programme_asks_for_nothing(kind: str) -> None:
    assert asking(run(made(kind, 44_100, 2, 8, 77), 44_100)) == []


# What the recordings really hold, looked at by hand with numpy alone
REAL: dict[str, list[tuple[str, tuple[int, ...]]]] = {
    "multichannel/adm_4ch_24bit.wav": [],
    "multichannel/bed_5ch_24bit_bext.wav": [],
    "multichannel/field_array_5ch_192k.wav": [],
    "multichannel/flac_4ch.flac": [],
    "multichannel/flac_6ch.flac": [],
    "multichannel/flac_8ch.flac": [],
    "multichannel/guitar_12ch.wav": [],
    "multichannel/hall_impulse_foa_4ch_float.wav": [],
    "multichannel/hydrophones_4ch.aif": [],
    "multichannel/room_brir_8ch_24bit.wav": [],
    # digital silence on all 16 (the index says so)
    "multichannel/silence_16ch_24bit_bext_ixml.wav": [("silent", tuple(range(16)))],
    # means of -0.71 and -0.65 % of full scale
    "hires/audio_192k_24bit.flac": [("dc-offset", (0, 1))],
    "hires/music_96k_24bit.flac": [],
    "hires/upsampled_88k2.flac": [],
    "hires/upsampled_96k_24bit.wav": [],
    # a slate tone put into both tracks bit for bit over the first 13,983 frames
    "containers/bwf_ixml_field_24bit.WAV": [("identical", (0, 1))],
    "tones/sine_1k_300ms.aif": [("identical", (0, 1))],  # two equal channels
}


@pytest.mark.parametrize("name", sorted(REAL))
def test_real_recordings(name: str, corpus: Path) -> None:
    path = corpus / name
    info = soundfile.info(path)
    floating = info.subtype == "FLOAT"
    x, rate_hz = soundfile.read(path, dtype="float32" if floating else "int32", always_2d=True)
    bits = {"PCM_16": 16, "PCM_24": 24, "FLOAT": 32}[info.subtype]
    outcome = run(np.ascontiguousarray(x.T), rate_hz, word_length=bits)
    assert asking(outcome) == REAL[name]


# -- bad input -----------------------------------------------------------------------------------


@pytest.mark.parametrize("tracks", [1, 2, 64])
@pytest.mark.parametrize("frames", [0, 1, 7, 127, 129, 16_384, 16_385])
@pytest.mark.parametrize("rate_hz", [1, 1_234, 44_100, 3_000_000])
def test_any_size_and_rate(tracks: int, frames: int, rate_hz: int) -> None:
    rng = np.random.default_rng(frames)
    x = rng.integers(-(2**31), 2**31, (tracks, frames), dtype=np.int32)
    outcome = run(x, rate_hz)
    assert len(outcome.measures.tracks) == tracks


@pytest.mark.parametrize("value", [0, 2**31 - 1, -(2**31), 1])
def test_constant_captures(value: int) -> None:
    outcome = run(np.full((3, 40_000), value, np.int32), 48_000)
    assert ("silent", (0, 1, 2)) in asking(outcome)
    assert of_kind(outcome, "identical") == []


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e-45, 3e38])
def test_float_captures_with_bad_values(dtype: Any, bad: float) -> None:
    rng = np.random.default_rng(3)
    x = rng.standard_normal((2, 60_000)).astype(dtype) * dtype(0.1)
    x[0, 1_000:30_000:7] = bad
    x[1] = x[0]
    with np.errstate(all="ignore"):
        outcome = run(x, 48_000, word_length=32)
    assert [f.tracks for f in of_kind(outcome, "identical")] == [(0, 1)]
    for value in (v for line in outcome.measures.tracks for v in (line.rms_dbfs, line.dc_percent)):
        assert value is None or math.isfinite(value)
    everything = run(np.full((2, 20_000), bad, dtype), 48_000, word_length=32)
    assert len(everything.measures.tracks) == 2
