"""The cheap question: may there be a tone at all? Asked of a few tracks, some times a second.

A short transform of the last frames of three tracks: a line-up tone is the loudest thing there by
10 dB and more. At low frequencies, where much music is nothing but bass to a short transform, a
longer stretch of the track is thinned out and transformed before it counts. For that, and to find
where a tone began, the last half second of these tracks is kept.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._spectra import BLACKMAN_HARRIS, HANN, cosine_window, squared_bins
from checks.block import BLOCK_FRAMES, Block

WATCHED: Final = 3  # tracks
BEAT_S: Final = 0.3  # between two looks, at most: a tone of 2 s is seen six times
KEPT_S: Final = 0.8
LONG_S: Final = 0.38  # eleven turns of 30 Hz
SHARE: Final = 0.9  # of the power that a tone must hold: 10 dB over all else
LOW_BINS: Final = 16  # peaks below are looked at through the long transform
LONG: Final = 2048  # values of it that are left: up to 2.7 kHz
LEAST_POWER: Final = 10 ** (-4.9) / 2  # mean square of -49 dBFS: no tone lies lower


class Screen:
    """Keeps the last of some tracks and looks for a peak that stands alone."""

    def __init__(self, rate_hz: int, tracks: Sequence[int]) -> None:
        """``tracks``: those that may carry a tone; three of them, evenly spread, are watched."""
        last = len(tracks) - 1
        self.watched = sorted({tracks[k * last // (WATCHED - 1)] for k in range(WATCHED)})
        self.stride = max(1, int(BEAT_S * rate_hz / BLOCK_FRAMES))  # blocks between looks
        self._rate_hz = rate_hz
        self._length = 4096 if rate_hz > 100_000 else 2048
        self._window = cosine_window(HANN, self._length).values.astype(np.float32)
        factor = max(1, round(LONG_S * rate_hz / LONG))
        self._mean = np.full(factor, 1.0 / factor, np.float32)
        self._long_window = cosine_window(BLACKMAN_HARRIS, LONG).values
        self._lent = 0  # of the oldest blocks: their memory is not used again
        self._history: deque[NDArray[np.float32]] = deque(
            maxlen=int(KEPT_S * rate_hz / BLOCK_FRAMES) + 2
        )

    def lend(self) -> list[NDArray[np.float32]]:
        """The blocks kept, oldest first, each (watched, frames); they stay as they are."""
        self._lent = len(self._history)
        return list(self._history)

    def keep(self, block: Block) -> None:
        """Takes a copy of the watched tracks."""
        full = len(self._history) == self._history.maxlen
        old = self._history.popleft() if full else None
        lent, self._lent = self._lent > 0, max(self._lent - full, 0)
        if old is None or lent or old.shape[1] != block.frames:
            old = np.empty((len(self.watched), block.frames), np.float32)
        for row, track in zip(old, self.watched, strict=True):
            row[:] = block.scaled[track]
        self._history.append(old)

    def forget(self) -> None:
        """Begins anew: the next block does not follow the last one kept."""
        self._history.clear()
        self._lent = 0

    def look(self) -> float | None:
        """Frequency of a tone that may stand in the last block, in hertz; None of none."""
        x = self._history[-1][:, -self._length :]
        if x.shape[1] < self._length:
            return None
        loud = np.einsum("ij,ij->i", x, x) / self._length > LEAST_POWER
        if not loud.any():
            return None
        spectrum = np.fft.rfft(x[loud] * self._window, axis=1)
        power = np.square(spectrum.real)
        power += np.square(spectrum.imag)
        total = power.sum(axis=1)
        below = power[:, :LOW_BINS].sum(axis=1)
        near = power[:, : LOW_BINS + 3].sum(axis=1)  # a peak on the border, whole
        for squared in power[below <= 0.5 * total]:
            # an offset or hum beside a tone is not what is asked for here
            hz = peak_hz(squared, self._rate_hz / self._length, first=LOW_BINS, reach=3)
            if hz is not None:
                return hz
        low = np.flatnonzero((below > 0.5 * total) & (near > SHARE * total))
        if not len(low):
            return None
        middle = low[np.argsort(total[low])[len(low) // 2]]  # not the odd one of three
        return self._low(int(np.flatnonzero(loud)[middle]))

    def _low(self, row: int) -> float | None:
        """The same question for one watched track, up to some 1.5 kHz."""
        factor = len(self._mean)
        want = LONG * factor
        parts: list[NDArray[np.float32]] = []
        for block in reversed(self._history):
            parts.append(block[row])
            if sum(map(len, parts)) >= want:
                break
        x = np.concatenate(parts[::-1])[-want:]
        if len(x) < want:
            return None
        thin = (x.reshape(-1, factor) @ self._mean).astype(np.float64)
        thin -= thin.mean()
        power = squared_bins(thin, self._long_window)
        bin_hz = self._rate_hz / factor / len(thin)
        return peak_hz(power, bin_hz, first=int(25.0 / bin_hz), reach=4, share=0.8)


def peak_hz(
    power: NDArray[np.floating[Any]], bin_hz: float, *, first: int, reach: int, share: float = SHARE
) -> float | None:
    """Frequency of the peak where it holds ``share`` of the power from bin ``first`` on.

    Args:
        power: (bins,) squared magnitudes of a windowed transform.
        reach: bins to either side that belong to a peak; at least half a per cent of the
            frequency, for flutter.
    """
    top = first + int(power[first:].argmax())
    wide = max(reach, int(0.005 * top))
    around = power[max(top - wide, first - reach, 0) : top + wide + 1]
    total = float(power[max(first - reach, 0) :].sum())
    if not total > 0 or float(around.sum()) < share * total:
        return None
    # the centre of gravity of the magnitudes is near enough: it is refined later
    near = np.sqrt(power[max(top - 1, 0) : top + 2])
    centre = max(top - 1, 0) + float(np.dot(near, np.arange(len(near))) / near.sum())
    return centre * bin_hz
