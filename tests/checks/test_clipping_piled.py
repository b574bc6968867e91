"""Crests of one or two samples that pile up at one level, and those that come near it by nature."""

from __future__ import annotations

import numpy as np
import pytest
from clipping_kit import Floats, asking, check, only, tone, words
from scipy import signal

import checks._pile_ups as piling
from checks.block import Block, Workspace
from checks.model import CaptureFormat

RATE_HZ = 44_100  # bursts of noise have tops of one or two samples there


def bursts(seed: int, seconds: float = 4.0) -> Floats:
    """Drums: decaying noise below 16 kHz over a tone, each burst another; peak 1.0."""
    rng = np.random.default_rng(seed)
    x = np.zeros(round(seconds * RATE_HZ))
    t = np.arange(RATE_HZ // 5) / RATE_HZ
    for start in range(2000, len(x) - len(t) - 2000, 5700):
        at = start + int(rng.integers(2000))
        noise = np.exp(-t * rng.uniform(15, 60)) * rng.standard_normal(len(t))
        low = np.exp(-t * 12) * np.sin(2 * np.pi * rng.uniform(60, 300) * t)
        x[at : at + len(t)] += rng.uniform(0.3, 1) * (noise + low)
    x = signal.sosfilt(signal.butter(4, 16_000, fs=RATE_HZ, output="sos"), x)
    return np.asarray(x / np.abs(x).max())


def cut(x: Floats, over_db: float, level: float = 0.6) -> Floats:
    """Cut at one level, so that the highest crest lay so far above it."""
    ceiling = float(np.abs(x).max()) * 10 ** (-over_db / 20)
    return np.clip(x, -ceiling, ceiling) * (level / ceiling)


def crests(x: Floats) -> int:
    """How many stretches stand at the ceiling of a cut signal."""
    at = np.abs(x) >= np.abs(x).max() * (1 - 1e-9)
    return int(np.count_nonzero(np.diff(at.astype(int)) == 1))


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("over_db", [3, 4])
def test_many_short_tops_at_one_level_are_a_ceiling(over_db: int, bits: int) -> None:
    x = cut(bursts(3), over_db)
    outcome = check(words(x, bits), RATE_HZ)
    assert asking(outcome) == [("flat-top", "listen", (0,))]
    found = only(outcome, "flat-top")
    assert found.values["count"] >= 0.5 * crests(x)  # few are long enough to be flat alone
    assert found.values["level_dbfs"] == pytest.approx(20 * np.log10(0.6), abs=0.01)
    for line in found.values["by_track"]:
        for place in line["places"]:
            top = np.abs(x[place["start_frame"]])
            assert top == pytest.approx(0.6, abs=1e-4)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_level_that_tracks_share_stands_in_the_transfer(seed: int) -> None:
    """Every crest is told, at its level, wherever the stream was cut."""
    x = np.stack([cut(bursts(seed + 10 * k), 3) for k in range(2)])
    whole = check(words(x), RATE_HZ)
    assert asking(whole) == [("flat-top", "redo", (0, 1))]
    assert only(whole, "flat-top").values["count"] == sum(map(crests, x))
    assert check(words(x), RATE_HZ, cuts=(5, 16_384, 40_001)).findings == whole.findings


def test_a_ceiling_is_told_though_the_level_was_raised_afterwards() -> None:
    x = np.concatenate((cut(bursts(3), 3, level=0.4), bursts(5) * 0.8))
    found = only(check(words(x), RATE_HZ), "flat-top")
    assert found.values["level_dbfs"] == pytest.approx(20 * np.log10(0.4), abs=0.01)


def test_a_crest_of_few_steps_may_lie_where_a_block_ends() -> None:
    """Within two steps of its top up to the last sample, within 0.05 dB of it no longer."""
    row = np.zeros((1, 256), np.int32)
    row[0, -4:] = np.array([50, 100, 99, 99]) << 16
    fmt = CaptureFormat(rate_hz=RATE_HZ, channels=1, word_length=16)
    pile = piling.PileUps(fmt, gap_frames=1, least=10)
    assert not pile.look(Block(row, start=0, lead=0, fmt=fmt, work=Workspace()), 0, 0)


def limited(x: Floats) -> Floats:
    """Every crest brought down to one level by a gain that is held around it: round tops."""
    held = np.lib.stride_tricks.sliding_window_view(np.pad(np.abs(x), 88), 177).max(axis=1)
    return x * 0.3 / np.maximum(held, 0.3)


def innocents() -> dict[str, Floats]:
    rng = np.random.default_rng(7)
    n, loop = 4 * RATE_HZ, bursts(6, 0.6)
    return {
        "bursts": bursts(8),
        "even noise": rng.uniform(-1, 1, n),
        "noise": rng.standard_normal(n),
        "a loop": np.tile(loop, 12),
        "limited": limited(bursts(9)),
        "low tone": tone(RATE_HZ, 50, 1.0, 4.0),
        "tone": tone(RATE_HZ, 5003, 1.0, 4.0),
        "two tones": tone(RATE_HZ, 997, 0.5, 4.0) + tone(RATE_HZ, 3001, 0.5, 4.0),
        "clicks": np.where(np.arange(n) % 4801 == 0, 1.0, 0.0) + 1e-3 * rng.standard_normal(n),
    }


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("name", list(innocents()))
def test_what_comes_to_one_level_by_nature_is_no_ceiling(name: str, bits: int) -> None:
    x = innocents()[name]
    x = x * (0.7 / np.abs(x).max())
    assert asking(check(words(x, bits), RATE_HZ)) == []


def test_what_makes_a_pile_a_ceiling() -> None:
    """Each condition by itself; ten crests that meet them all are one."""

    def pile(pairs: int = 3, near: int = 2, steps: float = 1e6, vary: float = 0.3) -> bool:
        made = piling.Pile(piling.Places(1), top=1.0, steps=steps, near=near)
        lengths = np.where(np.arange(12) < pairs, 2, 1)
        made.add(lengths, 0.5 * (1 + vary * (-1.0) ** np.arange(12)))
        return made.proves(10)

    assert pile()
    assert not pile(pairs=2)
    assert not pile(near=4)
    assert not pile(steps=5000)
    assert not pile(vary=0.05)


def test_what_is_no_number_hides_no_level_that_rises() -> None:
    """Crests of programme that gets louder were taken for ones at the quiet beginning's level."""
    x = np.random.default_rng(1).standard_normal((1, 20 * 65_536)).astype(np.float32) * 0.1
    x[:, :65_536] *= 0.2
    assert asking(check(x, RATE_HZ)) == []
    x[:, 65_536 + 100 :: 30_000] = np.nan
    assert "flat-top" not in [kind for kind, *_ in asking(check(x, RATE_HZ))]
