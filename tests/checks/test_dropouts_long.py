"""The long look at a cut: one shift in time against sounds that begin or end within one sample."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import stepping
from numpy.typing import NDArray

from checks.dropouts._steps import _causes, _long
from checks.dropouts._steps._longer import LongLooks
from checks.model import Finding, Verdict

Floats = NDArray[np.float64]
CHORDS = (
    (220.0, 277.2, 329.6, 1318.5),
    (146.8, 370.0, 587.3, 880.0),
    (98.0, 196.5, 246.9, 1480.0),
)


def chord(track: int, frames: int, rate_hz: int, *, hz: float = 1.0, seed: int = 3) -> Floats:
    """Steady tones of one track, in steps of 24 bit; ``hz`` makes them higher."""
    t = np.arange(frames) / rate_hz
    rng = np.random.default_rng([seed, track])
    tones = [np.sin(2 * np.pi * f * hz * t + rng.uniform(0, 6)) for f in CHORDS[track]]
    return np.asarray(300_000 * np.sum(tones, axis=0) + 40 * rng.standard_normal(frames))


def looked_at(rows: list[Floats], cut: int, rate_hz: int) -> list[_long.Sides]:
    return [_long.Sides(row, cut, rate_hz) for row in rows]


@pytest.mark.parametrize("rate_hz", [44_100, 352_800])
@pytest.mark.parametrize("lost", [3, 441])
def test_lost_samples_are_one_shift_of_all_tracks(rate_hz: int, lost: int) -> None:
    cut = rate_hz // 4
    rows = [np.delete(chord(k, rate_hz, rate_hz), slice(cut, cut + lost)) for k in range(3)]
    sides = looked_at(rows, cut, rate_hz)
    assert max(side.news for side in sides) < _long.ONE_PROGRAMME
    found, _ = _long.shift(sides, rate_hz)
    assert found is not None
    assert found.frames == lost  # as planted


@pytest.mark.parametrize("rate_hz", [44_100, 192_000])
def test_tracks_that_jump_by_shifts_of_their_own_prove_nothing(rate_hz: int) -> None:
    # phases set anew, as a generator does: no gap joins them all
    cut = rate_hz // 4
    rows = []
    for k in range(3):
        before, after = chord(k, rate_hz, rate_hz), chord(k, rate_hz, rate_hz, seed=4)
        rows.append(np.concatenate((before[:cut], after[cut:])))
    sides = looked_at(rows, cut, rate_hz)
    assert max(side.news for side in sides) < _long.ONE_PROGRAMME
    assert _long.shift(sides, rate_hz) == (None, True)


@pytest.mark.parametrize("lost", [8, 300])
def test_tracks_none_of_which_is_sure_prove_a_shift_together(lost: int) -> None:
    # one tone each: every period fits as well, but no period fits on both
    rate_hz = 96_000
    cut = rate_hz // 4
    t = np.arange(rate_hz) / rate_hz
    rows = []
    for k, hz in enumerate((411.0, 553.7, 701.3)):
        noise = np.random.default_rng(k).standard_normal(rate_hz)
        row = 300_000 * np.sin(2 * np.pi * hz * t + k) + 400 * noise
        rows.append(np.delete(row, slice(cut, cut + lost)))
    sides = looked_at(rows, cut, rate_hz)
    assert all(_long.shift([side], rate_hz)[0] is None for side in sides)
    found, _ = _long.shift(sides, rate_hz)
    assert found is not None


def test_a_click_behind_which_the_tones_go_on_is_no_shift() -> None:
    rate_hz, cut = 96_000, 24_000
    rows = [chord(k, rate_hz, rate_hz) for k in range(2)]
    t = np.arange(2000) / rate_hz
    for row in rows:  # a relay: 3 ms, on all inputs
        row[cut : cut + 2000] += 400_000 * np.exp(-t / 0.003) * np.cos(2 * np.pi * 150 * t)
    assert _long.shift(looked_at(rows, cut, rate_hz), rate_hz)[0] is None


@pytest.mark.parametrize("noise", [40.0, 20_000.0])
def test_a_tone_that_starts_anew_at_its_own_pitch_on_one_track_is_no_shift(noise: float) -> None:
    # where little noise is, no whole number of frames makes this phase; where much is, many do
    rate_hz, cut = 48_000, 12_000
    t = np.arange(rate_hz) / rate_hz
    turns = 2 * np.pi * 220 * t + np.where(t < cut / rate_hz, 0.0, 1.234)
    row = 900_000 * np.sin(turns) + noise * np.random.default_rng(1).standard_normal(rate_hz)
    side = _long.Sides(row, cut, rate_hz)
    assert side.news < _long.ONE_PROGRAMME
    assert _long.shift([side], rate_hz)[0] is None


@pytest.mark.parametrize("begins", [True, False])
def test_a_sound_on_top_of_others_is_known_as_one(begins: bool) -> None:
    rate_hz, cut = 96_000, 24_000
    row, sound = chord(0, rate_hz, rate_hz), chord(1, rate_hz, rate_hz)
    there = slice(cut, None) if begins else slice(0, cut)
    row[there] += 0.3 * sound[there]
    side = _long.Sides(row, cut, rate_hz)
    assert side.other
    assert side.news > _long.OTHER_PROGRAMME


def test_other_programme_from_one_sample_on_is_known() -> None:
    rate_hz, cut = 96_000, 24_000
    row = np.concatenate((chord(0, cut, rate_hz), chord(1, rate_hz, rate_hz)))
    side = _long.Sides(row, cut, rate_hz)
    assert side.other


def test_too_little_on_a_side_tells_nothing() -> None:
    side = _long.Sides(chord(0, 2000, 96_000), 900, 96_000)
    assert not side.enough
    assert side.news == np.inf
    assert not side.other


# -- in the whole part -------------------------------------------------------------------------


def steps(rows: list[Floats], rate_hz: int) -> list[Finding]:
    """What the steps part alone finds in tracks in steps of 24 bit."""
    return stepping.steps((np.rint(np.array(rows)).astype(np.int64) << 8).astype(np.int32), rate_hz)


@pytest.mark.parametrize("rate_hz", [44_100, 192_000])
def test_samples_lost_in_steady_tones_are_proven_and_counted(rate_hz: int) -> None:
    cut = rate_hz // 2
    rows = [np.delete(chord(k, rate_hz, rate_hz), slice(cut, cut + 300)) for k in range(2)]
    found = steps(rows, rate_hz)
    assert [(f.verdict, f.start_frame, f.values["lost_frames"]) for f in found] == [
        (Verdict.REDO, cut, 300)
    ]


@pytest.mark.parametrize("rate_hz", [96_000, 352_800])
@pytest.mark.parametrize("begins", [True, False])
def test_one_tone_that_begins_or_ends_within_a_sample_is_none(rate_hz: int, begins: bool) -> None:
    # no converter was there: a generator's note, on one track of two
    rows = [0.3 * chord(k, rate_hz, rate_hz) for k in range(2)]
    t = np.arange(rate_hz) / rate_hz
    note = 900_000 * np.cos(2 * np.pi * 660 * t)
    there = slice(rate_hz // 2, None) if begins else slice(0, rate_hz // 2)
    rows[0][there] += note[there]
    assert steps(rows, rate_hz) == []


@pytest.mark.parametrize("rate_hz", [96_000, 192_000])
def test_a_note_that_ended_before_the_cut_hides_no_loss(rate_hz: int) -> None:
    cut, ended = rate_hz // 2, round(0.46 * rate_hz)
    rows = [0.3 * chord(k, rate_hz, rate_hz) for k in range(2)]
    t = np.arange(rate_hz) / rate_hz
    left = np.clip((ended - np.arange(rate_hz)) / (0.02 * rate_hz), 0.0, 1.0)
    swell = left**3 * (10 - 15 * left + 6 * left**2)  # no corner that would jump by itself
    rows[0] += 900_000 * np.cos(2 * np.pi * 660 * t) * swell
    rows[0] = np.append(np.delete(rows[0], slice(cut, cut + 64)), rows[0][-64:])
    found = steps(rows, rate_hz)
    assert cut in [p for f in found for p in f.values.get("start_frames", [f.start_frame])]


@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
def test_notes_that_end_before_the_cut_hide_no_proof_on_several_tracks(rate_hz: int) -> None:
    cut, ended = rate_hz // 2, round(0.46 * rate_hz)
    left = np.clip((ended - np.arange(rate_hz)) / (0.02 * rate_hz), 0.0, 1.0)
    swell = left**3 * (10 - 15 * left + 6 * left**2)
    t = np.arange(rate_hz) / rate_hz
    rows = []
    for k in range(3):
        row = 0.3 * chord(k, rate_hz, rate_hz)
        row += 900_000 * np.cos(2 * np.pi * (660 + 130 * k) * t) * swell
        # the pieces moved by lengths of their own, so that no one shift joins them
        rows.append(np.append(np.delete(row, slice(cut, cut + 64 + 37 * k)), row[-64 - 37 * k :]))
    found = [f for f in steps(rows, rate_hz) if f.start_frame == cut]
    assert [(f.verdict, f.values["cause"]) for f in found] == [(Verdict.REDO, "cut")]


def test_one_source_on_two_tracks_is_one_witness_of_a_shift() -> None:
    # a tone struck anew at its own pitch fits some gap, on its double as well
    rate_hz, cut = 96_000, 48_000
    t = np.arange(rate_hz) / rate_hz
    turns = 2 * np.pi * 411 * t + np.where(t < cut / rate_hz, 0.0, 1.234)
    rows = [
        gain * np.sin(turns) + 400 * np.random.default_rng(k).standard_normal(rate_hz)
        for k, gain in enumerate((300_000.0, 200_000.0))
    ]
    assert [f.values["cause"] for f in steps(rows, rate_hz)] != ["lost"]


@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
def test_chords_struck_anew_within_one_sample_are_no_proof(rate_hz: int) -> None:
    # each tone at its own pitch and phase: no converter was there, and no gap joins them
    half = rate_hz // 2
    rows = [
        np.concatenate((chord(k, rate_hz, rate_hz)[:half], chord(k, half, rate_hz, seed=4)))
        for k in range(3)
    ]
    assert [f.verdict for f in steps(rows, rate_hz)] == [Verdict.LISTEN]


@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
def test_other_tones_from_one_sample_on_are_never_proven(rate_hz: int) -> None:
    # sounds put end to end: to listen to, for a take may have been mended so
    half = rate_hz // 2
    rows = [
        np.concatenate((chord(k, half, rate_hz), chord(k, rate_hz, rate_hz, hz=1.19)))
        for k in range(2)
    ]
    found = steps(rows, rate_hz)
    assert [f.verdict for f in found] == [Verdict.LISTEN]


@pytest.mark.parametrize("rate_hz", [96_000, 192_000])
def test_a_sawtooth_is_cut_in_each_of_its_periods_by_nature(rate_hz: int) -> None:
    t = np.arange(rate_hz) / rate_hz
    rng = np.random.default_rng(6)
    rows = [
        900_000 * ((f * t % 1) - 0.5) * (1 + 0.3 * np.sin(2 * np.pi * t))
        + 900 * rng.standard_normal(rate_hz)
        for f in (98.0, 233.1)
    ]
    assert all(f.verdict is not Verdict.REDO for f in steps(rows, rate_hz))


@pytest.mark.parametrize(("frames", "verdict"), [(24, Verdict.REDO), (400, Verdict.LISTEN)])
def test_a_burst_as_long_as_a_clap_is_not_proven_by_its_fit_alone(
    monkeypatch: pytest.MonkeyPatch, frames: int, verdict: Verdict
) -> None:
    # whatever the fit says: noise goes on from anything
    monkeypatch.setattr(_causes, "inserted", lambda sides, *, near: (2, near))
    rate_hz, cut = 96_000, 50_000
    rng = np.random.default_rng(2)
    row = 1000 * rng.standard_normal(rate_hz)
    row[cut : cut + frames] = rng.choice([-1, 1], frames) * rng.uniform(15_000, 25_000, frames)
    assert [(f.verdict, f.start_frame) for f in steps([row], rate_hz)] == [(verdict, cut)]


@pytest.mark.parametrize(("tracks", "one"), [(1, False), (2, True)])
def test_one_track_alone_must_be_one_programme_more_nearly(tracks: int, one: bool) -> None:
    # a bass note that stops under other music leaves 2 to 2.3
    class Near:
        start = 0
        tracks = range(2)

        def sources(self, tracks: list[int], frame: int) -> bool:
            return False

        def sides(self, track: int, frame: int) -> Any:
            return SimpleNamespace(
                enough=True, news=2.2, near=2.2, other=False, left_over=lambda most: np.ones(1)
            )

    place: Any = Near()
    cut: Any = {
        track: SimpleNamespace(frame=1000, jump=22.0, begins=False) for track in range(tracks)
    }
    assert LongLooks(96_000).at(place, cut, cut, enough=12.0).one_programme == one


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_notes_of_a_machine_on_several_tracks_at_once_are_none(rate_hz: int) -> None:
    # plucks and drums that begin within one sample, on the beat, and ring out: no fault in them
    rng = np.random.default_rng(8)
    seconds = 5
    t = np.arange(rate_hz) / rate_hz
    rows = [60.0 * rng.standard_normal(seconds * rate_hz) for _ in range(4)]
    for beat in np.arange(0.3, seconds - 0.4, 0.31):
        at = int(beat * rate_hz)
        for k in range(4):
            if rng.random() < 0.3:
                continue
            hz = (110, 165, 220, 294)[int(rng.integers(4))] * (1 + k)
            note = sum(np.sin(2 * np.pi * h * hz * t) / h * np.exp(-h * t / 0.2) for h in (1, 2, 3))
            if k == 3:
                note = rng.standard_normal(rate_hz) * np.exp(-t / 0.04)
            part = note[: len(rows[k]) - at]
            rows[k][at : at + len(part)] += 300_000 * rng.uniform(0.3, 1) * part
    assert steps(rows, rate_hz) == []


@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
def test_a_chord_struck_anew_as_other_notes_begin_is_no_proof(rate_hz: int) -> None:
    # one track takes up its own pitches, another a note: what is lost begins nothing
    half = rate_hz // 2
    t = np.arange(half) / rate_hz
    rows = [np.concatenate((chord(0, rate_hz, rate_hz)[:half], chord(0, half, rate_hz, seed=4)))]
    for k in (1, 2):
        rows.append(chord(k, rate_hz, rate_hz))
        rows[k][half:] += 30_000 * np.cos(2 * np.pi * (500 + 90 * k) * t)
    assert [f.verdict for f in steps(rows, rate_hz)] == [Verdict.LISTEN]
