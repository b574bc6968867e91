"""Zeros that begin or end inside a frame: bytes that were never stored, no converter's mute."""

from __future__ import annotations

import numpy as np
import pytest
from dropouts_kit import of, run
from numpy.typing import NDArray
from synth import programme

from checks.model import Remedy, Verdict

RATE = 48_000
Ints = NDArray[np.int32]


def with_hole(x: Ints, first: int, count: int) -> Ints:
    """Interleaved little-endian 24-bit samples with some bytes zero, counted from the first."""
    octets = np.ascontiguousarray(x.T).view(np.uint8).reshape(-1, 4)[:, 1:].reshape(-1).copy()
    octets[first : first + count] = 0
    wide = np.zeros((len(octets) // 3, 4), np.uint8)
    wide[:, 1:] = octets.reshape(-1, 3)
    return np.ascontiguousarray(wide.view(np.int32).reshape(-1, len(x)).T)


@pytest.mark.parametrize(
    ("tracks", "first", "count"),
    [
        (2, 300_000, 4096),  # begins with a frame, ends behind the first track of another
        (2, 300_003, 4095),  # the other way about
        (8, 1_200_404, 4096),  # inside a frame both ways
        (12, 1_800_010, 65_536),
    ],
)
@pytest.mark.parametrize("kind", ["bowed", "speech"])
def test_a_hole_in_the_file_is_to_be_fetched_again(
    kind: str, tracks: int, first: int, count: int
) -> None:
    x = programme(kind, rate_hz=RATE, tracks=tracks, seconds=2.0, seed=3, hiss_dbfs=-60.0)
    (found,) = of(run(with_hole(x, first, count), RATE), "zero-run")
    assert (found.verdict, found.remedy) == (Verdict.REDO, Remedy.RECOPY)
    assert "etch it again" in found.text
    assert found.tracks == tuple(range(tracks))
    assert found.start_frame == pytest.approx(first / (3 * tracks), abs=2)
    assert found.frames == pytest.approx(count / (3 * tracks), abs=2)


def test_a_track_that_is_not_used_hides_no_hole() -> None:
    x = programme("bowed", rate_hz=RATE, tracks=4, seconds=2.0, seed=3, hiss_dbfs=-60.0).copy()
    x[3] = 0
    (found,) = of(run(with_hole(x, 600_006, 4098), RATE), "zero-run")  # all but two, from one on
    assert (found.verdict, found.remedy) == (Verdict.REDO, Remedy.RECOPY)


def test_a_hole_that_ends_inside_the_sample_of_one_track_is_told_by_its_lower_byte() -> None:
    x = programme("bowed", rate_hz=RATE, tracks=1, seconds=2.0, seed=3, hiss_dbfs=-60.0)
    (found,) = of(run(with_hole(x, 150_000, 4096), RATE), "zero-run")
    assert (found.verdict, found.remedy) == (Verdict.REDO, Remedy.RECOPY)


@pytest.mark.parametrize("tracks", [1, 2, 8])
def test_zeros_of_whole_frames_are_lost_in_the_transfer(tracks: int) -> None:
    x = programme("bowed", rate_hz=RATE, tracks=tracks, seconds=2.0, seed=3, hiss_dbfs=-60.0)
    (found,) = of(run(with_hole(x, 150_000 * tracks, 1_500 * tracks), RATE), "zero-run")
    assert (found.verdict, found.remedy) == (Verdict.REDO, Remedy.REPLAY)


def test_a_ramp_that_reaches_zero_sooner_on_one_track_is_no_hole() -> None:
    x = programme("bowed", rate_hz=RATE, tracks=2, seconds=2.0, seed=3, hiss_dbfs=-60.0)
    down = np.concatenate((np.linspace(1, 0, 200), np.zeros(400), np.linspace(0, 1, 200)))
    y = x.astype(np.float64)
    y[:, 50_000:50_800] *= down
    y[1, 50_190:50_610] = 0  # ten frames before and behind
    (found,) = of(run((np.rint(y / 256).astype(np.int32)) << 8, RATE), "zero-run")
    assert found.remedy is not Remedy.RECOPY
