"""Signals that go and come back, heads that clog over many seconds, most tracks lost at once."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from bench_detection.edges import EDGES, Asked
from bench_lineup.signals import Part, ints, line_up
from damage_tape import clog, contact_loss, signal_lost
from synth import programme
from taping import taped

from checks.dropouts._tape import _lasting
from checks.model import Finding, Samples, Verdict
from checks.sheet import NoiseReduction, Reel, ReelKind, Sheet, Tape

RATE = 48_000
PLAIN = Sheet(tape=Tape(speed_cm_s=38.1, noise_reduction=NoiseReduction.NONE))


def _asked(x: Samples, sheet: Sheet = PLAIN, rate_hz: int = RATE) -> list[Finding]:
    return [f for f in taped(x, rate_hz, sheet).findings if f.verdict is not Verdict.CLEAR]


@pytest.fixture(scope="module")
def drums() -> Samples:
    return programme("drums", rate_hz=RATE, tracks=4, seconds=9.0, seed=6, hiss_dbfs=-62.0)


def _gone(x: Samples, seconds: float, tracks: tuple[int, ...]) -> Samples:
    bare = signal_lost(x, rate_hz=RATE, at=4 * RATE, tracks=tracks, floor_dbfs=-74.0).samples
    out = x.copy()
    stop = min(round((4 + seconds) * RATE), x.shape[1])
    out[:, 4 * RATE : stop] = bare[:, 4 * RATE : stop]
    return out


@pytest.mark.parametrize("seconds", [1.0, 1.5, 3.0])
def test_a_signal_that_is_gone_for_a_while_is_lost(drums: Samples, seconds: float) -> None:
    (found,) = _asked(_gone(drums, seconds, (1,)))
    assert (found.kind, found.tracks, found.verdict) == ("signal-lost", (1,), Verdict.REDO)
    assert found.start_frame == pytest.approx(4 * RATE, abs=0.2 * RATE)
    assert found.frames == pytest.approx(seconds * RATE, abs=0.3 * RATE)


@pytest.mark.parametrize("kind", ["drums", "band"])
def test_a_track_that_dies_down_behind_a_leader_is_lost_where_it_dies(kind: str) -> None:
    x = programme(kind, rate_hz=RATE, tracks=3, seconds=16.0, seed=6, hiss_dbfs=-62.0)
    bare = signal_lost(x, rate_hz=RATE, at=0, tracks=(0, 1, 2), floor_dbfs=-74.0).samples
    x[:, 4 * RATE : 6 * RATE] = bare[:, 4 * RATE : 6 * RATE]
    left = 10 ** (-3 * np.minimum(np.arange(7 * RATE) / (2 * RATE), 1))  # 60 dB in 2 s
    dying = x[1, 9 * RATE :] * left + bare[1, 9 * RATE :] * (1 - left)
    x[1, 9 * RATE :] = (np.rint(dying / 256).astype(np.int64) << 8).astype(np.int32)
    (found,) = [f for f in _asked(x) if f.tracks == (1,)]
    assert (found.kind, found.verdict) == ("signal-lost", Verdict.LISTEN)
    assert (found.start_frame or 0) / RATE == pytest.approx(9.3, abs=0.2)
    assert "little by little" in found.text


def test_a_signal_that_is_lost_for_a_while_and_then_for_good_is_told_to_the_end() -> None:
    x = programme("speech", rate_hz=RATE, tracks=3, seconds=16.0, seed=6, hiss_dbfs=-62.0)
    bare = signal_lost(x, rate_hz=RATE, at=0, tracks=(1,), floor_dbfs=-74.0).samples
    for first_s, last_s in ((5, 6), (8, 16)):
        lost = slice(first_s * RATE, last_s * RATE)
        x[1, lost] = bare[1, lost]
    found = [f for f in _asked(x) if (f.start_frame or 0) > 7 * RATE]
    assert [(f.kind, f.verdict, f.tracks) for f in found] == [("signal-lost", Verdict.REDO, (1,))]
    assert found[0].start_frame == pytest.approx(8 * RATE, abs=0.2 * RATE)


def test_most_tracks_lost_while_one_plays_on_is_no_stopped_tape(drums: Samples) -> None:
    (found,) = _asked(_gone(drums, 9.0, (0, 1, 2)))
    assert (found.kind, found.tracks, found.verdict) == ("signal-lost", (0, 1, 2), Verdict.REDO)


@pytest.mark.parametrize("um", [6.0, 12.0])
def test_a_head_that_clogs_over_twenty_seconds_is_found(um: float) -> None:
    x = programme("plucks", rate_hz=RATE, tracks=2, seconds=40.0, seed=5, hiss_dbfs=-62.0)
    assert _asked(x) == []
    dirty = clog(x, rate_hz=RATE, at=10 * RATE, ramp=20 * RATE, distance_um=um, tracks=(1,),
                 floor_dbfs=-72.0)  # fmt: skip
    (found,) = _asked(dirty.samples)
    assert (found.kind, found.tracks) == ("hf-loss", (1,))
    assert found.values["slow"]
    assert 10 * RATE <= (found.start_frame or 0) <= 20 * RATE


@pytest.mark.parametrize(
    ("kind", "rate_hz", "seed", "at_s", "ramp_s", "um"),
    [
        ("brass", 88_200, 8004, 5.28, 0.0, 5.0),  # a rest of a second, then loud notes over all
        ("loud", 44_100, 10016, 4.29, 3.0, 10.0),  # the only rest is the last half second
        ("loud", 44_100, 10016, 4.94, 0.0, 5.0),
    ],
)
def test_a_clog_that_programme_covers_but_for_short_rests(
    kind: str, rate_hz: int, seed: int, at_s: float, ramp_s: float, um: float
) -> None:
    x = programme(kind, rate_hz=rate_hz, tracks=4 if kind == "loud" else 1, seconds=12.0,
                  seed=seed, hiss_dbfs=-74.0)[-2:]  # fmt: skip
    assert _asked(x, rate_hz=rate_hz) == []
    dirty = clog(x, rate_hz=rate_hz, at=round(at_s * rate_hz), ramp=round(ramp_s * rate_hz),
                 distance_um=um, tracks=(0,), floor_dbfs=-84.0, seed=1)  # fmt: skip
    (found,) = _asked(dirty.samples, rate_hz=rate_hz)
    assert (found.kind, found.tracks) == ("hf-loss", (0,))


def test_a_clog_is_told_once_and_not_as_a_lift_as_well() -> None:
    for seed in (1, 2, 3):
        x = programme("saturated", rate_hz=88_200, tracks=1, seconds=12.0, seed=seed,
                      hiss_dbfs=-68.0)  # fmt: skip
        dirty = clog(x, rate_hz=88_200, at=6 * 88_200, ramp=0, distance_um=5.0,
                     floor_dbfs=-78.0)  # fmt: skip
        assert [f.kind for f in _asked(dirty.samples, rate_hz=88_200)] == ["hf-loss"]


def test_a_track_that_was_erased_for_a_while_is_not_lost(drums: Samples) -> None:
    # bulk-erased tape hisses 3 to 4 dB less (common practice)
    quieter = np.random.default_rng(3).standard_normal(3 * RATE) * 10 ** (-69 / 20)
    x = drums.copy()
    x[1, 4 * RATE : 7 * RATE] = (np.rint(quieter * 2**23).astype(np.int64) << 8).astype(np.int32)
    assert [f for f in _asked(x) if f.kind == "signal-lost"] == []


def test_programme_that_breaks_off_where_the_tapes_sound_ends_is_listened_to(
    drums: Samples,
) -> None:
    power = (drums[:, 3 * RATE : 5 * RATE].astype(np.float64) ** 2).sum(axis=0)
    blows = np.convolve(power, np.ones(RATE // 5), "valid")
    at = 3 * RATE + int(np.argmax(blows)) + RATE // 5  # behind the loudest fifth of a second
    for tracks in ((0, 1, 2, 3), (0,)):  # all of a capture, or its only track
        x = drums[list(tracks)]
        bare = signal_lost(x, rate_hz=RATE, at=at, tracks=range(len(x)), floor_dbfs=-74.0).samples
        (found,) = _asked(bare)
        assert (found.kind, found.verdict) == ("cut-end", Verdict.LISTEN)
        assert found.start_frame == pytest.approx(at, abs=0.2 * RATE)


def test_a_tape_that_runs_out_behind_the_music_is_a_note(drums: Samples) -> None:
    faded = drums * np.clip(np.linspace(2.4, -0.6, drums.shape[1]), 0.0, 1.0)
    hiss = np.random.default_rng(1).standard_normal(drums.shape) * 10 ** (-62 / 20) * 2**31
    tape = (np.rint((faded + hiss) / 256).astype(np.int64) << 8).astype(np.int32)
    ended = signal_lost(tape, rate_hz=RATE, at=8 * RATE, tracks=(0, 1, 2, 3), floor_dbfs=-74.0)
    assert _asked(ended.samples) == []


def test_a_track_that_dies_in_a_line_up_is_lost_but_the_end_of_tones_is_not() -> None:
    sheet = dataclasses.replace(PLAIN, reel=Reel(kind=ReelKind.LINEUP))
    parts = [Part(hz=hz, dbfs=-18, seconds=5) for hz in (1000, 10_000, 100)]
    x = ints(line_up(RATE, parts, tracks=4, gap_s=1.0, hiss_dbfs=-62.0, as_hiss=True).samples)
    assert _asked(x, sheet) == []
    (found,) = _asked(_gone(x, 15.0, (1,)), sheet)
    assert (found.kind, found.tracks, found.verdict) == ("signal-lost", (1,), Verdict.REDO)
    assert found.start_frame == pytest.approx(4 * RATE, abs=0.2 * RATE)
    assert _asked(_gone(x, 15.0, (0, 1, 2, 3)), sheet) == []


@pytest.mark.parametrize(("seed", "rate_hz"), [(13, 96_000), (12, 96_000), (8, 352_800)])
def test_a_limiter_that_turns_the_hiss_down_is_no_clog(seed: int, rate_hz: int) -> None:
    # It takes as much in all bands; a gap takes 54.6 dB times distance over wavelength.
    asked = Asked(rate_hz=rate_hz, tracks=2, seconds=6.0, seed=seed)
    found = _asked(EDGES["soft limiter"](asked), rate_hz=rate_hz)
    assert "hf-loss" not in {f.kind for f in found}


@pytest.mark.parametrize("kind", ["plucks", "speech"])
def test_digital_silence_in_places_is_no_clog(kind: str) -> None:
    x = programme(kind, rate_hz=RATE, tracks=2, seconds=10.0, seed=1, hiss_dbfs=-62.0)
    x[:, round(4.45 * RATE) :][:, :4000] = 0
    x[0, round(8.067 * RATE) :][:20_000] = 0
    assert "hf-loss" not in {f.kind for f in _asked(x)}


@pytest.mark.parametrize("kind", ["plucks", "band"])
@pytest.mark.parametrize("seconds", [0.05, 0.2, 1.0, 1.5, 2.5])
def test_a_lift_of_any_length_is_found_where_it_is(kind: str, seconds: float) -> None:
    x = programme(kind, rate_hz=96_000, tracks=2, seconds=6.0, seed=5, hiss_dbfs=-62.0)
    lifted = contact_loss(x, rate_hz=96_000, at=220_800, frames=round(seconds * 96_000),
                          distance_um=30.0, tracks=(1,), floor_dbfs=-74.0, seed=1)  # fmt: skip
    (found,) = _asked(lifted.samples, rate_hz=96_000)
    assert (found.kind, found.tracks) == ("contact-loss" if seconds < 0.5 else "hf-loss", (1,))
    assert (found.start_frame or 0) / 96_000 == pytest.approx(2.3, abs=0.1)
    assert (found.frames or 0) / 96_000 >= 0.8 * seconds  # its end may be covered


def test_lifts_that_are_told_together_keep_their_places() -> None:
    x = programme("bowed", rate_hz=96_000, tracks=2, seconds=6.0, seed=5, hiss_dbfs=-62.0)
    for at_s in (2.3, 2.9):
        x = contact_loss(x, rate_hz=96_000, at=round(at_s * 96_000), frames=4800, tracks=(1,),
                         distance_um=30.0, floor_dbfs=-74.0, seed=1).samples  # fmt: skip
    (found,) = _asked(x, rate_hz=96_000)
    places = found.values["start_frames"]
    assert isinstance(places, list)
    assert places == pytest.approx([2.3 * 96_000, 2.9 * 96_000], abs=500)


def _noisy(tracks: int, seed: int, hiss_dbfs: float | None) -> Samples:
    """Loud noise that hardly rests on the first track and stops at 7.5 s; notes on the others."""
    rng, t = np.random.default_rng(seed), np.arange(12 * RATE) / RATE
    x = np.zeros((tracks, len(t)))
    breaks = (np.abs(t - 2.3) < 0.05) | (np.abs(t - 4.6) < 0.05)
    x[0] = rng.standard_normal(len(t)) * (1 - 0.97 * breaks) * np.clip((7.5 - t) / 0.01, 0, 1)
    x[0] *= 10 ** (-18 / 20) * (0.75 + 0.25 * np.sin(2 * np.pi * rng.uniform(0.1, 0.4) * t))
    for k in range(1, tracks):
        note = np.sin(2 * np.pi * rng.uniform(200, 900) * t)
        x[k] = 0.1 * note * (np.sin(2 * np.pi * rng.uniform(0.4, 0.9) * t + k) > -0.3)
    if hiss_dbfs is not None:
        x[1:] += rng.standard_normal((tracks - 1, len(t))) * 10 ** (hiss_dbfs / 20)
        left_db = np.where(t < 7.5, hiss_dbfs, hiss_dbfs - 12)
        x[0] += rng.standard_normal(len(t)) * 10 ** (left_db / 20)
    x += rng.standard_normal(x.shape) * 10 ** (-112 / 20)
    return np.asarray(np.rint(np.clip(x, -1, 1) * 2**23).astype(np.int64) << 8, np.int32)


@pytest.mark.parametrize(("hiss_dbfs", "verdict"), [(None, Verdict.LISTEN), (-62.0, Verdict.REDO)])
def test_noise_that_stops_is_lost_for_sure_only_where_a_tape_is_heard_to_hiss(
    hiss_dbfs: float | None, verdict: Verdict
) -> None:
    told = _asked(_noisy(2, 2, hiss_dbfs), Sheet())
    (found,) = [f for f in told if f.kind == "signal-lost" and f.tracks == (0,)]
    assert found.verdict is verdict
    assert ("no hiss" in found.text) == (hiss_dbfs is None)


def test_a_fall_that_is_back_before_it_shows_is_none(
    drums: Samples, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So it may be where noise is played that hardly rests."""
    monkeypatch.setattr(_lasting, "_end", lambda floor, drop, first: first)
    assert not [f for f in _asked(_gone(drums, 3.0, (1,))) if f.kind == "signal-lost"]
