"""Kernels of steps: tracks that turn at one sample, and how many witnesses there are of a jump."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from checks.dropouts import _turns
from checks.dropouts._place import Place
from checks.model import CaptureFormat

AT = 1500  # frame of the place, of 3000
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
