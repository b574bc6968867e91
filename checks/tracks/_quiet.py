"""The quietest windows of every track, spread evenly over a capture, as power spectra (Hann)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.tracks._levels import power_of_two

Series = NDArray[np.float32]
_SLOTS: Final = 32
_LOWEST_HZ: Final = 30.0  # rumble below it makes no window loud
_SIGNAL_SHARE: Final = 0.9  # of the samples; digital silence tells nothing
_ALIKE: Final = 4.0  # power, 6 dB: windows so near to the quietest hold the same kind of rest


class QuietWindows:
    """Cuts a series into windows and keeps the quietest of each of up to 32 equal stretches.

    Attributes:
        length: samples a window, a power of two.
        step_hz: from one bin to the next.
        bins: of a spectrum kept; bin 0 is 0 Hz.
    """

    def __init__(
        self,
        tracks: int,
        rate_hz: float,
        longest_s: float,
        reach_hz: float,
        *,
        overlapping: bool = True,
        also: Callable[[Series], None] | None = None,
    ) -> None:
        """``also``: who else wants to see each window, (tracks, samples)."""
        self._also = also
        self.length = power_of_two(longest_s * rate_hz, 64, 1 << 17)
        self._move = self.length // 2 if overlapping else self.length
        n = np.arange(self.length)
        self._window = (0.5 - 0.5 * np.cos(2 * np.pi * n / self.length)).astype(np.float32)
        self._scale = 1.0 / float(self._window.sum()) ** 2
        self.step_hz = rate_hz / self.length
        self.bins = max(int(reach_hz / self.step_hz), 8)
        self._first = int(_LOWEST_HZ / self.step_hz)
        self._series = np.zeros((tracks, self.length), np.float32)
        self._tapered = np.zeros_like(self._series)
        self._filled = 0
        self._spectra = np.zeros((tracks, _SLOTS, self.bins), np.float32)
        self._quiet = np.full((tracks, _SLOTS), np.inf)
        self._places = np.zeros((tracks, _SLOTS), np.int64)
        self._windows = 0
        self._a_slot = 1  # windows a slot

    def feed(self, series: Series) -> None:
        """Take some more, (tracks, samples)."""
        at = 0
        while at < series.shape[1]:
            count = min(self.length - self._filled, series.shape[1] - at)
            self._series[:, self._filled : self._filled + count] = series[:, at : at + count]
            self._filled += count
            at += count
            if self._filled == self.length:
                self._look()
                self._filled = self.length - self._move
                if self._filled:
                    self._series[:, : self._filled] = self._series[:, self._move :].copy()

    def _look(self) -> None:
        slot = self._windows // self._a_slot
        if slot == _SLOTS:
            self._join()
            slot = self._windows // self._a_slot
        place = self._windows
        self._windows += 1
        if self._also is not None:
            self._also(self._series)
        signal = np.count_nonzero(self._series, axis=1) >= _SIGNAL_SHARE * self.length
        tapered = np.multiply(self._series, self._window, out=self._tapered)
        found = np.fft.rfft(tapered, axis=1)[:, : self.bins]
        power = found.real**2 + found.imag**2
        quiet = power[:, self._first :].sum(axis=1) * self._scale
        for track in np.flatnonzero(signal & (quiet < self._quiet[:, slot])):
            self._quiet[track, slot] = quiet[track]
            self._spectra[track, slot] = power[track] * self._scale
            self._places[track, slot] = place

    def _join(self) -> None:
        """Two slots become one, which keeps the quieter window."""
        half = _SLOTS // 2
        kept = zip(self._quiet, self._spectra, self._places, strict=True)
        for quiet, spectra, places in kept:
            best = np.arange(0, _SLOTS, 2) + (quiet[1::2] < quiet[::2])
            quiet[:half] = quiet[best]
            quiet[half:] = np.inf
            spectra[:half] = spectra[best]
            places[:half] = places[best]
        self._a_slot *= 2

    def kept(self, track: int) -> tuple[Series, NDArray[np.int64]]:
        """Spectra (windows, bins) in the order of time, and where each begins, in moves."""
        there = np.isfinite(self._quiet[track])
        return self._spectra[track, there], self._places[track, there]

    def usual_over_quietest(self, track: int) -> float:
        """By how much the window in the middle is louder than the second quietest, in power."""
        quiet = np.sort(self._quiet[track])
        there = quiet[np.isfinite(quiet)]
        return float(there[len(there) // 2] / max(there[1], 1e-30)) if len(there) > 1 else 0.0

    def quietest(self, track: int) -> tuple[Series, NDArray[np.int64]]:
        """Of these, the ones that are as quiet as the second quietest, or nearly so."""
        quiet = self._quiet[track]
        near = np.isfinite(quiet) & (quiet <= _ALIKE * np.sort(quiet)[1])
        return self._spectra[track, near], self._places[track, near]
