"""What stands in place of the programme for a while, against sounds that come on top of it."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter
from stepping import Ints, steps

from checks.dropouts._sentences import PERHAPS_STAND_IN, STAND_IN
from checks.dropouts._steps import _long
from checks.dropouts._steps._stand_in import StandIns, stands_in
from checks.model import Verdict

Floats = NDArray[np.float64]
PROGRAMME_HZ = (220.0, 277.2, 329.6, 1318.5)
OTHER_HZ = (196.5, 415.3, 1046.5, 1480.0)


def tones(hz: tuple[float, ...], frames: int, rate_hz: int, *, seed: int = 3) -> Floats:
    """Steady partials with noise 78 dB under them, in steps of 24 bit."""
    t = np.arange(frames) / rate_hz
    rng = np.random.default_rng(seed)
    sound = sum(np.sin(2 * np.pi * f * t + rng.uniform(0, 6)) for f in hz)
    return np.asarray(300_000 * sound + 40 * rng.standard_normal(frames))


def ints(*rows: Floats) -> Ints:
    return np.rint(np.array(rows)).astype(np.int32)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize("length_s", [0.006, 0.02, 0.09])
def test_other_programme_in_place_is_told_from_the_same_on_top(
    rate_hz: int, length_s: float
) -> None:
    x = tones(PROGRAMME_HZ, rate_hz, rate_hz)
    other = tones(OTHER_HZ, rate_hz, rate_hz, seed=4)
    start = rate_hz // 2
    stop = start + round(length_s * rate_hz)
    around = slice(start - _long.reach(rate_hz), stop + _long.reach(rate_hz))
    replaced, added = x.copy(), x.copy()
    replaced[start:stop] = other[start:stop]
    added[start:stop] += other[start:stop]
    first, last = start - around.start, stop - around.start
    assert stands_in(replaced[around], first, last, rate_hz)
    assert stands_in(added[around], first, last, rate_hz) is None
    assert stands_in(x[around], first, last, rate_hz) is None


def test_another_note_that_follows_is_no_programme_that_comes_back() -> None:
    rate_hz = 48_000
    x = tones(PROGRAMME_HZ, rate_hz, rate_hz)
    x[24_000:26_000] = tones(OTHER_HZ, 2_000, rate_hz, seed=4)
    x[26_000:] = tones((246.9, 311.1, 370.0, 987.8), rate_hz - 26_000, rate_hz, seed=5)
    assert stands_in(x, 24_000, 26_000, rate_hz) is None


@pytest.mark.parametrize("value", [0.0, 70_000.0])
def test_zeros_and_held_values_are_told_elsewhere(value: float) -> None:
    rate_hz = 48_000
    x = tones(PROGRAMME_HZ, rate_hz, rate_hz)
    x[24_000:26_000] = value
    assert stands_in(x, 24_000, 26_000, rate_hz) is None


def test_what_lies_between_the_pulses_of_one_voice_is_the_same_voice() -> None:
    """Source and filter: resonances pushed now and then (Fant, 1960, from memory)."""
    rate_hz = 48_000
    rng = np.random.default_rng(1)
    x = 300 * rng.standard_normal(rate_hz)
    pushes = np.cumsum(rng.integers(880, 1_000, 44))
    x[pushes] += 900_000 * rng.uniform(0.7, 1.3, 44)
    for hz, width_hz in ((600, 60), (1_800, 90), (2_900, 120)):
        r = np.exp(-np.pi * width_hz / rate_hz)
        x = lfilter([1.0], [1, -2 * r * np.cos(2 * np.pi * hz / rate_hz), r * r], x)
    for first, second in pairwise(pushes[12:30].tolist()):
        assert stands_in(x, first, second, rate_hz) is None


@pytest.mark.parametrize("also", [0, 2, 3])
def test_tracks_that_jump_at_both_its_ends_are_named(also: int) -> None:
    rate_hz = 48_000
    x = tones(PROGRAMME_HZ, rate_hz, rate_hz)
    x[24_000:26_000] = tones(OTHER_HZ, 2_000, rate_hz, seed=4)
    noise = np.random.default_rng(1).standard_normal(rate_hz)  # which tells nothing
    place: Any = SimpleNamespace(
        corner=lambda *_: False,
        start=0,
        stretch=lambda track, start, stop, reach: ([x, noise][track], start),
    )
    stand_ins = StandIns(rate_hz, limit=12.0)
    found: Any = [
        {
            0: SimpleNamespace(frame=at, jump=50.0, towers=True),
            1: SimpleNamespace(frame=at + by, jump=30.0, towers=True),
        }
        for at, by in ((24_000, 0), (26_000, also))
    ]
    assert stand_ins.at(place, found[0]) is None
    one = stand_ins.at(place, found[1])
    assert one is not None
    assert (one.start, one.stop, one.sure) == (24_000, 26_000, True)
    assert one.tracks == ((0, 1) if also <= 2 else (0,))


@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
def test_it_is_told_once_with_its_length_and_its_tracks(rate_hz: int) -> None:
    x = ints(
        tones(PROGRAMME_HZ, 2 * rate_hz, rate_hz),
        tones((98.0, 196.5, 246.9, 1480.0), 2 * rate_hz, rate_hz, seed=7),
        tones((146.8, 370.0, 587.3, 880.0), 2 * rate_hz, rate_hz, seed=8),
    )
    start, frames = rate_hz, round(0.03 * rate_hz)
    for track in (0, 2):
        x[track, start : start + frames] = ints(tones(OTHER_HZ, frames, rate_hz, seed=9 + track))
    (found,) = steps(x, rate_hz)
    assert (found.verdict, found.text) == (Verdict.REDO, STAND_IN)
    assert (found.start_frame, found.frames, found.tracks) == (start, frames, (0, 2))


def test_small_ends_only_ask_to_listen() -> None:
    rate_hz = 48_000
    x = tones(PROGRAMME_HZ, 2 * rate_hz, rate_hz)
    rng = np.random.default_rng(2)
    x += 12_000 * rng.standard_normal(len(x))
    at, frames = 50_000, 1_500
    x[at : at + frames] = tones(OTHER_HZ, frames, rate_hz, seed=4)
    x[at : at + frames] += 12_000 * rng.standard_normal(frames)
    (found,) = steps(ints(x), rate_hz)
    assert (found.verdict, found.text) == (Verdict.LISTEN, PERHAPS_STAND_IN)
    assert (found.start_frame, found.frames) == (at, frames)


def test_what_a_machine_chops_proves_nothing() -> None:
    rate_hz = 48_000
    x = tones(PROGRAMME_HZ, 4 * rate_hz, rate_hz)
    closed = (np.arange(len(x)) % 9_600) < 3_000
    x[closed] = 40 * np.random.default_rng(3).standard_normal(int(closed.sum()))
    assert [f for f in steps(ints(x), rate_hz) if f.verdict is Verdict.REDO] == []


def test_grains_cut_hard_from_one_sound_are_its_own() -> None:
    rate_hz = 48_000
    rng = np.random.default_rng(4)
    sounds = [tones(hz, 4 * rate_hz, rate_hz) for hz in (PROGRAMME_HZ, OTHER_HZ)]
    ends = [0, *np.cumsum(rng.integers(2_000, 5_000, 80)).tolist()]
    grains = [sounds[k % 2][a:b] for k, (a, b) in enumerate(pairwise(ends)) if b < 4 * rate_hz]
    found = steps(ints(np.concatenate(grains)), rate_hz)
    assert [f for f in found if f.verdict is Verdict.REDO] == []


def test_many_stretches_are_still_told() -> None:
    rate_hz = 48_000
    x = tones(PROGRAMME_HZ, 6 * rate_hz, rate_hz)
    rng = np.random.default_rng(6)
    for at in (30_000 + np.cumsum(rng.integers(5_000, 9_000, 30))).tolist():
        x[at : at + 1_500] = tones(OTHER_HZ, 1_500, rate_hz, seed=at)
    assert [f for f in steps(ints(x), rate_hz) if f.verdict is not Verdict.CLEAR] != []


def test_beside_digital_silence_nothing_overflows() -> None:
    """Warnings are errors here."""
    rng = np.random.default_rng(1)
    sound = 3e6 * np.sin(0.05 * np.arange(6000)) + 1e4 * rng.standard_normal(6000)
    parts = sound, np.zeros(3000), 3e5 * rng.standard_normal(2000), np.zeros(9600)
    assert stands_in(np.concatenate(parts), 9000, 11_000, 96_000) is None


def strokes(rate_hz: int, seed: int) -> Floats:
    """Castanets: a push of 0.2 ms into wood that rings for some 20 ms, 25 to 35 ms apart."""
    rng = np.random.default_rng([seed, 8])
    x = np.zeros(2 * rate_hz)
    push = np.hanning(max(round(2e-4 * rate_hz), 4) + 2)[1:-1]
    at = rate_hz // 2
    while at < len(x) - rate_hz // 10:
        time = np.arange(round(0.06 * rate_hz)) / rate_hz
        tones = rng.uniform(1200, 2500) * np.array([1, 1.5, 2.3])
        rings = sum(np.sin(2 * np.pi * hz * time) * np.exp(-7 * time / 0.02) for hz in tones)
        x[at : at + len(time)] += rng.uniform(0.5, 1) * np.convolve(rings, push)[: len(time)]
        at += round(rng.uniform(0.025, 0.035) * rate_hz)
    x *= 2.0**21 / np.abs(x).max()
    return np.asarray(x + 12_000 * rng.standard_normal(len(x)))


@pytest.mark.parametrize(
    ("rate_hz", "seed"), [(44_100, 1), (48_000, 1), (48_000, 4), (96_000, 0), (96_000, 7)]
)
def test_strikes_that_follow_each_other_are_no_programme_that_comes_back(
    rate_hz: int, seed: int
) -> None:
    assert steps(ints(strokes(rate_hz, seed)), rate_hz) == []
