"""Mains hum of every track: lines at 50 or 60 Hz and their harmonics that never stop.

The capture is cut into up to 32 equal stretches; of each the quietest window of about three
seconds is kept, a track at a time, as a power spectrum (Hann). Over these the 20th percentile is
taken bin by bin: a note that pauses in a fifth of them is gone, a line that never stops stands.
What then stands as a peak within the mains' tolerance, in one row with its harmonics, at a level
that stays, is hum; and so is what stands at one level in all of the quietest windows of most of a
second, whatever a bass plays between them. Neither is hum if the quietest moments between notes
and beats lack it, or if lines as strong stand beside it at one distance: those are beats.
Frequencies by the ratio of neighbouring bins (Hann: F. J. Harris, Proc. IEEE 66, 1978), good to a
tenth of a bin, some 0.03 Hz.

Does not tell whether the hum is on the tape or came in behind it; a tone of exactly the mains'
frequency that is held throughout looks the same; below a drone that never pauses nothing is
seen; and hum of the tape alone is taken for a note if the tape stands still while the capture
begins and ends.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks.tracks._low import LowRate
from checks.tracks._quiet import QuietWindows

Series = NDArray[np.float32]
MAINS_HZ: Final = (50.0, 60.0)
_WINDOW_S: Final = 4.5  # at most; a power of two of samples, so 2.7 s and more
_HIGHEST: Final = 7  # harmonics looked at, own choice: above it the hiss takes over
_PERCENT: Final = 20.0
_CLEAR_DB: Final = 10.0  # a line over what surrounds it; chance: below 1e-4 a bin
_CLEAR_ALONE_DB: Final = 20.0
_STEADY_DB: Final = 2.0  # own choice: noise 10 dB under the line moves it by this much
_REST_S: Final = 1.1  # at most, so 0.55 s and more: the leader or a rest of a second holds one
_RESTS: Final = 3
_RESTS_SHARE: Final = 0.85
_APART_S: Final = 2.0  # rests of one level so far apart are no single note
_RESTED_DB: Final = 10.0  # own choice: by which the usual window is louder than the rests
_REST_SLACK: Final = 5e-4  # of the frequency: what short windows leave open
_GAP_S: Final = 0.22  # at most, so 0.11 s and more: fits between the beats of most music
_GAPS: Final = 2
_GAPS_PERCENT: Final = 25.0  # chance cancels a line in one gap, not in three of four
_MISSING_DB: Final = 6.0  # own choice: more than gaps and noise move a line that is there
_BEATS_HZ: Final = 30.0  # strokes a second; common practice: a fast roll has twenty
_BESIDE_DB: Final = 10.0  # lines of one stroke so near to each other are about as strong
_BESIDE_OVER_DB: Final = 6.0
_ROW_HZ: Final = 0.1  # how far f / k of the harmonics may differ


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """What was found on a track.

    Attributes:
        level_dbfs: of all lines together.
        mains_hz: their fundamental, whether or not it is there itself.
        harmonics: which multiples are there.
        steady_share: share of the stretches in which the strongest line keeps its level.
        rested: it stands at one level in rests that plain programme parts: no note does.
    """

    level_dbfs: float
    mains_hz: float
    harmonics: tuple[int, ...]
    steady_share: float
    rested: bool = False


class HumFinder:
    """Keeps the quietest windows of three lengths."""

    def __init__(self, tracks: int, low: LowRate, also: Callable[[Series], None]) -> None:
        """``also``: who else wants to see each long window, (tracks, samples)."""
        self._low = low
        reach = min(MAINS_HZ[-1] * (_HIGHEST + 0.5), 0.4 * low.rate_hz)
        self._long = QuietWindows(tracks, low.rate_hz, _WINDOW_S, reach, also=also)
        self._rest = QuietWindows(tracks, low.rate_hz, _REST_S, reach)
        self._gap = QuietWindows(tracks, low.rate_hz, _GAP_S, reach, overlapping=False)

    @property
    def usable(self) -> bool:
        """Whether the rate leaves room for the mains and a harmonic."""
        return self._long.bins * self._long.step_hz > 2.2 * MAINS_HZ[-1]

    @property
    def window_s(self) -> float:
        return self._long.length / self._low.rate_hz

    def feed(self, series: Series) -> None:
        """Take some more of the ``LowRate`` series."""
        if self.usable:
            for windows in (self._long, self._rest, self._gap):
                windows.feed(series)

    def windows(self, track: int) -> int:
        """How many stretches of the capture a track's answer rests on."""
        return len(self._long.kept(track)[0])

    def hum(self, track: int, tolerance_percent: float) -> Hum | None:
        """The mains lines of a track; None where none stands out."""
        found = [
            hum
            for mains in MAINS_HZ
            for hum in (
                self._throughout(track, mains, tolerance_percent),
                self._in_rests(track, mains, tolerance_percent),
            )
            if hum is not None
        ]
        # what stays at one level is the better measured of the two
        return max(
            found,
            key=lambda h: (
                h.steady_share >= _RESTS_SHARE,
                h.rested,
                len(h.harmonics),
                h.level_dbfs,
            ),
            default=None,
        )

    def _throughout(self, track: int, mains: float, tolerance_percent: float) -> Hum | None:
        """Lines that stand in four fifths of the long windows, and in the gaps."""
        spectra, _ = self._long.kept(track)
        if not len(spectra):
            return None
        floor = percentile(spectra.astype(np.float64), _PERCENT, axis=0)
        return self._row(track, self._long.step_hz, spectra, floor, mains, tolerance_percent)

    def _in_rests(self, track: int, mains: float, tolerance_percent: float) -> Hum | None:
        """Lines of one level in all of the quietest windows of most of a second, and in the gaps.

        For what plays near the mains in most of the long windows: a bass.
        """
        spectra, places = self._rest.quietest(track)
        if len(spectra) < _RESTS or np.ptp(places) * self._rest.length < 2 * _APART_S * (
            self._low.rate_hz
        ):
            return None
        floor = median(spectra.astype(np.float64), axis=0)
        hum = self._row(track, self._rest.step_hz, spectra, floor, mains, tolerance_percent)
        if hum is None or len(hum.harmonics) < 2 or hum.steady_share < _RESTS_SHARE:
            return None
        near = abs(hum.mains_hz / mains - 1) <= tolerance_percent / 100 + _REST_SLACK
        rested = self._rest.usual_over_quietest(track) >= 10 ** (_RESTED_DB / 10)
        return replace(hum, rested=rested) if near else None

    def _row(
        self,
        track: int,
        step_hz: float,
        spectra: Series,
        floor: NDArray[np.float64],
        mains: float,
        tolerance_percent: float,
    ) -> Hum | None:
        lines = []  # harmonic, frequency over harmonic, power, clear by, bin
        for k in range(1, _HIGHEST + 1):
            line = _line(floor, step_hz, k * mains, tolerance_percent)
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
        if _is_rhythm(floor, step_hz, [line[4] for line in row]):
            return None
        power = sum(line[2] for line in row)
        if self._missing_in_gaps(track, [line[0] * mains for line in row], power):
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

    def _missing_in_gaps(self, track: int, lines_hz: list[float], power: float) -> bool:
        """Whether the quietest moments lack the lines: hum does not stop in a rest."""
        spectra, _ = self._gap.quietest(track)
        if len(spectra) < _GAPS:
            return False
        places = [round(hz / self._gap.step_hz) for hz in lines_hz]
        there = np.sum([_line_power(spectra, place) for place in places], axis=0)
        return float(percentile(there, _GAPS_PERCENT)) < power * 10 ** (-_MISSING_DB / 10)


def _line(
    floor: NDArray[np.float64], step_hz: float, hz: float, tolerance_percent: float
) -> tuple[float, float, float, int] | None:
    """Frequency, power, how far over its surroundings, and bin of a line; None without."""
    slack = hz * tolerance_percent / 100
    first = int((hz - slack) / step_hz)
    last = math.ceil((hz + slack) / step_hz)
    if last + 3 >= len(floor) or first < 3:
        return None
    place = first + int(np.argmax(floor[first : last + 1]))
    if floor[place] < max(floor[place - 1], floor[place + 1]) or floor[place] <= 0:
        return None
    side = 1 if floor[place + 1] > floor[place - 1] else -1
    ratio = math.sqrt(floor[place + side] / floor[place])
    found = (place + side * min(max((2 * ratio - 1) / (1 + ratio), 0.0), 0.6)) * step_hz
    if abs(found - hz) > slack + 0.1 * step_hz:
        return None
    around = np.concatenate((floor[max(place - 14, 0) : place - 3], floor[place + 4 : place + 15]))
    clear_db = 10 * math.log10(floor[place] / max(float(median(around)), 1e-30))
    if clear_db < _CLEAR_DB:
        return None
    return found, float(_line_power(floor[None, :], place)[0]), clear_db, place


def _is_rhythm(floor: NDArray[np.float64], step_hz: float, places: list[int]) -> bool:
    """Whether lines as strong stand on both sides at one distance: beats that repeat.

    What repeats f times a second has lines at every multiple of f (Fourier series); some of them
    may fall on the mains, the others beside them. At the bins of the strongest three lines.
    """
    strongest = sorted(places, key=lambda place: -floor[place])[:3]
    wanted = max(1, len(strongest) - 1)
    reach = min(int(_BEATS_HZ / step_hz), min(strongest) - 1)
    apart = np.arange(4, max(reach, 3) + 1)  # nearer than four bins is the line itself
    beside = np.zeros(len(apart), np.int64)
    for place in strongest:
        above = floor[np.minimum(place + apart, len(floor) - 1)]
        lower = np.minimum(floor[place - apart], above)
        near = floor[max(place - reach, 1) : place + reach + 1]
        ground = float(percentile(near, 20)) * 10 ** (_BESIDE_OVER_DB / 10)
        beside += lower >= max(floor[place] * 10 ** (-_BESIDE_DB / 10), ground)
    return bool(np.any(beside >= wanted))


def _line_power(spectra: NDArray[np.floating], place: int) -> NDArray[np.float64]:
    """Power of a line at a bin, wherever it lies between bins: three bins over the ENBW."""
    summed = spectra[:, place - 1 : place + 2].sum(axis=1, dtype=np.float64)
    return np.asarray(summed / 1.5)
