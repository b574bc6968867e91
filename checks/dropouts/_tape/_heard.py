"""Means and ranks over the levels that are heard; NaN is what is not."""

from __future__ import annotations

import numpy as np

from checks.dropouts._tape._bands import Floats


def heard_mean(fall: Floats) -> Floats:
    """Mean of the bands heard, 0 where none is."""
    heard = np.isfinite(fall)
    total = np.where(heard, fall, 0.0).sum(axis=0) / np.maximum(heard.sum(axis=0), 1)
    return np.asarray(total, np.float32)


def quietest(floor: Floats) -> Floats:
    """The quietest tenth of the heard windows, the last axis away; NaN with none."""
    ordered = np.sort(floor, axis=-1)  # NaN last
    heard = np.isfinite(ordered).sum(axis=-1)
    pick = np.minimum((0.1 * heard).astype(np.int64), np.maximum(heard - 1, 0))
    return np.take_along_axis(ordered, pick[..., None], axis=-1)[..., 0]


def middle(floor: Floats) -> Floats:
    """The median of the heard windows, the last axis away; NaN with fewer than two."""
    ordered = np.sort(floor, axis=-1)
    heard = np.isfinite(ordered).sum(axis=-1)
    pick = np.maximum(heard - 1, 0) // 2
    level = np.take_along_axis(ordered, pick[..., None], axis=-1)[..., 0]
    return np.where(heard >= 2, level, np.nan).astype(np.float32)
