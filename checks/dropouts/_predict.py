"""Linear prediction: what is left of a signal when its own past, or future, is taken out.

The model is autoregressive, fitted by least squares without a window (the covariance method;
Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63, 1975), because a window's own
side lobes would hide noise that lies 100 dB under the programme.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROUNDING: Final = 1.0 / 12.0
"""Mean square of the error of rounding to a step of 1 (Widrow 1961); no real signal has less
noise, and no fit may pretend that it has."""

_STRETCH: Final = 32  # frames predicted on at once

NORMAL: Final = 0.6745
"""Median of the magnitude of normally distributed noise of standard deviation 1."""


def products(x: Floats, order: int, *, skip: tuple[int, int] = (0, 0)) -> tuple[Floats, int]:
    """Sums of products of ``x`` with its own past, (order + 1, order + 1), and over how many.

    Args:
        x: samples of one track in steps of the word, or of several, (tracks, frames).
        skip: frames from and to which no prediction is asked for (an event lies there).
    """
    first, stop, size = max(skip[0], order), max(skip[1], order), x.shape[-1]
    if stop <= first:
        return _gram(x, order), max(size - order, 0)
    before, after = x[..., :first], x[..., stop - order :]
    count = max(before.shape[-1] - order, 0) + max(after.shape[-1] - order, 0)
    return _gram(before, order) + _gram(after, order), count


def _gram(x: Floats, order: int) -> Floats:
    """Sums of products of each sample from ``order`` on with those up to ``order`` before it.

    The first row is a correlation; each other one is the one above it, moved on by one frame: a
    product comes in at the beginning and one goes out at the end. Exact, as sums of whole numbers
    are up to 2**53.
    """
    shape = (*x.shape[:-1], order + 1, order + 1)
    if x.shape[-1] <= order:
        return np.zeros(shape)
    by_lag = np.empty(shape)  # row, lag from there on
    rows, firsts = x.reshape(-1, x.shape[-1]), by_lag.reshape(-1, *shape[-2:])[:, 0]
    for row, first in zip(rows, firsts, strict=True):
        first[:] = np.correlate(row, row[order:], mode="valid")[::-1]
    comes, goes = _moved(np.stack((x[..., :order], x[..., -order:])))
    np.subtract(comes, goes, out=by_lag[..., 1:, :])
    np.add.accumulate(by_lag, axis=-2, out=by_lag)
    out: Floats = by_lag.reshape(*x.shape[:-1], -1).take(_by_lag(order), axis=-1)
    return out


@cache
def _by_lag(order: int) -> NDArray[np.int64]:
    """Where each product of a pair stands among those in rows by lag."""
    place = np.arange(order + 1)
    rows, lags = np.minimum.outer(place, place), np.abs(np.subtract.outer(place, place))
    return np.asarray(rows * (order + 1) + lags)


def _moved(edge: Floats) -> Floats:
    """Products of the last sample with each before it, of the last but one, and so on."""
    size = edge.shape[-1]
    padded = np.zeros((*edge.shape[:-1], 2 * size + 1))
    padded[..., :size] = edge[..., ::-1]
    rows = padded.take(_before_each(size), axis=-1)
    return np.asarray(rows * rows[..., :1])


@cache
def _before_each(size: int) -> NDArray[np.int64]:
    """Where each sample stands in those turned round, and all before it."""
    return np.asarray(np.add.outer(np.arange(size), np.arange(size + 1)))


def solved(gram: Floats, count: int) -> Floats:
    """The whitening filter from ``products``: 1, then minus the predictor; (order + 1,)."""
    inner, wanted = gram[..., 1:, 1:].copy(order="C"), gram[..., 1:, :1]
    order = inner.shape[-1]
    inner.reshape(*inner.shape[:-2], order * order)[..., :: order + 1] += ROUNDING * count + 1e-300
    out: Floats = np.ones(gram.shape[:-1])
    try:
        np.negative(np.linalg.solve(inner, wanted)[..., 0], out=out[..., 1:])
    except np.linalg.LinAlgError:  # nothing to predict from
        if gram.ndim > 2:
            return np.array([solved(one, count) for one in gram])
        out[1:] = 0.0
    return out


def fitted(x: Floats, order: int, *, skip: tuple[int, int] = (0, 0)) -> Floats:
    """The filter that whitens ``x``, or each of its rows; see ``products`` and ``solved``."""
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
    """The past predicted on over some frames; ``innovations`` are what each adds to it.

    A stretch at a time: all of it follows from the frames before it, and from what is new in it.
    """
    order, size = len(whitening) - 1, max(min(frames, _STRETCH), 1)
    out = np.zeros(order + -(-frames // size) * size)
    out[:order] = past[-order:]
    with np.errstate(over="ignore", invalid="ignore"):
        rings = _rings(whitening, size)
        goes_on = rings @ _reaching(whitening, size)
        for k in range(order, order + frames, size):
            out[k : k + size] = goes_on @ out[k - order : k]
            if innovations is not None:
                new = innovations[k - order :][:size]
                out[k : k + size] += rings[:, : len(new)] @ new
    return out[order : order + frames]


def _rings(whitening: Floats, size: int) -> Floats:
    """What one thing new in each frame of a stretch adds to each, (size, size)."""
    order = len(whitening) - 1
    ring, weights = np.zeros(order + size), -whitening[:0:-1]
    ring[order : order + 1] = 1.0
    for k in range(order + 1, order + size):
        ring[k] = weights @ ring[k - order : k]
    lag = np.subtract.outer(np.arange(size), np.arange(size))
    return np.where(lag >= 0, ring[order + np.maximum(lag, 0)], 0.0)


def _reaching(whitening: Floats, size: int) -> Floats:
    """What of each frame of a stretch the ``order`` frames before it foretell, (size, order)."""
    order = len(whitening) - 1
    lag = np.subtract.outer(np.arange(size), np.arange(-order, 0))
    return np.where(lag <= order, -whitening[np.minimum(lag, order)], 0.0)


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


def each_known(pasts: Floats, order: int) -> list[tuple[Floats, float]]:
    """``known`` of each of several pasts, (tracks, frames)."""
    whitenings = fitted(pasts, order)
    return [(w, floor_of(past, w)) for past, w in zip(pasts, whitenings, strict=True)]


def known(past: Floats, order: int) -> tuple[Floats, float]:
    """The filter that whitens a past, and the floor it leaves of it; see ``floor_of``."""
    whitening = fitted(past, order)
    return whitening, floor_of(past, whitening)


def floor_of(x: Floats, whitening: Floats) -> float:
    """Standard deviation of what the past does not predict, no less than rounding leaves."""
    order = len(whitening) - 1
    return max(spread(forward(x, whitening)[order:]), rounding(whitening))
