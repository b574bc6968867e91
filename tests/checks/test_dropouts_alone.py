"""Whether something like a stretch of odd samples comes near it: then it is the sound's own."""

from __future__ import annotations

import numpy as np
import pytest

from checks.dropouts._steps._place import Place
from checks.model import CaptureFormat

BURST = 6000 * np.array([5, -7, 18, -3, -11, 4, -6, 8, 9, 15, -4, -10, -4, 7, 5, -12, -13, 1.0])


@pytest.mark.parametrize(
    ("again", "share", "alone"), [(None, 0.0, True), (550, 0.9, False), (550, 0.3, True)]
)
def test_what_comes_again_in_each_period_of_a_string_is_not_alone(
    again: int | None, share: float, alone: bool
) -> None:
    x = 1000 * np.random.default_rng(4).standard_normal(2048)
    x[1024 : 1024 + len(BURST)] += BURST
    if again is not None:
        x[1024 + again : 1024 + again + len(BURST)] += share * BURST
    words = (np.rint(x[np.newaxis]).astype(np.int64) << 8).astype(np.int32)
    fmt = CaptureFormat(rate_hz=48_000, channels=1, word_length=24)
    place = Place(fmt, words, peak=1024, start=0)
    assert place.stretch_alone(0, 1024, 1024 + len(BURST), 80.0) == alone


@pytest.mark.parametrize(("more", "leaps"), [(0, True), (1, True), (2, False)])
def test_what_was_put_in_leaps_at_both_its_ends(more: int, leaps: bool) -> None:
    """A square wave leaps again and again: it is cut off there."""
    x = 1000 * np.random.default_rng(4).standard_normal(2048)
    for k in range(more + 1):
        x[1024 + 300 * k :] += (-1) ** k * 60_000
    words = (np.rint(x[np.newaxis]).astype(np.int64) << 8).astype(np.int32)
    fmt = CaptureFormat(rate_hz=48_000, channels=1, word_length=24)
    place = Place(fmt, words, peak=1024, start=0)
    found = place.junction(0)
    assert found is not None
    assert place.leaps(0, found) == leaps
