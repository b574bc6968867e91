"""The screen for steps: floors that fit the place, wherever in its segment that lies."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Block, Workspace
from checks.dropouts._steps._whiten import SEGMENT, Screen
from checks.model import CaptureFormat

AT = 5 * SEGMENT + 300


def seen(row: NDArray[np.float64], blocks: int = 3) -> list[int]:
    """Where peaks of one track begin, the track in units of its own noise."""
    x = (np.rint(row * 500).astype(np.int32) << 8)[np.newaxis]
    fmt = CaptureFormat(rate_hz=96_000, channels=1, word_length=24)
    screen, work, out = Screen(fmt), Workspace(), []
    for start in range(0, blocks * BLOCK_FRAMES, BLOCK_FRAMES):
        lead = min(LEAD_FRAMES, start)
        piece = x[:, start - lead : start + BLOCK_FRAMES]
        out += screen.feed(Block(piece, start=start, lead=lead, fmt=fmt, work=work))[0]
    return [peak.first for peak in out]


def noise(seed: int = 3) -> NDArray[np.float64]:
    return np.random.default_rng(seed).standard_normal(3 * BLOCK_FRAMES)


@pytest.mark.parametrize("block", [0, 1, 2])
@pytest.mark.parametrize("at", [AT, AT + 400, BLOCK_FRAMES - 700])
def test_one_sample_before_a_loud_note_is_seen(block: int, at: int) -> None:
    row, at = noise(), at + block * BLOCK_FRAMES
    row[at + 60 : at + 6000] *= 10
    row[at] = 15  # standard deviations; the mean of its 1,024 frames is half of that
    assert at in seen(row)


def test_one_sample_in_what_rings_on_behind_a_strike_is_seen() -> None:
    # resonances, at rest before; 40 standard deviations of what drives them
    rng = np.random.default_rng(6)
    strike, at = 2 * BLOCK_FRAMES - 3000, 2 * BLOCK_FRAMES - 2000
    drive = rng.standard_normal(3 * BLOCK_FRAMES)
    drive[strike:] *= 1 + 300 * np.exp(-np.arange(len(drive) - strike) / 600)
    poles = 0.995 * np.exp(1j * np.pi * np.array([0.07, -0.07, 0.16, -0.16, 0.31, -0.31]))
    rings = np.asarray(signal.lfilter([0.02], np.real(np.poly(poles)), drive))
    rings[at] += 0.02 * 40 * (1 + 300 * np.exp((strike - at) / 600))
    assert any(abs(first - at) <= 1 for first in seen(rings + noise()))


@pytest.mark.parametrize("frames", [128, 256, 500])
def test_foreign_samples_do_not_hide_behind_themselves(frames: int) -> None:
    row = noise()
    signs = np.sign(np.random.default_rng(4).standard_normal(frames))
    row[AT : AT + frames] = 12 * signs
    assert any(abs(first - AT) <= 1 for first in seen(row))


def test_a_track_that_turns_to_something_louder_is_seen() -> None:
    row = noise()
    row[AT - 100 :] = 9 * noise(5)[AT - 100 :]
    row[AT - 100] = 20
    assert AT - 100 in seen(row)


def test_noise_alone_is_nothing() -> None:
    # a normal value passes 6 standard deviations once in 5e8 (Abramowitz and Stegun, table 26.1)
    assert seen(noise(8)) == []


def test_the_quick_answer_hides_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks in which nothing can stand out are passed over: no peak is ever missed by that."""
    rows = []
    for seed in range(12):
        row = noise(seed) * (1 + 0.1 * seed)
        row[AT + 1000 * seed] += (1 + 0.1 * seed) * (4 + seed / 2)  # standard deviations
        rows.append(row)
    quick = [seen(row) for row in rows]
    monkeypatch.setattr(Screen, "_nothing_stands_out", lambda *_: False)
    assert quick == [seen(row) for row in rows]
    assert any(quick)
    assert not all(quick)
