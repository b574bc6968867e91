"""Where the residual of what was before rises from one frame to the next, and stays."""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.dropouts import _predict
from checks.dropouts._junction import LEAST
from checks.dropouts._predict import Floats

_ORDER: Final = 8
_FRAMES: Final = 64  # on each side
_RATIO: Final = 3.0  # of the mean magnitudes on both sides


def rises_at(x: Floats, first: int) -> int | None:
    """The frame behind which most more is left, or none.

    Args:
        x: samples of one track.
        first: from where on it may lie; what is before foretells the rest.
    """
    if first < LEAST or len(x) < first + _FRAMES:
        return None
    size = np.abs(_predict.forward(x, _predict.fitted(x[:first], _ORDER)))
    total = np.concatenate(([0.0], np.cumsum(size)))
    means = (total[_FRAMES:] - total[:-_FRAMES]) / _FRAMES
    before, behind = means[first - _FRAMES : -_FRAMES], means[first:]
    ratio = behind / (before + 1e-300)
    best = int(np.argmax(ratio))
    return first + best if ratio[best] >= _RATIO else None
