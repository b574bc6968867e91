"""Repeated blocks: found at their place with their lag, told from music that repeats by nature."""

from __future__ import annotations

import itertools

import damage
import numpy as np
import pytest
from dropouts_kit import bed, digital, run
from synth import programme

from checks.block import BLOCK_FRAMES, Workspace
from checks.dropouts import _sightings


@pytest.mark.parametrize(
    ("frames", "lag", "tracks", "inserted"),
    [
        (32, 32, None, True),
        (32, 91_007, (1,), False),
        (64, 1000, (0, 2), True),
        (480, 480, None, True),
        (4096, 150_001, (2,), False),
        (5000, 512, (0,), False),  # stuck: a buffer of 512 over and over
    ],
)
def test_repeats_are_found_with_their_lag(
    frames: int, lag: int, tracks: tuple[int, ...] | None, inserted: bool
) -> None:
    planted = damage.repeat_block(
        bed(), at=190_011, frames=frames, lag=lag, tracks=tracks, inserted=inserted
    )
    found = digital(run(planted.samples, 96_000))
    assert {f.kind for f in found} == {"repeated-block"}
    (one,) = found
    assert one.verdict.value == "redo"
    assert one.tracks == planted.tracks
    assert one.values["lag_frames"] == lag
    assert one.start_frame == 190_011
    assert one.frames == frames


def test_each_of_several_places_has_its_own_lag() -> None:
    x = bed()
    for at, lag in ((110_000, 1_000), (150_000, 91_007), (190_011, 480)):
        x = damage.repeat_block(x, at=at, frames=300, lag=lag, tracks=(1,)).samples
    (found,) = digital(run(x, 96_000))
    assert found.values["start_frames"] == [110_000, 150_000, 190_011]
    assert found.values["lags_frames"] == [1_000, 91_007, 480]


def test_periodic_material_repeats_by_nature() -> None:
    # a table of one period, a pulse train, a loop from the start of the capture
    table = np.rint(np.sin(2 * np.pi * np.arange(96) / 96) * 2**22).astype(np.int32) << 8
    tone = np.tile(table, 3000)
    pulses = np.where(np.arange(len(tone)) % 3840 < 1920, 2**28, -(2**28)).astype(np.int32)
    loop = np.tile(bed()[0, 100_000:148_000], 6)
    assert digital(run(np.stack((tone, pulses, loop)), 96_000)) == []


def test_tops_that_an_ac_coupling_tilts_alike_are_no_repeat() -> None:
    # two straight lines of 60 samples, as a high-pass of some Hz makes them of clipped crests
    x = bed()[:, :200_000].copy()
    line = np.rint(np.arange(60) * -83.4).astype(np.int32)
    for at in (150_000, 150_821):
        x[1, at : at + 60] = (8_000_000 + line) * 256
    assert [f for f in digital(run(x, 96_000)) if f.kind == "repeated-block"] == []


def test_a_repeat_at_the_longest_lag_is_found() -> None:
    # 48 kHz: a batch of blocks is then nearly as long as the lag
    x = programme("band", rate_hz=48_000, tracks=2, seconds=9.0, seed=11).copy()
    at, lag = 331_834, 95_520
    x[:, at : at + 100] = x[:, at - lag : at - lag + 100]
    found = digital(run(x, 48_000))
    assert [(f.kind, f.start_frame, f.frames) for f in found] == [("repeated-block", at, 100)]


@pytest.mark.parametrize("inside", range(22, 32))
def test_a_short_repeat_that_ends_in_the_next_batch_is_found(inside: int) -> None:
    # its landmark may be known before all of it is: each batch ends with the block looked at
    x = (
        np.random.default_rng(1).normal(0, 2000, (1, 6 * BLOCK_FRAMES)).round().astype(np.int32)
        << 8
    )
    at = 5 * BLOCK_FRAMES - inside
    x[:, at : at + 34] = x[:, at - 9000 : at - 9000 + 34]
    found = digital(run(x, 44_100))
    assert [(f.kind, f.start_frame, f.frames) for f in found] == [("repeated-block", at, 34)]


def test_a_repeat_of_what_stood_beside_zeros_is_found() -> None:
    # the zeros make a third of the batch in which the original stands
    x = bed().copy()
    x[1, 40_000:62_000] = 0
    x[1, 150_000:150_064] = x[1, 63_000:63_064]
    found = [(f.kind, f.start_frame) for f in digital(run(x, 96_000))]
    assert found == [("zero-run", 40_000), ("repeated-block", 150_000)]


def test_music_put_together_from_stored_sounds_is_no_fault() -> None:
    # the same sound again, mixed anew: here and there a sample is one step off
    rng = np.random.default_rng(3)
    x = bed().copy()
    length = 30_000
    again = x[:, 120_000 : 120_000 + length] + (rng.random((len(x), length)) < 0.02) * 256
    x[:, 220_000 : 220_000 + length] = again
    assert [f for f in digital(run(x, 96_000)) if f.kind == "repeated-block"] == []


@pytest.mark.parametrize("window", ["fine", "coarse"])
def test_every_repeat_of_32_frames_is_met_at_any_lag(window: str) -> None:
    """Winnowing's law: neighbouring places have a landmark in common wherever they stand."""
    size = {"fine": _sightings.FINE, "coarse": _sightings.COARSE}[window]
    rng = np.random.default_rng(7)
    frames, batch = 700_000, 65_536
    met = 0
    for _ in range(30):
        x = (rng.integers(-500, 500, frames) << 8).astype(np.int32).view(np.uint32)
        lag = int(rng.integers(40, 600_000))
        at = int(rng.integers(lag, frames - 32))
        x[at : at + 32] = x[at - lag : at - lag + 32]
        sightings = _sightings.Sightings(
            size, least=32, frames=frames, most_bytes=1 << 24, scratch=Workspace()
        )
        found = False
        for start in range(0, frames, batch):
            first = max(start - sightings.overlap, 0)
            seen = sightings.feed(x[first : start + batch], first)
            found |= any(
                frame - then == lag
                for frame, key in zip(seen.frames.tolist(), seen.keys, strict=True)
                for then in sightings.earlier(frame, key)
            )
        met += found
    assert met >= 29  # a tag may be pushed out too early


def test_keys_that_share_a_slot_are_all_met() -> None:
    """Two equal new keys and another of the same slot, in every order."""
    key = 0x12340000
    for order in itertools.permutations((key | 5, key | 5, key | 6)):
        sightings = _sightings.Sightings(
            8, least=32, frames=1000, most_bytes=1 << 20, scratch=Workspace()
        )
        keys = np.array([1 << 31, *order], np.uint32)
        second = len(order) - order[::-1].index(key | 5)
        assert sightings._push(keys).tolist() == [second]


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_samples_that_are_equal_are_equal_words(dtype: type) -> None:
    """Zero has two words in floats; by chance alike in any 32 places, they were all looked at."""
    x = np.array([0.0, -0.0, 1e-3, -1e-3], dtype)
    words = _sightings.words(x).tolist()
    assert words[0] == words[1]
    assert len(set(words)) == 3


def test_a_muted_track_of_zeros_of_either_sign_is_no_repeat() -> None:
    """What a fader at zero leaves of floats: it took the square of the time."""
    rng = np.random.default_rng(1)
    x = rng.standard_normal((2, 24_000)).astype(np.float32) * np.float32(1e-3)
    x[1] *= np.float32(0.0)
    assert np.signbit(x[1]).any()
    assert [f.kind for f in digital(run(x, 96_000))] == []


@pytest.mark.parametrize("frames", [64, 8_000])
def test_a_join_in_words_too_short_for_noise_is_a_step(frames: int) -> None:
    """Without noise to tell them by, equal samples prove nothing: but that the sound breaks off."""
    rng, at, rate_hz = np.random.default_rng(5), 250_011, 352_800
    t = np.arange(400_000) / rate_hz
    hz = rng.uniform(100, 500, 3)[:, np.newaxis, np.newaxis] * np.arange(1, 12)[:, np.newaxis]
    weights = 0.02 / np.arange(1, 12)[:, np.newaxis]
    x = [(weights * np.sin(2 * np.pi * hz * (t + later))).sum((0, 1)) for later in (0.01, 0.3)]
    x = np.stack(x) + 1e-5 * rng.standard_normal((2, len(t)))
    y = np.rint(x * 2**15).astype(np.int32) << 16
    y = np.concatenate((y[:, :at], y[:, at - frames : at], y[:, at:]), axis=1)
    found = [f for f in run(y, rate_hz, word_length=16).findings if f.kind == "step"]
    assert [abs((f.start_frame or 0) - at) <= 1 for f in found] == [True]
