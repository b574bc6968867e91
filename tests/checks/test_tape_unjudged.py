"""Tracks whose hiss is nowhere heard: that lifts could not be judged is said, as a note."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from synth import programme
from taping import taped

from checks.model import Finding, Remedy, Samples, Verdict
from checks.sheet import Reel, ReelKind, Sheet

RATE = 48_000
SECONDS = 12.0


def _notes(x: Samples, sheet: Sheet | None = None) -> list[Finding]:
    return [f for f in taped(x, RATE, sheet).findings if f.kind == "not-judged"]


@pytest.fixture(scope="module")
def plucks() -> Samples:
    return programme("plucks", rate_hz=RATE, tracks=3, seconds=SECONDS, seed=5, hiss_dbfs=-62.0)


def _roar(frames: int) -> Samples:
    """Noise that swells and fades all the time, far over any hiss."""
    rng = np.random.default_rng(4)
    knots = np.arange(0, frames + 4000, 4000)
    level = 10 ** (np.interp(np.arange(frames), knots, rng.uniform(-35, -15, len(knots))) / 20)
    roar = np.rint(rng.standard_normal(frames) * 0.2 * level * 2**23).astype(np.int64)
    return (roar << 8).astype(np.int32)


def test_a_track_on_which_no_hiss_is_heard_is_noted_once(plucks: Samples) -> None:
    assert _notes(plucks) == []
    x = plucks.copy()
    x[0] = x[2] = _roar(x.shape[1])
    (note,) = _notes(x)
    assert (note.verdict, note.remedy, note.tracks) == (Verdict.CLEAR, Remedy.NONE, (0, 2))
    assert (note.start_frame, note.frames) == (0, x.shape[1])
    # What is judged of three tracks, of which two are not at all.
    assert 0 < note.values["judged_percent_of_all_tracks"] <= 34  # type: ignore[operator]
    assert note.values["count"] == 1


@pytest.mark.parametrize(
    ("seconds", "sheet"), [(SECONDS, {"reel": Reel(kind=ReelKind.LINEUP)}), (6.0, {})]
)
def test_line_ups_and_short_trials_are_not_noted(
    plucks: Samples, seconds: float, sheet: Mapping[str, Any]
) -> None:
    x = plucks[:1, : round(seconds * RATE)].copy()
    x[0] = _roar(x.shape[1])
    assert _notes(x, Sheet(**sheet)) == []


def test_what_plays_nothing_has_nothing_to_lose(plucks: Samples) -> None:
    x = plucks.copy()
    x[1] = 0
    assert _notes(x) == []


def test_dither_is_no_hiss_of_a_tape() -> None:
    """Triangular dither of one step either way leaves three words in four at zero (its density over
    the step around it), so a millisecond of zeros comes by chance within the minute; no lift does.
    """
    rng = np.random.default_rng(2)
    frames = round(SECONDS * RATE)
    since = (np.arange(frames) / RATE + 1.0) % 1.5
    x = 3_000 * np.sin(2 * np.pi * 1_300 * since) * np.exp(-since / 0.04)
    dither = rng.random((8, frames)) - rng.random((8, frames))
    words = np.rint(x + dither).astype(np.int32) << 16
    found = taped(words, RATE, word_length=16).findings
    assert [(f.kind, len(f.tracks)) for f in found] == [("not-judged", 8)]
