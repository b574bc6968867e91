"""Medians and percentiles, by sorting.

numpy's own take several times as long over the few hundred values that are asked for here, and the
first call brings in its masked arrays, which takes as long as the check of half a second of audio.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def median(x: ArrayLike, axis: int | None = None) -> Any:
    """The median of all values, or along an axis; the mean of the middle two of an even count.

    NaN where a NaN is among them, or of none.
    """
    ordered, axis = _ordered(x, axis)
    count = ordered.shape[axis]
    middle = (ordered.take((count - 1) // 2, axis=axis) + ordered.take(count // 2, axis=axis)) / 2
    return _without_nan(middle, ordered, axis)


def percentile(x: ArrayLike, percents: ArrayLike, axis: int | None = None) -> Any:
    """Percentiles of all values, or along an axis, linear between two values.

    Several percents come as the first axis of the result. NaN as for ``median``.
    """
    ordered, axis = _ordered(x, axis)
    count = ordered.shape[axis]
    place = np.asarray(percents, np.float64) * ((count - 1) / 100)
    low = np.floor(place).astype(np.int64)
    shape = (*low.shape, *(1,) * (ordered.ndim - 1))
    part = (place - low).reshape(shape).astype(ordered.dtype if ordered.dtype.kind == "f" else None)
    below, above = (
        np.moveaxis(ordered.take(at, axis=axis), axis, 0) if low.ndim else ordered.take(at, axis)
        for at in (low, np.minimum(low + 1, count - 1))
    )
    return _without_nan(np.where(part > 0, below + (above - below) * part, below), ordered, axis)


def _ordered(x: ArrayLike, axis: int | None) -> tuple[NDArray[Any], int]:
    values: NDArray[Any] = np.asarray(x)
    if axis is None:
        values, axis = values.reshape(-1), 0
    if not values.shape[axis]:
        values = np.full(np.insert(np.delete(values.shape, axis), axis, 1), np.nan)
    return np.sort(values, axis=axis), axis


def _without_nan(found: NDArray[Any], ordered: NDArray[Any], axis: int) -> Any:
    last = ordered.take(-1, axis=axis)  # NaN sort last
    return np.where(np.isnan(last), last, found)[()] if last.dtype.kind == "f" else found
