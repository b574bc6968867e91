"""A few wrong words: samples that neither side foretells, away from which both sides go on.

Each side is predicted from itself, up to the first sample that it does not foretell and down to
the last. Between them the samples are estimated anew, so that the prediction across all of them
leaves least (interpolation by least squares, Janssen, Veldhuis, Vries 1986, from memory). What is
left tells whether the programme goes on behind them where it was: that of a sound which begins or
ends there does not.

What this cannot see: words near what should stand there; stretches longer than ``MOST``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from checks.dropouts import _predict
from checks.dropouts._junction import CLEAN, ORDER, SHARP, STANDS_OUT
from checks.dropouts._predict import Floats

MOST: Final = 64
"""Longest stretch, in frames: over longer ones a prediction says little."""

REST: Final = 1.7
"""Largest mean square that the programme may leave which goes on, floor 1: 32 values scatter by
0.25 about 1."""

LEAST: Final = 12.0
"""Standard deviations of the first and of the last of them."""

CLEAR: Final = 15.0
"""The same where such words are told at all. From own trials: clean programme that goes on
beyond them (``_goes_on``) makes none from 14 on."""

HIGH: Final = 100.0
"""The same where they are told whatever they are made of."""

WHITE: Final = 0.08
"""Least share of the upper quarter of the band in the differences of what they deviate by: of two
equal ones 12 %, of more of them 23 % and more, of a single one 63 %; filters at half of the band
leave 5 % at most."""

SPILT: Final = 1e-4
"""Share of the square of the edges that may be left besides: filters are no better known."""

_SPILT_BESIDE: Final = 6e-4  # share of the square of the edge that its side may have more
_KNOWN: Final = 640  # frames that each side is fitted to
_LEAST: Final = 6 * ORDER  # and the fewest that will do
_QUIET: Final = 64  # frames beside within which nothing may stand out
_BESIDE: Final = 2  # frames by which it may begin later on another track
_CORNER: Final = 3  # frames within which it rises
_SOONER: Final = 48  # frames before the screen's peak at which it may begin
_LATER: Final = 16  # frames behind the peak


@dataclass(frozen=True, slots=True)
class Burst:
    """Wrong words on one track, from ``frame`` to before ``stop``.

    Attributes:
        edge: what the sides do not foretell of the first and the last of them, the lower of both,
            in standard deviations.
        rest: mean square that is left where the programme is taken to go on, floor 1.
        high: share of the upper quarter of the band in the energy of the differences of what they
            deviate by.
    """

    frame: int
    stop: int
    edge: float
    rest: float
    high: float

    @property
    def told(self) -> bool:
        """Whether the programme goes on behind them, and little else can make them."""
        goes_on = self.rest <= REST + SPILT * self.edge**2
        return goes_on and (self.edge >= HIGH or (self.edge >= CLEAR and self.high >= WHITE))

    @property
    def sure(self) -> bool:
        """Whether nothing that comes before a converter can make them."""
        return self.told and self.edge >= SHARP and self.high >= WHITE

    def beside(self, other: Burst) -> bool:
        return abs(self.frame - other.frame) <= _BESIDE


@dataclass(frozen=True, slots=True)
class Shared:
    """Wrong words at one place of some tracks.

    Attributes:
        seen: the tracks that show both edges, the clearest first; ``tracks`` holds all that jump.
        edge: of the track that shows them best.
        sure: whether nothing that comes before a converter can make them.
    """

    frame: int
    stop: int
    tracks: tuple[int, ...]
    seen: tuple[int, ...]
    edge: float
    sure: bool


def shared(rows: Sequence[Floats], tracks: Sequence[int], peak: int) -> Shared | None:
    """The wrong words around a peak of the screen, on all of the tracks that show some.

    Args:
        rows: samples of all tracks, in steps of the word.
        tracks: those that jump there.
    """
    found = {track: looked_at(rows[track], peak) for track in tracks}
    seen = {t: burst for t, burst in found.items() if burst is not None and burst.told}
    if not seen:
        return None
    first = max(seen.values(), key=lambda burst: burst.edge)
    sure = any(burst.sure for burst in seen.values() if burst.beside(first))
    seen = {t: burst for t, burst in seen.items() if burst.beside(first)}
    also: set[int] = set()
    if sure:  # then whatever jumps with it belongs to it
        also = {t for t, x in enumerate(rows) if _leaves(x, peak, first.frame)} | set(tracks)
    return Shared(
        frame=min(burst.frame for burst in seen.values()),
        stop=max(burst.stop for burst in seen.values()),
        tracks=tuple(sorted({*seen, *also})),
        seen=tuple(sorted(seen, key=lambda t: -seen[t].edge)),
        edge=first.edge,
        sure=sure,
    )


def looked_at(x: Floats, peak: int) -> Burst | None:
    """The wrong words around a peak of the screen.

    Args:
        x: samples of one track in steps of the word.

    Returns:
        None where there are none, where a side is short, or not still right up to them.
    """
    left = _left(x, peak)
    if left is None or not left[2] or len(x) - left[0] - MOST < _LEAST:
        return None
    start, rising, _ = left
    behind = x[start + MOST :][:_KNOWN]
    future = _predict.fitted(behind, ORDER)
    near = x[start : start + MOST + _QUIET + ORDER]
    back = np.abs(np.convolve(near[::-1], future, mode="valid")[::-1]) / _predict.floor_of(
        behind, future
    )
    out = np.flatnonzero(back[:MOST] > STANDS_OUT)
    if not len(out):
        return None
    stop = int(out[-1]) + 1
    falling = float(back[max(stop - _CORNER, 0) : stop].max())
    if falling < LEAST or not _still(back[stop : stop + _QUIET], falling):
        return None
    stop += start
    rest, off = _rest(x, start, stop)
    return Burst(start, stop, min(rising, falling), rest, _high(off))


def _left(x: Floats, peak: int) -> tuple[int, float, bool] | None:
    """Where the past ceases to foretell what follows, by how much, and if it is still till then."""
    first, last = peak - _SOONER, peak + _LATER
    before = x[max(first - _KNOWN, 0) : first]
    if len(before) < _LEAST or len(x) < last:
        return None
    past = _predict.fitted(before, ORDER)
    ahead = np.convolve(x[first - _QUIET - ORDER : last], past, mode="valid")
    ahead = np.abs(ahead[: last - first + _QUIET]) / _predict.floor_of(before, past)
    out = np.flatnonzero(ahead[_QUIET:] > STANDS_OUT)
    if not len(out):
        return None
    start = int(out[0])
    rising = float(ahead[_QUIET + start :][:_CORNER].max())
    if rising < LEAST:
        return None
    return first + start, rising, _still(ahead[start : start + _QUIET], rising)


def _leaves(x: Floats, peak: int, frame: int) -> bool:
    left = _left(x, peak)
    return left is not None and abs(left[0] - frame) <= _BESIDE


def _still(size: Floats, edge: float) -> bool:
    """Whether nothing stands out beside an edge; of a high one the floor may be less well known."""
    most = max(CLEAN, _SPILT_BESIDE * edge**2)
    return float(size.max()) <= STANDS_OUT and float(np.mean(size**2)) <= most


def _rest(x: Floats, start: int, stop: int) -> tuple[float, Floats]:
    """What is left of the prediction across the stretch, once it is estimated anew.

    And by how much the samples are off the estimate.
    """
    before, behind = x[start - _LEAST : start], x[stop : stop + _LEAST]
    ahead, count = _predict.products(before, ORDER)
    after, more = _predict.products(behind, ORDER)
    whitening = _predict.solved(ahead + after, count + more)
    floor = max(_predict.floor_of(before, whitening), _predict.floor_of(behind, whitening))
    size = stop - start
    gap = np.concatenate((before[-ORDER:], np.zeros(size), behind[:ORDER]))
    known = np.convolve(gap, whitening)[ORDER : 2 * ORDER + size]
    lags = np.arange(size + ORDER)[:, np.newaxis] - np.arange(size)
    share = np.where((lags >= 0) & (lags <= ORDER), whitening[np.clip(lags, 0, ORDER)], 0.0)
    estimate = -np.linalg.lstsq(share, known, rcond=None)[0]
    left = known + share @ estimate
    return float(left @ left) / ORDER / floor**2, x[start:stop] - estimate


def _high(off: Floats) -> float:
    """Share of the upper quarter of the band in the energy of the differences."""
    power = np.abs(np.fft.rfft(np.diff(off, prepend=0.0, append=0.0), 16 * len(off))) ** 2
    return float(power[-len(power) // 4 :].sum()) / max(float(power.sum()), 1e-300)
