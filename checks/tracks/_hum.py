"""Mains hum of every track: lines at 50 or 60 Hz and their harmonics that never stop.

The capture is cut into up to 32 equal stretches; of each the quietest window of about three
seconds is kept, a track at a time, as a power spectrum (Hann). Over these the 20th percentile is
taken bin by bin: a note that pauses in a fifth of them is gone, a line that never stops stands.
What then stands as a peak within the mains' tolerance, in one row with its harmonics, at a level
that stays, is hum. Frequencies by the ratio of neighbouring bins (Hann: F. J. Harris, Proc. IEEE
66, 1978), good to a tenth of a bin, some 0.03 Hz.

Does not tell whether the hum is on the tape or came in behind it; a tone of exactly the mains'
frequency that is held throughout looks the same; and below a drone that never pauses nothing is
seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.tracks._levels import power_of_two
from checks.tracks._low import LowRate

Series = NDArray[np.float32]
MAINS_HZ: Final = (50.0, 60.0)
_WINDOW_S: Final = 4.5  # at most; a power of two of samples, so 2.7 s and more
_SLOTS: Final = 32
_HIGHEST: Final = 7  # harmonics looked at, own choice: above it the hiss takes over
_PERCENT: Final = 20.0
_CLEAR_DB: Final = 10.0  # a line over what surrounds it; chance: below 1e-4 a bin
_CLEAR_ALONE_DB: Final = 20.0
_STEADY_DB: Final = 2.0  # own choice: noise 10 dB under the line moves it by this much
_ROW_HZ: Final = 0.1  # how far f / k of the harmonics may differ


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """What was found on a track.

    Attributes:
        level_dbfs: of all lines together.
        mains_hz: their fundamental, whether or not it is there itself.
        harmonics: which multiples are there.
        steady_share: share of the stretches in which the strongest line keeps its level.
    """

    level_dbfs: float
    mains_hz: float
    harmonics: tuple[int, ...]
    steady_share: float


class HumFinder:
    """Keeps the quietest windows."""

    def __init__(self, tracks: int, low: LowRate, also: Callable[[Series], None]) -> None:
        """``also``: who else wants to see each long window, (tracks, samples)."""
        self._low = low
        self._also = also
        self._length = power_of_two(_WINDOW_S * low.rate_hz, 64, 1 << 17)
        n = np.arange(self._length)
        self._window = (0.5 - 0.5 * np.cos(2 * np.pi * n / self._length)).astype(np.float32)
        self._step_hz = low.rate_hz / self._length
        reach = min(MAINS_HZ[-1] * (_HIGHEST + 0.5), 0.4 * low.rate_hz)
        self._bins = max(int(reach / self._step_hz), 8)
        self._series = np.zeros((tracks, self._length), np.float32)
        self._filled = 0
        self._spectra = np.zeros((tracks, _SLOTS, self._bins), np.float32)
        self._quiet = np.full((tracks, _SLOTS), np.inf)
        self._windows = 0
        self._a_slot = 1  # windows a slot

    @property
    def usable(self) -> bool:
        """Whether the rate leaves room for the mains and a harmonic."""
        return self._bins * self._step_hz > 2.2 * MAINS_HZ[-1]

    @property
    def window_s(self) -> float:
        return self._length / self._low.rate_hz

    def feed(self, series: Series) -> None:
        """Take some more of the ``LowRate`` series."""
        if not self.usable:
            return
        at = 0
        while at < series.shape[1]:
            count = min(self._length - self._filled, series.shape[1] - at)
            self._series[:, self._filled : self._filled + count] = series[:, at : at + count]
            self._filled += count
            at += count
            if self._filled == self._length:
                self._look()
                half = self._length // 2
                self._series[:, :half] = self._series[:, half:].copy()
                self._filled = half

    def _look(self) -> None:
        slot = self._windows // self._a_slot
        if slot == _SLOTS:
            self._join()
            slot = self._windows // self._a_slot
        self._windows += 1
        self._also(self._series)
        scale = 1.0 / float(self._window.sum()) ** 2
        first = int(30.0 / self._step_hz)
        for track, series in enumerate(self._series):
            if np.count_nonzero(series) < 0.9 * self._length:
                continue  # digital silence tells nothing about hum
            found = np.fft.rfft(series * self._window)[: self._bins]
            power = (found.real**2 + found.imag**2) * scale
            quiet = float(power[first:].sum())
            if quiet < self._quiet[track, slot]:
                self._quiet[track, slot] = quiet
                self._spectra[track, slot] = power

    def _join(self) -> None:
        """Two slots become one, which keeps the quieter window."""
        for quiet, spectra in zip(self._quiet, self._spectra, strict=True):
            best = np.arange(0, _SLOTS, 2) + (quiet[1::2] < quiet[::2])
            quiet[: _SLOTS // 2] = quiet[best]
            quiet[_SLOTS // 2 :] = np.inf
            spectra[: _SLOTS // 2] = spectra[best]
        self._a_slot *= 2

    def windows(self, track: int) -> int:
        """How many stretches of the capture a track's answer rests on."""
        return int(np.count_nonzero(np.isfinite(self._quiet[track])))

    def hum(self, track: int, tolerance_percent: float) -> Hum | None:
        """The mains lines of a track; None where none stands out."""
        spectra = self._spectra[track, np.isfinite(self._quiet[track])]
        if not len(spectra):
            return None
        floor = np.percentile(spectra.astype(np.float64), _PERCENT, axis=0)
        rows = [self._row(spectra, floor, mains, tolerance_percent) for mains in MAINS_HZ]
        found = [hum for hum in rows if hum is not None]
        return max(found, key=lambda hum: (len(hum.harmonics), hum.level_dbfs), default=None)

    def _row(
        self,
        spectra: NDArray[np.float32],
        floor: NDArray[np.float64],
        mains: float,
        tolerance_percent: float,
    ) -> Hum | None:
        lines = []  # harmonic, frequency over harmonic, power, clear by, bin
        for k in range(1, _HIGHEST + 1):
            line = self._line(floor, k * mains, tolerance_percent)
            if line is not None:
                hz, power, clear_db, place = line
                lines.append((k, hz / k, power, clear_db, place))
        if not lines:
            return None
        strongest = max(lines, key=lambda line: line[2])
        base = strongest[1]
        row = [line for line in lines if abs(line[1] - base) <= _ROW_HZ / min(line[0], 2)]
        if len(row) < 2 and (strongest[0] > 2 or strongest[3] < _CLEAR_ALONE_DB):
            return None
        levels = 10 * np.log10(np.maximum(_line_power(spectra, strongest[4]), 1e-30))
        middle = 10 * math.log10(strongest[2])
        steady = float(np.mean(np.abs(levels - middle) <= _STEADY_DB))
        weights = np.array([line[2] * line[0] ** 2 for line in row])
        mains_hz = float(np.sum(weights * [line[1] for line in row]) / weights.sum())
        total = sum(line[2] / self._low.gain(line[0] * mains) ** 2 for line in row)
        return Hum(
            # a Hann spectrum scaled by its sum gives a quarter of the squared amplitude
            level_dbfs=10 * math.log10(4 * total),
            mains_hz=mains_hz,
            harmonics=tuple(line[0] for line in row),
            steady_share=steady,
        )

    def _line(
        self, floor: NDArray[np.float64], hz: float, tolerance_percent: float
    ) -> tuple[float, float, float, int] | None:
        """Frequency, power, how far over its surroundings, and bin of a line; None without."""
        slack = hz * tolerance_percent / 100
        first = int((hz - slack) / self._step_hz)
        last = math.ceil((hz + slack) / self._step_hz)
        if last + 3 >= len(floor) or first < 3:
            return None
        place = first + int(np.argmax(floor[first : last + 1]))
        if floor[place] < max(floor[place - 1], floor[place + 1]) or floor[place] <= 0:
            return None
        side = 1 if floor[place + 1] > floor[place - 1] else -1
        ratio = math.sqrt(floor[place + side] / floor[place])
        found = (place + side * min(max((2 * ratio - 1) / (1 + ratio), 0.0), 0.6)) * self._step_hz
        if abs(found - hz) > slack + 0.1 * self._step_hz:
            return None
        around = np.concatenate(
            (floor[max(place - 14, 0) : place - 3], floor[place + 4 : place + 15])
        )
        clear_db = 10 * math.log10(floor[place] / max(float(np.median(around)), 1e-30))
        if clear_db < _CLEAR_DB:
            return None
        return found, float(_line_power(floor[None, :], place)[0]), clear_db, place


def _line_power(spectra: NDArray[np.floating], place: int) -> NDArray[np.float64]:
    """Power of a line at a bin, wherever it lies between bins: three bins over the ENBW."""
    summed = spectra[:, place - 1 : place + 2].sum(axis=1, dtype=np.float64)
    return np.asarray(summed / 1.5)
