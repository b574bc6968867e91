"""Which of the screen's places are looked at closely: what rings rings on one track."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from recordings import recording
from scipy.signal import resample_poly
from stepping import steps
from synth import programme

RATE_HZ = 96_000
LOST = 40


@pytest.mark.parametrize(
    ("kind", "at"), [("speech", 69_000), ("speech", 78_000), ("piano", 123_000)]
)
def test_a_strike_on_one_track_hides_no_loss_on_another(kind: str, at: int) -> None:
    base = programme(kind, rate_hz=RATE_HZ, tracks=2, seconds=2.0, seed=0)
    x = np.ascontiguousarray(base[:, :-LOST]).astype(np.int64)
    x[0, at:] = base[0, at + LOST :]
    time_s = np.arange(4_800) / RATE_HZ
    noise = np.random.default_rng(0).standard_normal(len(time_s))
    strike = 2.0**28 * noise * np.exp(-time_s / 0.01) * np.minimum(1, time_s / 0.0005)
    x[1, at - 100 :][: len(strike)] += strike.astype(np.int64)
    found = steps(x.clip(-(2**31), 2**31 - 256).astype(np.int32), RATE_HZ)
    assert any(f.tracks == (0,) and abs((f.start_frame or 0) - at) <= 2 for f in found)


def test_many_strikes_on_other_tracks_hide_no_loss() -> None:
    base = programme("organ", rate_hz=RATE_HZ, tracks=1, seconds=2.0, seed=0)[0].astype(np.int64)
    at, rng = 69_000, np.random.default_rng(0)
    x = np.rint(2.0**16 * rng.standard_normal((8, len(base) - LOST))).astype(np.int64)
    x[0] = np.concatenate((base[:at], base[at + LOST :]))
    time_s = np.arange(400) / RATE_HZ
    for k, track in enumerate(np.tile(np.arange(1, 8), 5)):  # in a block of 16,384 frames
        noise = rng.standard_normal(len(time_s))
        strike = 2.0**26 * noise * np.exp(-time_s / 0.001) * np.minimum(1, time_s / 0.0002)
        x[track, at - 7_000 + 400 * k :][: len(strike)] += strike.astype(np.int64)
    found = steps(x.astype(np.int32), RATE_HZ)
    assert any(f.tracks == (0,) and abs((f.start_frame or 0) - at) <= 2 for f in found)


@pytest.mark.parametrize("cut", [411, 5_000])
def test_the_attacks_of_drums_in_a_recording_are_no_cuts_wherever_it_begins(
    cut: int, corpus: Path
) -> None:
    """Music with drums that rise over a few samples (public, see the corpus's index)."""
    x, rate_hz, _ = recording(corpus / "hires/music_96k_24bit.flac")
    assert steps(np.ascontiguousarray(x[:, cut:]), rate_hz) == []


def test_next_to_attacks_nothing_stands_in_place_of_the_programme(corpus: Path) -> None:
    x, rate_hz, _ = recording(corpus / "hires/music_96k_24bit.flac")
    slower = resample_poly(x / 2.0**31, 1, 2, axis=1, window=("kaiser", 12.0))
    words = np.rint(slower * 2.0**23).astype(np.int32) << 8
    assert steps(words, rate_hz // 2) == []
