"""Spectral kernels that several checks share: windows, and Welch's power density in fixed memory.

Definitions: Heinzel, Ruediger and Schilling 2002, "Spectrum and spectral density estimation by
the DFT", and Harris 1978, "On the use of windows for harmonic analysis with the DFT". With
S1 = sum of w, S2 = sum of w squared and X the transform of one windowed segment:

- power spectrum (a tone of amplitude A reads A**2 / 2): 2 |X|**2 / S1**2,
- power spectral density (full scale squared a hertz): 2 |X|**2 / (rate S2),
- their ratio is the equivalent noise bandwidth in hertz: rate S2 / S1**2.

The bins of 0 Hz and of half the rate are not doubled. Powers are averaged, never decibels.
Levels are AES17 dBFS: a full-scale sine (mean square 1/2) is 0 dBFS.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

# Cosine-sum coefficients; the k-th multiplies cos(2 pi k n / N) with its sign as printed.
HANN: Final = (0.5, -0.5)  # Harris 1978
BLACKMAN_HARRIS: Final = (0.35875, -0.48829, 0.14128, -0.01168)  # Harris 1978, 4 terms, 92 dB


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """A window and its two sums.

    Attributes:
        values: (length,) float64.
        s1, s2: sum of the values, and of their squares.
    """

    values: NDArray[np.float64]
    s1: float
    s2: float

    @property
    def length(self) -> int:
        return len(self.values)


def cosine_window(coefficients: tuple[float, ...], length: int) -> Window:
    """A periodic (DFT-even) sum of cosines.

    Args:
        coefficients: of cos(2 pi k n / length) for k = 0, 1, ..., signs included.
        length: number of values, at least 2.

    Raises:
        ValueError: ``length`` below 2.
    """
    if length < 2:
        raise ValueError(f"a window needs at least 2 values, got {length}")
    turn = 2.0 * np.pi * np.arange(length) / length
    values = np.zeros(length)
    for k, coefficient in enumerate(coefficients):
        values += coefficient * np.cos(k * turn)
    return Window(values, float(values.sum()), float(np.square(values).sum()))


def squared_bins(
    segments: NDArray[Any],
    window: NDArray[np.float64],
    *,
    windowed: NDArray[np.float64] | None = None,
    bins: NDArray[np.complex128] | None = None,
    out: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """|X|**2 of each windowed segment, neither doubled nor scaled.

    Double precision throughout: in single precision the rounding of a loud programme lies only
    some 140 dB below it, moves with it, and so would pass for content above it.

    Args:
        segments: (..., length), any real type; nothing but finite numbers.
        window: (length,), scale of the samples included where they are integers.
        windowed, bins, out: memory to work in, of the shapes of ``segments`` and of the result.

    Returns:
        float64, (..., length // 2 + 1).
    """
    held = np.multiply(segments, window, out=windowed)
    spectrum = np.fft.rfft(held, axis=-1, out=bins)
    power: NDArray[np.float64] = np.square(spectrum.real, out=out)
    np.square(spectrum.imag, out=spectrum.imag)
    power += spectrum.imag
    return power


class Welch:
    """Mean power density of one or several tracks over any number of segments, in fixed memory.

    Welch 1967. No mean is taken out of a segment: levels are wanted as they are.

    Attributes:
        bin_hz: distance of neighbouring bins in hertz.
        counts: (*shape,) how many segments were taken.
    """

    def __init__(self, window: Window, rate_hz: float, shape: tuple[int, ...] = ()) -> None:
        self._window = window
        self._rate_hz = float(rate_hz)
        self._sums = np.zeros((*shape, window.length // 2 + 1))
        self._one_sided = one_sided(window.length)
        self.bin_hz = self._rate_hz / window.length
        self.counts = np.zeros(shape, np.int64)

    def add(self, segments: NDArray[Any]) -> None:
        """Takes (*shape, segments, length) samples, full scale 1.0."""
        squared = squared_bins(segments, self._window.values)
        self.add_sums(squared.sum(axis=-2), squared.shape[-2])

    def add_sums(
        self, sums: NDArray[np.float64], counts: NDArray[np.int64] | int, where: Any = ...
    ) -> None:
        """Takes what ``squared_bins`` made of samples of full scale 1.0, summed over segments.

        Args:
            sums: (*shape, bins).
            counts: of how many segments each is the sum.
            where: index of the tracks that these belong to, all if not given.
        """
        self._sums[where] += sums
        self.counts[where] += counts

    def density(self) -> NDArray[np.float64]:
        """(*shape, bins): power density, full scale squared a hertz; zeros of no segment."""
        return self._sums * self._one_sided / (self._rate_hz * self._window.s2 * self._counted())

    def spectrum(self) -> NDArray[np.float64]:
        """(*shape, bins): power spectrum; a tone of amplitude A on a bin reads A**2 / 2."""
        return self._sums * self._one_sided / (self._window.s1**2 * self._counted())

    def _counted(self) -> NDArray[np.int64]:
        return np.maximum(self.counts, 1)[..., None]


def one_sided(length: int) -> NDArray[np.float64]:
    """(length // 2 + 1,): 2 for every bin but that of 0 Hz and that of half the rate."""
    factors = np.full(length // 2 + 1, 2.0)
    factors[0] = 1.0
    if length % 2 == 0:
        factors[-1] = 1.0
    return factors


def decibels(mean_square: NDArray[np.float64], floor: float = 1e-40) -> NDArray[np.float64]:
    """AES17 dBFS (dBFS a hertz of a density) of mean squares; nothing reads as ``floor``."""
    result: NDArray[np.float64] = np.log(np.maximum(mean_square, floor) * 2.0)
    result *= 10.0 / np.log(10.0)  # twice as fast as log10
    return result
