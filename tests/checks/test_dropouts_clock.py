"""Timecode that slips, by a generator of our own after IEC 60461: 80 bits a frame, biphase mark."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from dropouts_kit import of, run
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from timecode_kit import HAPPENS, Floats, code

from checks import _biphase
from checks.model import Finding, Verdict


def words(tracks: Floats) -> NDArray[np.int32]:
    return (np.round(np.atleast_2d(tracks) * 2**23).astype(np.int64) << 8).astype(np.int32)


def silence(rate_hz: int, seconds: float) -> Floats:
    """Hiss alone, in which no loss can be seen."""
    return np.random.default_rng(9).standard_normal(round(seconds * rate_hz)) * 1e-3


def slips(tracks: Floats, rate_hz: int) -> list[Finding]:
    outcome = run(words(tracks), rate_hz)
    assert not of(outcome, "not-run")
    steps = of(outcome, "step")
    return [f for f in steps if "timecode" in f.text]


@pytest.mark.parametrize(
    ("rate_hz", "lost"),
    [(44_100, 1), (48_000, 2), (96_000, 3), (192_000, 5), (352_800, 8)],
)
def test_samples_lost_in_silence_are_seen_by_the_timecode(rate_hz: int, lost: int) -> None:
    at = int(0.5 * rate_hz)
    tracks = np.vstack((silence(rate_hz, 0.8), code(rate_hz, 0.8)))
    (found,) = slips(np.delete(tracks, slice(at, at + lost), axis=1), rate_hz)
    assert found.verdict is Verdict.LISTEN
    assert found.tracks == (1,)
    start, frames = found.start_frame, found.frames
    assert start is not None
    assert frames is not None
    assert start <= at <= start + frames
    half = rate_hz / 4000
    slip = float(str(found.values["slip_us"])) * 1e-6 * rate_hz
    assert slip == pytest.approx(-lost + half * round(lost / half), abs=0.3 + 0.02 * half)


def test_inserted_samples_too() -> None:
    tracks = np.vstack((silence(96_000, 1.0), code(96_000, 1.0)))
    more = np.concatenate((tracks[:, :70_000], tracks[:, 69_990:]), axis=1)
    (found,) = slips(more, 96_000)
    assert float(str(found.values["slip_us"])) == pytest.approx(10 / 0.096, rel=0.05)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize("flutter", [0.0, 0.003])
def test_sound_timecode_does_not_slip(rate_hz: int, flutter: float) -> None:
    assert not slips(code(rate_hz, 1.5, flutter=flutter), rate_hz)


@pytest.mark.parametrize("happens", HAPPENS)
def test_what_tape_does_to_timecode_is_no_slip(
    happens: Callable[[Floats, np.random.Generator], Floats],
) -> None:
    assert not slips(happens(code(96_000, 3.0), np.random.default_rng(4)), 96_000)


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize(
    ("ones", "noughts", "framed"), [(12, 2, True), (11, 2, False), (12, 1, False)]
)
def test_timecode_is_known_by_the_end_of_its_frames(
    order: int, ones: int, noughts: int, framed: bool
) -> None:
    """IEC 60461, bits 64 to 79: 0011 1111 1111 1101; a nought is one distance, a one two."""
    data = [0, 1, 1, 0, 1] * 12
    bits = [*data, 1, *[0] * noughts, *[1] * ones, 0, 1, *data]
    short = np.array([x for bit in bits for x in ([True, True] if bit else [False])])
    assert _biphase.frames(short[::order]) is framed


def test_what_looks_like_code_without_frames_does_not_slip() -> None:
    rng = np.random.default_rng(8)
    bits = rng.integers(0, 2, 3000)
    for k in range(0, 3000, 9):
        bits[k] = 0  # no twelve ones
    turns = np.ravel(np.column_stack((np.ones(len(bits), int), bits)))
    levels = 0.3 * (np.cumsum(turns) % 2 * 2.0 - 1)
    x = np.repeat(levels, 24)[:96_000] + 1e-3 * rng.standard_normal(96_000)
    assert not slips(np.delete(x, slice(60_000, 60_007)), 96_000)


def test_steady_tones_are_no_timecode() -> None:
    """A tone that loses samples is a step, and no code slips."""
    tone = 0.3 * np.sin(np.arange(200_000) * 2 * np.pi * 1000 / 96_000)
    tone += np.random.default_rng(1).standard_normal(len(tone)) * 1e-4
    assert not slips(np.delete(tone, slice(90_000, 90_040)), 96_000)


def test_a_cut_where_the_timecode_slips_is_proven() -> None:
    rng = np.random.default_rng(3)
    rate_hz, at = 96_000, 150_000
    t = np.arange(3 * rate_hz) / rate_hz
    first = 0.2 * np.sin(2 * np.pi * 3000 * t) + rng.standard_normal(len(t)) * 1e-5
    later = 0.2 * np.sin(2 * np.pi * 3700 * t + 1) + rng.standard_normal(len(t)) * 1e-5
    music = np.concatenate((first[:at], later[at:]))
    assert all(f.verdict is Verdict.LISTEN for f in of(run(words(music), rate_hz), "step"))
    tracks = np.vstack((music, np.delete(code(rate_hz, 3.1), slice(at, at + 20))[: len(t)]))
    (found,) = of(run(words(tracks), rate_hz), "step")
    assert found.verdict is Verdict.REDO
    assert found.start_frame == at
    assert "timecode" in found.text


def test_a_cut_of_the_code_itself_tells_of_the_slip() -> None:
    at = 150_000
    x = np.vstack((silence(96_000, 3.0), code(96_000, 3.0)))
    (found,) = of(run(words(np.delete(x, slice(at, at + 9), axis=1)), 96_000), "step")
    assert found.verdict is Verdict.REDO  # no splice of a tape is as sharp
    assert float(str(found.values["slip_us"])) == pytest.approx(-93.75, abs=3)


@pytest.mark.parametrize("bit", [28, 30])
@pytest.mark.parametrize("at", [60_013, 60_039, 60_072])
def test_a_wrong_word_in_the_flat_tops_of_code_is_told(bit: int, at: int) -> None:
    x = words(np.vstack((silence(96_000, 1.1), code(96_000, 1.1))))
    assert of(run(x, 96_000), "step") == []
    x[1, at] ^= 1 << bit
    (found,) = of(run(x, 96_000), "step")
    assert found.verdict is Verdict.REDO
    assert (found.start_frame, found.tracks) == (at, (1,))


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(1, 100_000), min_size=1, max_size=5))
def test_cutting_the_stream_changes_nothing(cuts: list[int]) -> None:
    x = words(np.delete(code(96_000, 1.1), slice(60_000, 60_012)))
    places = [0, *sorted({min(c, x.shape[1] - 1) for c in cuts}), x.shape[1]]
    assert run([x[:, a:b] for a, b in pairwise(places)], 96_000) == run(x, 96_000)
