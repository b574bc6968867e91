"""DC offset of every track, told apart from very low tones.

The plain mean of a capture is what the report gives. A tone below a few hertz, or a capture of a
few periods, has a mean as well: so an offset must also hold in each eighth of the capture.

Nor is it one where only loud places have it, as drums made of half waves: the median of short
stretches must hold it as well.

Does not prove where it comes from; and an offset that comes and goes has a mean too small.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.block import BLOCK_FRAMES, Block

_PIECES: Final = 8
_UNITS: Final = 1024  # sums kept; when full, neighbours are joined
_SHARE: Final = 0.5  # of the mean that each eighth must reach, own choice


class Offset:
    """Sums of equal stretches of every track; a stretch doubles when too many are held."""

    def __init__(self, tracks: int, width: int) -> None:
        self._width = width
        self._unit = max(1, min(1024, BLOCK_FRAMES) // width)  # series values a unit
        self._sums = np.zeros((_UNITS, tracks))
        self._filled = 0  # values of the series taken so far
        self._rest = np.zeros(tracks)
        self._frames = 0

    def feed(self, block: Block, low: NDArray[np.float32]) -> None:
        """Take a block and its ``LowRate`` series."""
        self._frames += block.frames
        at = 0
        while at < low.shape[1]:
            unit, inside = divmod(self._filled, self._unit)
            if unit == _UNITS:
                self._sums[: _UNITS // 2] = self._sums[::2] + self._sums[1::2]
                self._sums[_UNITS // 2 :] = 0
                self._unit *= 2
                continue
            if inside == 0 and low.shape[1] - at >= self._unit:
                units = min((low.shape[1] - at) // self._unit, _UNITS - unit)
                part = low[:, at : at + units * self._unit]
                sums = part.reshape(len(low), units, self._unit).sum(axis=2, dtype=np.float64)
                self._sums[unit : unit + units] = sums.T
                count = units * self._unit
            else:
                count = min(self._unit - inside, low.shape[1] - at)
                self._sums[unit] += low[:, at : at + count].sum(axis=1, dtype=np.float64)
            self._filled += count
            at += count
        over = block.scaled[:, low.shape[1] * self._width :]
        if over.shape[1]:
            self._rest += over.sum(axis=1, dtype=np.float64)

    def means(self) -> NDArray[np.float64]:
        """Mean of each track over the whole capture, full scale 1.0; zeros for no frames."""
        total = self._sums.sum(axis=0) * self._width + self._rest
        return np.asarray(total / max(self._frames, 1))

    def steady(self) -> NDArray[np.bool_]:
        """Whether each eighth of the capture has at least half of the track's mean, and so have
        half of its stretches."""
        units = self._filled // self._unit
        if units < _PIECES:
            return np.zeros(self._sums.shape[1], np.bool_)
        edges = np.arange(_PIECES + 1) * units // _PIECES
        pieces = np.add.reduceat(self._sums[:units], edges[:-1], axis=0)
        pieces /= (np.diff(edges) * self._unit)[:, None]
        usual = median(self._sums[:units], axis=0) / self._unit
        pieces = np.vstack((pieces, usual))
        mean = self.means()
        return np.asarray((pieces * np.sign(mean) >= _SHARE * np.abs(mean)).all(axis=0))
