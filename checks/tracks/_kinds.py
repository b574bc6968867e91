"""Tracks that carry no programme, recognised by their signal: timecode, pilot, click, unused.

- *timecode*: biphase mark code (IEC 60461): times between crossings are one length and its half,
  and the short ones come in pairs.
- *pilot*: one line holds nearly all of the energy, at one frequency and level, wherever anything
  is heard on any track (or throughout, where nothing else is there to compare with).
- *click*: a few per cent of the time are loud, in beats at one distance; players who keep time
  leave out beats and play some between (then the distances are multiples of one).
- *unused*: the level of steady hiss and nothing else.

What is recognised is only told, and excused from what does not suit it; the sheet has the word.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks import _biphase
from checks._ranks import median

_SHARE: Final = 0.8  # own choice: of the stretches with a signal
_TONE_SHARE: Final = 0.98  # of the energy in one line
_ENOUGH: Final = 3  # stretches


def is_timecode(x: NDArray[np.float32], rate_hz: float) -> bool:
    """Whether stretches of one track, (stretches, samples), hold a biphase code."""
    crests = _crests(x)
    # a square wave with soft edges, and some overshoot behind filters, stays below 2.5
    if np.isnan(crests).all() or float(median(crests[~np.isnan(crests)])) > 2.5:
        return False
    verdicts = [_is_biphase(row, rate_hz) for row in x[~np.isnan(crests)]]
    return float(np.mean(verdicts)) >= _SHARE


def speaking(x: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Where (stretches, tracks, samples) hold more than a tape's hiss: (stretches, tracks)."""
    crests = [_crests(x[:, track]) for track in range(x.shape[1])]
    return np.asarray(~np.isnan(np.array(crests)).reshape(x.shape[1], len(x)).T)


def _crests(x: NDArray[np.float32]) -> NDArray[np.float64]:
    """Peak over rms about the mean of each stretch; NaN below -57 dBFS."""
    if not x.size:
        return np.zeros(0)
    y = x - x.mean(axis=1, keepdims=True)
    size = np.sqrt(np.einsum("sn,sn->s", y, y) / x.shape[1])
    peak = np.maximum(y.max(axis=1), -y.min(axis=1))
    return np.where(size > 1e-3, peak / np.maximum(size, 1e-3), np.nan).astype(np.float64)


def _is_biphase(row: NDArray[np.float32], rate_hz: float) -> bool:
    x = row - row.mean()
    size = float(np.sqrt(np.mean(np.square(x, dtype=np.float64))))
    loud = np.flatnonzero(np.abs(x) > _biphase.LOUD * size)
    places, _ = _biphase.turns(loud, x[loud])
    if len(places) < 40:
        return False
    lengths = np.diff(places)
    half = _biphase.half_bit(lengths, rate_hz)
    if half is None:
        return False
    short = np.abs(lengths / half - 1) < 0.3
    long = np.abs(lengths / half - 2) < 0.4
    if np.mean(short | long) < 0.97 or min(short.mean(), long.mean()) < 0.05:
        return False
    edges = np.flatnonzero(np.diff(short.astype(np.int8), prepend=0, append=0))
    runs = (edges[1::2] - edges[::2])[1:-1]  # the outermost may be cut
    return len(runs) > 0 and float(np.mean(runs % 2 == 0)) >= 0.95


def pilot_hz(x: NDArray[np.float32], rate_hz: float) -> float | None:
    """Frequency of the steady line that is all a track carries, (stretches, samples)."""
    crests = _crests(x)
    heard = ~np.isnan(crests)
    if heard.sum() < _ENOUGH or float(median(crests[~np.isnan(crests)])) > 2.0:  # a sine has 1.41
        return None
    window = np.hanning(x.shape[1]).astype(np.float32)
    tops, sizes = [], []
    for row in x[heard]:
        power = np.abs(np.fft.rfft((row - row.mean()) * window)) ** 2
        place = int(np.argmax(power))
        first = max(place - 3, 0)
        near = power[first : place + 4]
        held = float(near.sum())
        sizes.append(held)
        centre = first + float(np.sum(near * np.arange(len(near))) / held)
        tops.append(centre if held >= _TONE_SHARE * power.sum() else -1.0)
    if len(tops) < max(_ENOUGH, _SHARE * len(x)):
        return None
    middle = float(median(tops))
    alike = np.abs(np.array(tops) - middle) <= max(0.3, 0.01 * middle)
    level = np.array(sizes) / median(sizes)
    alike &= (level > 0.5) & (level < 2.0)
    if middle <= 0 or float(np.mean(alike)) < 0.9:
        return None
    return float(middle * rate_hz / x.shape[1])


class Beats:
    """Looks for a click track in long windows of the low-rate series."""

    def __init__(self, tracks: int, rate_hz: float) -> None:
        self._grain = max(1, round(0.005 * rate_hz))
        self._rate_hz = rate_hz
        self._seen = np.zeros(tracks, np.int64)
        self._beating = np.zeros(tracks, np.int64)

    def feed(self, series: NDArray[np.float32]) -> None:
        """Take a window of some seconds, (tracks, samples)."""
        count = series.shape[1] // self._grain
        if count < 50:
            return
        cut = np.abs(series[:, : count * self._grain]).reshape(len(series), count, self._grain)
        envelope = cut.max(axis=2)
        peak = envelope.max(axis=1)
        loud = envelope > 0.1 * peak[:, None]
        share = loud.mean(axis=1)
        self._seen += peak > 0
        for track in np.flatnonzero((share < 0.15) & (peak > 1e-3)):
            self._beating[track] += _beats(loud[track])

    def recognised(self, track: int) -> bool:
        seen = int(self._seen[track])
        return seen >= _ENOUGH and self._beating[track] >= _SHARE * seen


def _beats(loud: NDArray[np.bool_]) -> bool:
    """Whether what is loud comes in short beats at equal distances."""
    edges = np.flatnonzero(np.diff(loud.astype(np.int8), prepend=0, append=0))
    starts, lengths = edges[::2], edges[1::2] - edges[::2]
    starts = starts[starts > 0]  # when one that the window cuts began, it does not tell
    if len(starts) < 3 or lengths.max() > 12:  # 60 ms
        return False
    gaps = np.diff(starts)
    unit = float(gaps.min())
    if unit < 20:  # 100 ms
        return False
    turns = np.rint(gaps / unit)
    even = np.abs(gaps - turns * unit) <= 2.0
    return bool(even.all() and np.mean(turns == 1) >= _SHARE)
