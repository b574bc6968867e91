"""Breath and bow noise comes and goes with its note: its end is no fall of the tape's hiss."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from damage_tape import clog, contact_loss, signal_lost

from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Block, Workspace
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._tape import TapePart
from checks.dropouts._tape._bands import BODY, HISS
from checks.dropouts._tape._breath import heard_as_hiss, never_again, rests_or_moves
from checks.model import CaptureFormat, Samples
from checks.sheet import NoiseReduction, Sheet, Tape

RATE = 44_100
PLAIN = Sheet(tape=Tape(speed_cm_s=38.1, noise_reduction=NoiseReduction.NONE))


def _told(x: Samples, rate_hz: int, sheet: Sheet | None = None) -> set[tuple[str, tuple[int, ...]]]:
    fmt = CaptureFormat(rate_hz=rate_hz, channels=len(x), word_length=24)
    part, work = TapePart(fmt, sheet or Sheet(), DropoutsLimits()), Workspace()
    for s in range(0, x.shape[1], BLOCK_FRAMES):
        lead = LEAD_FRAMES if s else 0
        view = x[:, s - lead : s + BLOCK_FRAMES]
        part.feed(Block(view, start=s, lead=lead, fmt=fmt, work=work))
    kinds = ("hf-loss", "signal-lost", "contact-loss", "level-dip", "no-tape")
    return {(f.kind, f.tracks) for f in part.finish().findings if f.kind in kinds}


def _blown(
    seed: int,
    *,
    rate_hz: int = RATE,
    tracks: int = 2,
    seconds: float = 12.0,
    under_db: tuple[float, float] = (15.0, 36.0),
    notes_s: tuple[float, float] = (0.5, 2.5),
    rests_s: tuple[float, float] = (-0.2, 0.3),
    corner_hz: float | None = None,
    lead_in_s: float = 0.0,
) -> Samples:
    """Notes with steady noise under each, over hiss at -62 dBFS; rests below 0 overlap."""
    rng = np.random.default_rng(seed)
    frames = int(seconds * rate_hz)
    x = np.zeros((tracks, frames))
    for row in x:
        at = lead_in_s + rng.uniform(0, 0.3)
        while at < seconds - 0.2:
            length = min(rng.uniform(*notes_s), seconds - at)
            count = int(length * rate_hz)
            if count < rate_hz // 10:
                break
            pitch, t = rng.uniform(110, 700), np.arange(count) / rate_hz
            phase = 2 * np.pi * pitch * t
            phase += rng.uniform(0.5, 3) * np.sin(2 * np.pi * rng.uniform(4, 6) * t)
            tone = np.zeros(count)
            for k in range(1, 13):
                if k * pitch < 9000:
                    wave = np.sin(k * phase + rng.uniform(0, 6))
                    tone += wave * 10 ** (-rng.uniform(4, 9) * np.log2(k) / 20)
            spectrum = np.fft.rfft(rng.standard_normal(count))
            f = np.fft.rfftfreq(count, 1 / rate_hz)
            corner = corner_hz or rng.uniform(3000, 12_000)
            spectrum *= f / np.hypot(f, 400) / np.hypot(1, f / corner)
            breath = np.fft.irfft(spectrum, count)
            y = tone / tone.std() + breath / breath.std() * 10 ** (-rng.uniform(*under_db) / 20)
            up, down = (int(rng.uniform(*s) * rate_hz) for s in ((0.03, 0.1), (0.05, 0.15)))
            y[:up] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(up) / up)
            y[-down:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(down) / down)
            first = int(at * rate_hz)
            y = y[: frames - first]
            row[first : first + len(y)] += y * 10 ** (rng.uniform(-30, -16) / 20)
            at += length + rng.uniform(*rests_s)
    x += rng.standard_normal(x.shape) * 10 ** (-62 / 20)
    return (np.clip(np.rint(x * 2**23), -(2**23), 2**23 - 1).astype(np.int64) << 8).astype(np.int32)


@pytest.mark.parametrize(
    ("seed", "how"),
    [
        (1004, {}),  # was told as hf-loss
        (1104, {"under_db": (12, 30), "notes_s": (1, 4), "rests_s": (-0.2, 1.0)}),  # and as lost
        (400, {"under_db": (20, 30), "rests_s": (-0.1, 0.1), "corner_hz": 2e4}),  # as lifts
        (300, {"under_db": (10, 24), "rests_s": (-0.1, 0.1), "tracks": 3}),
        (302, {"under_db": (10, 24), "rests_s": (-0.1, 0.1), "tracks": 1}),
        (303, {"under_db": (10, 24), "rests_s": (-0.1, 0.1), "rate_hz": 192_000, "seconds": 6}),
    ],
)
def test_breath_that_ends_with_its_note_is_no_fall_of_the_hiss(
    seed: int, how: Mapping[str, Any]
) -> None:
    told = _told(_blown(seed, **how), how.get("rate_hz", RATE))
    assert told == set()


@pytest.mark.parametrize("seed", range(3))
def test_faults_of_the_tape_are_heard_in_breathy_programme_that_rests(seed: int) -> None:
    x = _blown(seed, tracks=3, rests_s=(0.2, 0.8), notes_s=(0.4, 1.2), lead_in_s=1.6)
    at = {"rate_hz": RATE, "at": 5 * RATE}
    dull = clog(x, **at, ramp=RATE, distance_um=8.0, tracks=(1,)).samples
    assert _told(dull, RATE, PLAIN) == {("hf-loss", (1,))}
    gone = signal_lost(x, **at, tracks=(2,), floor_dbfs=-76.0).samples
    assert _told(gone, RATE, PLAIN) == {("signal-lost", (2,))}
    lifted = contact_loss(
        x, rate_hz=RATE, at=RATE, frames=RATE // 50, distance_um=20.0, tracks=(0,)
    ).samples
    assert _told(lifted, RATE, PLAIN) == {("contact-loss", (0,))}


@pytest.mark.parametrize("seed", [3000, 3001, 3003, 3004])
def test_a_breathy_track_that_never_rests_and_goes_under_the_hiss_of_any_tape_is_lost(
    seed: int,
) -> None:
    x = _blown(seed, tracks=3, rests_s=(-0.3, 0.0), seconds=9.0)
    gone = signal_lost(x, rate_hz=RATE, at=5 * RATE, tracks=(2,), floor_dbfs=-86.0).samples
    assert ("signal-lost", (2,)) in _told(gone, RATE)


@pytest.mark.parametrize(("seed", "um", "ramp_s"), [(7002, 8, 2), (7006, 10, 0), (7008, 14, 0)])
def test_a_clog_under_notes_that_never_rest_is_told_by_what_no_note_brings_back(
    seed: int, um: float, ramp_s: float
) -> None:
    x = _blown(seed, tracks=2, seconds=25.0, rests_s=(-0.2, 0.1), notes_s=(1.0, 4.0))
    assert _told(x, RATE) == set()
    dull = clog(x, rate_hz=RATE, at=12 * RATE, ramp=round(ramp_s * RATE), distance_um=um,
                tracks=(1,), floor_dbfs=-73.0)  # fmt: skip
    assert _told(dull.samples, RATE, PLAIN) == {("hf-loss", (1,))}


def test_breath_that_keeps_to_a_level_is_no_tape_that_runs() -> None:
    x = _blown(11_007, tracks=1, rests_s=(-0.3, 0.0))
    assert _told(x, RATE) == set()  # was told as no-tape at its end


# Expected values: what the sentences of ``_breath`` say, levels made by hand.
def test_noise_is_hiss_where_the_body_rests_or_moves() -> None:
    assert rests_or_moves(np.array([-20.0] * 9 + [-55.0] * 3, np.float32), -60.0)  # rests
    assert not rests_or_moves(np.array([-20.0] * 9 + [-55.0] * 2, np.float32), -60.0)
    assert not rests_or_moves(np.array([-20.0, -22.0] * 20, np.float32), -60.0)  # held
    assert not rests_or_moves(np.repeat([-40.0, -20.0], 20).astype(np.float32), -60.0)  # two notes
    assert rests_or_moves(np.arange(-40.0, -20.0).astype(np.float32), -60.0)  # a string rings off
    assert not rests_or_moves(np.zeros(0, np.float32), -60.0)


def test_a_level_that_is_never_heard_in_all_bands_together_is_no_hiss() -> None:
    low = np.full((HISS + 3, 20), -60.0, np.float32)
    level = np.full(HISS + 3, -60.0, np.float32)
    assert heard_as_hiss(low, level)
    low[HISS, ::2] += 6.0
    low[HISS + 1, 1::2] += 6.0
    assert not heard_as_hiss(low, level)
    assert heard_as_hiss(low, np.where(np.arange(HISS + 3) < HISS + 2, np.nan, level))
    assert not heard_as_hiss(low, np.full(HISS + 3, np.nan, np.float32))


def test_the_order_of_many_notes_is_no_chance() -> None:
    low = np.full((HISS + 3, 60), -60.0, np.float32)
    low[BODY] = np.repeat([-20.0, -30.0] * 6, 5)  # twelve notes
    low[HISS:, 30:] -= 10.0
    level = np.full(HISS + 3, -60.0, np.float32)
    assert never_again(low, 30, level, 10.0)
    few = low.copy()
    few[BODY] = np.repeat([-20.0, -30.0] * 3, 10)
    assert not never_again(few, 30, level, 10.0)
    back = low.copy()
    back[HISS:, 50:52] = -61.0
    assert not never_again(back, 30, level, 10.0)
    early = low.copy()
    early[HISS:, :10] = -70.0
    assert not never_again(early, 30, level, 10.0)
