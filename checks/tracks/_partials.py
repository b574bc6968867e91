"""Lags between tracks that share nothing but partials: tones over a converter's noise alone.

Where no hiss sounds, most bins of two copies hold noise of their own, which drowns the phases of
those few that agree (see ``_delays``). Here only bins count that stand far over what their track
holds in its emptiest ones.

Does not tell a copy from a player who doubles another, nor the lag of a steady tone from others a
period away: that is told by what is left when the two are laid over one another (see ``_pairs``).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import percentile
from checks.tracks._delays import Spectra, hann
from checks.tracks._segments import LENGTH, Segments

_LOW_HZ: Final = 100.0  # common practice: below, rumble and hum
_EMPTY: Final = 25.0  # percentile of a track's bins; the others may all hold partials
_OVER_DB: Final = 25.0  # own choice: that quarter of white noise lies 5 dB under its mean, and one
# bin in 10**40 of it 20 dB over that
_ALIKE: Final = 0.7  # own choice: of two copies, the correlation of where their partials stand
_FEWEST: Final = 64  # bins that must hold a partial of both
# Share of these that agree on a lag; and so many over the root of their number: chance gives 2.9
# among 5,000 lags, and the bins of one partial agree by themselves. What is 30 ms late keeps 0.3.
_AGREE: Final = 0.15
_CHANCE: Final = 5.0


class Partials:
    """The spectra of tracks with the bins alone that hold partials, each made when first asked."""

    def __init__(self, x: NDArray[np.float32], segments: Segments) -> None:
        """``x``: (stretches, tracks, LENGTH)."""
        step = segments.rate_hz / LENGTH
        self._band = slice(math.ceil(_LOW_HZ / step), int(segments.high_hz / step) + 1)
        self._rate_hz = segments.rate_hz
        self._x = x
        self._made: dict[int, tuple[Spectra, NDArray[np.bool_]]] = {}

    def _of(self, track: int) -> tuple[Spectra, NDArray[np.bool_]]:
        """A track's bins scaled to 1 where they hold a partial, else 0; and whether they do."""
        if track not in self._made:
            spectra = np.fft.rfft(self._x[:, track] * hann(LENGTH), axis=1)[:, self._band]
            size = np.abs(spectra)
            spoken = size[size.any(axis=1)]
            floor = float(percentile(spoken.ravel(), _EMPTY)) if len(spoken) else 0.0
            heard = size > max(floor * 10 ** (_OVER_DB / 20), 1e-30)
            units = np.divide(spectra, size, out=np.zeros_like(spectra), where=heard)
            self._made[track] = units, heard
        return self._made[track]

    def lag(self, pair: tuple[int, int], search_s: float) -> int | None:
        """The likeliest lag of the second track in samples, later positive; None: not alike."""
        (a, first), (b, second) = (self._of(track) for track in pair)
        count = int(np.count_nonzero(first & second))
        if count < _FEWEST or count < _ALIKE * math.sqrt(float(first.sum()) * float(second.sum())):
            return None
        sums = np.zeros(LENGTH // 2 + 1, a.dtype)
        sums[self._band] = (a.conj() * b).sum(axis=0)
        reach = min(round(search_s * self._rate_hz), LENGTH // 3)
        line = np.abs(np.fft.irfft(sums, LENGTH)) * (LENGTH / 2) / count
        line = np.concatenate((line[-reach:], line[: reach + 1]))
        best = int(np.argmax(line))
        return best - reach if line[best] >= max(_AGREE, _CHANCE / math.sqrt(count)) else None
