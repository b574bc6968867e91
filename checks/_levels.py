"""What a stretch of one track says of itself: the steps of its word, two levels, two lengths.

Shared by the parts that look for held and flattened peaks. By the last two, signals are known
that are flat by nature: square waves, clicks, timecode.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import percentile
from checks.model import CaptureFormat

OUTER: Final = 0.6  # of the half range: beyond it a sample counts as near one of two levels
BETWEEN: Final = 0.15  # of the time may be spent between two levels
FEWEST_LENGTHS: Final = 16
SMALLEST_RATIO: Final = 1.6
LARGEST_RATIO: Final = 3.0
ALIKE: Final = 0.08  # how far a length may be from the one it belongs to
IN_TWO: Final = 0.9  # share that must belong to one of two lengths
FEWEST_OF_ONE: Final = 0.15
APART: Final = 4.0  # times the tolerance must the two lengths lie apart, or all lengths fit


def word_step(row: NDArray[Any], fmt: CaptureFormat) -> float:
    """One step of the word as a row uses it, in native units.

    16-bit audio in 24-bit words has steps of 16 bits. A float row counts as 16-bit where every
    sample is one, else as 24-bit.

    Args:
        row: (frames,) native samples.
    """
    if not fmt.floating:
        used = int(np.bitwise_or.reduce(row)) if len(row) else 0
        return float(used & -used) if used else fmt.lsb
    with np.errstate(over="ignore", invalid="ignore"):
        coarse = row * row.dtype.type(2.0**15)
        return 2.0**-15 if bool((coarse == np.rint(coarse)).all()) else fmt.lsb


def bits_of_floats(x: NDArray[np.float32]) -> NDArray[np.int32]:
    """The bits that float samples use, as words of 24 bits on top of 32 would.

    Args:
        x: (tracks, frames) finite samples, full scale 1.0.

    Returns:
        (tracks,) OR over all samples; -1, all bits, where some sample is no such word.
    """
    found = np.full(len(x), -1, np.int32)
    for track, row in enumerate(x):
        for part in (row[:64], row):  # a few tell nearly always
            steps = part * np.float32(2.0**23)
            if not (np.abs(steps) < 2.0**31).all() or (steps != np.rint(steps)).any():
                break
        else:
            used = np.bitwise_or.reduce(steps.astype(np.int64)) << 8
            found[track] = used.astype(np.int32)
    return found


def outer_shares(row: NDArray[np.float32]) -> tuple[float, float]:
    """Shares of the samples that lie in the upper and in the lower fifth of the range.

    Square waves, clicks on a quiet ground, timecode and other biphase signals spend nearly all
    their time there (together 0.86 and more); music clipped 12 dB above the ceiling had 0.81 at
    most. A sine has 0.59, a sine clipped 6 dB above the ceiling 0.81, 12 dB above it 0.90: beyond
    8 dB or so a steady clipped tone and a square wave with slow flanks cannot be told apart.

    Args:
        row: (frames,) finite samples.

    Returns:
        0 to 1 each; (0.5, 0.5) for a constant and for nothing.
    """
    high, low = (float(row.max()), float(row.min())) if len(row) else (0.0, 0.0)
    middle, half = (high + low) / 2, (high - low) / 2
    if half <= 0:
        return 0.5, 0.5
    upper = np.count_nonzero(row > middle + OUTER * half)
    lower = np.count_nonzero(row < middle - OUTER * half)
    return upper / len(row), lower / len(row)


def two_levels(row: NDArray[np.float32]) -> bool:
    """Whether a row spends its time at two levels, and less between them than at either.

    Brass and reeds rest near one level for most of a period too, but their crests pass sooner than
    their flanks.

    Args:
        row: (frames,) finite samples.
    """
    upper, lower = outer_shares(row)
    return 1 - upper - lower <= min(BETWEEN, upper, lower)


def two_lengths(lengths: NDArray[np.int64]) -> bool:
    """Whether flat stretches come in two lengths, one about twice the other: biphase timecode.

    SMPTE ST 12-1 and IEC 60461: the longitudinal code is biphase-mark, one half-cell or two
    between its edges. The edges take part of either, so the ratio is 1.6 to 3.

    Args:
        lengths: (stretches,) samples; fewer than sixteen say nothing.
    """
    if len(lengths) < FEWEST_LENGTHS:
        return False
    short, long = percentile(lengths, (10, 90))
    if not SMALLEST_RATIO * short <= long <= LARGEST_RATIO * short:
        return False
    near_short, near_long = max(1.5, ALIKE * float(short)), max(1.5, ALIKE * float(long))
    if long - short < APART * near_short:
        return False  # lengths of a few samples say nothing: every one is near one of the two
    at_short = np.abs(lengths - short) <= near_short
    at_long = np.abs(lengths - long) <= near_long
    both = (np.mean(at_short), np.mean(at_long))
    return bool(np.mean(at_short | at_long) >= IN_TWO and min(both) >= FEWEST_OF_ONE)
