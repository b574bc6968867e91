"""Timecode that slips: its edges stand in step with a clock, in whatever the other tracks play.

Biphase mark code (IEC 60461) turns at every end of a bit and in the middle of each that is one. So
the edges stand at whole multiples of half a bit, but for the speed of the tape, which changes
slowly. Where those before and those behind a place each stand in step, and the two do not fit
together, time is missing or too much there: samples were lost, and so they are seen in silence as
well; or the tape was cut, or the code recorded anew. Which of them, this does not tell.

Lines are fitted to some edges on each side, in frames over half bits; how far they miss each other
in between is held against how far they do everywhere else in the code.

What this cannot see: slips of whole half bits, or by less than the limit below; slips within
a few hundredths of a second of where the code begins, ends or breaks off; slips of codes that are
not framed as those of IEC 60461.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks import _biphase
from checks._ranks import median
from checks.block import Block
from checks.dropouts._predict import NORMAL
from checks.model import CaptureFormat

SIGMAS: Final = 12.0
APART: Final = 3.0
LOW: Final = 5.0
"""Standard deviations of what the lines miss each other by, from which on it is a slip, as for
every step on one track; or so many times what they do anywhere else in the code, where that is not
normally distributed, as of edges that stand at whole samples, and then no less than the last."""

LEAST: Final = 0.08
"""Smallest slip told, in half bits: 20 us at 25 frames a second, 7 frames of 352.8 kHz. From own
trials: short losses of level and what leaks in from other tracks moved edges by up to 0.07."""

_REST_S: Final = 0.3  # that a track which looks like code and is none is left alone: most are tones
_MOST: Final = 4096  # slips kept of a capture
_EDGES: Final = 24  # on each side that a line is fitted to: 8 ms
_KEPT: Final = 256  # edges before the new ones that tell what the code does by itself
_ENOUGH: Final = 96  # edges of one code, to begin with
_SQUARE: Final = 0.45  # least rms of a code over its peak; sines have 0.71, music 0.1 to 0.3
_THINNED: Final = 32  # one in so many samples tells that
_LEVEL: Final = 1e-3  # least rms, full scale 1.0
_IN_STEP: Final = 0.95  # share of the distances that are one or two half bits
_OFF: Final = 0.3  # of half a bit, that they may be off
_BREAK: Final = 6  # half bits from the last edge before a slip to the first behind it
_ROUGH: Final = 3.0  # times as far from the lines as usual: not in step
_SHARP: Final = 0.1  # and this share of the slip: it comes between two edges, not over many


@dataclass(frozen=True, slots=True)
class Slip:
    """Time that is missing, or too much, between two edges of a timecode.

    Attributes:
        track: from 0.
        start, stop: frames of the edges before and behind it.
        frames: by how many the edges behind are late; modulo half a bit.
    """

    track: int
    start: int
    stop: int
    frames: float

    def us(self, rate_hz: int) -> float:
        """How much that is, in microseconds."""
        return round(1e6 * self.frames / rate_hz, 1)


class Clocks:
    """Watches the tracks of a capture that carry timecode."""

    def __init__(self, fmt: CaptureFormat) -> None:
        self._rate_hz = fmt.rate_hz
        self._unit = 1.0 if fmt.floating else 1 / fmt.full_scale
        self._codes: dict[int, _Code] = {}
        self._rests: dict[int, int] = {}  # frames up to which a track is not looked at
        self.slips: list[Slip] = []

    def feed(self, block: Block) -> None:
        """Take the next block."""
        if not block.frames:
            return
        x = block.scaled if block.fmt.floating else block.samples
        thin = x[:, ::_THINNED].astype(np.float64) * self._unit
        size, peak = np.sqrt(np.mean(thin**2, axis=1)), np.abs(thin).max(axis=1)
        square = (size >= _LEVEL) & (size >= _SQUARE * peak)
        for track in range(block.tracks):
            if not square[track] or block.start < self._rests.get(track, 0):
                self._codes.pop(track, None)
                continue
            code = self._codes.setdefault(track, _Code(track, self._rate_hz))
            least = _biphase.LOUD * float(size[track]) / self._unit
            slips = code.feed(x[track], block.start, least)
            self.slips += slips[: _MOST - len(self.slips)]
            if code.none:
                self._rests[track] = block.stop + int(_REST_S * self._rate_hz)

    def running(self, track: int) -> bool:
        """Whether a track carries timecode that is in step."""
        code = self._codes.get(track)
        return code is not None and code.in_step

    def near(self, frame: int) -> Slip | None:
        """The slip at a frame."""
        return next((slip for slip in self.slips if slip.start <= frame <= slip.stop), None)


class _Code:
    """The edges of one track, as far back as they are needed."""

    def __init__(self, track: int, rate_hz: int) -> None:
        self._track = track
        self._rate_hz = rate_hz
        self._edges = np.zeros(0)
        self._rises = np.zeros(0, np.bool_)
        self.in_step = False
        self.none = False  # too few edges, or not in step
        self._done = 0  # edges behind which slips have been looked for
        self._last: tuple[int, float] | None = None  # the last loud sample

    def feed(self, x: NDArray[np.generic], start: int, least: float) -> list[Slip]:
        """The slips that can be told now; ``least``: size of what is loud, in units of ``x``."""
        y = x.astype(np.float64)
        loud = np.flatnonzero(np.abs(y) >= least)
        places, values = start + loud, y[loud]
        if self._last is not None:
            places = np.concatenate(([self._last[0]], places))
            values = np.concatenate(([self._last[1]], values))
        if not len(places):
            return []
        self._last = int(places[-1]), float(values[-1])
        edges, rises = _biphase.turns(places, values)
        self.none = len(edges) < _biphase.BIT_RATES_HZ[0] / 2 * len(x) / self._rate_hz
        if self.none:  # there is one at least a bit
            return []
        self._edges = np.concatenate((self._edges, edges))
        self._rises = np.concatenate((self._rises, rises))
        found = self._look()
        drop = max(len(self._edges) - _KEPT, 0)
        self._edges, self._rises = self._edges[drop:], self._rises[drop:]
        self._done = max(self._done - drop, 0)
        return found

    def _look(self) -> list[Slip]:
        count = len(self._edges)
        first, self._done = self._done, max(count - 2 * _EDGES - 1, self._done)
        self.in_step = False
        self.none = count >= _ENOUGH
        if not self.none:
            return []
        apart = np.diff(self._edges)
        half = _biphase.half_bit(apart, self._rate_hz)
        if half is None:
            return []
        steps = np.maximum(np.rint(apart / half), 1.0)
        short, long = steps == 1, steps == 2
        fits = (short | long) & (np.abs(apart / half - steps) < _OFF)
        if fits.mean() < _IN_STEP or min(short.mean(), long.mean()) < 1 - _IN_STEP:
            return []
        self.in_step, self.none = True, False
        if not _biphase.frames(short):
            return []  # a chord may look like code for a while
        at = np.concatenate(([0.0], np.cumsum(steps)))
        off = self._edges - self._edges[0] - at * half
        off = off - self._own(off, at, steps)
        miss, rough = _lines(at, off)
        miss -= half * np.rint(miss / half)
        size, rest = np.abs(miss), float(median(rough))
        usual = float(median(size)) / NORMAL
        slips = []
        for n in np.flatnonzero(size >= max(LOW * usual, LEAST * half)).tolist():
            k = n + _EDGES - 1  # the last edge before
            told, left = float(miss[n]), float(rough[n])
            elsewhere = max(size[: max(n - _EDGES, 0)].max(initial=0.0),
                            size[n + _EDGES :].max(initial=0.0))  # fmt: skip
            if size[n] < min(SIGMAS * usual, APART * elsewhere):
                continue
            sharp = left <= min(_ROUGH * rest + _SHARP * abs(told), float(_near(rough, n).min()))
            whole = max(steps[n:k].max(), steps[k + 2 : k + 1 + _EDGES].max()) <= 2
            if first <= k < self._done and sharp and whole and steps[k] + steps[k + 1] <= _BREAK:
                edges = self._edges[k : k + 3]
                slips.append(Slip(self._track, int(edges[0]), int(edges[2]) + 1, told))
        return slips

    def _own(
        self, off: NDArray[np.float64], at: NDArray[np.float64], steps: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """By how much edges are off by their kind: rising or falling, behind a short or a long
        distance; filters and a voltage beside zero move each kind by its own."""
        kind = self._rises + 2 * np.concatenate(([False], steps > 1))
        smooth = np.convolve(off, np.full(17, 1 / 17), mode="same")
        count = np.convolve(np.ones(len(off)), np.full(17, 1 / 17), mode="same")
        rest = off - smooth / count
        out = np.zeros(len(off))
        for one in range(4):
            if (kind == one).any():
                out[kind == one] = median(rest[kind == one])
        return out


def _near(of: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    return of[max(n - _EDGES // 2, 0) : n + _EDGES // 2]


def _lines(
    at: NDArray[np.float64], off: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Behind which edge the lines on both sides miss each other by how much, and fit how well.

    The next edge belongs to neither: where samples are lost, one may come of itself.

    Args:
        at: place of each edge in half bits, (edges,).
        off: by how many frames it is off, (edges,).

    Returns:
        For each edge from the ``_EDGES``-th on that has one more behind it: how far the line of
        the later ones lies over that of the earlier ones, halfway; and the rms distance of the
        edges from their lines, frames.
    """
    x = np.lib.stride_tricks.sliding_window_view(at, _EDGES)
    y = np.lib.stride_tricks.sliding_window_view(off, _EDGES)
    mean_x, mean_y = x.mean(axis=1), y.mean(axis=1)
    dx, dy = x - mean_x[:, np.newaxis], y - mean_y[:, np.newaxis]
    slope = np.sum(dx * dy, axis=1) / np.sum(dx * dx, axis=1)
    left = np.sum((dy - slope[:, np.newaxis] * dx) ** 2, axis=1)
    past, later = slice(0, len(x) - _EDGES - 1), slice(_EDGES + 1, len(x))
    middle = at[_EDGES:-_EDGES]
    ahead = mean_y[past] + slope[past] * (middle - mean_x[past])
    back = mean_y[later] + slope[later] * (middle - mean_x[later])
    rough = np.sqrt((left[past] + left[later]) / (2 * _EDGES))
    return back - ahead, rough
