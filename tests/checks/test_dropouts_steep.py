"""Cuts that no tape can make, where its hiss ends below the top of the band."""

from __future__ import annotations

import numpy as np
import pytest
import stepping
from numpy.typing import NDArray
from scipy import signal

from checks.block import BLOCK_FRAMES, Block, Workspace
from checks.dropouts._sentences import CUT_BEHIND_TAPE, STEEP
from checks.dropouts._steps import _steep
from checks.model import CaptureFormat, Finding, Verdict

Floats = NDArray[np.float64]
RATE_HZ = 192_000
FULL = 2.0**23
AWAY = RATE_HZ // 5  # frames, longer than what is told as one


def off_tape(x: Floats, rate_hz: int = RATE_HZ) -> Floats:
    """What a machine's heads and amplifiers leave: third order from 25 kHz on."""
    low_pass = signal.butter(3, 25_000, fs=rate_hz, output="sos")
    return np.asarray(signal.sosfilt(low_pass, x))


def noise(seed: int, frames: int, rms: float) -> Floats:
    return np.asarray(rms * np.random.default_rng([17, seed]).standard_normal(frames))


def track(seed: int, frames: int = 4 * RATE_HZ) -> Floats:
    """A rattle over hiss, in steps of 24 bit; nothing foretells it."""
    t = np.arange(frames) / RATE_HZ
    rattle = noise(seed, frames, 0.2) * (0.6 + 0.4 * np.sin(2 * np.pi * 3 * t + seed))
    x = rattle + noise(seed + 50, frames, 2e-3)
    return FULL * (off_tape(x) + noise(seed + 100, frames, 2e-4))


def drone(seed: int, frames: int = 3 * RATE_HZ) -> Floats:
    """Eight partials that swell and sink, over hiss, before any tape."""
    t = np.arange(frames) / RATE_HZ
    rng = np.random.default_rng([5, seed])
    x = noise(seed + 50, frames, 2e-3)
    for k in range(1, 9):
        swell = 1 + 0.2 * np.sin(2 * np.pi * (0.3 + 0.1 * k) * t)
        x += swell * 0.1 / k * np.sin(2 * np.pi * 220 * k * 1.0007**k * t + rng.uniform(0, 6.3))
    return x


def loud(x: Floats, near: int) -> int:
    """A frame with a high sample before it, of the next few hundred."""
    return near + 1 + int(np.argmax(np.abs(x[near : near + 400])))


def muted(x: Floats, starts: list[int]) -> tuple[Floats, list[int]]:
    """The rattle is away for a while, and hiss stands in its place; also where it breaks off."""
    out, ends = x.copy(), []
    hiss = track(7) * 0.01
    for start in starts:
        first, last = loud(x, start), loud(x, start + AWAY) - 1
        out[first:last] = hiss[first:last]
        ends += [first, last]
    return out, ends


def found(*rows: Floats) -> list[Finding]:
    x = np.rint(np.array(rows)).astype(np.int64) << 8
    return stepping.steps(x.astype(np.int32), RATE_HZ)


def test_programme_off_tape_that_is_away_for_a_while_is_told() -> None:
    row, ends = muted(track(2), [2 * RATE_HZ])
    (finding,) = found(track(1), row)
    assert finding.verdict is Verdict.LISTEN
    assert finding.text.endswith(STEEP)
    assert finding.tracks == (1,)
    assert finding.values["start_frames"] == ends


@pytest.mark.parametrize("tape", [True, False])
@pytest.mark.parametrize("seed", [0, 1, 4])
def test_a_cut_behind_the_tape_is_proven_from_the_start_of_a_capture(seed: int, tape: bool) -> None:
    at, lost = RATE_HZ // 2, 30_011
    rows = [drone(seed), drone(seed + 20)]
    rows = [FULL * ((off_tape(x) if tape else x) + noise(9, len(x), 2e-4)) for x in rows]
    (finding,) = found(np.delete(rows[0], slice(at, at + lost)), rows[1][:-lost])
    assert finding.start_frame == at
    assert (finding.text.endswith(CUT_BEHIND_TAPE)) is tape
    assert finding.verdict is (Verdict.REDO if tape else Verdict.LISTEN)


def test_programme_that_never_met_a_tape_may_begin_and_end_so() -> None:
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    tone = 0.3 * np.sin(2 * np.pi * 703 * (t + 1e-4)) * ((t < 2) | (t > 2.3))
    other = 0.1 * np.sin(2 * np.pi * 440 * t)
    rows = [FULL * (x + noise(k, len(t), 2e-4)) for k, x in enumerate((other, tone))]
    assert found(*rows) == []


def test_so_may_a_machine_that_does_it_all_along() -> None:
    starts = [RATE_HZ * 2 // 5 * k + 101 * k**2 for k in range(1, 9)]
    row, _ = muted(track(2), starts)
    rows = track(1), row
    assert not [finding for finding in found(*rows) if finding.text.endswith(STEEP)]


@pytest.mark.parametrize("rate_hz", [88_200, 352_800])
@pytest.mark.parametrize("height", [0.01, 0.5])
def test_a_step_is_steep_and_one_off_tape_is_not(rate_hz: int, height: float) -> None:
    at = rate_hz // 8
    step = np.where(np.arange(2 * at) < at, -height / 2, height / 2) + noise(1, 2 * at, 1e-5)
    assert _steep.steep(step, at)
    late = off_tape(step, rate_hz)
    assert not any(_steep.steep(late, at + k) for k in range(16))


@pytest.mark.parametrize("cut", [31, 32, 33, 300, 567, 568, 569])
def test_silence_is_not_steep_anywhere(cut: int) -> None:
    assert not _steep.steep(np.zeros(600), cut)


def test_a_step_below_the_noise_is_none() -> None:
    step = np.where(np.arange(2000) < 1000, 0.0, 0.01) + noise(2, 2000, 0.01)
    assert not _steep.steep(step, 1000)


@pytest.mark.parametrize(
    ("rate_hz", "tape", "falls"),
    [(192_000, True, True), (88_200, True, True), (192_000, False, False), (48_000, True, False)],
)
def test_hiss_off_tape_falls_off_and_white_noise_does_not(
    rate_hz: int, tape: bool, falls: bool
) -> None:
    hiss = noise(3, 40 * BLOCK_FRAMES, 1e-3)
    if tape:
        hiss = off_tape(hiss, rate_hz) if rate_hz > 50_000 else hiss
        hiss = hiss + noise(4, len(hiss), 1e-4)
    fmt = CaptureFormat(rate_hz=rate_hz, channels=1, word_length=24)
    heard = _steep.Tape(fmt)
    x = (np.rint(hiss * FULL).astype(np.int64) << 8).astype(np.int32)[np.newaxis]
    for start in range(0, x.shape[1], BLOCK_FRAMES):
        piece = x[:, start : start + BLOCK_FRAMES]
        heard.feed(Block(piece, start=start, lead=0, fmt=fmt, work=Workspace()))
    assert heard.falls_off(0) is falls
