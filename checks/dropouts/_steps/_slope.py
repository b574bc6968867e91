"""Whether a cut may be a corner in the slope, as a sound has that begins in a straight line.

Its value goes on, and only the step from sample to sample becomes another one. What is lost or put
in leaves a step that is neither that before nor that behind, as a rule.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.dropouts._junction import Junction
from checks.dropouts._predict import Floats

FIRST: Final = 0.5
"""Least share of a jump that its first sample has where samples are lost. From own trials: corners
of attacks that a machine makes in straight lines have 0.04 to 0.46, or all of it."""

SMOOTH: Final = 0.5
"""Most that the step from sample to sample may change near a corner, share of the largest step: it
stands out of low sounds only, which change little from one to the next. From own trials: 0.03 to
0.3 where drums begin, 1 in tones up to a sixth of the rate."""

_NEAR: Final = 12  # frames on each side


def corner(x: Floats, found: Junction) -> bool:
    """Whether another sample than the first jumps, or the step to it fits the steps beside.

    Args:
        x: samples in steps of the word.
    """
    steps = np.diff(x[found.frame - _NEAR : found.frame + _NEAR])
    if np.abs(np.diff(steps)).max() > SMOOTH * np.abs(steps).max():
        return False
    before, here, behind = steps[_NEAR - 2 : _NEAR + 1]
    off = abs(here - (before + behind) / 2)
    return bool(found.first < FIRST * found.jump or off <= abs(behind - before))
