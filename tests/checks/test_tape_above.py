"""Hiss that comes down to the amplifier's above the audio range, at every rate.

Heads give out above 20 kHz, amplifiers do not: theirs often lies 8 to 12 dB under the hiss only
(common practice), so that hardly anything falls up there when the hiss is gone.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.model import Finding, Samples, Verdict

RATES = [44_100, 88_200, 96_000]
SECONDS = 8.0
HISS_DB, AMPLIFIER_DB = -75.0, -89.0  # in 1 kHz
STARTS_S, AT_S = 1.5, 5.5

Words = NDArray[np.float64]


def _noise(rng: np.random.Generator, rate_hz: int, seconds: float, response: Words) -> Words:
    """White noise of 0 dB in 1 kHz through a response given in steps of 1 Hz from 0."""
    frames = round(seconds * rate_hz)
    spectrum = np.fft.rfft(rng.standard_normal(frames) * np.sqrt(rate_hz / 2000.0))
    places = np.fft.rfftfreq(frames, 1 / rate_hz)
    return np.asarray(
        np.fft.irfft(spectrum * np.interp(places, np.arange(len(response)), response), frames)
    )


def _tape(rate_hz: int, seed: int, *, gap_um: float = 0.0, gone: bool = False) -> Words:
    """One track: the machine stands for a while, then plucked notes and rests over hiss.

    Args:
        gap_um: between tape and head from ``AT_S`` on; ``gone``: nothing but the amplifier there.
    """
    rng = np.random.default_rng(seed)
    hz = np.arange(200_000.0)
    head = 1 / (1 + (hz / 24_000) ** 4)  # of a 38 cm/s machine; from memory
    spacing = 10 ** (-54.6 * gap_um * 1e-6 * hz / 0.381 / 20)
    t = np.arange(round(SECONDS * rate_hz)) / rate_hz
    notes = np.zeros(len(t))
    for start in np.arange(STARTS_S + 1.2, SECONDS - 0.5, 0.7):
        since = np.maximum(t - start - rng.uniform(0.0, 0.2), 0.0)
        pitch = rng.uniform(150, 600)
        for k in range(1, 9):
            notes += 0.1 / k**2 * np.exp(-5 * k * since) * np.sin(2 * np.pi * k * pitch * since)
    hiss = 10 ** (HISS_DB / 20) * _noise(rng, rate_hz, SECONDS, head)
    behind = round(AT_S * rate_hz)
    sound = np.where(t >= STARTS_S, hiss + notes, 0.0)
    if gap_um:
        lifted = np.fft.rfft(sound) * np.interp(np.fft.rfftfreq(len(t), 1 / rate_hz), hz, spacing)
        sound[behind:] = np.fft.irfft(lifted, len(t))[behind:]
    if gone:
        sound[behind:] = 0.0
    return sound + 10 ** (AMPLIFIER_DB / 20) * _noise(rng, rate_hz, SECONDS, np.ones(len(hz)))


def _told(tracks: list[Words], rate_hz: int) -> list[Finding]:
    x = np.rint(np.array(tracks) * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64)
    words: Samples = (x << 8).astype(np.int32)
    return [f for f in taped(words, rate_hz).findings if f.verdict is not Verdict.CLEAR]


@pytest.mark.parametrize("rate_hz", RATES)
def test_every_rate_hears_the_same_tape(rate_hz: int) -> None:
    """A clogged head, a signal that is lost, and the end of the tape, where these fall."""
    whole = [_tape(rate_hz, seed) for seed in (1, 2)]
    assert not _told(whole, rate_hz)
    (clogged,) = _told([_tape(rate_hz, 1, gap_um=15.0), whole[1]], rate_hz)
    assert (clogged.kind, clogged.tracks) == ("hf-loss", (0,))
    (lost,) = _told([whole[0], _tape(rate_hz, 2, gone=True)], rate_hz)
    assert (lost.kind, lost.tracks, lost.verdict) == ("signal-lost", (1,), Verdict.REDO)
    (over,) = _told([_tape(rate_hz, seed, gone=True) for seed in (1, 2)], rate_hz)
    assert over.kind == "cut-end"
    for found in (clogged, lost, over):
        assert abs((found.start_frame or 0) / rate_hz - AT_S) < 0.4
