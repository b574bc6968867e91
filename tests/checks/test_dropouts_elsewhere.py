"""What one microphone hears weakly, and another heard before: a sound, and no samples put in."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal
from stepping import steps

RATE_HZ = 48_000
AT = 60_000
LATE = round(0.0117 * RATE_HZ)  # 4 m


def room(seed: int, leak_db: float, decay: float, source_db: float = 0.0) -> NDArray[np.int32]:
    """A held note; on the second track a stick, which the first hears weaker, later and duller.

    ``decay``: of the stick, frames; ``source_db``: how loud the second track has it.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    x = rng.standard_normal((3, len(t))) * 10 ** (-75 / 20)
    x[0] += 0.1 * np.sin(2 * np.pi * 700 * t) + 0.02 * np.sin(2 * np.pi * 2100 * t + 1)
    x[2] += 0.2 * np.sin(2 * np.pi * 150 * t)
    stick = np.zeros(600)
    stick[20:] = 0.4 * rng.standard_normal(580) * np.exp(-np.arange(580) / decay)
    stick = signal.sosfilt(signal.butter(2, 9000, fs=RATE_HZ, output="sos"), stick)
    duller = signal.sosfilt(signal.butter(1, 11_000, fs=RATE_HZ, output="sos"), stick)
    x[1, AT - LATE : AT - LATE + 600] += 10 ** (source_db / 20) * stick
    x[0, AT : AT + 600] += 10 ** (leak_db / 20) * duller
    return (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)


CASES = [(2, -35, 18), (16, -35, 18), (11, -40, 9), (2, -40, 30)]
"""Seeds of which the first track alone would be told as foreign samples."""


@pytest.mark.parametrize(("seed", "leak_db", "decay"), CASES)
def test_a_stick_that_leaks_into_a_held_note_is_a_sound(
    seed: int, leak_db: float, decay: float
) -> None:
    x = room(seed, leak_db, decay)
    assert [f for f in steps(x, RATE_HZ) if f.tracks == (0,)] == []


@pytest.mark.parametrize(("seed", "leak_db", "decay"), CASES)
def test_what_no_other_track_has_louder_is_told(seed: int, leak_db: float, decay: float) -> None:
    x = room(seed, leak_db, decay, source_db=leak_db)
    assert [f.tracks for f in steps(x, RATE_HZ) if 0 in f.tracks]
