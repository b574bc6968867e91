"""Pilots and timecode that somebody switches on and off beside music."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from stepping import steps
from timecode_kit import code

from checks.dropouts._steps._switched import Switched
from checks.model import Verdict
from checks.sheet import Sheet, TrackEntry, TrackKind

SECONDS = 3.0
ON_S, OFF_S = 0.9013, 2.2047  # in the midst of a period


def generated(kind: str, rate_hz: int, hz: float = 50) -> NDArray[np.float64]:
    """A generator's signal from ``ON_S`` to ``OFF_S``, nothing outside."""
    t = np.arange(round(SECONDS * rate_hz)) / rate_hz
    made = 0.126 * np.sin(2 * np.pi * hz * t + 1)
    if kind == "timecode":
        made = code(rate_hz, SECONDS, noise_dbfs=-120)[: len(t)]
    return np.asarray(np.where((t >= ON_S) & (t < OFF_S), made, 0))


def words(second: NDArray[np.float64]) -> NDArray[np.int32]:
    """Hiss of -62 dBFS on two tracks, and this on the second."""
    x = np.random.default_rng(3).standard_normal((2, len(second))) * 10 ** (-65 / 20)
    x[1] += second
    return (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)


def sheet(kind: str) -> Sheet:
    return Sheet(tracks=(TrackEntry(), TrackEntry(kind=TrackKind(kind))))


@pytest.mark.parametrize("kind", ["pilot", "timecode"])
@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
def test_a_generator_that_is_switched_on_and_off_is_no_step(kind: str, rate_hz: int) -> None:
    assert steps(words(generated(kind, rate_hz)), rate_hz, sheet(kind)) == []


@pytest.mark.parametrize(
    ("rate_hz", "hz", "told"),
    [(44_100, 50, False), (96_000, 60, False), (44_100, 150, True), (44_100, 82, True)],
)
def test_without_a_sheet_only_the_tone_of_a_pilot_may_begin_so(
    rate_hz: int, hz: float, told: bool
) -> None:
    found = steps(words(generated("pilot", rate_hz, hz)), rate_hz)
    assert {f.tracks for f in found} == ({(1,)} if told else set())


@pytest.mark.parametrize("kind", ["pilot", "timecode"])
def test_samples_lost_while_the_generator_runs_are_told(kind: str) -> None:
    at = round(1.5013 * 44_100)
    x = np.delete(words(generated(kind, 44_100)), slice(at, at + 300), axis=1)
    (found,) = steps(x, 44_100, sheet(kind))
    assert found.tracks == (1,)
    assert found.verdict is not Verdict.CLEAR
    assert found.start_frame == pytest.approx(at, abs=30)


@pytest.mark.parametrize(
    ("frame", "jump", "left"), [(501, 40.0, (0, 1)), (520, 40.0, (0,)), (501, 9.0, (0,))]
)
def test_what_is_cut_at_the_very_sample_nobody_switched(
    monkeypatch: pytest.MonkeyPatch, frame: int, jump: float, left: tuple[int, ...]
) -> None:
    """A splice that cuts a player and a pilot at once: the pilot is a witness."""
    monkeypatch.setattr(Switched, "_here", lambda self, place, track: track == 1)
    junctions = [
        SimpleNamespace(frame=frame, jump=jump, levels=1.0),
        SimpleNamespace(frame=500, jump=300.0, levels=1e-3),
    ]
    place: Any = SimpleNamespace(junction=junctions.__getitem__)
    switched = Switched(sheet("pilot"), 2, 44_100, limit=12.0)
    assert switched.others(place, (0, 1)) == left
