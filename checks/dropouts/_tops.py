"""Tops that are cut off near a place: their corners jump, and clipping tells of them.

A top is a few samples at the extreme of all that is around. Exact ones are equal. Behind noise or
an AC coupling they only nearly are; but the first sample that the past does not foretell is one of
them, and should lie beyond all that is around; or the last that the future does not.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.dropouts import _predict
from checks.dropouts._junction import LEAST, ORDER, STANDS_OUT
from checks.dropouts._predict import Floats
from checks.model import Samples

_NEAR: Final = 256  # frames on each side within which exact tops count
_CORNER: Final = 16  # frames within which one sample at full scale is a corner of the place
_SOONER: Final = 48  # frames before the screen's peak at which the first corner may lie
_TOP: Final = 0.01
"""How far below the extreme a top may lie, share of half the range: noise and the tilt of an AC
coupling (own choice)."""


def near(x: Samples, peak: int, *, full: float, lsb: float) -> bool:
    """Whether tops are cut off near a peak of the screen, on one track.

    Args:
        x: samples as they are stored.
        full, lsb: full scale, and one step of the word, in these.
    """
    around = x[max(peak - _NEAR, 0) : peak + _NEAR]
    for value in (x.max(), x.min()):  # three equal samples in a row are a top
        at = around == value
        if bool((at[2:] & at[1:-1] & at[:-2]).any()):
            return True
    here = x[max(peak - _CORNER, 0) : peak + _CORNER]
    if bool((here >= full - lsb).any() or (here <= -full).any()):
        return True
    return _cornered(x.astype(np.float64), peak)


def cut_off(x: Floats, frame: int, deviation: float) -> bool:
    """Whether a sample belongs to a clipped top.

    It is as large as any around, or nearly, and should be larger than all; or two in a row stand
    there.

    Args:
        x: samples of one track.
        deviation: of the sample from what it should be, in their unit.
    """
    if _should_be_beyond(x, frame, deviation):
        return True
    around = x[max(frame - 2, 0) : frame + 3]
    tops = [around == extreme for extreme in (x.max(), x.min())]
    return any(bool((at[1:] & at[:-1]).any()) for at in tops)


def _should_be_beyond(x: Floats, frame: int, deviation: float) -> bool:
    value, should = float(x[frame]), float(x[frame]) - deviation
    top, bottom, least = _range(x)
    return (value >= top - least and should > top) or (value <= bottom + least and should < bottom)


def _range(x: Floats) -> tuple[float, float, float]:
    """The extremes, and how far from them a top may lie."""
    top, bottom = float(x.max()), float(x.min())
    return top, bottom, _TOP * (top - bottom) / 2


def _cornered(x: Floats, peak: int) -> bool:
    """Whether the first sample that the past does not foretell is the corner of a top.

    Or the last that the future does not.
    """
    first, last = peak - _SOONER, peak + _SOONER
    here = x[max(first, 0) : last]
    top, bottom, least = _range(x)
    at_top = bool((here >= top - least).any() or (here <= bottom + least).any())
    if not at_top or min(first, len(x) - last) < LEAST + ORDER:
        return False
    return _comes_to(x, first) or _comes_to(x[::-1], len(x) - last)


def _comes_to(x: Floats, first: int) -> bool:
    past = x[:first]
    whitening = _predict.fitted(past, ORDER)
    off = _predict.forward(x[: first + 2 * _SOONER], whitening)[first:]
    out = np.flatnonzero(np.abs(off) > STANDS_OUT * _predict.floor_of(past, whitening))
    return len(out) > 0 and _should_be_beyond(x, first + int(out[0]), float(off[out[0]]))
