"""The spectrum of the quietest moments, spread over the capture: where floors and lines show.

The time is cut into a few epochs of equal length. Of each epoch, and for each track, the spectrum
is kept of the few segments of one block in which 5 to 18 kHz is quietest. When the epochs are used
up, neighbours are joined two by two (the quieter stays) and those to come are twice as long. So
the memory is fixed, and what is kept depends on the blocks alone. What stands in these spectra is
there in rests too.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

LEAST_TOGETHER: Final = 2  # segments of a block; more in long blocks, a quarter of them
EPOCHS: Final = 16  # for up to 64 tracks, else 8: what is kept must not grow with the tracks

LEAST, MOST = 1e-30, 1e30  # of a density, so that it stays within float32


class QuietSpectra:
    """Power densities of the quietest segments of each epoch, (tracks, epochs, bins)."""

    def __init__(self, tracks: int, bins: int) -> None:
        epochs = EPOCHS if tracks <= 64 else EPOCHS // 2
        self._spectra = np.zeros((tracks, epochs, bins), np.float32)
        self._heard = np.full((tracks, epochs), np.inf)
        self._segments = np.zeros((tracks, epochs), np.int64)
        self._length = 1  # blocks an epoch
        self._at = -1  # number of the block at hand

    def next_block(self) -> None:
        """To be called before each block."""
        self._at += 1
        epochs = self._heard.shape[1]
        if self._at == epochs * self._length:
            first, second = (slice(k, None, 2) for k in (0, 1))
            later = self._heard[:, second] < self._heard[:, first]
            for kept in (self._spectra, self._heard, self._segments):
                pick = later if kept.ndim == 2 else later[..., None]
                kept[:, : epochs // 2] = np.where(pick, kept[:, second], kept[:, first])
            self._heard[:, epochs // 2 :] = np.inf
            self._length *= 2

    def offer(
        self, tracks: slice, power: NDArray[np.float64], heard: NDArray[np.float64], scale: float
    ) -> None:
        """Takes the block's quietest segments where they are the quietest of their epoch so far.

        Args:
            power: (tracks, segments, bins).
            heard: (tracks, segments) power of 5 to 18 kHz; infinite where one is not to count.
            scale: of ``power`` to a density.
        """
        epoch = self._at // self._length
        together = max(LEAST_TOGETHER, heard.shape[1] // 4)
        order = np.argsort(heard, axis=1, kind="stable")[:, :together]
        quietest = np.take_along_axis(heard, order, axis=1)
        counts = np.isfinite(quietest).sum(axis=1)
        least = quietest[:, 0]
        for k in np.flatnonzero(least < self._heard[tracks, epoch]):
            track = k + (tracks.start or 0)
            density = power[k, order[k, : counts[k]]].mean(axis=0) * scale
            self._spectra[track, epoch] = np.clip(density, LEAST, MOST)
            self._heard[track, epoch] = least[k]
            self._segments[track, epoch] = counts[k]

    def of(self, track: int) -> tuple[NDArray[Any], NDArray[np.int64]]:
        """(epochs, bins) density and (epochs,) how many segments each is a mean of."""
        held = np.isfinite(self._heard[track])
        return self._spectra[track, held].astype(np.float64), self._segments[track, held]
