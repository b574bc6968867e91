"""Kernels of steps: tracks that turn at one sample, and how many witnesses there are of a jump."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from stepping import Ints, steps

from checks.dropouts import DropoutsLimits
from checks.dropouts._sentences import TURN
from checks.dropouts._steps import _beginnings, _doubts, _foreign, _kinds, _turns
from checks.dropouts._steps._doubts import Doubts
from checks.dropouts._steps._goes_on import GoesOn
from checks.dropouts._steps._kinds import Kinds
from checks.dropouts._steps._place import Place
from checks.dropouts._steps._put_in import PutIn
from checks.dropouts._steps._telling import Telling
from checks.dropouts._steps._whiten import Peak
from checks.model import CaptureFormat

AT = 1500  # frame of the place, of 3000 and more
FAR = 10_000  # one with 100 ms before it
FMT = CaptureFormat(rate_hz=96_000, channels=3, word_length=24)


def tone_in_noise(seed: int, pole: float, level: float = 1.0) -> np.ndarray:
    """Programme that its past foretells well: noise through a resonance near zero frequency."""
    rng = np.random.default_rng(seed)
    sound = signal.lfilter([1], [1, -2 * pole * np.cos(0.1), pole * pole], rng.normal(size=4000))
    return level * (200 * sound[1000:] + rng.normal(size=3000))


def turned(at: int = AT) -> list[np.ndarray]:
    one, two = tone_in_noise(1, 0.995), tone_in_noise(2, 0.99, 30.0)
    return [np.append(one[:at], two[at:]), np.append(two[:at], one[at:])]


@pytest.mark.parametrize("off", [0, -3, 8])
def test_tracks_that_turn_to_something_else_are_told_to_the_sample(off: int) -> None:
    turn = _turns.shared(turned(), AT + off)
    assert turn is not None
    assert turn.frame == AT
    assert set(turn.heights) == {0, 1}
    assert max(turn.heights.values()) >= _turns.STRONGEST


def test_what_goes_on_as_before_has_not_turned() -> None:
    """A click on all inputs rings and is over; one track alone is no company."""
    click = np.zeros(3000)
    click[AT : AT + 200] = 1e6 * np.exp(-np.arange(200) / 30.0)
    rows = [tone_in_noise(seed, 0.995) + click for seed in (1, 2)]
    assert _turns.shared(rows, AT) is None
    assert _turns.shared(turned()[:1], AT) is None


def test_a_source_that_begins_and_leaks_turns_no_tracks() -> None:
    """What comes on top is one on both tracks; of two sources that begin it is not."""
    before = [tone_in_noise(seed, 0.995) for seed in (1, 2)]
    rings, other = np.zeros((2, 3000))
    rings[AT:] = 3e5 * np.cos(0.3 * np.arange(3000 - AT))
    other[AT:] = 1e5 * np.cos(0.4 * np.arange(3000 - AT))
    leaks, two = [rings, 0.3 * rings], [rings, other]
    assert _turns.shared([x + y for x, y in zip(before, leaks, strict=True)], AT) is None
    assert _turns.shared([x + y for x, y in zip(before, two, strict=True)], AT) is not None
    against = _turns.shared([before[0] + rings, before[1] - rings], AT)
    assert against is not None, "tracks that change places move against each other"


def test_a_source_that_leaks_is_one_witness() -> None:
    source, other = tone_in_noise(1, 0.99, 100.0), tone_in_noise(2, 0.99, 100.0)
    native = np.rint(np.stack((source, 0.4 * source, other))).astype(np.int32) << 8
    place = Place(FMT, native, peak=AT, start=0)
    assert not place.witnesses([0], AT)
    assert not place.witnesses([0, 1], AT)
    assert place.witnesses([0, 2], AT)
    assert place.witnesses([0, 1, 2], AT)


def words(rows: list[np.ndarray]) -> Ints:
    return np.rint(np.stack(rows)).astype(np.int32) << 8


def long_tone(seed: int, pole: float, level: float = 1.0) -> np.ndarray:
    """``tone_in_noise`` of 20,000 frames."""
    rng = np.random.default_rng(seed)
    sound = signal.lfilter([1], [1, -2 * pole * np.cos(0.1), pole * pole], rng.normal(size=21_000))
    return level * (200 * sound[1000:] + rng.normal(size=20_000))


def test_tracks_of_which_none_goes_on_are_told_together() -> None:
    low, other = 0.3 * long_tone(1, 0.995), long_tone(4, 0.995)
    loud, faint = long_tone(2, 0.98, 10.0), long_tone(3, 0.998)
    rows = [np.append(low[:AT], other[AT:]), np.append(loud[:AT], faint[AT:])]
    found = steps(words(rows), 96_000)
    assert [(f.start_frame, f.tracks, f.text) for f in found] == [(AT, (0, 1), TURN)]


@pytest.mark.parametrize("others", [True, False])
def test_before_one_track_is_taken_for_a_sound_the_others_are_asked(
    monkeypatch: pytest.MonkeyPatch, others: bool
) -> None:
    asked = []

    def apart(kinds: Kinds, place: Place, *_: object, **__: object) -> bool:
        asked.append(place.start + place.peak)
        return others

    told: list[int] = []
    monkeypatch.setattr(Kinds, "_apart", apart)
    monkeypatch.setattr(Telling, "doubtful", lambda _, tracks, at, *a, **k: told.append(at))
    begins = 200 * np.random.default_rng(4).normal(size=FAR) + 3e4 * np.cos(0.3 * np.arange(FAR))
    cut = np.append(long_tone(1, 0.9998)[:FAR], begins)
    steps(words([cut, long_tone(2, 0.99)]), 96_000)
    assert asked[0] - FAR in range(8)
    assert told == ([] if others else [FAR])


@pytest.mark.parametrize(
    ("rough", "alone", "lone", "told"),
    [(3, True, 0, 1), (3, False, 0, 0), (3, False, 2, 1), (2, False, 0, 1)],
)
def test_a_low_jump_of_one_track_that_has_many_is_its_own(
    monkeypatch: pytest.MonkeyPatch, rough: float, alone: bool, lone: int, told: int
) -> None:
    """Samples are lost on one track of two: 26 standard deviations, the limit is 12.

    Unless the whole capture has no more than ``lone``.
    """
    monkeypatch.setattr(_kinds, "_ROUGH", rough)
    monkeypatch.setattr(_doubts, "LONE", lone)
    monkeypatch.setattr(Place, "alone", lambda *_: alone)
    low = long_tone(1, 0.98) + 1700 * np.sin(0.02 * np.arange(20_000))
    cut = np.append(low[:FAR], low[FAR + 75 :])
    found = steps(words([cut, long_tone(2, 0.99)[: len(cut)]]), 96_000)
    assert [(f.start_frame, f.tracks) for f in found] == [(FAR, (0,))][:told]


@pytest.mark.parametrize(("lost", "told"), [(0, False), (16, True)])
def test_a_generated_tone_with_dither_alone_may_bend_but_not_jump(lost: int, told: bool) -> None:
    """A full-scale tone whose straight fade begins: a corner that no converter's noise would hide.

    Triangular dither: Lipshitz, Wannamaker, Vanderkooy 1992.
    """
    rng = np.random.default_rng(1)
    n = np.arange(48_000)
    fade = np.minimum(1.0, 1.0 - (n - 24_000) / 24_000.0)
    tone = 0.999 * 2**23 * fade * np.sin(2 * np.pi * 1000 / 48_000 * n)
    tone = np.append(tone[:20_000], tone[20_000 + lost :])
    dither = rng.uniform(-0.5, 0.5, (2, 2, len(tone))).sum(axis=1)
    found = steps(words([tone + one for one in dither]), 48_000)
    assert [f.start_frame for f in found] == [20_000] * told


def test_where_tracks_turn_to_what_swells_is_where_it_begins() -> None:
    """What the screen sees most of lies behind the place, by more than a cut may be missed."""
    seen = [Peak(1, 5090, 40.0, 5001), Peak(3, 5040, 20.0, 5000)]
    assert {(p.track, p.frame) for p in _beginnings(seen)} == {(1, 5001), (3, 5000)}
    assert _beginnings(seen[:1]) == [], "one track alone is looked at where it jumps most"
    near = [Peak(1, 5010, 40.0, 5001), Peak(3, 5012, 20.0, 5000)]
    assert _beginnings(near) == [], "the look reaches so far back"
    apart = [Peak(1, 5090, 40.0, 5020), Peak(3, 5040, 20.0, 5000)]
    assert _beginnings(apart) == []


@pytest.mark.parametrize(("frames", "sharp"), [(100, True), (40, False)])
def test_the_edge_of_a_long_stretch_may_be_low_by_chance(frames: int, sharp: bool) -> None:
    """Of strength 20, the first four of 8: 40 % of it."""
    size = np.full(frames, 20.0)
    size[:4] = 8.0
    assert _foreign._sharp(size, np.array([1.0])) is sharp


def _for_sure(trace: _foreign.Trace, frames: int) -> bool:
    """Whether one track's part is enough to be told."""
    limits = DropoutsLimits()
    telling = Telling(Doubts(FMT, listed=limits.listed_digital))
    put_in = PutIn(FMT, limits, telling, GoesOn(FMT.rate_hz))
    place = Place(FMT, np.zeros((3, 4000), np.int32), peak=AT, start=0)
    return put_in._for_sure(place, _foreign.Stretch(AT, AT + frames, [trace]), {0: trace})


@pytest.mark.parametrize(("edge", "told"), [(53.0, True), (30.0, False)])
def test_smooth_samples_between_edges_that_pass_no_filter_are_told(edge: float, told: bool) -> None:
    """As other programme is, at high rates; an attack is as smooth, and has no such edges."""
    smooth = _foreign.Trace(
        edge=edge,
        jump=91.0,
        high=91.0,
        power=1311.0,
        sharp=False,
        even=True,
        alike=True,
        bounds=91.0,
    )
    assert _for_sure(smooth, 64) is told


@pytest.mark.parametrize(("bounds", "told"), [(0.0, True), (4.4, False), (14.0, True)])
def test_samples_that_rise_softly_between_still_sides_are_a_note(bounds: float, told: bool) -> None:
    """A pluck of 26 standard deviations; 0 where its sides are not still enough to tell."""
    pluck = _foreign.Trace(
        edge=2.4,
        jump=26.2,
        high=26.2,
        power=84.0,
        sharp=True,
        even=True,
        alike=True,
        bounds=bounds,
    )
    assert _for_sure(pluck, 157) is told
