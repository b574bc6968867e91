"""Tones of a line-up cover the hiss: what dips in them is told, what an engineer does is not."""

from __future__ import annotations

import numpy as np
import pytest
from bench_lineup.signals import Part, ints, line_up
from damage_tape import contact_loss
from numpy.typing import NDArray
from taping import taped

from checks.dropouts._tape._one_tone import line, same
from checks.model import Finding, Samples, Verdict
from checks.sheet import NoiseReduction, Sheet, Tape

RATE = 48_000
SHEET = Sheet(tape=Tape(speed_cm_s=38.1, noise_reduction=NoiseReduction.NONE))
PARTS = [Part(hz=hz, dbfs=-18, seconds=4) for hz in (1000, 10_000)]  # from 1 s, from 6 s on


def _tones(rate_hz: int = RATE, tracks: int = 4) -> Samples:
    made = line_up(rate_hz, PARTS, tracks=tracks, gap_s=1.0, hiss_dbfs=-72.0, as_hiss=True)
    return ints(made.samples)


def _asked(x: Samples, rate_hz: int = RATE) -> list[Finding]:
    return [f for f in taped(x, rate_hz, SHEET).findings if f.verdict is not Verdict.CLEAR]


def _scaled(x: Samples, gain: NDArray[np.float64], tracks: tuple[int, ...]) -> Samples:
    out = x.copy()
    out[list(tracks)] = np.rint(x[list(tracks)] * gain / 256).astype(np.int32) << 8
    return out


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
@pytest.mark.parametrize(("ms", "um"), [(5, 15.0), (15, 15.0), (60, 8.0), (100, 40.0)])
@pytest.mark.parametrize("at_s", [3.0, 8.0])
def test_a_lift_within_a_tone_is_told(rate_hz: int, ms: int, um: float, at_s: float) -> None:
    if at_s < 5.0 and um < 20.0:
        um = 25.0  # under 1 kHz the hiss above shows
    x = _tones(rate_hz)
    assert _asked(x, rate_hz) == []
    at, frames = round(at_s * rate_hz), round(ms * rate_hz / 1000)
    lifted = contact_loss(x, rate_hz=rate_hz, at=at, frames=frames, distance_um=um, tracks=(1,),
                          floor_dbfs=-84.0)  # fmt: skip
    (found,) = _asked(lifted.samples, rate_hz)
    assert (found.kind, found.tracks, found.verdict) in {
        ("contact-loss", (1,), Verdict.LISTEN),
        ("contact-loss", (1,), Verdict.REDO),
    }
    assert found.start_frame == pytest.approx(at, abs=0.005 * rate_hz + 0.3 * frames)
    assert found.frames == pytest.approx(frames, abs=0.005 * rate_hz + 0.4 * frames)


def test_neighbours_may_share_it() -> None:
    lifted = contact_loss(_tones(), rate_hz=RATE, at=8 * RATE, frames=1000, distance_um=15.0,
                          tracks=(1, 2))  # fmt: skip
    (found,) = _asked(lifted.samples)
    assert (found.kind, found.tracks) == ("contact-loss", (1, 2))


@pytest.mark.parametrize("gap_s", [0.01, 0.08, 0.2, 0.5])
def test_a_generator_that_is_switched_off_for_a_moment_is_no_lift(gap_s: float) -> None:
    t = np.arange(_tones().shape[1]) / RATE
    gain = np.where(np.abs(t - 8.0) < gap_s / 2, 0.0, 1.0)
    x = line_up(RATE, PARTS, tracks=4, gap_s=1.0, hiss_dbfs=None).samples * gain
    x += np.random.default_rng(1).standard_normal(x.shape) * 10 ** (-62 / 20)
    assert [f for f in _asked(ints(x)) if f.kind in {"contact-loss", "level-dip"}] == []


@pytest.mark.parametrize("db", [-12.0, -6.0, 3.0, 10.0])
def test_a_level_that_is_set_during_a_tone_is_no_lift(db: float) -> None:
    x = _tones()
    t = np.arange(x.shape[1]) / RATE
    for first_s, last_s in ((7.5, 99.0), (7.5, 8.2)):
        gain = np.where((t >= first_s) & (t < last_s), 10 ** (db / 20), 1.0)
        assert [f for f in _asked(_scaled(x, gain, (2,))) if f.kind == "contact-loss"] == []


def test_a_tone_that_wobbles_is_no_lift() -> None:
    x = _tones()
    t = np.arange(x.shape[1]) / RATE
    wobble = 7.0 * np.sin(2 * np.pi * 3.0 * t)  # an azimuth that wanders
    assert _asked(_scaled(x, 10 ** (wobble / 20), (0, 3))) == []


@pytest.mark.parametrize("pause_s", [0.02, 0.06, 0.15])
def test_notes_that_are_struck_again_are_no_lift(pause_s: float) -> None:
    """Two players of pure notes, of whom one strikes again while the other holds on."""
    t = np.arange(10 * RATE) / RATE
    rng = np.random.default_rng(3)
    x = rng.standard_normal((2, len(t))) * 10 ** (-62 / 20)
    envelope = np.clip((np.abs((t % 1.3) - 0.65) - pause_s / 2) / 0.01, 0, 1)
    for track, hz in ((0, 1400.0), (1, 1600.0)):
        for overtone, power in ((1, 0.1), (2, 0.02), (3, 0.012), (5, 0.006)):
            tone = power * np.sin(2 * np.pi * hz * overtone * t)
            x[track] += tone * (envelope if track else 1.0)
    assert [f for f in _asked(ints(x)) if f.kind == "contact-loss"] == []


@pytest.mark.parametrize("overtones", [(1.0,), (1.0, 0.5, 0.3, 0.2)])
@pytest.mark.parametrize("pause_s", [0.003, 0.03])
def test_keys_that_are_struck_again_are_no_lift(
    pause_s: float, overtones: tuple[float, ...]
) -> None:
    """Organs on three tracks: other keys, with or without overtones, of which one strikes again."""
    t = np.arange(5 * RATE) / RATE
    x = np.random.default_rng(3).standard_normal((3, len(t))) * 10 ** (-62 / 20)
    keys = np.clip((np.abs(t - 2.5) - pause_s / 2) / 0.02, 0, 1)
    for track, hz in enumerate((523.3, 440.0, 587.3)):
        for k, power in enumerate(overtones, 1):
            tone = 0.1 * power * np.sin(2 * np.pi * k * hz * t + k * track)
            x[track] += tone * (1.0 if track else keys)
    assert [f for f in _asked(ints(x)) if "tone dips" in f.text] == []


@pytest.mark.parametrize("hz", [100, 440, 1000, 3000, 3150, 10_000, 12_000])
def test_one_tone_on_two_tracks_is_known_for_one(hz: int) -> None:
    """Also where a hop holds whole waves: 3 and 12 kHz of 16 frames at 48 kHz leave nothing."""
    hop, count = 16, 512
    t = np.arange(hop * count) / RATE
    hiss = np.random.default_rng(5).standard_normal((3, len(t))) * 10 ** (-62 / 20)
    waves = (np.sin(2 * np.pi * hz * t), np.sin(2 * np.pi * hz * t + 2.0))
    chord = np.sin(2 * np.pi * 400 * t) + 0.2 * np.sin(2 * np.pi * 800 * t)

    def seen(wave: NDArray[np.float64], noise: NDArray[np.float64]) -> int | None:
        swing = (wave + noise).reshape(count, hop).mean(axis=1).astype(np.float32)
        return line(swing, 0.5, RATE / hop)

    one, other = (seen(wave, noise) for wave, noise in zip(waves, hiss[:2], strict=True))
    assert one is not None
    assert same(one, other)
    assert seen(chord, hiss[2]) is None


def test_other_tones_are_not_known_for_one() -> None:
    t = np.arange(512) * 16 / RATE
    waves = [np.sin(2 * np.pi * hz * t).astype(np.float32) for hz in (440.0, 466.2)]  # a semitone
    lines = [line(wave, 0.5, RATE / 16) for wave in waves]
    assert None not in lines
    assert not same(*lines)


def test_tones_that_beat_are_no_lift() -> None:
    t = np.arange(6 * RATE) / RATE
    x = np.random.default_rng(3).standard_normal((3, len(t))) * 10 ** (-62 / 20)
    for track, phase in enumerate((0.0, 1.0, 2.0)):  # some 90 beats a second, the same all along
        x[track] += 0.1 * np.sin(2 * np.pi * 10_000 * t)
        x[track] += 0.08 * np.sin(2 * np.pi * 10_090 * t + phase)
    assert [f for f in _asked(ints(x)) if "tone dips" in f.text] == []
