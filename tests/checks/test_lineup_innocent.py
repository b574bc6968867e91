"""What is no line-up tone: music, hum, pilots, whistles, glides."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import synth
from bench_lineup.signals import Part, hiss, ints, line_up, run
from lineup_kit import RATE, asking, checked

from checks.sheet import LineupSheet, Sheet, SheetTone


@pytest.mark.parametrize("kind", ["organ", "drone", "bowed", "piano", "speech", "brass", "tones"])
def test_music_holds_no_line_up(kind: str) -> None:
    x = synth.programme(kind, rate_hz=RATE, tracks=2, seconds=8, seed=5)
    assert run(x, RATE).findings == ()


def _hummed(rng: np.random.Generator) -> Any:
    t = np.arange(12 * RATE) / RATE
    hum = sum(10 ** (-(40 + 6 * n) / 20) * np.sin(2 * np.pi * 50 * (n + 1) * t) for n in range(3))
    return np.stack([hum, hum]) + hiss(rng, (2, len(t)), -75)


def _pilot(rng: np.random.Generator, hz: float = 60.0) -> Any:
    """Faint and pure in the rests, and under the music as well."""
    t = np.arange(12 * RATE) / RATE
    line = 10 ** (-36 / 20) * np.sin(2 * np.pi * hz * t)
    x = np.stack([line, line]) + hiss(rng, (2, len(t)), -70)
    x[:, 4 * RATE : 8 * RATE] += hiss(rng, (2, 4 * RATE), -20)
    return x


def _whistle(rng: np.random.Generator) -> Any:
    return _pilot(rng, 15_625.0)


def _glide(rng: np.random.Generator) -> Any:
    t = np.arange(8 * RATE) / RATE
    turns = 400 * t + 40 * t * t
    return np.stack([0.1 * np.sin(2 * np.pi * turns)] * 2) + hiss(rng, (2, len(t)), -70)


def _vibrato(rng: np.random.Generator) -> Any:
    t = np.arange(8 * RATE) / RATE
    turns = 440 * t + 440 * 0.012 * np.sin(2 * np.pi * 2 * t) / (2 * np.pi * 2)
    return np.stack([0.1 * np.sin(2 * np.pi * turns)] * 2) + hiss(rng, (2, len(t)), -70)


def _flue(rng: np.random.Generator) -> Any:
    """A stopped pipe, held: its third partial 18 dB down."""
    t = np.arange(6 * RATE) / RATE
    wave = np.sin(2 * np.pi * 261.6 * t) + 0.126 * np.sin(2 * np.pi * 784.9 * t)
    return np.stack([0.1 * wave] * 2) + hiss(rng, (2, len(t)), -70)


def _one_track(rng: np.random.Generator) -> Any:
    t = np.arange(6 * RATE) / RATE
    x = hiss(rng, (4, len(t)), -60)
    x[2] += 0.1 * np.sin(2 * np.pi * 1000 * t)
    return x


def _short(rng: np.random.Generator) -> Any:
    t = np.arange(6 * RATE) / RATE
    return np.stack([0.1 * np.sin(2 * np.pi * 1000 * t) * (t % 2 < 1.7)] * 2) + hiss(
        rng, (2, len(t)), -70
    )


@pytest.mark.parametrize(
    "make",
    [_hummed, _pilot, _whistle, _glide, _vibrato, _flue, _one_track, _short],
    ids=lambda f: f.__name__,
)
def test_what_is_no_line_up(make: Any) -> None:
    x = make(np.random.default_rng(3))
    assert run(ints(x), RATE).findings == ()


def test_a_tone_under_the_lowest_level_is_none() -> None:
    # 0 to -45 dBFS are tones of a line-up
    quiet = [Part(hz=1000, dbfs=dbfs, seconds=2.5) for dbfs in (-45.0, -47.5)]
    outcome = checked(line_up(RATE, quiet, hiss_dbfs=-75))
    assert [round(t.tracks[0].level_dbfs) for t in outcome.measures.tones] == [-45]


def test_a_slate_tone_on_all_tracks_asks_for_nothing() -> None:
    """A low tone between takes, heard when tape is wound; its level is set by ear, track by track,
    and somebody speaks over it (common practice)."""
    slate = Part(hz=40, dbfs=-14, seconds=2.5, harmonics=(0.05, 0.04))
    signal = line_up(RATE, [slate], tracks=4, gains_db=[0.0, 0.8, -0.7, 0.1])
    found = checked(signal).findings
    assert "level" in [f.kind for f in found]
    assert asking(checked(signal)) == []


def test_a_low_tone_that_the_sheet_names_is_judged() -> None:
    low = Part(hz=100, dbfs=-18, seconds=2.5)
    signal = line_up(RATE, [low], tracks=4, gains_db=[0.0, 0.8, -0.7, 0.1])
    sheet = Sheet(lineup=LineupSheet(tones=(SheetTone(hz=100.0, dbfs=-18.0),)))
    assert {kind for kind, _, _ in asking(checked(signal, sheet))} == {"level"}
