"""How much later one track is than another: generalised cross-correlation with phase transform.

C. H. Knapp and G. C. Carter, IEEE Trans. ASSP-24, 1976: cross spectra of unit magnitude, over all
stretches that ``_segments`` kept or of each by itself. The peak is the share of the bins, 1 kHz to
17-20 kHz, that agree on one delay.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks.tracks._segments import LENGTH, Segments
from checks.tracks._stretches import Lags

_UNHEARD_DBFS: Final = -150.0  # a bin below holds converter noise or the foot of a line

Spectra = NDArray[np.complexfloating[Any, Any]]


def delays(
    x: NDArray[np.float32], segments: Segments, search_s: float
) -> dict[tuple[int, int], tuple[int, float]]:
    """Lag in samples (second later: positive) and signed peak of every pair of tracks."""
    stretches, tracks, _ = x.shape
    band, least = _heard(segments)
    bins = band.stop - band.start
    if bins < 8:
        return {}
    window = hann(LENGTH)
    units = np.zeros((tracks, stretches, bins), np.complex64)
    for track in range(tracks):
        spectra = np.fft.rfft(x[:, track] * window, axis=1)[:, band]
        size = np.abs(spectra)
        np.divide(spectra, size, out=units[track], where=size > least)
    speaks = np.array([[bool(x[s, t].any()) for s in range(stretches)] for t in range(tracks)])
    found: dict[tuple[int, int], tuple[int, float]] = {}
    full = np.zeros((max(tracks - 1, 1), LENGTH // 2 + 1), np.complex64)
    for a in range(tracks - 1):
        others = units[a + 1 :]
        # conj(first) * second: a second that is later has its peak at a positive lag
        sums = full[: len(others)]
        sums[:, band] = np.einsum("sk,tsk->tk", units[a].conj(), others)
        both = (speaks[a] & speaks[a + 1 :]).sum(axis=1)
        lags, peaks = _highest(sums, segments, search_s)
        tops = peaks / bins / np.maximum(both, 1)
        for b, lag, top in zip(range(a + 1, tracks), lags, tops, strict=True):
            found[a, b] = (int(lag), float(top))
    return found


def delays_of_each(
    x: NDArray[np.float32], segments: Segments, search_s: float
) -> tuple[Lags, NDArray[np.float64]]:
    """Lag and signed peak of each stretch of two tracks, (stretches, 2, LENGTH), by itself."""
    band, least = _heard(segments)
    spectra = np.fft.rfft(x * hann(LENGTH), axis=2)[..., band]
    units = np.divide(
        spectra, np.abs(spectra), out=np.zeros_like(spectra), where=np.abs(spectra) > least
    )
    sums = np.zeros((len(x), LENGTH // 2 + 1), spectra.dtype)
    sums[:, band] = units[:, 0].conj() * units[:, 1]
    lags, peaks = _highest(sums, segments, search_s)
    return lags, peaks / (band.stop - band.start)


def _heard(segments: Segments) -> tuple[slice, float]:
    """The bins that count for a delay, and the size from which one holds a signal."""
    # Amplitude of a line in a Hann spectrum is 2 |X| / sum of the window.
    return band_of(segments, LENGTH), 10 ** (_UNHEARD_DBFS / 20) * float(hann(LENGTH).sum()) / 2


def _highest(
    sums: Spectra, segments: Segments, search_s: float
) -> tuple[Lags, NDArray[np.float64]]:
    """Lag, and signed height in bins, of the highest peak of each row of cross spectra."""
    reach = min(round(search_s * segments.rate_hz), LENGTH // 3)
    lines = np.fft.irfft(sums, LENGTH, axis=1)
    near = np.concatenate((lines[:, -reach:], lines[:, : reach + 1]), axis=1)
    best = np.argmax(np.abs(near), axis=1)
    return best - reach, near[np.arange(len(near)), best] * (LENGTH / 2)


def band_of(segments: Segments, length: int) -> slice:
    """The bins of a transform of that length that the low-pass let through."""
    step = segments.rate_hz / length
    return slice(max(1, math.ceil(segments.low_hz / step)), int(segments.high_hz / step) + 1)


def hann(length: int) -> NDArray[np.float32]:
    n = np.arange(length)
    return (0.5 - 0.5 * np.cos(2 * np.pi * n / length)).astype(np.float32)
