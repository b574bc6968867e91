"""Mains hum of every track: lines at 50 or 60 Hz and their harmonics that keep their phase.

What the mains put on a track goes on through every rest, at one level and in one phase; what is
played comes and goes. The capture is looked at in stretches of some six seconds that overlap, each
cut into cells of a third of a second. In a cell a harmonic has one complex value; turned back by
the line's own frequency, those of hum are all alike. Each cell counts by one over its power, so
that the gaps between notes and beats tell, however short or loud those are, for each harmonic by
itself (a bass is quiet where its partials are not). The share

    |sum w z|^2 / (sum w * sum w |z|^2)    (Schwarz: at most 1)

then tells in how much of the time the line is alone; of chance or music it is near nought. As
strong a share beside the line, at another frequency, is a tone that leaks or a rhythm (what
repeats f times a second has lines at all multiples of f: Fourier series), and then it is no hum.

A chord may stand on multiples of the mains' frequency as well; hum has the first or the second of
its lines, or something covers both.

Does not tell whether the hum is on the tape or came in behind it; a tone of exactly the mains'
frequency that is held throughout looks the same. Hum that is nowhere alone, in no gap of time and
no gap of the spectrum, is not seen, and lines that are not are missing from its level. In a
capture of a few stretches, hum of the tape alone is taken for a note if the tape stands still
while the capture begins and ends.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from checks._ranks import median, percentile
from checks.tracks._levels import power_of_two
from checks.tracks._low import LowRate

Series = NDArray[np.float32]
Floats = NDArray[np.float64]
Spectra = NDArray[np.complexfloating]
MAINS_HZ: Final = (50.0, 60.0)
_WINDOW_S: Final = 4.5  # at most; a power of two of samples, so 2.7 s and more at usual rates
_HIGHEST: Final = 7  # harmonics looked at, own choice: above it the hiss takes over
_CELL_S: Final = 0.45  # at most, so 0.27 s and more: fits between most beats and most partials
_CELL_MOVES: Final = 8  # what lies so many bins off looks like the line, 64 dB down (Harris)
_FINE: Final = 8  # points of the spectrum for each cell
_SIGNAL_SHARE: Final = 0.9  # of the samples; digital silence tells nothing
_SHARE: Final = 0.3  # of the time alone, for lines in one row; chance in clean sound: see tests
_SHARE_ALONE: Final = 0.7  # the same for a line that has no harmonics
_BESIDE: Final = 0.5  # of a line's share, what else may reach within some hertz
_BEATS_HZ: Final = 30.0  # strokes a second; common practice: a fast roll has twenty
_BESIDE_LEVEL: Final = 0.2  # of its amplitude: lines of one stroke so near are about as strong
_FLOOR_PERCENT: Final = 5.0  # chance may cancel a line in a few cells
_GAPS_PERCENT: Final = 10.0
_MISSING_DB: Final = 8.0  # own choice: more than gaps and noise move a line that is there
_NOTHING: Final = 1e-24  # power, 240 dB down: what is nearer to nought is rounding
_LOWEST_HZ: Final = 30.0  # rumble below it is no programme
_MISSING_SHARE: Final = 0.2  # of the stretches
_STEADY_DB: Final = 3.0  # own choice: programme and noise move the line by less
_STANDS: Final = 0.5  # share of the stretches in which lines in one row stand
# Common practice: hum has the mains' own line, or twice that behind a rectifier. A chord may stand
# on multiples of some 50 or 60 Hz without them; what a tape bends it into lies far under it.
_LOW: Final = 2
_UNDER_DB: Final = 30.0  # own choice
_COVERED_DB: Final = 10.0  # own choice: what covers both is hardly softer than the other lines
_STANDS_ALONE: Final = 0.9
_LINES: Final = slice(2, 2 + _HIGHEST)  # of what is kept: frequency, whether in rests, levels,
_QUIET: Final = slice(2 + _HIGHEST, 2 + 2 * _HIGHEST)  # power at the quietest
_ROUNDS: Final = 3
_RESTED: Final = 10.0  # power by which the usual cell is louder than the quiet ones


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """What was found on a track.

    Attributes:
        level_dbfs: of all lines together.
        mains_hz: their fundamental, whether or not it is there itself.
        harmonics: which multiples are there.
        rested: it stands through rests that plain programme parts: no note does.
    """

    level_dbfs: float
    mains_hz: float
    harmonics: tuple[int, ...]
    rested: bool = False


class HumFinder:
    """Looks at stretches of the low-rate series as they pass, and keeps what was found in each."""

    def __init__(
        self,
        tracks: int,
        low: LowRate,
        tolerance_percent: float,
        also: Callable[[Series], None],
    ) -> None:
        """``also``: who else wants to see windows of some seconds, (tracks, samples)."""
        self._low = low
        self._tolerance = tolerance_percent / 100
        self._also = also
        self._move = power_of_two(_WINDOW_S * low.rate_hz, 64, 1 << 17) // 2
        self.length = 4 * self._move
        self._series = np.zeros((tracks, self.length), np.float32)
        self._filled = 0
        self._cell = power_of_two(_CELL_S * low.rate_hz, 16, 1 << 14)
        self._hop = self._cell // _CELL_MOVES
        n = np.arange(self._cell)
        self._window = (0.5 - 0.5 * np.cos(2 * np.pi * n / self._cell)).astype(np.float32)
        cells = (self.length - self._cell) // self._hop + 1
        self._times_s = np.arange(cells) * self._hop / low.rate_hz
        self._taper = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(cells) + 1) / (cells + 1))
        self._points = 1 << math.ceil(math.log2(_FINE * cells))
        self._found: list[list[Series]] = [[] for _ in range(tracks)]

    @property
    def usable(self) -> bool:
        """Whether the rate leaves room for the mains and a harmonic."""
        return 0.4 * self._low.rate_hz > 2.2 * MAINS_HZ[-1]

    @property
    def window_s(self) -> float:
        return self.length / self._low.rate_hz

    def feed(self, series: Series) -> None:
        """Take some more of the smooth ``LowRate`` series."""
        if not self.usable:
            return
        at = 0
        while at < series.shape[1]:
            count = min(self._move - self._filled % self._move, series.shape[1] - at)
            self._series[:, self._filled : self._filled + count] = series[:, at : at + count]
            self._filled += count
            at += count
            if self._filled % self._move == 0:
                if self._filled >= 2 * self._move:
                    self._also(self._series[:, self._filled - 2 * self._move : self._filled])
                if self._filled == self.length:
                    self._look()
                    self._filled -= self._move
                    self._series[:, : self._filled] = self._series[:, self._move :].copy()

    def windows(self, track: int) -> int:
        """How many stretches of the capture a track's answer rests on."""
        return len(self._found[track])

    def hum(self, track: int) -> Hum | None:
        """The mains lines of a track; None where none stands out."""
        if not self._found[track]:
            return None
        kept = np.array(self._found[track], np.float64)
        found = [_standing(kept[:, n]) for n in range(len(MAINS_HZ))]
        return max(
            (hum for hum in found if hum is not None),
            key=lambda h: (len(h.harmonics), h.level_dbfs),
            default=None,
        )

    def _look(self) -> None:
        signal = np.count_nonzero(self._series, axis=1) >= _SIGNAL_SHARE * self.length
        step_hz = self._low.rate_hz / self._cell
        first = int(_LOWEST_HZ / step_hz)
        last = int(MAINS_HZ[-1] * (_HIGHEST + 0.5) / step_hz) + 1
        cells = sliding_window_view(self._series, self._cell, axis=1)[:, :: self._hop]
        for track in np.flatnonzero(signal):
            spectra = np.fft.rfft(cells[track] * self._window, axis=1)[:, :last]
            spectra = spectra / float(self._window.sum())
            whole = (np.abs(spectra[:, first:]) ** 2).sum(axis=1)
            rests = float(percentile(whole, _GAPS_PERCENT))
            rested = float(median(whole)) >= _RESTED * rests
            rows = [self._row(spectra, step_hz, mains, rested) for mains in MAINS_HZ]
            self._found[track].append(np.array(rows, np.float32))

    def _row(self, spectra: Spectra, step_hz: float, mains: float, rested: bool) -> Floats:
        """What a stretch says of one mains: NaN for lines that do not stand."""
        kept = np.full(2 + 2 * _HIGHEST, np.nan)
        kept[1] = rested
        room = int(min(_HIGHEST, 0.4 * self._low.rate_hz / mains))
        k = np.arange(1, room + 1)
        places = np.rint(k * mains / step_hz).astype(int)
        cells = spectra[:, places].T
        kept[_QUIET][:room] = percentile(np.abs(cells) ** 2, _GAPS_PERCENT, axis=1)
        share, _ = self._sums(cells, k * mains)
        point_hz = self._low.rate_hz / self._hop / self._points
        lobe = math.ceil(2 * self._points / len(self._times_s))  # of the taper
        slack = self._tolerance * mains / point_hz
        shifts = np.arange(-int(slack) - lobe, int(slack) + lobe + 1)
        there = np.take_along_axis(share, k[:, None] * shifts % self._points, axis=1)
        best = int(np.argmax((there**2).sum(axis=0)))
        shift, there = int(shifts[best]), there[:, best]
        if abs(shift) > slack + 0.5:
            return kept
        around = (np.arange(self._points) - k[:, None] * shift) % self._points
        around = np.minimum(around, self._points - around)
        seen = (around > lobe) & (around * point_hz <= 2 * step_hz)  # as far as a cell sees
        beside = np.where(seen, share, 0.0).max(axis=1)
        stand = (there >= _SHARE) & (beside <= _BESIDE * there)
        if np.count_nonzero(stand) < 2:
            stand &= (there >= _SHARE_ALONE) & (k <= 2)
        hz = mains + shift * point_hz
        if stand.any() and self._is_rhythm(spectra, step_hz, hz, k[stand], there[stand]):
            return kept
        for n in np.flatnonzero(stand):
            line = cells[n] * _turns(-k[n] * hz, self._times_s)[0]
            off = float(k[n] * hz / step_hz - places[n])
            kept[_LINES][n] = _amplitude(line, self._taper) / (
                _hann(off) * self._low.gain(float(k[n] * hz))
            )
        kept[0] = hz if stand.any() else np.nan
        return kept

    def _is_rhythm(
        self, spectra: Spectra, step_hz: float, hz: float, ks: NDArray[np.int64], alone: Floats
    ) -> bool:
        """Whether lines that stand like these lie on both sides of them at one distance.

        A rhythm slower than some six a second is seen beside its line by ``_row``.
        """
        point_hz = self._low.rate_hz / self._hop / self._points
        half = int(step_hz / 2 / point_hz)
        apart = np.arange(-half, half + 1)
        rhythms = []
        for k, share in zip(ks, alone, strict=True):
            place = round(k * hz / step_hz)
            _, levels = self._sums(spectra[:, [place]].T, [k * hz])
            room = min(int(_BEATS_HZ / step_hz), place - 1, spectra.shape[1] - place - 1)
            bins = np.arange(2, room)
            both = []
            for side in (1, -1):
                at = place + side * bins
                shares, sums = self._sums(spectra[:, at].T, k * hz + side * bins * step_hz)
                stands = (shares >= _BESIDE * share) & (sums >= _BESIDE_LEVEL * levels[0, 0])
                both.append(stands[:, (side * apart) % self._points])
            rhythms.append(both[0] & both[1])
        rows = min(len(r) for r in rhythms)
        beside = np.sum([r[:rows] for r in rhythms], axis=0)
        return bool(np.any(beside >= max(1, len(ks) - len(ks) // 3)))

    def _sums(self, cells: Spectra, hz: ArrayLike) -> tuple[Floats, Floats]:
        """Share and level of every frequency near those given, one a row of ``cells``."""
        turned = cells * _turns(-np.asarray(hz, np.float64), self._times_s)
        power = np.abs(turned) ** 2
        floor = np.maximum(percentile(power, _FLOOR_PERCENT, axis=1), _NOTHING)
        weights = self._taper / np.maximum(power, floor[:, None])
        total = weights.sum(axis=1, keepdims=True)
        sums = np.abs(np.fft.fft(weights * turned, self._points, axis=1))
        share = sums**2 / (total * (weights * power).sum(axis=1, keepdims=True))
        return share, sums / total


def _standing(kept: Floats) -> Hum | None:
    """Lines that stand in enough of the stretches at one level, and are missing in no rest."""
    lines, there = kept[:, _LINES], ~np.isnan(kept[:, _LINES])
    told = there.any(axis=1)
    if np.mean(told) < _STANDS:
        return None
    harmonics = np.flatnonzero(there[told].mean(axis=0) >= _STANDS)
    if not len(harmonics):
        return None
    levels = np.array([median(lines[there[:, n], n]) for n in harmonics])
    strongest = harmonics[np.argmax(levels)]
    first = levels[harmonics < _LOW].max(initial=0.0) ** 2 * 10 ** (_UNDER_DB / 10)
    cover = median(kept[told][:, _QUIET][:, :_LOW].max(axis=1)) * 10 ** (_COVERED_DB / 10)
    if max(first, cover) < levels.max() ** 2:
        return None
    moved_db = 20 * np.abs(np.log10(lines[told, strongest] / levels.max()))
    steady = np.count_nonzero(moved_db <= _STEADY_DB)  # not where it does not stand
    least = _STANDS if len(harmonics) > 1 else _STANDS_ALONE
    quiet = kept[:, _QUIET][:, harmonics].sum(axis=1)
    missing = quiet < (levels**2).sum() * 10 ** (-_MISSING_DB / 10)
    if steady < least * len(kept) or np.mean(missing) > _MISSING_SHARE:
        return None
    return Hum(
        # a Hann spectrum scaled by its sum gives half of the amplitude
        level_dbfs=10 * math.log10(4 * (levels**2).sum()),
        mains_hz=float(median(kept[told, 0])),
        harmonics=tuple(int(n) + 1 for n in harmonics),
        rested=bool(kept[told, 1].any()),
    )


def _turns(hz: Floats | float, times_s: Floats) -> NDArray[np.complex128]:
    return np.exp(2j * np.pi * np.atleast_1d(hz)[:, None] * times_s)


def _amplitude(line: Spectra, taper: Floats) -> float:
    """Of the value round which the cells crowd, which weights by power alone see too low."""
    weights = taper / np.maximum(np.abs(line) ** 2, _NOTHING)
    middle = (weights * line).sum() / weights.sum()
    for _ in range(_ROUNDS):
        away = np.abs(line - middle) ** 2
        weights = 1 / np.maximum(away, 0.01 * abs(middle) ** 2 + _NOTHING)
        middle = (weights * line).sum() / weights.sum()
    return float(abs(middle))


def _hann(bins: float) -> float:
    """Response of a Hann window's spectrum so many bins off (F. J. Harris, Proc. IEEE 66, 1978)."""
    return float(np.sinc(bins) / (1 - bins**2))
