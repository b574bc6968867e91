"""Clicks of mains on all tracks, as sharp as a machine makes them: they are no cut."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from stepping import steps

from checks.dropouts._steps import _kinds
from checks.dropouts._steps._longer import LongLooks
from checks.model import Verdict

AT = 80_123


def programme(rate_hz: int, tracks: int, lowest_hz: float) -> NDArray[np.float64]:
    """Chords that differ from track to track, over hiss."""
    rng, t = np.random.default_rng(8), np.arange(2 * AT) / rate_hz
    x = 10 ** (-70 / 20) / 2**0.5 * rng.standard_normal((tracks, len(t)))
    for track in range(tracks):
        for hz in rng.uniform(lowest_hz, 20 * lowest_hz, 6):
            x[track] += 0.03 * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6))
    return x


def words(x: NDArray[np.float64]) -> NDArray[np.int32]:
    return (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)


@pytest.mark.parametrize("by", ["one source", "what goes on in time"])
@pytest.mark.parametrize("lasts_us", [80, 200, 500])
@pytest.mark.parametrize(("rate_hz", "lowest_hz"), [(192_000, 40), (352_800, 30)])
def test_a_click_that_rises_within_a_sample_on_all_tracks_is_no_cut(
    monkeypatch: pytest.MonkeyPatch, rate_hz: int, lowest_hz: float, lasts_us: float, by: str
) -> None:
    """Each of both rules tells by itself."""
    if by == "one source":
        monkeypatch.setattr(LongLooks, "click", lambda *_: None)
    else:
        monkeypatch.setattr(_kinds, "one_source", lambda *_: False)
    x = programme(rate_hz, 3, lowest_hz)
    t = np.arange(x.shape[1] - AT) / rate_hz
    x[:, AT:] += np.outer((0.01, 0.018, 0.014), np.exp(-t / (lasts_us * 1e-6)))
    assert all(f.verdict is not Verdict.REDO for f in steps(words(x), rate_hz))


@pytest.mark.parametrize(("rate_hz", "lowest_hz"), [(96_000, 100), (192_000, 40), (352_800, 30)])
def test_samples_lost_in_the_same_programme_are_proven(rate_hz: int, lowest_hz: float) -> None:
    x = np.delete(programme(rate_hz, 3, lowest_hz), slice(AT, AT + rate_hz // 1000), axis=1)
    (found,) = steps(words(x), rate_hz)
    assert (found.verdict, found.start_frame) == (Verdict.REDO, AT)
