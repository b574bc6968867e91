"""Cheap looks at a peak of the screen, before the place is looked at closely."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts import _predict
from checks.dropouts._history import History
from checks.dropouts._junction import ORDER
from checks.model import Samples

_QUIET: Final = 64  # frames before the place in which nothing as large may have come
_ALONE: Final = 0.8  # share of the disturbance that one sample explains
_FULL: Final = 2.0**31
_WRAPPED: Final = 1.5  # a jump of this much of full scale wraps round
_SMOOTH: Final = 0.5  # largest jump of most sound once unwrapped; random words reach 1


def quiet_or_alone(history: History, track: int, peak: int, whitening: NDArray[np.float64]) -> bool:
    """Whether nothing as large came just before a peak, or one sample makes most of it.

    A cheap look with the screen's own filter.
    """
    order = len(whitening) - 1
    start = max(peak - 2 * _QUIET - order, history.start)
    x = np.asarray(history.row(track, start, peak + 2 * order + 1), np.float64)
    at = peak - start
    if at < 3 * order or len(x) < at + 2 * order + 1 or not np.isfinite(x).all():
        return True
    residual = _predict.forward(x, whitening)
    size = np.abs(residual)
    before, here = size[order : at - 2 * order], float(size[at - 2 * order : at + 2].max())
    if not len(before) or 2 * float(before.max()) <= here:
        return True
    near = residual[at - 2 * order :]
    fits = np.correlate(near, whitening, mode="valid")
    share = float((fits**2).max()) / float(whitening @ whitening)
    return share >= _ALONE * float(near @ near)


def broken(x: Samples, peak: int) -> bool:
    """Whether the samples at the peak are no numbers, or wrapped round: told by other checks."""
    near = np.asarray(x[:, max(peak - 2 * ORDER, 0) : peak + 2 * ORDER], np.float64)
    if not np.isfinite(near).all():
        return True
    if x.dtype != np.int32:
        return False
    wrapped = (np.abs(np.diff(near, axis=1)) > _WRAPPED * _FULL).any(axis=1)
    if not wrapped.any():
        return False
    unwrapped = np.diff(np.unwrap(near[wrapped], period=2 * _FULL, axis=1), axis=1)
    return bool(np.abs(unwrapped).max() <= _SMOOTH * _FULL)
