"""Signals that go for good and tapes that end, down to electronics with a part of 1/f noise."""

from __future__ import annotations

import numpy as np
import pytest
from dropouts_kit import run
from numpy.typing import NDArray
from synth import programme

from checks.dropouts._fades import step_by_step
from checks.model import Finding, Samples, Verdict

RATE = 48_000
AT = 5 * RATE


def _electronics(tracks: int, frames: int) -> NDArray[np.float64]:
    """-71 dBFS, nearly all of it 1/f (common for amplifiers)."""
    rng = np.random.default_rng(5)
    white, pink = rng.standard_normal((2, tracks, frames))
    shape = 1.0 / np.sqrt(np.maximum(np.arange(frames // 2 + 1), 1))
    pink = np.fft.irfft(np.fft.rfft(pink) * shape, frames)
    both = 0.01 * white + pink / pink.std()
    return np.asarray(both * 10 ** (-71 / 20) / both.std())


def _gone(kind: str, seed: int, tracks: tuple[int, ...]) -> Samples:
    """Programme and tape hiss, which rises with 3 dB an octave, are gone in 2 ms."""
    x = programme(kind, rate_hz=RATE, tracks=3, seconds=12.0, seed=seed) / 2.0**31
    hiss = np.random.default_rng(seed).standard_normal(x.shape)
    f = np.fft.rfftfreq(x.shape[1], 1 / RATE)
    hiss = np.fft.irfft(np.fft.rfft(hiss) * np.sqrt(f / RATE + 0.02), x.shape[1])
    x = x + hiss / hiss.std() * 10 ** (-60 / 20)
    x[list(tracks)] *= np.clip(1.0 - (np.arange(x.shape[1]) - AT) / (0.002 * RATE), 0.0, 1.0)
    x = x + _electronics(*x.shape)
    words = np.rint(x * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64)
    return np.asarray(words << 8, np.int32)


def _told(x: Samples) -> list[Finding]:
    kinds = ("hf-loss", "signal-lost", "no-tape", "cut-end")
    return [f for f in run(x, RATE).findings if f.kind in kinds]


@pytest.mark.parametrize("kind", ["drums", "plucks", "speech"])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_signal_of_which_only_the_electronics_are_left_is_lost(kind: str, seed: int) -> None:
    found = [f for f in _told(_gone(kind, seed, (1,))) if f.verdict is not Verdict.CLEAR]
    assert [(f.kind, f.tracks) for f in found if f.kind != "cut-end"] == [("signal-lost", (1,))]
    (lost,) = (f for f in found if f.kind == "signal-lost")
    assert lost.start_frame == pytest.approx(AT, abs=0.2 * RATE)


@pytest.mark.parametrize("kind", ["drums", "plucks", "speech"])
@pytest.mark.parametrize("seed", [1, 2])
def test_what_falls_on_all_tracks_at_once_is_the_end_of_the_tape(kind: str, seed: int) -> None:
    found = _told(_gone(kind, seed, (0, 1, 2)))
    assert {f.kind for f in found} <= {"no-tape", "cut-end"}
    (note,) = (f for f in found if f.kind == "no-tape")
    assert note.start_frame == pytest.approx(AT, abs=0.2 * RATE)


def test_a_fader_drawn_in_half_a_second_goes_down_step_by_step() -> None:
    # shares of the fall in entries of 93 ms: amplitude drawn down evenly in 0.6 s, by 43 dB
    fader = np.array([0.0, 0.02, 0.06, 0.12, 0.18, 0.33, 0.67, 0.99, 1.0, 1.0])
    assert step_by_step(fader)
    assert not step_by_step(np.array([0.0, 0.01, 0.0, 0.45, 0.99, 1.0, 0.98, 1.0]))
