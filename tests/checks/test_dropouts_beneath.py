"""What goes on beneath a cut: a sound that begins on top of others leaves them where they are."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from stepping import steps

from checks.dropouts._steps import _beneath, _long
from checks.dropouts._steps._beneath import Beneath, Share
from checks.model import Verdict

RATE_HZ = 48_000
CUT = 12_000

Floats = NDArray[np.float64]


def tones(seed: int, frames: int = 2 * CUT) -> Floats:
    """Thirty tones of 300 to 6,000 Hz over hiss, in steps of 24 bits."""
    rng = np.random.default_rng([seed, 1])
    time = np.arange(frames) / RATE_HZ
    hz, phase = rng.uniform(300, 6000, 30), rng.uniform(0, 6.28, 30)
    sound = np.sin(6.2832 * hz[:, np.newaxis] * time + phase[:, np.newaxis]).sum(axis=0)
    return np.asarray(2e5 * sound + 300 * rng.standard_normal(frames))


def across(x: Floats) -> Beneath:
    """What goes on across ``CUT``."""
    ahead, back = (x, CUT), (x[::-1], len(x) - CUT)
    return Beneath.of([tuple(_long.Sides(*side, RATE_HZ).goes_on() for side in (ahead, back))])


def begins(seed: int) -> Floats:
    sound = tones(seed + 100)
    sound[:CUT] = 0
    return tones(seed) + sound


@pytest.mark.parametrize("seed", range(6))
def test_a_sound_on_top_of_others_leaves_them_where_they_are(seed: int) -> None:
    x = begins(seed)
    assert across(x).past.goes_on
    assert across(x).on_top
    assert not across(x).parted
    ends = x[::-1]
    assert across(ends).future.goes_on
    assert not across(ends).parted


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("lost", [60, 500, 7_000])
def test_nothing_goes_on_where_samples_are_lost(seed: int, lost: int) -> None:
    x = tones(seed, 4 * CUT)
    beneath = across(np.delete(x, slice(CUT, CUT + lost))[: 2 * CUT])
    assert beneath.parted
    assert not beneath.on_top


@pytest.mark.parametrize("seed", range(6))
def test_nor_where_something_else_stands_there(seed: int) -> None:
    x = tones(seed)
    x[CUT:] = tones(seed + 100)[CUT:]
    assert across(x).parted


def test_what_foretells_nothing_tells_nothing() -> None:
    noise = 300 * np.random.default_rng(5).standard_normal(2 * CUT)
    beneath = across(noise)
    assert beneath == Beneath(Share(), Share())
    assert not beneath.parted
    assert not beneath.on_top


def test_a_prediction_that_runs_away_tells_nothing() -> None:
    ahead = 2.0 ** np.arange(500)
    assert _beneath.share(ahead, np.full(500, np.inf), ahead, 1.0) == Share()
    assert _beneath.share(np.full(500, np.inf), np.zeros(500), ahead, 1.0) == Share()


def played(seed: int, tracks: int = 4, seconds: int = 8) -> NDArray[np.int32]:
    """Notes that a machine begins within one sample, three at a time, mixed to all tracks."""
    rng = np.random.default_rng([seed, 2])
    frames = seconds * RATE_HZ
    players = np.zeros((3, frames))
    for player in players:
        at = int(rng.uniform(0.1, 0.4) * RATE_HZ)
        while at < frames:
            time = np.arange(min(RATE_HZ, frames - at)) / RATE_HZ
            for hz in rng.uniform(200, 3000) * np.arange(1, 5):
                player[at:][: len(time)] += np.cos(6.2832 * hz * time) * np.exp(-4 * time) / hz
            at += int(rng.uniform(0.3, 0.5) * RATE_HZ)
    mixed = rng.uniform(0.2, 1.0, (tracks, 3)) @ players
    mixed *= 2.0**21 / np.abs(mixed).max()
    mixed += 2.0**10 * rng.standard_normal(mixed.shape)
    return np.rint(mixed).astype(np.int32) << 8


@pytest.mark.parametrize("seed", range(3))
def test_samples_lost_among_a_machine_s_notes_are_told(seed: int) -> None:
    x = played(seed)
    assert [f for f in steps(x, RATE_HZ) if f.verdict is Verdict.REDO] == []
    at = 4 * RATE_HZ + 1234
    cut = np.ascontiguousarray(np.delete(x, slice(at, at + 400), axis=1))
    told = [f for f in steps(cut, RATE_HZ) if at - 4 <= (f.start_frame or 0) <= at + 4]
    assert len(told) == 1
    assert told[0].tracks == (0, 1, 2, 3)


def test_a_note_on_top_of_others_is_not_told_however_sharp() -> None:
    """On one track of several, where nothing else begins so."""
    x = np.stack([tones(k, 4 * RATE_HZ) for k in range(3)])
    x[1, 2 * RATE_HZ :] += 2 * tones(9, 2 * RATE_HZ)
    assert steps(np.rint(x).astype(np.int32) << 8, RATE_HZ) == []
    x[1, 2 * RATE_HZ :] = 2 * tones(9, 2 * RATE_HZ)
    (found,) = steps(np.rint(x).astype(np.int32) << 8, RATE_HZ)
    assert (found.tracks, found.start_frame) == ((1,), 2 * RATE_HZ)


@pytest.mark.parametrize(("louder", "told"), [(0.2, True), (0.5, True), (5.0, False)])
def test_a_sound_may_begin_within_one_sample_once_but_none_breaks_off_so(
    louder: float, *, told: bool
) -> None:
    x = 0.1 * np.stack([tones(k, 4 * RATE_HZ) for k in range(3)])
    x[1, 2 * RATE_HZ :] = 0.1 * louder * tones(9, 2 * RATE_HZ)
    x += 100 * np.random.default_rng(1).standard_normal(x.shape)
    found = steps(np.rint(x).astype(np.int32) << 8, RATE_HZ)
    assert [(f.tracks, f.start_frame) for f in found] == [((1,), 2 * RATE_HZ)] * told


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("lost", [3, 9])
def test_few_samples_lost_leave_the_low_tones_in_phase_and_are_late_all_the_same(
    seed: int, lost: int
) -> None:
    x = low_tones(seed)
    rate = 4 * RATE_HZ
    sides = _long.Sides(np.delete(x, slice(CUT, CUT + lost)), CUT, rate)
    assert sides.late()
    assert not _long.Sides(x, CUT, rate).late()
    x[CUT:] += 0.1 * low_tones(seed + 9)[CUT:]
    assert not _long.Sides(x, CUT, rate).late()


def low_tones(seed: int) -> Floats:
    """Some tones of 100 to 1,500 Hz at 192 kHz, hardly any hiss."""
    rng = np.random.default_rng([seed, 4])
    time = np.arange(4 * CUT) / (4 * RATE_HZ)
    hz, phase = rng.uniform(100, 1500, 8), rng.uniform(0, 6.28, 8)
    sound = np.sin(6.2832 * hz[:, np.newaxis] * time + phase[:, np.newaxis]).sum(axis=0)
    return np.asarray(2e5 * sound + 300 * rng.standard_normal(len(time)))
