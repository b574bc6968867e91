"""Linear prediction: what is left of a signal when its own past, or future, is taken out.

The model is autoregressive, fitted by least squares without a window (the covariance method;
Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63, 1975), because a window's own
side lobes would hide noise that lies 100 dB under the programme.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROUNDING: Final = 1.0 / 12.0
"""Mean square of the error of rounding to a step of 1 (Widrow 1961); no real signal has less
noise, and no fit may pretend that it has."""

NORMAL: Final = 0.6745
"""Median of the magnitude of normally distributed noise of standard deviation 1."""


def fitted(x: Floats, order: int, *, skip: tuple[int, int] = (0, 0)) -> Floats:
    """The filter that whitens ``x``: 1, then minus the predictor; (order + 1,).

    Args:
        x: samples in steps of the word, one track, longer than twice the order.
        skip: frames from and to which predictions are not asked for (an event lies there).
    """
    rows = sliding_window_view(x, order + 1)[:, ::-1]
    target = np.arange(order, len(x))
    rows = rows[(target < skip[0]) | (target >= skip[1])]
    gram = rows.T @ rows
    inner = gram[1:, 1:] + np.eye(order) * (ROUNDING * len(rows) + 1e-300)
    try:
        weights = np.linalg.solve(inner, gram[1:, 0])
    except np.linalg.LinAlgError:  # nothing to predict from
        weights = np.zeros(order)
    return np.concatenate(([1.0], -weights))


def forward(x: Floats, whitening: Floats) -> Floats:
    """What the past does not predict, in the shape of ``x``; the first ``order`` are zero."""
    order = len(whitening) - 1
    out = np.zeros(len(x))
    out[order:] = np.convolve(x, whitening)[order : len(x)]
    return out


def backward(x: Floats, whitening: Floats) -> Floats:
    """What the future does not predict; the last ``order`` are zero.

    A stationary process looks the same in both directions, so the filter serves both.
    """
    return forward(x[::-1], whitening)[::-1]


def spread(residual: Floats) -> float:
    """Standard deviation by the median, so that an event within does not count; 0 of nothing."""
    if not len(residual):
        return 0.0
    return float(np.median(np.abs(residual))) / NORMAL
