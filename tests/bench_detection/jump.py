"""How far a planted step stands out of the whitened residual, measured by a way of its own.

Whitening here is linear prediction fitted to the clean signal (autocorrelation method, order 32,
SciPy's Toeplitz solver), not a smoothed spectrum, so that a bench does not repeat a check.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, signal

ORDER = 32
SPAN = 4096


def jump_sigma(clean: NDArray[Any], damaged: NDArray[Any], at: int, frames: int = 1) -> float:
    """Largest residual of the damaged row within the fault, over the robust sigma around it.

    Args:
        clean, damaged: one track each, any unit; equal before ``at``.
        at, frames: the fault in ``damaged``.
    """
    first = max(at - SPAN, 0)
    piece = clean[first : at + SPAN].astype(np.float64)
    hurt = damaged[first : at + frames + ORDER].astype(np.float64)
    if len(piece) < 4 * ORDER or not piece.any():
        return 0.0
    faded = (piece - piece.mean()) * np.hanning(len(piece))
    size = 1 << (2 * len(faded)).bit_length()
    power = np.abs(np.fft.rfft(faded, size)) ** 2
    lags = np.fft.irfft(power)[: ORDER + 1]
    lags[0] *= 1 + 1e-11
    taps: NDArray[np.float64] = np.concatenate(
        ([1.0], -linalg.solve_toeplitz(lags[:ORDER], lags[1:]))
    )
    still = signal.lfilter(taps, [1.0], piece)[ORDER:]
    middle = at - first - ORDER
    near = still[max(middle - 1024, 0) : middle + 1024]
    sigma = float(np.median(np.abs(near - np.median(near)))) / 0.6745  # MAD of a Gaussian
    moved = np.asarray(signal.lfilter(taps, [1.0], hurt))[at - first : at - first + frames + 4]
    return float(np.abs(moved).max()) / max(sigma, 1e-12) if len(moved) else 0.0
