"""A few wrong words: told whatever their height, and never taken for what a converter lets in."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from stepping import steps
from synth import programme

from checks.dropouts._junction import Junction
from checks.dropouts._steps import _burst, _causes
from checks.model import Verdict

Ints = NDArray[np.int32]


def bed(kind: str, rate_hz: int, tracks: int) -> Ints:
    made: Ints = programme(kind, rate_hz=rate_hz, tracks=tracks, seconds=1.0, seed=8)
    return made


def words(shape: tuple[int, ...], seed: int) -> Ints:
    """Even over all that 24 bits hold."""
    rng = np.random.default_rng(seed)
    out: Ints = rng.integers(-(2**23), 2**23, shape, np.int32) << 8
    return out


@pytest.mark.parametrize("frames", [2, 5, 12, 20, 40])
@pytest.mark.parametrize(
    ("kind", "rate_hz"), [("organ", 96_000), ("drums", 352_800), ("organ", 44_100)]
)
def test_random_words_on_one_track_are_proven_at_their_place(
    kind: str, rate_hz: int, frames: int
) -> None:
    x, at = bed(kind, rate_hz, 3).copy(), rate_hz // 2
    x[1, at : at + frames] = words((frames,), frames)
    mine = [f for f in steps(x, rate_hz) if f.start_frame is not None and f.frames is not None]
    mine = [f for f in mine if f.start_frame <= at + 1 and f.start_frame + f.frames >= at + frames]
    assert [(f.verdict, f.tracks) for f in mine] == [(Verdict.REDO, (1,))]


def test_random_words_on_all_tracks_are_told_on_each() -> None:
    """Though the largest of them may lie far from one another."""
    x, at = bed("band", 352_800, 12).copy(), 150_030
    x[:, at : at + 20] = words((12, 20), 3) // 16
    x[:6, at + 1] = 2**30
    x[6:, at + 18] = 2**30
    x[:, [at, at + 19]] = 2**29
    (found,) = steps(x, 352_800)
    assert (found.verdict, found.tracks) == (Verdict.REDO, tuple(range(12)))
    assert (found.start_frame, found.frames) == (at, 20)


def noisy(frames: int) -> NDArray[np.float64]:
    rng = np.random.default_rng(7)
    t = np.arange(frames)
    tones: NDArray[np.float64] = 90_000 * np.sin(0.031 * t) + 40_000 * np.sin(0.11 * t)
    return tones + 50 * rng.standard_normal(frames)


def test_a_click_that_passed_a_converters_filter_proves_nothing() -> None:
    """Cut at half the rate to the letter, its middle between two samples: sin(pi t) / (pi t)."""
    x, at = noisy(6000), 3000
    x += 4_000 * np.sinc(np.arange(6000) - at - 0.5) * np.hanning(6000)
    found = _burst.looked_at(x, at)
    assert found is None or not found.sure


def test_words_behind_which_something_else_follows_are_no_burst() -> None:
    """A sound may end there and another begin."""
    x, at = noisy(6000), 3000
    x[at:] = 70_000 * np.cos(0.057 * np.arange(3000))
    x[at:] += 50 * np.random.default_rng(5).standard_normal(3000)
    x[at : at + 5] += np.array([500_000.0, -400_000, 600_000, -500_000, 400_000])
    found = _burst.looked_at(x, at)
    assert found is not None
    assert not found.told


def test_a_pulse_of_an_analog_filter_is_not_beyond_doubt() -> None:
    """Four zeros at half the rate leave next to nothing in the upper quarter of the band."""
    x, at = noisy(6000), 3000
    x[at : at + 5] += 200_000 * np.array([1.0, 4.0, 6.0, 4.0, 1.0])
    found = _burst.looked_at(x, at)
    assert found is not None
    assert found.told
    assert not found.sure


def test_words_near_the_ends_are_survived() -> None:
    x = noisy(400)
    x[200:205] += 1e6
    assert _burst.looked_at(x, 200) is None


def test_one_wrong_word_on_many_tracks_is_told_on_all() -> None:
    """More of them than are looked at closely where tracks jump together."""
    x = bed("band", 96_000, 12).copy()
    x[:, 48_000] ^= 1 << 30
    (found,) = [f for f in steps(x, 96_000) if f.start_frame == 48_000]
    assert (found.verdict, found.values["cause"]) == (Verdict.REDO, "word")
    assert found.tracks == tuple(range(12))


@pytest.mark.parametrize("frames", [441, 3000])
def test_one_cut_through_several_sources_is_proven(frames: int) -> None:
    """The programme of each goes on as it was, and neither alone proves it."""
    x, at = bed("drone", 192_000, 4), 97_234
    (found,) = steps(np.concatenate((x[:, :at], x[:, at + frames :]), axis=1), 192_000)
    assert (found.verdict, found.start_frame) == (Verdict.REDO, at)
    assert found.values["cause"] == "cut"


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_notes_that_begin_on_several_tracks_at_one_sample_prove_nothing(seed: int) -> None:
    rng, rate_hz = np.random.default_rng(seed), 48_000
    rows, t = np.zeros((3, 3 * rate_hz)), np.arange(rate_hz) / rate_hz
    for row in rows:
        for first in (4_000, 2 * rate_hz):
            hz = 55 * 2 ** (int(rng.integers(0, 40)) / 12)
            note = np.sin(2 * np.pi * hz * t + rng.uniform(0, 6)) * np.exp(-3 * t)
            row[first : first + rate_hz] += 0.1 * note
    rows += 10**-3.75 * rng.standard_normal(rows.shape)
    found = steps(np.rint(rows * 2**23).astype(np.int32) << 8, rate_hz)
    assert not [f for f in found if f.verdict is Verdict.REDO]


@pytest.mark.parametrize(
    ("sigmas", "across", "told"), [(80.0, 70.0, True), (80.0, 8.0, False), (15.0, 70.0, False)]
)
def test_a_clear_word_is_one_though_a_cut_would_leave_as_much(
    sigmas: float, across: float, told: bool
) -> None:
    """A cut is fitted with 32 values, a word with one: the word is likelier."""
    place = Junction(
        frame=1009, jump=23.0, first=6.0, later=0.98, across=across, sides=1.45,
        pushed=(60.0, 60.0, 60.0), left=1e5, right=1e5, stands_out=3.2, usual=False, levels=1.04,
        word=1.45,
        word_frame=1008, deviation=1e6,
        word_sigmas=sigmas, whitening=np.ones(33),
    )  # fmt: skip
    assert _causes.wrong_word(place) is told


def test_a_word_in_programme_that_rises_is_at_least_listened_to() -> None:
    """In a moment of louder noise."""
    rng, at = np.random.default_rng(6), 40_000
    noise = 3_000 * rng.standard_normal(80_000)
    noise[at - 40 : at + 60] *= 1.55
    x = np.convolve(noise, 0.9 ** np.arange(120))[:80_000]
    x[at] += 100_000
    (found,) = steps(np.rint(x).astype(np.int32)[np.newaxis] << 8, 96_000)
    assert (found.start_frame, found.verdict) == (at, Verdict.LISTEN)


@pytest.mark.parametrize(("height", "told"), [(8_000.0, True), (1_500.0, False)])
def test_beside_a_high_edge_the_floor_may_be_less_well_known(height: float, told: bool) -> None:
    """Next to the words the noise is 3 dB over what it is later: it moves with each note."""
    x, at = noisy(4000), 2000
    x[at + 2 : at + 66] += 52 * np.random.default_rng(3).standard_normal(64)
    x[at : at + 2] += height
    found = _burst.looked_at(x, at)
    assert (found is not None and found.told) is told


@pytest.mark.parametrize(("height", "told"), [(1_050.0, True), (850.0, False)])
def test_two_equal_words_are_told_from_fifteen_deviations_on(height: float, told: bool) -> None:
    x, at = noisy(4000), 2000
    x[at : at + 2] += height
    found = _burst.looked_at(x, at)
    assert found is not None
    assert 12 < found.edge < 20
    assert found.told is told
