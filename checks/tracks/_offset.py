"""DC offset of every track, told apart from very low tones.

The plain mean of a capture is what the report gives. A tone below a few hertz, or a capture of a
few periods, has a mean as well: so an offset must also hold in each eighth of the capture, or in
some that follow each other, where it comes or goes while the tape runs; and there may be none of
the other sign anywhere.

Nor is it one where only loud places have it, as drums made of half waves: half of all short
stretches must hold it as well, and three in four where it does not hold throughout.

Does not prove where it comes from; and one of less than two eighths of the capture is not told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import percentile
from checks.block import BLOCK_FRAMES, Block

_PIECES: Final = 8
_UNITS: Final = 1024  # sums kept; when full, neighbours are joined
_FEWEST: Final = 2  # of them that must hold an offset
_SHARE: Final = 0.5  # of the mean that each eighth must reach, own choice
_PARTLY: Final = 2.0
"""Times the limit for an offset that does not hold throughout: what is loud for a while may swing
more to one side. From own trials: applause 0.12 %."""


@dataclass(frozen=True, slots=True)
class Held:
    """An offset that holds for some time.

    Attributes:
        mean: over that time, full scale 1.0.
        first, stop: frames, to a five-hundredth of the capture or better; None, None where it
            holds throughout.
    """

    mean: float
    first: int | None = None
    stop: int | None = None


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

    def held(self, least: float) -> dict[int, Held]:
        """Tracks with an offset of at least so much, full scale 1.0: throughout, or, if it is twice
        that, for as many eighths of the capture as it holds."""
        if self._filled // self._unit < _PIECES:
            return {}
        lengths = range(_PIECES, _FEWEST - 1, -1)
        found: dict[int, Held] = {}
        for track in range(self._sums.shape[1]):
            sums = self._sums[: self._filled // self._unit, track] / self._unit
            for length in lengths:
                spans = (_over(sums, k, k + length) for k in range(_PIECES - length + 1))
                enough = least if length == _PIECES else _PARTLY * least
                held = [span for span in spans if span is not None and abs(span[0]) >= enough]
                if held:
                    mean, first, stop = max(held, key=lambda span: abs(span[0]))
                    if length == _PIECES:
                        found[track] = Held(mean)
                        break
                    first, stop = _borders(sums, first, stop)
                    frames = [at * self._unit * self._width for at in (first, stop)]
                    if stop - first > _PIECES:  # at its borders a stretch holds it partly
                        first, stop = first + 1, stop - 1
                    found[track] = Held(float(sums[first:stop].mean()), *frames)
                    break
        return found


def _over(means: NDArray[np.float64], first: int, stop: int) -> tuple[float, int, int] | None:
    """The offset that holds from one eighth to before another, and from which to before which of
    the ``means`` of short stretches that is; None where none does."""
    edges = np.arange(_PIECES + 1) * len(means) // _PIECES
    start, end = int(edges[first]), int(edges[stop])
    mean = float(means[start:end].mean())
    share = np.add.reduceat(means, edges[:-1]) / np.diff(edges) / (mean or np.inf)
    rank = 0.5 if stop - first == _PIECES else 0.25
    usual = float(percentile(np.sign(mean) * means[start:end], 100 * rank)) / (abs(mean) or np.inf)
    if (share < -_SHARE).any() or (share[first:stop] < _SHARE).any() or usual < _SHARE:
        return None
    return mean, start, end


def _borders(means: NDArray[np.float64], first: int, stop: int) -> tuple[int, int]:
    """Where an offset that is told by eighths begins and ends: up to an eighth farther out, or half
    of one farther in, as no more of one that holds it may be without.

    Least squares: of all pairs of borders those that leave least of the ``means`` of short
    stretches when the mean inside is taken from those inside, and the mean outside from the rest.
    """
    count = len(means)
    near = count // _PIECES + 1
    sums = np.concatenate(([0.0], np.cumsum(means - means.mean())))
    begins = np.arange(max(first - near, 0), first + near // 2 + 1)
    ends = np.arange(stop - near // 2, min(stop + near, count) + 1)
    inside = np.subtract.outer(ends, begins).astype(np.float64)
    inside[(inside <= 0) | (inside == count)] = np.nan
    told = np.subtract.outer(sums[ends], sums[begins]) ** 2 / (inside * (count - inside))
    end, begin = np.unravel_index(int(np.nanargmax(told)), told.shape)
    return int(begins[begin]), int(ends[end])
