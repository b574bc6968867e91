"""Heads of all tracks that clog at once, on a tape that starts late and stops before the end."""

from __future__ import annotations

import numpy as np
import pytest
from taping import taped

from checks.model import Finding, Verdict

RATE = 32_000
T = np.arange(12 * RATE) / RATE
AT_S = 5.0


def _notes(tracks: int, seed: int) -> np.ndarray:
    """Plucked notes with some tenths of a second of hiss between, from 1.6 to 10.6 s."""
    rng = np.random.default_rng(seed)
    x = np.zeros((tracks, len(T)))
    for k, row in enumerate(x):
        at_s = 1.6 + 0.1 * k
        while at_s < 10.2:
            hz, long_s = 110.0 * 2 ** (rng.integers(0, 20) / 12), float(rng.uniform(0.4, 0.7))
            s = np.arange(round(long_s * RATE)) / RATE
            tone = sum(np.sin(2 * np.pi * hz * h * s) / h for h in range(1, 12) if hz * h < 9_000)
            tone = tone * np.minimum(s / 0.004, 1) * np.clip((long_s - s) / 0.1, 0, 1)
            row[round(at_s * RATE) :][: len(s)] += 0.05 * tone
            at_s += long_s + float(rng.uniform(0.2, 0.6))
    return x


def _reel(tracks: int, um: float, ramp_s: float, seed: int) -> list[Finding]:
    """Hiss of -60 dBFS from 0.6 to 11.2 s; 54.6 dB x distance / wavelength from 5 s on.

    The law: 20 log10 e^(2 pi) (reference texts on magnetic recording), at 38.1 cm/s.
    """
    rng = np.random.default_rng(seed)
    runs = np.clip((T - 0.6) / 0.05, 0, 1) * np.clip((11.2 - T) / 0.05, 0, 1)
    x = _notes(tracks, seed) + runs * rng.standard_normal((tracks, len(T))) * 10 ** (-63 / 20)
    share = np.clip((T - AT_S) / ramp_s, 0, 1)
    f = np.fft.rfftfreq(len(T), 1 / RATE)
    spectrum, gaps = np.fft.rfft(x), np.linspace(0, um, 5)
    x = sum(
        np.clip(1 - np.abs(4 * share - k), 0, 1)
        * np.fft.irfft(spectrum * 10 ** (-54.6 * gap * 1e-6 * f / 0.381 / 20), len(T))
        for k, gap in enumerate(gaps)
    )
    x = x + rng.standard_normal(x.shape) * 10 ** (-74 / 20)
    words = (np.rint(x * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64) << 8).astype(np.int32)
    return list(taped(words, RATE).findings)


@pytest.mark.parametrize("tracks", [1, 2])
@pytest.mark.parametrize(("um", "ramp_s"), [(11.0, 0.005), (18.0, 0.005), (16.0, 2.0)])
def test_the_treble_of_all_tracks_is_told(tracks: int, um: float, ramp_s: float) -> None:
    """What was heard before the tape ran is no hiss under which that of the tape is played."""
    found = _reel(tracks, um, ramp_s, seed=4)
    (loss,) = [f for f in found if f.verdict is not Verdict.CLEAR]
    assert (loss.kind, loss.tracks) == ("hf-loss", tuple(range(tracks)))
    assert AT_S - 0.3 <= (loss.start_frame or 0) / RATE <= AT_S + 0.3 + ramp_s
    ends = [f for f in found if f.kind == "no-tape"]
    assert [(f.start_frame or 0) / RATE for f in ends] == [0.0, pytest.approx(11.2, abs=0.3)]


@pytest.mark.parametrize("tracks", [1, 2])
def test_without_a_clog_such_a_reel_is_clear(tracks: int) -> None:
    found = _reel(tracks, 1e-6, 1.0, seed=4)
    assert {f.verdict for f in found} <= {Verdict.CLEAR}
