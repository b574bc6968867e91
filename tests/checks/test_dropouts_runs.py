"""Runs of equal samples in coarse words: by chance, where sound rests for a moment, or a fault."""

from __future__ import annotations

from pathlib import Path

import dropouts_kit as kit
import numpy as np
import pytest
from numpy.typing import NDArray
from recordings import recording

RATE_HZ = 48_000


def pulses(noise_steps: float, seed: int = 2) -> NDArray[np.float64]:
    """Rough pulses that die away within milliseconds, 110 a second; steps of 16 bits."""
    rng = np.random.default_rng(seed)
    since = np.arange(2 * RATE_HZ) / RATE_HZ % (1 / 110)
    rough = np.convolve(rng.standard_normal(len(since)), np.hanning(11), "same")
    noise = noise_steps * rng.standard_normal(len(since))
    return np.asarray(2_000 * np.exp(-since / 0.0006) * rough + noise)


def found(x: NDArray[np.float64]) -> list[tuple[str, int | None]]:
    words = np.left_shift(np.rint(x).astype(np.int32), 16)
    outcome = kit.run(words[np.newaxis], RATE_HZ, word_length=16)
    return [
        (f.kind, f.start_frame) for f in outcome.findings if f.kind in ("zero-run", "held-value")
    ]


@pytest.mark.parametrize("seed", [1, 2, 8])
def test_words_that_hold_still_between_pulses_are_no_fault(seed: int) -> None:
    """Noise of a quarter of a step leaves zeros wherever sound rests for a millisecond."""
    assert found(pulses(0.25, seed)) == []


@pytest.mark.parametrize("at", [48_012, 67_220])
def test_zeros_that_break_off_among_them_are_told(at: int) -> None:
    x = pulses(0.3)
    x[at : at + 60] = 0
    assert found(x) == [("zero-run", at)]


def test_eight_zeros_in_a_public_recording_are_told_though_zeros_lie_near(
    corpus: Path,
) -> None:
    """A recorder of bats at 250 kHz that lost words: some of the samples beside are by chance a
    step from 0 (kinds and frames read off the samples)."""
    x, rate_hz, bits = recording(corpus / "ultrasonic" / "bat_recorder_gap_250k.WAV")
    (one,) = kit.of(kit.run(x[:, 940_000:1_030_000], rate_hz, word_length=bits), "zero-run")
    assert one.values["start_frames"] == [17_094, 76_916]
