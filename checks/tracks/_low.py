"""The low frequencies of every track: means over short runs of samples, for hum and offset.

A mean over ``width`` samples has its zeros at the multiples of the new rate, so nothing folds
onto 0 Hz; above, a mean folds 15 dB down, and a steady tone's partials may fall on the mains'.
Four means in a row (the mean of means: a cubic B-spline, I. J. Schoenberg 1946) fold 60 dB down
up to the seventh harmonic of 60 Hz.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.block import Block

_MEANS: Final = 4
_LOWEST_RATE_HZ: Final = 2_400.0  # own choice: the seventh harmonic of 60 Hz far below half of it


class LowRate:
    """Makes the series block by block.

    Attributes:
        width: samples a mean.
        rate_hz: rate of the series.
    """

    def __init__(self, rate_hz: int) -> None:
        width = 1
        while width < 128 and rate_hz / (2 * width) >= _LOWEST_RATE_HZ:
            width *= 2
        self.width = width
        self.rate_hz = rate_hz / width
        self._ones = np.full(width, 1.0 / width, np.float32)
        spline = np.ones(1)
        for _ in range(_MEANS):
            spline = np.convolve(spline, self._ones)
        # its parts, the latest samples first
        padded = np.zeros(_MEANS * width)
        padded[: len(spline)] = spline
        self._parts = padded.reshape(_MEANS, width)[:, ::-1].T.astype(np.float32).copy()
        self._before: NDArray[np.float32] | None = None

    def of(self, block: Block) -> NDArray[np.float32]:
        """(tracks, frames // width) float32; the last few samples of a capture are left."""
        count = block.frames // self.width
        x = block.scaled[:, : count * self.width].reshape(block.tracks, count, self.width)
        out: NDArray[np.float32] = block.work.take("tracks.low", (block.tracks, count), np.float32)
        np.matmul(x, self._ones, out=out)
        return out

    def smooth(self, block: Block) -> NDArray[np.float32]:
        """The same of four means in a row, which go on from one block to the next."""
        count = block.frames // self.width
        x = block.scaled[:, : count * self.width].reshape(block.tracks, count, self.width)
        parts = x @ self._parts
        if self._before is None:  # as if the first had always been
            self._before = np.repeat(parts[:, :1], _MEANS - 1, axis=1)
        parts = np.concatenate((self._before, parts), axis=1)
        self._before = parts[:, parts.shape[1] - (_MEANS - 1) :].copy()
        return np.asarray(sum(parts[:, _MEANS - 1 - n :][:, :count, n] for n in range(_MEANS)))

    def gain(self, hz: float) -> float:
        """Amplitude of the smooth series at a frequency."""
        if self.width == 1 or hz <= 0:
            return 1.0
        angle = math.pi * hz / (self.rate_hz * self.width)
        return abs(math.sin(angle * self.width) / (self.width * math.sin(angle))) ** _MEANS
