"""Steps: what proves a digital cause, what does not, and what must never be missed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import damage
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal
from stepping import Nothing, steps
from synth import programme

from checks.block import BLOCK_FRAMES, Block, Workspace
from checks.dropouts import DropoutsLimits
from checks.dropouts._events import Event
from checks.dropouts._history import History
from checks.dropouts._steps import StepsPart, _foreign, _moves
from checks.dropouts._steps._doubts import BEYOND_DOUBT, Doubts
from checks.dropouts._steps._place import Place
from checks.model import CaptureFormat, Finding, Remedy, Verdict
from checks.sheet import Sheet

Ints = NDArray[np.int32]


def bed(kind: str, rate_hz: int, tracks: int = 2, seed: int = 8) -> Ints:
    made: Ints = programme(kind, rate_hz=rate_hz, tracks=tracks, seconds=1.5, seed=seed)
    return made


@pytest.mark.parametrize("bit", [31, 30, 29])
@pytest.mark.parametrize(
    ("kind", "rate_hz"),
    [("idle-track", 44_100), ("drums", 192_000), ("decoded", 48_000), ("loud", 96_000)],
)
def test_a_wrong_word_far_over_the_limit_is_proven(kind: str, rate_hz: int, bit: int) -> None:
    x = bed(kind, rate_hz)
    at = rate_hz
    found = steps(damage.wrong_word(x, at=at, track=0, bit=bit).samples, rate_hz)
    mine = [f for f in found if f.start_frame == at]
    assert [(f.verdict, f.values["cause"]) for f in mine] == [(Verdict.REDO, "word")]


@pytest.mark.parametrize("frames", [8, 16, 256])
@pytest.mark.parametrize(
    ("kind", "rate_hz"), [("band", 192_000), ("drone", 384_000), ("organ", 96_000)]
)
def test_noise_put_in_on_all_tracks_is_found_with_its_length(
    kind: str, rate_hz: int, frames: int
) -> None:
    at = rate_hz
    x = damage.insert(bed(kind, rate_hz, 3), at=at, frames=frames, seed=5).samples
    (found,) = steps(x, rate_hz)
    assert found.start_frame is not None
    assert found.frames is not None
    assert abs(found.start_frame - at) <= 2
    assert abs(found.start_frame + found.frames - at - frames) <= 2


def test_noise_in_place_of_samples_is_proven_by_edges_that_no_filter_lets_through() -> None:
    x = bed("drone", 384_000).copy()
    noise = np.random.default_rng(6).standard_normal(40) * x[1].std()
    x[1, 300_000:300_040] = np.rint(noise / 256).astype(np.int32) << 8
    (found,) = steps(x, 384_000)
    assert (found.verdict, found.values["cause"], found.tracks) == (Verdict.REDO, "foreign", (1,))


@pytest.mark.parametrize("frames", [32, 48, 64, 200])
@pytest.mark.parametrize(("kind", "rate_hz"), [("organ", 96_000), ("drone", 352_800)])
@pytest.mark.parametrize("tracks", [[1], [0, 1]])
def test_programme_of_the_same_track_in_place_of_samples_is_told(
    kind: str, rate_hz: int, frames: int, tracks: list[int]
) -> None:
    """Smooth within, so that only its two edges stand out."""
    x, rng, at, off = bed(kind, rate_hz).copy(), np.random.default_rng(9), rate_hz // 2, 30_007
    other = x[tracks, at + off : at + off + frames]
    x[tracks, at : at + frames] = other + 256 * rng.integers(-9, 10, other.shape, np.int32)
    x = x[:, : at + off]
    found = steps(x, rate_hz)
    ends = {f.start_frame for f in found if f.start_frame is not None}
    assert any(abs(end - at) <= 2 or abs(end - at - frames) <= 2 for end in ends)


@pytest.mark.parametrize("alone", [True, False])
def test_what_one_track_shows_of_samples_put_in_is_no_wrong_word(alone: bool) -> None:
    rng = np.random.default_rng(4)
    rows = np.array([coloured(rng, 80_000, pole) for pole in (0.5, 0.6)])
    rows[0, 50_000] += 700
    if not alone:
        rows[1, 49_997:50_005] += rng.standard_normal(8) * 5000
    found = steps(np.rint(rows).astype(np.int32) << 8, 96_000)
    assert any(f.values["cause"] == "word" for f in found) is alone


def test_programme_that_changes_places_with_an_idle_track_is_proven() -> None:
    x = bed("idle-track", 96_000, 3)
    (found,) = steps(damage.swap_tracks(x, at=100_000, a=0, b=2).samples, 96_000)
    assert (found.verdict, found.values["cause"], found.tracks) == (Verdict.REDO, "swap", (0, 2))


def test_lost_samples_are_no_moves_between_tracks() -> None:
    rng = np.random.default_rng(3)
    tracks = [coloured(rng, 3000, pole) for pole in (0.5, 0.9, 0.95, 0.7)]
    cut = [np.concatenate((x[:1000], x[1400:])) for x in tracks]
    assert _moves.swapped(cut, 1000) is None
    moved = [np.concatenate((tracks[k][:1000], tracks[(k + 1) % 4][1000:])) for k in range(4)]
    assert _moves.swapped(moved, 1000) == {1: 0, 2: 1, 3: 2, 0: 3}


def coloured(rng: np.random.Generator, frames: int, pole: float) -> NDArray[np.float64]:
    """A tone in noise, in steps of a word."""
    out = np.zeros(frames)
    noise = rng.standard_normal(frames) * 20
    for k in range(1, frames):
        out[k] = pole * out[k - 1] + noise[k]
    turns = rng.uniform(0.01, 0.03) * np.arange(frames) + rng.random()
    out += 40_000 * np.sin(2 * np.pi * turns)
    return out


# -- a cut that nothing before the converter can make -----------------------------------------


def test_a_cut_far_sharper_than_a_converters_filter_is_proven_on_one_track() -> None:
    x = damage.lose(bed("organ", 96_000), at=100_000, frames=64, tracks=(1,)).samples
    (found,) = steps(x, 96_000)
    assert (found.verdict, found.values["cause"]) == (Verdict.REDO, "cut")
    assert (found.start_frame, found.tracks) == (100_000, (1,))


@pytest.mark.parametrize("late", [0, 1, 2, 3])
@pytest.mark.parametrize("filtered", [True, False])
def test_the_same_cut_before_a_brick_wall_filter_is_not(late: int, filtered: bool) -> None:
    # A step through an ideal filter at half the rate leaves 0.5 - Si(pi / 2) / pi = 6.4 % of its
    # height half a sample away (Si(pi / 2) = 1.3708: Abramowitz and Stegun, table 5.1).
    whole = bed("piano", 384_000)[:, : (1 << 19) + 1024].astype(np.float64)
    cut = 400_000 + late
    fine = np.concatenate((whole[:, :cut], whole[:, cut + 1024 :]), axis=1)
    if filtered:
        spectrum = np.fft.rfft(fine)[:, : (1 << 16) + 1]
        x = np.fft.irfft(spectrum, 1 << 17) / 4
    else:
        x = fine[:, ::4]
    rng = np.random.default_rng(late)
    x += rng.standard_normal(x.shape) * 2**31 * 10 ** (-100 / 20)  # the converter's own noise
    words = np.rint(np.clip(x, -(2**31), 2**31 - 256) / 256).astype(np.int32) << 8
    found = [f for f in steps(words, 96_000) if abs(place(f) - 100_000) < 64]
    assert any(f.verdict is Verdict.REDO for f in found) is not filtered


def place(found: Finding) -> int:
    assert found.start_frame is not None
    return found.start_frame


def test_a_few_samples_that_come_twice_are_told_as_put_in() -> None:
    x = bed("brass", 192_000)
    y = np.concatenate((x[:, :200_000], x[:, 199_980:200_000], x[:, 200_000:-20]), axis=1)
    (found,) = steps(y, 192_000)
    assert (found.verdict, found.values["cause"]) == (Verdict.REDO, "inserted")
    assert (found.start_frame, found.frames) == (200_000, 20)


# -- what is left alone -----------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["castanets", "plucks", "drums", "clicktrack"])
@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 192_000])
def test_attacks_raise_nothing(kind: str, rate_hz: int) -> None:
    x = programme(kind, rate_hz=rate_hz, tracks=2, seconds=4.0, seed=21)
    assert steps(x, rate_hz) == []


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
def test_relay_clicks_are_never_a_reason_to_play_again(rate_hz: int) -> None:
    x = programme("relays", rate_hz=rate_hz, tracks=4, seconds=4.0, seed=23)
    assert all(f.verdict is not Verdict.REDO for f in steps(x, rate_hz))


def test_foreign_samples_are_alike_on_both_sides_and_an_attack_is_not() -> None:
    rng = np.random.default_rng(9)
    x = coloured(rng, 3000, 0.6)
    put_in = x.copy()
    put_in[1000:1040] = rng.standard_normal(40) * 3000
    found = _foreign.Stretches(put_in[np.newaxis], 1010).shared([0])
    assert found is not None
    assert (found.frame, found.stop) == (1000, 1040)
    assert found.traces[0].alike
    struck = x.copy()  # and goes on with a tone that was not there before
    struck[1000:1040] += rng.standard_normal(40) * 3000
    struck[1040:] += 3000 * np.sin(1.3 * np.arange(1960))
    found = _foreign.Stretches(struck[np.newaxis], 1010).shared([0])
    assert found is not None
    assert not found.traces[0].alike


def test_one_clipped_sample_is_no_wrong_word() -> None:
    x = bed("piano", 96_000)
    at = 60_000 + int(np.argmax(x[0, 60_000:90_000]))
    x = np.array(x // 256 * 200)  # room for the word below
    x[0, at] -= 1 << 27
    fmt = CaptureFormat(rate_hz=96_000, channels=2, word_length=24)
    around = Place(fmt, x[:, at - 1024 : at + 1024], peak=1024, start=at - 1024)
    top = float(around.steps[0].max())
    around.steps[0, 1024] = top
    assert around.cut_off(0, 1024, deviation=-50.0)
    assert not around.cut_off(0, 1024, deviation=50.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_sound_that_begins_with_a_spike_is_no_wrong_word(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frames, at = 88_200, 44_100
    noise = signal.lfilter([1.0], [1.0, -1.2, 0.5], rng.standard_normal(frames))
    tone = 200 * np.sin(0.5 * np.arange(frames))
    noise[at:] *= 3.0
    noise[at] += 28.0
    x = (np.rint(2000 * (noise + tone)).astype(np.int64) << 8).astype(np.int32)[np.newaxis]
    assert not [f for f in steps(x, 44_100) if f.verdict is Verdict.REDO]


@pytest.mark.parametrize("seed", range(4))
def test_hundreds_of_claps_hold_nothing_that_does_not_belong_there(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frames, rate_hz = 176_400, 44_100
    hits = np.zeros(frames)
    hits[rng.integers(0, frames, 1200)] = rng.exponential(1.0, 1200)
    length = round(0.002 * rate_hz)
    clap = rng.standard_normal(length) * np.exp(-np.linspace(0, 6, length))
    x = np.convolve(hits, clap)[:frames]
    x = 0.3 * x / np.abs(x).max() + 10 ** (-65 / 20) * rng.standard_normal(frames)
    words = (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)[np.newaxis]
    assert steps(words, rate_hz) == []


# -- many of them -----------------------------------------------------------------------------


def event(track: int, start: int, sigmas: float, verdict: Verdict) -> Event:
    return Event(
        kind="step", verdict=verdict, remedy=Remedy.LISTEN, tracks=(track,), start=start,
        stop=start + 1, text="", values={"jump_sigma": sigmas},
    )  # fmt: skip


@pytest.mark.parametrize(("sigmas", "told"), [(BEYOND_DOUBT + 1, 1), (BEYOND_DOUBT - 1, 0)])
def test_what_is_beyond_doubt_stands_among_jumps_that_recur(sigmas: float, told: int) -> None:
    doubts = Doubts(CaptureFormat(rate_hz=48_000, channels=2, word_length=24), listed=50)
    for k in (1, 3, 4, 9, 11, 17, 18, 25):
        doubts.unproven(event(0, 100 * k * k, 15.0, Verdict.LISTEN))
    doubts.proven(event(0, 70_500, sigmas, Verdict.REDO))
    found, _ = doubts.finish()
    assert sum(f.verdict is Verdict.REDO for f in found) == told
    assert sum(f.verdict is Verdict.LISTEN for f in found) == 1


def test_not_numbers_and_short_captures_are_survived() -> None:
    fmt = CaptureFormat(rate_hz=96_000, channels=1, word_length=32, floating=True)
    for frames in (1, 50, 5000):
        x: NDArray[Any] = np.zeros((1, frames), np.float32)
        x[0, frames // 2] = np.nan
        x[0, -1] = 1.0
        work, history = Workspace(), History(frames=8 * BLOCK_FRAMES)
        part = StepsPart(replace(fmt, frames=frames), Sheet(), DropoutsLimits(), history, Nothing())
        block = Block(x, start=0, lead=0, fmt=fmt, work=work)
        history.add(block)
        part.feed(block)
        part.finish()


def test_notes_that_begin_within_one_sample_are_never_proven_cuts() -> None:
    # as a generator makes them; every second louder than what still sounds, every other softer
    rate_hz, seconds = 48_000, 8
    t = np.arange(rate_hz * seconds) / rate_hz
    rng = np.random.default_rng(12)
    x = rng.standard_normal((2, len(t))) * 10 ** (-65 / 20)
    for k in range(2 * seconds):
        now = t >= 0.5 * k
        level = (0.05, 0.2)[k % 2] * np.exp(-2 * np.maximum(t - 0.5 * k, 0)) * now
        for track in range(2):
            for hz in (220 + 30 * track, 331, 447):
                x[track] += level * np.sin(2 * np.pi * hz * t + hz)
    words = (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)
    assert [f.text for f in steps(words, rate_hz) if f.verdict is Verdict.REDO] == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_tops_of_a_sample_or_two_at_full_scale_are_left_to_clipping(seed: int) -> None:
    """Bright, loud sound cut off at full scale: AES17 full scale, no plateau to be seen."""
    rng = np.random.default_rng(seed)
    x = signal.sosfilt(
        signal.butter(4, [2_000, 9_000], "bandpass", output="sos", fs=48_000),
        rng.standard_normal((2, 96_000)),
    )
    x += 1e-5 * rng.standard_normal(x.shape)
    x *= 1.05 / np.quantile(np.abs(x), 0.9995)
    words = np.clip(np.rint(x * 2**23), -(2**23), 2**23 - 1).astype(np.int64)
    assert steps((words << 8).astype(np.int32), 48_000) == []


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("noise_steps", [20.0, 300.0])
@pytest.mark.parametrize("frames", [1, 3])
def test_tops_with_noise_on_them_are_left_to_clipping(
    seed: int, noise_steps: float, frames: int
) -> None:
    """Cut off below full scale before the converter's noise: no two samples of a top are equal."""
    rng = np.random.default_rng(seed)
    x = signal.sosfilt(
        signal.butter(4, [400, 3_000 / frames], "bandpass", output="sos", fs=48_000),
        rng.standard_normal((2, 96_000)),
    )
    x *= 0.6 / np.quantile(np.abs(x), 0.998)
    words = np.clip(x, -0.6, 0.6) * 2**23 + noise_steps * rng.standard_normal(x.shape)
    found = steps(np.rint(words).astype(np.int32) << 8, 48_000)
    assert not [f for f in found if f.verdict is Verdict.REDO]
    assert sum(int(str(f.values["times"])) for f in found) <= 5  # of some hundred
