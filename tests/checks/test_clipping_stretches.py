"""Where a track stands at its ceilings: stretches that hold no hiss."""

from __future__ import annotations

import numpy as np
import pytest
from clipping_kit import check, only, words

from checks._stood import KEPT, Stood

RATE = 48_000  # a millisecond is 48 frames


def stood(*peaks: tuple[int, int]) -> list[tuple[int, int]]:
    found = Stood(RATE)
    for start, stop in peaks:
        found.add_all(np.array([start]), np.array([stop]))
    return found.stretches()


def test_peaks_that_follow_at_once_make_one_stretch() -> None:
    assert stood((100, 140), (160, 200)) == [(100, 200)]
    assert stood((100, 200), (249, 300)) == [(100, 200), (249, 300)]
    assert stood((100, 140), (120, 200)) == [(100, 200)]


def test_short_stretches_and_such_as_are_hardly_held_are_left_out() -> None:
    assert stood((100, 147)) == []
    assert stood((100, 148)) == [(100, 148)]
    assert stood(*((k, k + 10) for k in range(0, 400, 40))) == []  # a quarter of it
    assert stood((0, 10), (40, 60)) == [(0, 60)]  # half of it


def test_the_longest_are_kept_in_order() -> None:
    peaks = [(1000 * k, 1000 * k + 100 + k % 7) for k in range(3 * KEPT)]
    kept = stood(*peaks)
    assert len(kept) == KEPT
    assert kept == sorted(kept)
    assert min(b - a for a, b in kept) >= 104  # computed: 6 to 4 more are 329 of 768


@pytest.mark.parametrize("noise", [0.0, 1e-3])
@pytest.mark.parametrize(("level", "kind"), [(0.3, "flat-top"), (1.0, "full-scale")])
def test_the_finding_tells_where_they_are(level: float, kind: str, noise: float) -> None:
    x = 2 * np.sin(2 * np.pi * 60 * np.arange(RATE) / RATE)
    rng = np.random.default_rng(2)
    x = level * np.clip(x, -1, 1) + (noise * rng.standard_normal(RATE) if level < 1 else 0)
    # computed: beyond half of the amplitude for 5.56 ms, 267 frames, twice a period
    (line,) = only(check(words(x), RATE), kind).values["by_track"]
    assert len(line["stretches"]) == pytest.approx(120, abs=3)
    assert [n for _, n in line["stretches"]] == pytest.approx(
        np.full(len(line["stretches"]), 267), abs=4
    )
