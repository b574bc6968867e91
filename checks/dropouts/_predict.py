"""Linear prediction: what is left of a signal when its own past, or future, is taken out.

The model is autoregressive, fitted by least squares without a window (the covariance method;
Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63, 1975), because a window's own
side lobes would hide noise that lies 100 dB under the programme.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROUNDING: Final = 1.0 / 12.0
"""Mean square of the error of rounding to a step of 1 (Widrow 1961); no real signal has less
noise, and no fit may pretend that it has."""

_PIECE: Final = 128  # x 33 x 33 stays under the 2**18 products at which threads are started

NORMAL: Final = 0.6745
"""Median of the magnitude of normally distributed noise of standard deviation 1."""


def products(x: Floats, order: int, *, skip: tuple[int, int] = (0, 0)) -> tuple[Floats, int]:
    """Sums of products of ``x`` with its own past, (order + 1, order + 1), and over how many.

    Args:
        x: samples of one track in steps of the word.
        skip: frames from and to which no prediction is asked for (an event lies there).
    """
    if len(x) <= order:
        return np.zeros((order + 1, order + 1)), 0
    step = x.strides[0]
    rows = as_strided(x[order:], (len(x) - order, order + 1), (step, -step), writeable=False)
    first, stop = max(skip[0] - order, 0), max(skip[1] - order, 0)
    if stop <= first:
        return _gram(rows), len(rows)
    before, after = rows[:first], rows[stop:]
    return _gram(before) + _gram(after), len(before) + len(after)


def _gram(rows: Floats) -> Floats:
    """``rows.T @ rows`` in pieces so small that a matrix library keeps them in one thread."""
    size = rows.shape[1]
    count = -(-max(len(rows), 1) // _PIECE)
    padded = np.zeros((count * _PIECE, size))
    padded[: len(rows)] = rows
    pieces = padded.reshape(count, _PIECE, size)
    total: Floats = np.matmul(pieces.transpose(0, 2, 1), pieces).sum(axis=0)
    return total


def solved(gram: Floats, count: int) -> Floats:
    """The whitening filter from ``products``: 1, then minus the predictor; (order + 1,)."""
    order = len(gram) - 1
    inner = gram[1:, 1:] + np.eye(order) * (ROUNDING * count + 1e-300)
    try:
        weights = np.linalg.solve(inner, gram[1:, 0])
    except np.linalg.LinAlgError:  # nothing to predict from
        weights = np.zeros(order)
    return np.concatenate(([1.0], -weights))


def fitted(x: Floats, order: int, *, skip: tuple[int, int] = (0, 0)) -> Floats:
    """The filter that whitens ``x``; see ``products`` and ``solved``."""
    return solved(*products(x, order, skip=skip))


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


def continued(
    past: Floats, whitening: Floats, frames: int, innovations: Floats | None = None
) -> Floats:
    """The past predicted on over some frames; ``innovations`` are what each adds to it."""
    order = len(whitening) - 1
    out = np.zeros(order + frames)
    out[:order] = past[-order:]
    weights = -whitening[:0:-1]
    with np.errstate(over="ignore", invalid="ignore"):
        for k in range(order, order + frames):
            out[k] = weights @ out[k - order : k]
            if innovations is not None:
                out[k] += innovations[k - order]
    return out[order:]


def response(whitening: Floats, frames: int) -> Floats:
    """What one thing new, of size 1, adds to the frames from its own on, as predicted."""
    return continued(np.zeros(len(whitening) - 1), whitening, frames, np.eye(1, frames)[0])


def spread(residual: Floats) -> float:
    """Standard deviation by the median, so that an event within does not count; 0 of nothing."""
    size = len(residual)
    if not size:
        return 0.0
    ordered = np.sort(np.abs(residual))  # of so few, several times as fast as numpy's own median
    return float((ordered[(size - 1) // 2] + ordered[size // 2]) / 2) / NORMAL


def rounding(whitening: Floats) -> float:
    """What rounding to a step of 1 alone leaves in the residual, as a standard deviation."""
    return float(np.sqrt(ROUNDING * (whitening @ whitening)))


def known(past: Floats, order: int) -> tuple[Floats, float]:
    """The filter that whitens a past, and the floor it leaves of it; see ``floor_of``."""
    whitening = fitted(past, order)
    return whitening, floor_of(past, whitening)


def floor_of(x: Floats, whitening: Floats) -> float:
    """Standard deviation of what the past does not predict, no less than rounding leaves."""
    order = len(whitening) - 1
    return max(spread(forward(x, whitening)[order:]), rounding(whitening))
