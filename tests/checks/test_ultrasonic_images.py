"""Above 20 kHz: images of strong low partials, far above half of a lower rate, are no programme."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from ultrasonic_kit import look, noise, one, raised, shaped, words

from checks.model import Verdict


def notes(rate: int, seed: int, *, top_hz: float, keys: Any = None, seconds: float = 4.0) -> Any:
    """Plucked notes one after the other, overtones up to ``top_hz`` at 6 dB an octave, rests."""
    rng = np.random.default_rng(seed)
    y = np.zeros(round(seconds * rate))
    for at in range(0, len(y), round(0.3 * rate)):
        t = np.arange(min(round(0.24 * rate), len(y) - at)) / rate
        f = rng.choice(keys) if keys is not None else rng.uniform(110, 900)
        loud = 10 ** (-rng.uniform(0, 20) / 20) * np.minimum(t / 0.003, 1) * np.exp(-t / 0.06)
        for k in range(1, int(top_hz / f) + 1):
            y[at : at + len(t)] += loud / k * np.sin(2 * np.pi * f * k * t + rng.uniform(0, 6.28))
    return 0.3 * y / np.abs(y).max()


def later(y: Any, rate: int, dbfs: float) -> Any:
    """``y`` under a converter's noise of a level from 0 Hz to half the rate."""
    return y + noise(np.random.default_rng(9), len(y), rate, dbfs - 10 * np.log10(rate / 2))


@pytest.mark.parametrize(
    ("source", "rate", "how"),
    [
        (48_000, 96_000, "as SciPy does"),
        (44_100, 88_200, "joined"),
        (44_100, 96_000, "as SciPy does"),
        (48_000, 192_000, "held"),
        (88_200, 176_400, "as SciPy does"),
    ],
)
def test_images_of_low_notes_under_a_later_noise_show_the_lower_rate(source, rate, how):
    # how it was made says what is true: notes up to 8 kHz, all above half of the source is image
    y = later(raised(notes(source, 1, top_hz=8e3), source, rate, how), rate, -118)
    outcome = look(words(y), rate)
    found = one(outcome, "brickwall")
    assert found.values["likely_rate_hz"] == source
    assert found.verdict is (Verdict.REDO if source < 60_000 else Verdict.LISTEN)
    assert outcome.measures.tracks[0].information_hz <= source / 2


def test_images_over_the_hiss_of_a_tape_may_be_on_it_and_are_noted():
    # hiss of -75 dBFS that falls above 26 kHz and an amplifier 12 dB under it, added after
    y = raised(notes(48_000, 2, top_hz=8e3), 48_000, 96_000, "held")
    hiss = noise(np.random.default_rng(3), len(y), 96_000, -118)
    y += shaped(hiss, 96_000, lambda f: 1 / np.sqrt(1 + (f / 26e3) ** 4))
    outcome = look(words(later(y, 96_000, -87)), 96_000)
    note = one(outcome, "no-evidence")
    assert (note.verdict, note.values["mirror_hz"]) == (Verdict.CLEAR, [24_000])
    assert outcome.measures.tracks[0].information_hz <= 24_000
    assert not [f for f in outcome.findings if f.kind in ("brickwall", "absent")]


@pytest.mark.parametrize(
    "keys",
    [
        None,
        [480, 600, 800, 1_000, 1_200, 1_500],  # multiples that add up to 48 kHz
        [1_600],
        [9_600],  # 9.6, 19.2, 28.8, 38.4 kHz: each the mirror of one at 24 kHz
        [16_000],
    ],
)
def test_overtones_of_notes_above_20_khz_are_no_images(keys):
    y = later(notes(96_000, 4, top_hz=45e3, keys=keys), 96_000, -118)
    outcome = look(words(y), 96_000)
    assert not [f for f in outcome.findings if f.kind in ("brickwall", "no-evidence", "absent")]
    assert outcome.measures.tracks[0].information_hz > 28_000


def test_a_programme_of_its_own_beside_the_images_is_no_end():
    # drums up to half the rate, and the images of other notes
    y = raised(notes(48_000, 5, top_hz=8e3), 48_000, 96_000, "as SciPy does")
    rng = np.random.default_rng(6)
    t = np.arange(len(y)) % 24_000 / 96_000
    y += 0.003 * rng.standard_normal(len(y)) * np.exp(-t / 0.02)
    outcome = look(words(later(y, 96_000, -118)), 96_000)
    assert not [f for f in outcome.findings if f.kind == "brickwall"]
    assert outcome.measures.tracks[0].information_hz > 40_000
