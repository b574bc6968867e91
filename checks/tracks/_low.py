"""The low frequencies of every track: means over short runs of samples, for hum and offset.

A mean over ``width`` samples has its zeros at the multiples of the new rate, so nothing folds
onto the lowest frequencies; above them it folds, 15 dB and more down. That is enough for lines
that never stop, and for nothing else.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.block import Block

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

    def of(self, block: Block) -> NDArray[np.float32]:
        """(tracks, frames // width) float32; the last few samples of a capture are left."""
        count = block.frames // self.width
        x = block.scaled[:, : count * self.width].reshape(block.tracks, count, self.width)
        out: NDArray[np.float32] = block.work.take("tracks.low", (block.tracks, count), np.float32)
        np.matmul(x, self._ones, out=out)
        return out

    def gain(self, hz: float) -> float:
        """Amplitude of the mean at a frequency."""
        if self.width == 1 or hz <= 0:
            return 1.0
        angle = math.pi * hz / (self.rate_hz * self.width)
        return abs(math.sin(angle * self.width) / (self.width * math.sin(angle)))
