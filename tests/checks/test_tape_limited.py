"""Soft limiters press the hiss down at every crest of a loud wave; the tape lifts at none."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from damage_tape import contact_loss
from numpy.typing import NDArray
from synth import programme
from taping import taped

from checks.dropouts._tape._crests import PRESSED, at_other_crests
from checks.model import Samples

RATE = 96_000
LIFTS = ("contact-loss", "level-dip")  # where only a low tone sounds, either name is fair
Floats = NDArray[np.float64]


def _words(x: Floats) -> Samples:
    return (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)


@pytest.mark.parametrize(
    ("kind", "seed", "shape"),
    [
        ("splices-skewed", 19, lambda x: 0.7 * np.tanh(8 * x)),
        ("bowed", 23, lambda x: 0.7 * np.tanh(8 * x)),
        ("quiet", 50, lambda x: 0.7 * (2 * x - (2 * x) ** 3 * 4 / 27)),
        ("speech", 60, lambda x: 0.5 * np.arctan(6 * x)),
    ],
)
def test_what_a_soft_limiter_presses_down_is_no_lift(
    kind: str, seed: int, shape: Callable[[Floats], Floats]
) -> None:
    x = programme(kind, rate_hz=RATE, tracks=2, seconds=6.0, seed=seed, level_dbfs=-1.0)
    out = taped(_words(shape(x / 2.0**31)), RATE)
    assert [f for f in out.findings if f.kind in LIFTS] == []


@pytest.mark.parametrize("ms", [3, 8])
def test_lifts_under_a_loud_bass_are_told(ms: int) -> None:
    """At 60 Hz each lies at, or beside, a crest; no other crest takes of the hiss."""
    t = np.arange(9 * RATE) / RATE
    rng = np.random.default_rng(5)
    plays = np.clip(np.minimum(t - 1.5, 7.5 - t) / 0.05, 0, 1)
    x = 0.5 * plays * np.sin(2 * np.pi * 60 * t) + rng.normal(0, 10 ** (-60 / 20), len(t))
    words = _words(x[None])
    at = [round((2.0 + 0.5 * k + 0.00137 * k) * RATE) for k in range(10)]
    for place in at:
        words = contact_loss(
            words, rate_hz=RATE, at=place, frames=ms * RATE // 1000, distance_um=40.0
        ).samples
    found = [f for f in taped(words, RATE).findings if f.kind in LIFTS]
    starts = [s for f in found for s in f.values.get("start_frames", [f.start_frame])]
    assert (np.abs(np.array(starts)[:, None] - at) < 0.004 * RATE).any(axis=0).all()


def test_other_crests_are_those_as_far_out_on_either_side() -> None:
    swing = np.tile([0.0, 1.0, 0.0, -1.0], 20).astype(np.float32)
    quiet = np.where(np.abs(swing) > 0.5, 0.1, 1.0).astype(np.float32)
    pressed = at_other_crests(quiet[None], quiet, swing, 41, 42, 4)
    assert pressed is not None
    assert pressed[0] == pytest.approx(0.1)
    assert pressed[0] < PRESSED
    assert at_other_crests(quiet[None], quiet, swing, 40, 41, 4) is None  # at no crest
    swing[41] = 2.0
    assert at_other_crests(quiet[None], quiet, swing, 41, 42, 4) is None  # none is as high
