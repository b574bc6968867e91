"""Hiss that a decoder of noise reduction moves with the programme is taken by no tape or head."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from damage_tape import clog, contact_loss
from numpy.typing import NDArray
from scipy import signal
from taping import taped

from checks.dropouts._tape._decoded import is_heard, with_programme
from checks.dropouts._tape._floors import PARTS, LevelHistory
from checks.dropouts._tape._lasting import Fall
from checks.model import Samples, Verdict
from checks.sheet import NoiseReduction, Sheet, Tape

RATE, SECONDS = 48_000, 8
HISS = 10 ** (-62 / 20)
WORDS = [NoiseReduction.DECODED, NoiseReduction.UNKNOWN]


def _sung(rng: np.random.Generator) -> NDArray[np.float64]:
    """Notes with overtones up to 16 kHz; gaps of up to 0.3 s between them."""
    x, at = np.zeros(SECONDS * RATE), int(rng.uniform(0, 0.4) * RATE)
    while at < len(x):
        pitch, count = rng.uniform(150, 600), int(rng.uniform(0.3, 1.2) * RATE)
        t = np.arange(count) / RATE
        phase = 2 * np.pi * (pitch * t + 0.8 * np.sin(2 * np.pi * 5.3 * t))
        shape = np.clip(np.minimum(t / 0.05, (t[-1] - t) / 0.08), 0, 1)
        note = sum(np.sin(k * phase) / k**1.5 for k in range(1, 20) if pitch * k < 16_000)
        x[at : at + count] += (0.15 * note * shape)[: len(x) - at]
        at += count + int(rng.uniform(0, 0.3) * RATE)
    return x


def _decoded(seed: int, *, moved: bool = True) -> tuple[Samples, NDArray[np.float64]]:
    """Two tracks, and how loud they sound; hiss that falls by half of the decibels they fall by.

    By 20 dB at most, within 60 ms at the quickest, as a decoder does (common practice).
    """
    rng = np.random.default_rng(seed)
    clean = np.stack([_sung(rng) for _ in range(2)])
    loud = np.abs(clean)
    for tau_s in (0.004, 0.06):
        step = 1 - np.exp(-1 / (tau_s * RATE))
        loud = signal.lfilter([step], [1, step - 1], loud, axis=1)
    hiss = HISS * rng.standard_normal(clean.shape)
    if moved:
        hiss *= np.clip(loud / 0.03, 0.1, 1.0)
    words = clean + hiss + 10 ** (-86 / 20) * rng.standard_normal(clean.shape)
    return (np.rint(words * 2**23).astype(np.int64) << 8).astype(np.int32), loud


def _asked(x: Samples, word: NoiseReduction) -> list[tuple[str, tuple[int, ...]]]:
    found = taped(x, RATE, Sheet(tape=Tape(noise_reduction=word))).findings
    ends = ("cut-start", "cut-end")
    return [
        (f.kind, f.tracks) for f in found if f.verdict is not Verdict.CLEAR and f.kind not in ends
    ]


@pytest.mark.parametrize("word", WORDS)
@pytest.mark.parametrize("seed", range(12))
def test_hiss_that_falls_where_a_note_ends_is_a_decoders(seed: int, word: NoiseReduction) -> None:
    assert _asked(_decoded(seed)[0], word) == []


@pytest.mark.parametrize("word", WORDS)
@pytest.mark.parametrize("um", [15.0, 40.0])
def test_a_lift_is_found_where_a_decoder_may_be_in_use_and_does_not_move_the_hiss(
    um: float, word: NoiseReduction
) -> None:
    x, loud = _decoded(2, moved=False)
    quiet = signal.convolve(loud[1], np.ones(RATE // 20), "valid")
    at = RATE + int(np.argmin(quiet[RATE : 6 * RATE]))
    lifted = contact_loss(x, rate_hz=RATE, at=at, frames=RATE // 25, distance_um=um, tracks=(1,))
    assert _asked(x, word) == []
    assert _asked(lifted.samples, word) == [("contact-loss", (1,))]


@pytest.mark.parametrize("word", WORDS)
def test_a_clog_is_found_where_a_decoder_may_be_in_use_and_does_not_move_the_hiss(
    word: NoiseReduction,
) -> None:
    x, _ = _decoded(2, moved=False)
    clogged = clog(x, rate_hz=RATE, at=4 * RATE, ramp=RATE, distance_um=8.0, tracks=(0,))
    assert _asked(clogged.samples, word) == [("hf-loss", (0,))]


def _expanded(seed: int, um: float = 0.0) -> Samples:
    """A decoder behind a tape that lifts at 8 s on one of two tracks, and its amplifier.

    What is softer than -38 dB above 1 kHz falls by 0.6 dB more for each decibel, by up to 12.
    Played is noise up to 5 kHz, now louder, now softer, in notes with rests between.
    """
    rng = np.random.default_rng(seed)
    rate, seconds, dull = 96_000, 14, signal.butter(6, 5000, fs=96_000, output="sos")
    t = np.arange(rate * seconds) / rate
    notes = np.clip(20 * (1.4 - np.abs((t + 1) % 3 - 1.5)), 0, 1) * (t > 2) * (t < 12)
    notes *= 0.1 * 10 ** (0.3 * np.sin(2 * np.pi * 0.7 * t))
    x = notes * signal.sosfilt(dull, rng.standard_normal((2, len(t))), axis=1)
    x += 10 ** (-60 / 20) * rng.standard_normal(x.shape)
    tape = (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)
    if um:
        lift = {"at": 8 * rate, "frames": rate // 20, "distance_um": um, "floor_dbfs": -120.0}
        tape = contact_loss(tape, rate_hz=rate, tracks=(1,), **lift).samples  # type: ignore[arg-type]
    x = tape / 2.0**31 + 10 ** (-74 / 20) * rng.standard_normal(x.shape)
    heard = signal.sosfilt(signal.butter(2, 1000, "high", fs=rate, output="sos"), x, axis=1) ** 2
    step = 1 - np.exp(-1 / (0.01 * rate))
    loud_db = 10 * np.log10(signal.lfilter([step], [1, step - 1], heard, axis=1) + 1e-12)
    x *= 10 ** (np.clip(0.6 * (loud_db + 38), -12, 0) / 20)
    return (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)


@pytest.mark.parametrize("word", WORDS)
@pytest.mark.parametrize("seed", range(3))
def test_a_lift_under_programme_is_told_though_a_decoder_moves_the_hiss(
    seed: int, word: NoiseReduction
) -> None:
    sheet = Sheet(tape=Tape(noise_reduction=word))
    (note,) = taped(_expanded(seed), 96_000, sheet).findings
    assert (note.kind, note.verdict, note.tracks) == ("not-judged", Verdict.CLEAR, (0, 1))
    lift, again = taped(_expanded(seed, 25.0), 96_000, sheet).findings
    assert (lift.kind, lift.verdict, lift.tracks) == ("contact-loss", Verdict.LISTEN, (1,))
    assert abs((lift.start_frame or 0) - 8 * 96_000) < 0.02 * 96_000
    assert again == note


def test_a_head_that_clogs_slowly_is_no_decoder() -> None:
    """On the way down the hiss is less already, under programme as soft as elsewhere.

    Under programme it is 4 dB louder, by the noise that the sound itself makes on tape; it was
    heard plainly for 1.5 s before.
    """
    rng = np.random.default_rng(4)
    hiss = np.concatenate((np.full(16, -68), np.full(84, -64), np.linspace(-66, -80, 30)))
    hiss = np.append(hiss, np.full(160, -82))
    body = np.where(np.arange(len(hiss)) < 16, -70, -28)
    levels = np.stack([body, body - 18, *[hiss] * 7])[:, None] + rng.normal(0, 0.4, (9, 1, 290))
    history = LevelHistory(9, 1)
    history.append(np.repeat(10 ** (levels / 10), PARTS, axis=2).astype(np.float32))
    fall = SimpleNamespace(
        track=0, first=118, since=102, last=290, mean_db=14.0, rested=True,
        after=np.full(9, -82.0, np.float32),
        fall_db=np.array([2, 5, 14, 14, 14, 14, 14, 14, 14], np.float32),
    )  # fmt: skip
    assert not with_programme(cast(Fall, fall), history, np.ones(290, np.bool_))


@pytest.mark.parametrize("in_rests", [False, True])
def test_other_losses_under_programme_speak_for_no_decoder(in_rests: bool) -> None:
    """Four more dips of a track whose hiss is heard in rests; of it a decoder takes most there."""
    body = np.where(np.arange(100) < 12, -70.0, -25.0)
    hiss = np.where(np.arange(100) < 12, -68.0, -50.0)
    hiss[40:44] = -80.0
    body[40:44] = -70.0 if in_rests else -30.0
    levels = np.stack([body, body - 18, *[hiss] * 7])[:, None]
    history = LevelHistory(9, 1)
    history.append(np.repeat(10 ** (levels / 10), PARTS, axis=2).astype(np.float32))
    level = np.full(9, -68.0 + 1.19, np.float32)
    bands = list(range(2, 9))
    heard = is_heard(history, 0, np.ones(100, np.bool_), level, bands, body_db=-20.0)
    assert heard is not in_rests
