"""Whether a cut may be a corner in the slope, as a sound has that begins in a straight line.

Its value goes on, and only the step from sample to sample becomes another one. What is lost or put
in leaves a step that is neither that before nor that behind.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.dropouts._junction import Junction
from checks.dropouts._predict import Floats

FIRST: Final = 0.5
"""Least share of a jump that its first sample has where samples are lost. From own trials: corners
of attacks that a machine makes in straight lines have 0.04 to 0.46, or all of it."""


def corner(x: Floats, found: Junction) -> bool:
    """Whether another sample than the first jumps, or the step to it fits the steps beside.

    Args:
        x: samples in steps of the word.
    """
    before, here, behind = np.diff(x[found.frame - 2 : found.frame + 2])
    off = abs(here - (before + behind) / 2)
    return bool(found.first < FIRST * found.jump or off <= abs(behind - before))
