"""What tells nothing of a tape: digital silence beside a track."""

from __future__ import annotations

import numpy as np
import pytest
from damage_tape import clog, signal_lost
from taping import taped

from checks.model import Finding, Samples, Verdict

RATE = 48_000
LASTING = ("hf-loss", "signal-lost")


def _track(seconds: float = 12.0) -> Samples:
    """Notes with rests between, over hiss of -62 dBFS; 24 bit in the upper bits of 32."""
    rng = np.random.default_rng(3)
    t = np.arange(int(seconds * RATE)) / RATE
    x = rng.standard_normal(len(t)) * 10 ** (-62 / 20)
    for start in np.arange(0.6, seconds - 1.0, 1.3):
        on = np.clip(t - start, 0.0, None)
        x += 0.2 * np.minimum(on / 0.01, 1.0) * np.exp(-6.0 * on) * np.sin(2 * np.pi * 330.0 * on)
    return x


def _words(x: Samples) -> Samples:
    return (np.rint(x * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64) << 8).astype(np.int32)


def _silence(frames: int, dithered: bool) -> Samples:
    rng = np.random.default_rng(7)
    steps = rng.random(frames) - rng.random(frames) if dithered else np.zeros(frames)
    return (np.rint(steps).astype(np.int64) << 8).astype(np.int32)


def _lasting(x: Samples) -> list[Finding]:
    return [f for f in taped(x, RATE).findings if f.kind in LASTING]


@pytest.mark.parametrize("dithered", [False, True])
def test_a_clog_is_told_beside_digital_silence(dithered: bool) -> None:
    x = _words(_track())
    both = np.stack((x, _silence(len(x), dithered)))
    hurt = clog(both, rate_hz=RATE, at=6 * RATE, ramp=480, distance_um=20.0, tracks=(0,))
    (found,) = _lasting(hurt.samples)
    assert (found.kind, found.tracks) == ("hf-loss", (0,))


def test_a_loss_beside_digital_silence_is_told_as_that_of_a_track_alone() -> None:
    x = _words(_track())
    both = np.stack((x, _silence(len(x), dithered=True)))
    told = []
    for one in (both, both[:1]):
        hurt = signal_lost(one, rate_hz=RATE, at=6 * RATE, tracks=(0,), floor_dbfs=-90.0)
        told.append([(f.kind, f.verdict, f.tracks) for f in taped(hurt.samples, RATE).findings])
    assert told[0] == told[1]
    assert ("cut-end", Verdict.LISTEN, (0,)) in told[0]
