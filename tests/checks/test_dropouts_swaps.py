"""Two tracks that change places, of which one shows little or both look like something else."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from stepping import steps

from checks.model import Finding, Verdict

RATE_HZ = 96_000
FRAMES = 96_000
AT = 50_021


def words(tracks: NDArray[np.float64], noise_dbfs: float = -80) -> NDArray[np.int32]:
    noise = np.random.default_rng(1).standard_normal(tracks.shape) * 10 ** (noise_dbfs / 20)
    return (np.rint((tracks + noise) * 2**23).astype(np.int64) << 8).astype(np.int32)


def breath(seed: int, level: float | NDArray[np.float64], tone: float = 1.0) -> NDArray[np.float64]:
    """A note of several partials in noise."""
    rng = np.random.default_rng(seed)
    noise = np.empty(FRAMES)
    now = 0.0
    for k, new in enumerate(rng.standard_normal(FRAMES)):
        noise[k] = now = 0.98 * now + new
    t = rng.uniform(200, 400) * np.arange(FRAMES) / RATE_HZ
    partials = sum(np.sin(2 * np.pi * (n * t + rng.random())) / n for n in range(1, 12))
    return level * (tone * partials + 0.03 * noise)


def reed(seed: int, hz: float, level: float, breath: float = 0.03) -> NDArray[np.float64]:
    """A note of twenty partials, and noise, by default 15 dB under it."""
    rng, t = np.random.default_rng(seed), hz * np.arange(FRAMES) / RATE_HZ
    partials = [np.sin(2 * np.pi * (n * t + rng.random())) / 20 for n in range(1, 21)]
    return level * (sum(partials) + breath * rng.standard_normal(FRAMES))


def exchanged(x: NDArray[np.int32]) -> NDArray[np.int32]:
    return np.concatenate((x[:, :AT], x[::-1, AT:]), axis=1)


def tone(hz: float, level: float) -> NDArray[np.float64]:
    return level * np.sin(2 * np.pi * hz * np.arange(FRAMES) / RATE_HZ + 1)


def told(x: NDArray[np.int32]) -> list[tuple[object, Verdict, tuple[int, ...]]]:
    assert steps(x, RATE_HZ) == []
    found: list[Finding] = steps(exchanged(x), RATE_HZ)
    assert all(abs((f.start_frame or 0) - AT) <= 1 for f in found)
    return [(f.values.get("moved"), f.verdict, f.tracks) for f in found]


def test_a_loud_track_that_shows_nothing_asks_to_listen() -> None:
    """Its noise covers whatever follows."""
    x = words(np.stack([breath(3, 0.15, 0.0), breath(13, 0.006, 0.0)]))
    assert told(x) == [("1 to 2, 2 to 1", Verdict.LISTEN, (0, 1))]


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_loud_track_that_shows_nothing_is_proven_by_what_goes_on_in_phase(seed: int) -> None:
    x = words(np.stack([reed(seed, 200, 0.15), reed(seed + 50, 220, 0.004)]))
    assert told(x) == [("1 to 2, 2 to 1", Verdict.REDO, (0, 1))]


@pytest.mark.parametrize("seed", [1, 4])
def test_what_follows_may_be_largest_some_way_behind(seed: int) -> None:
    x = words(np.stack([breath(seed, 0.15, 0.0), breath(seed + 50, 0.002, 0.0)]))
    assert told(x) == [("1 to 2, 2 to 1", Verdict.LISTEN, (0, 1))]


@pytest.mark.parametrize(
    ("hz", "level", "noise_dbfs"), [(60.0, 0.1, -80), (1000.0, 0.1, -80), (6000.0, 0.3, -62)]
)
def test_two_tones_change_places(hz: float, level: float, noise_dbfs: float) -> None:
    """Neither a pilot that is switched off, nor the tops of a steady tone that are cut off."""
    x = words(np.stack([tone(hz, level), tone(50.0, 0.07)]), noise_dbfs)
    assert told(x) == [("1 to 2, 2 to 1", Verdict.REDO, (0, 1))]


def swell(times: float, stop: int, width: int = 64) -> NDArray[np.float64]:
    """A level that rises smoothly by so many times, up to a frame, and dies away."""
    behind = np.arange(FRAMES) - stop
    rise = np.clip(1 + behind / width, 0, 1) ** 2 * np.exp(-np.clip(behind, 0, None) / 2000)
    return 1 + (times - 1) * rise


def test_a_strike_on_a_third_track_hides_none() -> None:
    """Which goes on as before but for its level, and explains next to nothing of what breaks."""
    third = breath(9, 0.02, 0.0) * swell(2.5, AT + 8)
    x = words(np.stack([reed(1, 200, 0.15, 0.0), reed(51, 220, 0.05, 0.0), third]))
    found = steps(x, RATE_HZ)
    x[:2] = exchanged(x[:2])
    told = [f for f in steps(x, RATE_HZ) if abs((f.start_frame or 0) - AT) <= 1]
    assert not found
    assert [(f.values.get("moved"), f.verdict) for f in told] == [("1 to 2, 2 to 1", Verdict.REDO)]


@pytest.mark.parametrize("seed", range(4))
def test_a_note_that_begins_there_hides_none(seed: int) -> None:
    """One past leaves more than noise by then, but far less than the other does."""
    loud = reed(seed, 200, 0.15, 1e-4) * swell(4.0, AT + 100, 200)
    assert told(words(np.stack([loud, reed(seed + 50, 220, 0.02, 0.0)]), -120)) == [
        ("1 to 2, 2 to 1", Verdict.REDO, (0, 1))
    ]


@pytest.mark.parametrize("seed", [0, 1])
def test_a_smooth_track_that_turns_to_noise(seed: int) -> None:
    """No peak stands out of what noise leaves behind the place, only that it rises tells."""
    x = words(np.stack([breath(seed, 0.3, 0.0), reed(seed, 220, 0.1, 0.0)]), -100)
    assert told(x) == [("1 to 2, 2 to 1", Verdict.REDO, (0, 1))]


def test_a_tone_goes_over_to_a_track_of_hiss() -> None:
    x = words(np.stack([tone(50.0, 0.1), np.zeros(FRAMES)]))
    assert told(x) == [("1 to 2, 2 to 1", Verdict.REDO, (0, 1))]


@pytest.mark.parametrize("leaks", [0.0, 0.03])
@pytest.mark.parametrize("seed", [7, 12, 20])
def test_notes_that_end_as_others_begin_have_not_moved(seed: int, leaks: float) -> None:
    """A machine plays one track after the other: common practice in sequenced music."""
    tracks = np.stack([breath(seed, 0.15), breath(seed + 1, 0.05)])
    at = np.arange(FRAMES) // 6_000 % 2
    tracks *= np.stack((at, 1 - at))
    tracks += leaks * tracks[::-1]
    assert not any("moved" in f.values for f in steps(words(tracks), RATE_HZ))


@pytest.mark.parametrize(("attack_ms", "noise_dbfs"), [(5, -120), (10, -105)])
def test_tones_that_begin_at_one_frame_have_not_turned(attack_ms: int, noise_dbfs: float) -> None:
    """Out of a rest without hiss, each in a sine-squared attack: they grow, a cut is there."""
    rng, attack = np.random.default_rng(attack_ms), attack_ms * 48
    swell = np.sin(np.pi / 2 * np.clip((np.arange(96_000) - 40_000) / attack, 0, 1)) ** 2
    t = np.arange(96_000) / 48_000
    hz = np.exp(rng.uniform(np.log(300), np.log(6000), 6))
    tones = 0.2 * swell * np.sin(2 * np.pi * hz[:, np.newaxis] * t)
    assert [
        f for f in steps(words(tones, noise_dbfs), 48_000) if (f.start_frame or 0) < 40_020
    ] == []


@pytest.mark.parametrize("seed", [0, 2, 3])
def test_bursts_of_noise_that_end_as_others_grow_have_not_moved(seed: int) -> None:
    """What is loud and restless seems to go on from anything: but its noise would be as loud."""
    rng = np.random.default_rng(seed)
    levels = np.zeros((6, FRAMES))
    for track, level in enumerate((0.3, 0.05, 0.01, 0.2, 0.02, 0.1)):
        at = 2_000
        while at < 90_000:
            frames = int(rng.integers(4_000, 12_000))
            k = np.arange(min(frames, FRAMES - at))
            edges = np.clip([k / 200, (frames - k) / 400], 0, 1).min(axis=0)
            levels[track, at : at + frames] = level * np.sin(np.pi / 2 * edges) ** 2
            at += frames + int(rng.integers(0, 6_000))
    x = words(np.stack([breath(seed * 10 + j, row, 0.0) for j, row in enumerate(levels)]), -110)
    assert [f.values.get("moved") for f in steps(x, RATE_HZ)] == []
