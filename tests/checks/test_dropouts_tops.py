"""Flat tops below full scale are told under clipping: no held value, no step stands on them."""

from __future__ import annotations

import damage
import numpy as np
import pytest
from clipping_kit import high_passed
from dropouts_kit import digital, of, run
from numpy.typing import NDArray
from scipy import signal
from stepping import steps as steps_alone
from synth import programme

from checks.dropouts import _tops
from checks.dropouts._predict import Floats
from checks.model import Verdict

RATE = 176_400
FULL = 2.0**23
Ints = NDArray[np.int32]


def near_tops(x: Floats, peak: int) -> bool:
    return _tops.near(x, peak, _tops.ceilings(x), full=FULL)


def of_a_top(x: Floats, frame: int, deviation: float) -> bool:
    return _tops.cut_off(x, frame, deviation, _tops.ceilings(x), full=FULL)


def at_corner(x: Floats, frame: int) -> bool:
    return _tops.corner(x, frame, _tops.ceilings(x))


def cut_off(kind: str, *, over_db: float, steps: float, one_side: bool = False) -> Ints:
    """Programme cut off below full scale before a converter that adds some steps of noise."""
    x = programme(kind, rate_hz=RATE, tracks=2, seconds=2.0, seed=7, hiss_dbfs=-85.0).astype(
        np.float64
    )
    x *= 0.2 * 2**31 / np.abs(x).max(axis=1, keepdims=True)
    ceiling = 0.2 * 2**31 / 10 ** (over_db / 20)
    x = np.clip(x, -(2.0**31) if one_side else -ceiling, ceiling)
    rng = np.random.default_rng(1)  # triangular: the sum of two even ones
    dither = steps * (rng.random(x.shape) - rng.random(x.shape))
    return np.rint(x / 256 + dither).astype(np.int32) << 8


@pytest.mark.parametrize("kind", ["speech", "bowed", "brass"])
@pytest.mark.parametrize("one_side", [False, True])
@pytest.mark.parametrize("steps", [1.0, 8.0])
@pytest.mark.parametrize("over_db", [3.0, 12.0])
def test_tops_with_dither_on_them_are_left_to_clipping(
    kind: str, one_side: bool, steps: float, over_db: float
) -> None:
    """Of dithered tops one sample in eight stands a step higher: no run lies at the very extreme,
    though it holds for as long as a recorder's hold."""
    x = cut_off(kind, over_db=over_db, steps=steps, one_side=one_side)
    assert not [f for f in digital(run(x, RATE)) if f.verdict is Verdict.REDO]


@pytest.mark.parametrize("over_db", [3.0, 12.0])
def test_a_hold_beside_clipped_tops_is_told(over_db: float) -> None:
    x = cut_off("bowed", over_db=over_db, steps=1.0)
    at = below_the_ceiling(x[0], 60)
    x[0, at : at + 60] = x[0, at]
    (found,) = of(run(x, RATE), "held-value")
    assert (found.verdict, found.tracks) == (Verdict.REDO, (0,))
    assert found.start_frame == pytest.approx(at + 1, abs=1)


def test_a_short_hold_beside_clipped_tops_is_told() -> None:
    """Within 256 frames of a top all jumps were taken for its corners."""
    x = cut_off("bowed", over_db=6.0, steps=1.0)
    at = below_the_ceiling(x[0], 14)
    x[0, at : at + 14] = x[0, at]
    (found,) = of(run(x, RATE), "step")
    assert (found.verdict, found.values["cause"]) == (Verdict.REDO, "hold")
    assert found.start_frame == pytest.approx(at + 1, abs=1)


def test_a_wrong_word_beside_clipped_tops_is_told() -> None:
    x = cut_off("bowed", over_db=6.0, steps=1.0)
    at = below_the_ceiling(x[0], 14)
    x[0, at] ^= 1 << 28
    (found,) = of(run(x, RATE), "step")
    assert (found.verdict, found.values["cause"]) == (Verdict.REDO, "word")
    assert found.start_frame == at


def below_the_ceiling(x: Ints, frames: int) -> int:
    """Where the signal moves most within some frames, not far behind a top."""
    size = np.abs(x.astype(np.float64))
    tops = np.flatnonzero(size >= size.max() - 512)
    places = tops[(tops > 5_000) & (tops < len(x) - 5_000)] + 100
    places = places[size[places] < 0.8 * size.max()]
    return int(places[np.abs(x[places + frames] / 256 - x[places] / 256).argmax()])


@pytest.mark.parametrize("cycles", [1.0, 7.3, 40.0])
def test_crests_that_bend_are_no_ceiling(cycles: float) -> None:
    """A hold beside a crest is one: of a parabola a third lies within an eighth of its depth."""
    x = np.rint(100_000 * np.sin(2 * np.pi * cycles * np.arange(4096) / 4096))
    assert _tops.ceilings(x) == (x.max(), x.min())


def test_one_wrong_word_makes_no_ceiling_of_all_the_rest() -> None:
    x = np.round(10_000 * np.random.default_rng(4).standard_normal(2048))
    x[1024] = 4_000_000
    assert _tops.ceilings(x) == (x.max(), x.min())


@pytest.mark.parametrize("steps", [1.0, 30.0])
def test_where_tops_are_cut_off_the_ceiling_takes_in_their_noise(steps: float) -> None:
    rng = np.random.default_rng(2)
    x = np.clip(100_000 * np.sin(np.arange(4096) / 50), -1e9, 70_000)
    x = np.rint(x + steps * (rng.random(4096) - rng.random(4096)))
    top, bottom = _tops.ceilings(x)
    assert 70_000 - 8 * steps <= top <= 70_000 - steps / 2
    assert bottom == x.min()


@pytest.mark.parametrize("seed", [9, 12])
def test_the_flat_tops_of_timecode_hide_no_cut_of_all_tracks(seed: int) -> None:
    """It is a square wave by nature."""
    x = programme("timecode", rate_hz=96_000, tracks=4, seconds=3.0, seed=seed)
    assert steps_alone(x, 96_000) == []
    (found,) = steps_alone(damage.lose(x, at=144_000, frames=300).samples, 96_000)
    assert (found.start_frame, found.verdict) == (144_000, Verdict.REDO)


def test_tops_that_a_coupling_tilts_are_left_to_clipping() -> None:
    """Behind a capacitor they lie at no one level, but on straight lines without any hiss."""
    x = programme("organ", rate_hz=88_200, tracks=1, seconds=2.0, seed=9, hiss_dbfs=-65.0)
    top = np.abs(x).max() / 10 ** (12 / 20)
    cut = high_passed(np.clip(x[0].astype(np.float64), -top, top), 3.0, 88_200) / 256
    rng = np.random.default_rng(1)
    dithered = np.rint(cut + rng.random(len(cut)) - rng.random(len(cut))).astype(np.int32) << 8
    assert digital(run(dithered[None], 88_200)) == []


def corner(*, hiss: float, tilt: float) -> NDArray[np.float64]:
    """A flank that leads out to a line; the other tops lie higher."""
    rng = np.random.default_rng(3)
    x = 2_000_000 * np.sin(np.arange(3000) / 40) + hiss * rng.standard_normal(3000)
    x[1500:] += 1_400_000 - x[1500]
    x[1500:1560] = 1_400_000 + tilt * np.arange(60) + hiss * rng.standard_normal(60)
    x[1450:1500] = 1_400_000 - 60_000.0 * np.arange(50, 0, -1) + 10 * rng.standard_normal(50)
    return np.asarray(np.rint(x + rng.random(3000) - rng.random(3000)))


def test_a_line_without_hiss_behind_a_flank_is_a_top() -> None:
    for way in (1, -1):
        for sign in (1, -1):
            peak = 1500 if way > 0 else 1499
            assert near_tops(sign * corner(hiss=0.0, tilt=-190.0)[::way], peak)
    assert not near_tops(corner(hiss=40.0, tilt=-190.0), 1500)  # a jump in hiss
    assert not near_tops(corner(hiss=0.0, tilt=20_000.0), 1500)  # a bend


@pytest.mark.parametrize("hz", [3_000.0, 10_000.0])
@pytest.mark.parametrize("length", [28, 1000])
@pytest.mark.parametrize("share", [0.8, 0.95])
def test_a_hold_near_the_crest_of_a_tone_is_told(hz: float, length: int, share: float) -> None:
    """A tone of few samples a period reaches its crest with one of them only."""
    rate_hz, frames = 44_100, 44_100
    rng = np.random.default_rng(3)
    tone = np.sin(2 * np.pi * hz * np.arange(frames) / rate_hz)
    x = 2**20 * tone + 2**9 * rng.standard_normal((2, frames))
    at = 20_000 + int(np.flatnonzero(np.abs(x[0, 20_000:] / 2**20 - share) < 0.02)[0])
    x[0, at : at + length] = x[0, at]
    (found,) = of(run(np.rint(x).astype(np.int32) << 8, rate_hz), "held-value")
    assert (found.verdict, found.tracks) == (Verdict.REDO, (0,))


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize(("level", "told"), [(2.0**23 - 1, False), (2.0**22, True)])
def test_what_is_foretold_from_samples_at_full_scale_proves_no_wrong_word(
    polarity: int, level: float, told: bool
) -> None:
    """Hiss on a top pulls single samples below full scale; two beside it are cut off there."""
    rng = np.random.default_rng(3)
    x = 0.6 * level * np.sin(np.arange(400) / 20) + rng.standard_normal(400) * 2000
    x[210:212] = level
    x = polarity * np.clip(x, -level - 1, level)
    assert of_a_top(x, 200, -polarity * 60_000.0) is not told


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_sample_that_dips_out_of_an_exact_top_is_no_wrong_word(polarity: int) -> None:
    """Hiss on a loud wave does that where its crest just reaches the ceiling."""
    rng = np.random.default_rng(3)
    x = 8_000_000 * np.sin(np.arange(2000) / 40) + rng.standard_normal(2000) * 500
    x = np.clip(x, -6_209_556, 6_209_556)
    at = int(np.flatnonzero(x == x.max())[5])
    x[at] -= 53_000
    assert of_a_top(polarity * x, at, polarity * -53_000.0)
    assert not of_a_top(polarity * x, at - 40, polarity * -53_000.0)


@pytest.mark.parametrize(
    ("seed", "top", "before"), [(4, 27_899, 2), (27, 34_225, 4), (31, 34_025, 4)]
)
def test_a_dip_right_before_a_top_is_no_wrong_word(seed: int, top: int, before: int) -> None:
    """The corner beside it bends as much; noise on a crest that reaches a ceiling does that."""
    rng = np.random.default_rng(seed)
    x = signal.lfilter(*signal.butter(2, 0.08), rng.standard_normal(40_000))
    x = np.clip(0.9 * x / np.abs(x).max() + 1e-4 * rng.standard_normal(len(x)), -0.35, 0.35)
    assert (x[top] == 0.35) & (x[top - 1] < 0.35)
    x[top - before] -= 0.04
    words = (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)[np.newaxis]
    assert not [f for f in steps_alone(words, 96_000) if f.verdict is Verdict.REDO]


@pytest.mark.parametrize(("seed", "samples"), [(1, 3), (18, 2), (20, 2), (25, 5)])
def test_a_lone_crest_cut_off_before_a_coupling_is_no_jump(seed: int, samples: int) -> None:
    rng = np.random.default_rng(seed)
    x = signal.lfilter(*signal.butter(4, 0.05), rng.standard_normal(96_000))
    x /= np.abs(x).max()
    top = float(np.sort(np.abs(x))[-samples])
    x = 0.5 * np.clip(x, -top, top)
    x -= signal.lfilter([0.001], [1.0, -0.999], x)  # the coupling: 15 Hz
    x += 1e-6 * rng.standard_normal(len(x))
    words = (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)[np.newaxis]
    assert steps_alone(words, 96_000) == []


def test_where_a_top_begins_or_ends_is_its_corner() -> None:
    """Two corners look like the ends of something that stands in place of the programme."""
    x = np.clip(8_000_000 * np.sin(np.arange(2000) / 40), -6_209_556, 6_209_556)
    first, behind = np.flatnonzero(np.diff((x == x.max()).astype(int)))[:2] + 1
    assert at_corner(x, int(first))
    assert at_corner(x, int(behind) + 10)
    assert not at_corner(x, int(behind) + 40)
    assert not at_corner(8_000_000 * np.sin(np.arange(2000) / 40), int(first))


def test_where_pulses_rest_is_no_ceiling() -> None:
    """On either side of zero: they rest near one level for most of a period."""
    turns = 2 * np.pi * np.arange(2560) / 400
    x = sum(np.cos(k * turns) * np.exp(-0.1 * k) for k in range(1, 60))
    x = 3e5 * x + 3e3 * np.random.default_rng(1).standard_normal(len(turns))
    assert _tops.ceilings(x) == (x.max(), x.min())
    assert _tops.ceilings(-x) == ((-x).max(), (-x).min())


@pytest.mark.parametrize("seed", [3, 10, 35])
def test_tops_of_noise_that_a_coupling_tilts_are_no_wrong_words(seed: int) -> None:
    """Two or three samples each, no two of them equal, in noise that nothing foretells."""
    rng, rate_hz = np.random.default_rng(seed), 352_800
    noise = rng.standard_normal(2 * rate_hz)
    b, a = signal.butter(2, 15_000, fs=rate_hz)
    noise = signal.lfilter(b, a, noise) * (0.3 + 0.7 * np.abs(np.sin(np.arange(len(noise)) / 1e5)))
    top = 0.6 * np.abs(noise).max()
    cut = high_passed(np.clip(noise, -top, top), 2.0, rate_hz) / top * 0.9 * 2**23
    words = np.rint(cut + 27 * rng.standard_normal(len(cut))).astype(np.int32) << 8
    assert [f for f in digital(run(words[None], rate_hz)) if f.values.get("cause") == "word"] == []
