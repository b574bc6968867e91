"""Zeros that begin or end inside a frame: bytes that were never stored.

A converter gives whole samples, and all tracks of a frame at once; what stores them writes bytes in
sectors of 512 or 4,096, of which hardly any frame ends with one. A hole in a file therefore takes
the last tracks of the frame before it along, or the first of the one behind, or the lower bytes of
a sample (little-endian words, as in most containers). Seen in interleaved captures of several
tracks; in those of one, and where a hole happens to fit the frames, only by such lower bytes, or
not at all.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks._ranks import median
from checks.model import CaptureFormat, Samples

LOOKED_AT: Final = 32  # frames on each side
_NEAR: Final = 8  # of these, how many tell the level: a ramp reaches zero from small values
_LEVEL: Final = 512.0
"""Median size in steps from which a sample is zero by chance once in a thousand. Own reckoning."""

_BYTE: Final = 256


def torn(before: Samples, behind: Samples, fmt: CaptureFormat) -> bool:
    """Whether zeros in all tracks begin or end inside a frame.

    Args:
        before, behind: (tracks, frames) what stands on either side, in order of time.
    """
    if fmt.floating or min(before.shape[1], behind.shape[1]) < LOOKED_AT:
        return False
    used = before.any(axis=1) & behind.any(axis=1)
    before, behind = before[used], behind[used]
    tracks, step = len(before), np.int64(fmt.lsb)
    last, first = before[:, -1] == 0, behind[:, 0] == 0
    for zero, beside in ((last[::-1], before[::-1, -2::-1]), (first, behind[:, 1:])):
        taken = int(np.argmin(zero)) if tracks else 0  # tracks, counted from the hole on
        if not 0 < taken < tracks or zero[taken:].any():
            continue
        near = np.abs(beside[:taken, :_NEAR].astype(np.float64)) / fmt.lsb
        if near[:, 0].all() and bool((median(near, axis=1) >= _LEVEL).all()):
            return True
    if tracks != 1:
        return False
    words = behind[0].astype(np.int64) // step
    cut = words[0] != 0 and words[0] % _BYTE == 0
    return bool(cut and np.count_nonzero(words[1:] % _BYTE == 0) < len(words) // 4)
