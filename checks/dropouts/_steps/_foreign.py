"""Samples that belong to neither side: where they begin and end, and whether both ends are sharp.

Each side is predicted from itself, up to the stretch and down to it. Of all pairs of a first and
a last foreign frame the likeliest is taken: the residual of either side at its floor outside, any
level within (a change of variance at two unknown places, by maximum likelihood). What was put in
begins and ends within a sample; an attack begins softly or dies away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts import _predict
from checks.dropouts._junction import LEAST, ORDER, SHARP, STANDS_OUT
from checks.dropouts._predict import Floats

MOST: Final = 512
"""Longest stretch whose both ends are looked for, in frames."""

LEAST_FRAMES: Final = 3
"""Shortest; less is a wrong word or a cut."""

_BEFORE: Final = 320  # frames before the screen's peak at which the stretch may begin
_AFTER: Final = 64  # frames behind the latest end that are still predicted down to
_COARSE: Final = 4
_GAIN: Final = 18.0
"""Least gain in log likelihood over a single cut. Chance makes up to 12 of as many places."""

_QUIET: Final = 64  # frames beside the stretch
_CLEAN: Final = 1.8  # mean square there, floor 1: as beside a clean cut
_SPILT: Final = 0.01  # or this share of the mean square within
_EDGE: Final = 4  # frames within which a sharp edge rises
_SHARP: Final = 0.5  # share of the strength within that it has there
_SHARP_LONG: Final = 0.35  # of a long one: four samples of normal noise are less once in 200
_LONG: Final = 64  # frames from which on it is one
_CORNER: Final = 3  # frames within which it rises in the samples themselves
_BENT: Final = 2.5  # how much larger foreign samples must be there than the programme's own bends
_DENSE: Final = 0.25  # share of the samples within that stand out
_OUT: Final = 3.0  # standard deviations
_SMOOTH: Final = 0.6
"""Largest correlation of neighbouring residuals. From own trials: -0.9 to 0.5 in what was put in,
0.7 to 0.9 in the pulses of an attack at high rates."""

_NEAR: Final = 128  # frames of the other side that a side's filter is run over
_ALIKE: Final = 1.8
"""Largest residual there, in standard deviations of the other side's own. From own trials: 0.9 to
1.4 beside what was put in, 2 to 40 behind attacks."""

_COMPARED: Final = 36
_SAME: Final = 0.5
"""Frames that tell whether tracks hold one and the same, and its least correlation: three standard
deviations of chance in so few. From own trials: leaks 0.9 to 1.0, others 0.02 in 256."""

_EVEN: Final = 0.2  # power of the weakest quarter against all


@dataclass(frozen=True, slots=True)
class Trace:
    """One track's part in it.

    Attributes:
        edge: residual of the first sample, or of the last from behind, the lower of both.
        jump: largest residual, of the lower of both sides, in standard deviations.
        high: the same of the higher of both sides.
        power: mean square of the past's residual within, floor 1.
        sharp: whether it has its strength from the first sample to the last, and is not smooth;
            or is silence between two edges that no sound has.
        even: whether it is as strong in each of its parts, or such silence.
        alike: whether what follows is of the kind of what was before.
        bounds: residual of the first few samples, or of the last from behind, the lower of both;
            0 where a side beside it is not still.
    """

    edge: float
    jump: float
    high: float
    power: float
    sharp: bool
    even: bool
    alike: bool
    bounds: float

    @property
    def proper(self) -> bool:
        """Whether a stretch has sharp edges, is even within, and nothing begins with it."""
        return self.sharp and self.even and self.alike


@dataclass(frozen=True, slots=True)
class Stretch:
    """Foreign samples from ``frame`` to before ``stop``, and what each track shows there."""

    frame: int
    stop: int
    traces: list[Trace]


class Stretches:
    """Looks for stretches around a peak of the screen; what each track tells it remembers."""

    def __init__(self, rows: Floats, peak: int) -> None:
        """``rows``: samples of all tracks, in steps of the word."""
        self._rows, self._peak = rows, peak
        self._first = max(peak - _BEFORE, LEAST)
        self._last = min(peak + MOST + _AFTER, rows.shape[1] - LEAST - ORDER)
        self._sides: dict[int, _Sides] = {}

    def shared(self, tracks: Sequence[int]) -> Stretch | None:
        """The likeliest stretch that some tracks share.

        None where a side is short or not clean, or a single cut explains as much.
        """
        first, last = self._first, self._last
        if first >= self._peak or last <= self._peak + _QUIET:
            return None
        new = [t for t in tracks if t not in self._sides]
        if new:
            self._sides |= zip(new, _both_sides(self._rows[new], first, last), strict=True)
        sides = [self._sides[t] for t in tracks]
        found = _likeliest(sides, self._peak - first, first)
        if found is None:
            return None
        start, stop = found
        traces = [side.trace(start, stop) for side in sides]
        if not any(side.clean(start, stop) for side in sides):
            return None
        return Stretch(first + start, first + stop, traces)

    def agreeing(self, found: Stretch) -> list[int]:
        """The tracks, of those looked at, that by themselves tell both ends of a stretch.

        None where one and the same is on all of them.
        """
        ends = found.frame - self._first, found.stop - self._first
        out = []
        for track, side in self._sides.items():
            own = _likeliest([side], self._peak - self._first, self._first)
            if own and all(abs(a - b) <= _EDGE for a, b in zip(own, ends, strict=True)):
                out.append(track)
        return out if self._several(out, *ends) else []

    def _several(self, tracks: list[int], start: int, stop: int) -> bool:
        """Whether what stands in a stretch is not the same on some tracks."""
        if len(tracks) < 2 or stop - start < _COMPARED:
            return False
        clearest = max(
            (self._sides[t] for t in tracks), key=lambda side: side.trace(start, stop).power
        )
        around = slice(self._first + start - ORDER, self._first + stop)
        left = [_predict.forward(self._rows[t, around], clearest.whitening)[ORDER:] for t in tracks]
        one = clearest.ahead[start:stop]
        return any(
            abs(float(x @ one)) < _SAME * float(np.sqrt((x @ x) * (one @ one))) for x in left
        )


def _both_sides(rows: Floats, first: int, last: int) -> list[_Sides]:
    before, behind = (_predict.fitted(part, ORDER) for part in (rows[:, :first], rows[:, last:]))
    return [_Sides(*one, first, last) for one in zip(rows, before, behind, strict=True)]


class _Sides:
    """Both residuals of one track from ``first`` to before ``last``, floor 1."""

    def __init__(self, x: Floats, before: Floats, behind: Floats, first: int, last: int) -> None:
        """``before``, ``behind``: the filter that whitens each side."""
        self.whitening, self.behind = before, behind
        ahead = _predict.forward(x[:last], before)
        self.floor = max(_predict.spread(ahead[ORDER:first]), _predict.rounding(self.whitening))
        back = _predict.backward(x[first:], behind)
        floor = _predict.spread(back[last - first : len(back) - ORDER])
        self.right = max(floor, _predict.rounding(self.behind))
        self._before = ahead[max(first - _QUIET, ORDER) : first] / self.floor
        self._x = x[first:last]
        self.ahead = ahead[first:last] / self.floor
        self.back = back[: last - first] / self.right
        self.past = np.concatenate(([0.0], np.cumsum(self.ahead**2)))
        self.future = np.concatenate((np.cumsum(self.back[::-1] ** 2)[::-1], [0.0]))

    def clean(self, start: int, stop: int) -> bool:
        """Whether both sides fit themselves right up to the stretch."""
        within = float(np.mean(self.ahead[start:stop] ** 2))
        power = max(_rms(side) ** 2 for side in self._beside(start, stop))
        return power <= max(_CLEAN, _SPILT * within)

    def _beside(self, start: int, stop: int) -> tuple[Floats, Floats]:
        before = np.concatenate((self._before, self.ahead[:start]))[-_QUIET:]
        return before, self.back[stop : stop + _QUIET]

    def _bounds(self, start: int, stop: int) -> float:
        sides = [np.abs(side) for side in self._beside(start, stop)]
        if any(float(side.max()) > STANDS_OUT or _rms(side) ** 2 > _CLEAN for side in sides):
            return 0.0
        rising = np.abs(self.ahead[start : min(start + _EDGE, stop)])
        falling = np.abs(self.back[max(stop - _EDGE, start) : stop])
        return float(min(rising.max(), falling.max()))

    def trace(self, start: int, stop: int) -> Trace:
        rising, falling = np.abs(self.ahead[start:stop]), np.abs(self.back[start:stop])[::-1]
        edges = _sharp(rising, self.whitening) and _sharp(falling, self.behind)
        smooth = max(_smooth(self.ahead[start:stop]), _smooth(self.back[start:stop]))
        edge = float(min(rising[0], falling[0]))
        square = self._square(start, stop)
        silence = square and edge >= SHARP  # of which all that the filter shows is the edges
        return Trace(
            edge=edge,
            jump=float(min(rising.max(), falling.max())),
            high=float(max(rising.max(), falling.max())),
            power=float(np.mean(rising**2)),
            sharp=((edges or square) and smooth <= _SMOOTH) or silence,
            even=_even(rising) or silence,
            alike=self._alike(start, stop),
            bounds=self._bounds(start, stop),
        )

    def _alike(self, start: int, stop: int) -> bool:
        """Whether each side's filter whitens the other side: nothing has begun or ended."""
        after = self.ahead[stop + ORDER :][:_NEAR]
        before = self.back[: max(start - ORDER, 0)][-_NEAR:]
        sizes = [_rms(part) for part in (before, after) if len(part)]
        return len(sizes) == 2 and max(sizes) <= _ALIKE

    def _square(self, start: int, stop: int) -> bool:
        """Whether both edges are sharp in the samples themselves, where they are that large.

        Held against a straight line from side to side: what a strong filter makes of the rest
        hides the first sample in the residual.
        """
        count = stop - start
        if count < 2 * _CORNER or start < count + 2 or stop + count + 2 > len(self._x):
            return False
        before, off, after = (
            _bent(self._x[first - 1 : first + count + 1])
            for first in (start - count - 1, start, stop + 1)
        )
        size = _rms(off)
        edges = min(float(np.abs(off[:_CORNER]).max()), float(np.abs(off[-_CORNER:]).max()))
        return size >= _BENT * max(_rms(before), _rms(after)) and edges >= _SHARP * size


def _bent(x: Floats) -> Floats:
    """How far samples lie off the straight line between the first and the last."""
    out: Floats = (x - np.linspace(x[0], x[-1], len(x)))[1:-1]
    return out


def _rms(x: Floats) -> float:
    return float(np.sqrt(np.mean(x**2)))


def _likeliest(sides: list[_Sides], peak: int, first: int) -> tuple[int, int] | None:
    """First foreign frame and the one behind the last, within the sides."""
    size = len(sides[0].ahead)
    single = float(np.sum([s.past + s.future for s in sides], axis=0).min())
    starts = np.arange(0, min(peak + _EDGE, size) + 1, _COARSE)
    stops = np.arange(max(peak - 2 * ORDER, 0), size - _QUIET + 1, _COARSE)
    start, stop, _ = _best(sides, starts, stops)
    fine = np.arange(-_COARSE, _COARSE + 1)
    starts = np.clip(start + fine, 0, size)
    stops = np.clip(stop + fine, 0, size)
    start, stop, cost = _best(sides, starts, stops)
    if stop - start < LEAST_FRAMES or (single - cost) / 2 < _GAIN:
        return None
    if stop - start > MOST:
        return None
    return start, stop


def _best(
    sides: list[_Sides], starts: NDArray[np.int64], stops: NDArray[np.int64]
) -> tuple[int, int, float]:
    """The pair that leaves least; twice the negative log likelihood."""
    at, to = starts[:, np.newaxis], stops[np.newaxis, :]
    length = to - at
    cost, least = np.zeros(length.shape), np.maximum(length, 1)
    for side in sides:
        inside = side.past[to] - side.past[at]  # from here on in place: fresh arrays cost as much
        inside /= least
        np.log(np.maximum(inside, 1.0, out=inside), out=inside)
        inside += 1.0
        inside *= length
        outside = side.past[at] + side.future[to]
        cost += np.add(outside, inside, out=outside)
    cost[length < 1] = np.inf
    k = int(np.argmin(cost))
    i, j = divmod(k, len(stops))
    return int(starts[i]), int(stops[j]), float(cost[i, j])


def _sharp(size: Floats, whitening: Floats) -> bool:
    """Whether a disturbance has its strength from the first samples on.

    The filter itself brings up what lies behind its first coefficients, and that is allowed for.
    """
    power = whitening**2
    risen = float(np.sqrt(power[:_EDGE].sum() / power.sum()))
    share = _SHARP if len(size) < _LONG else _SHARP_LONG
    return float(size[:_EDGE].max()) >= max(share * _rms(size) * risen, _OUT)


def _smooth(residual: Floats) -> float:
    """Correlation of neighbouring samples: what is smoother than the floor was band-limited."""
    return float(residual[1:] @ residual[:-1]) / max(float(residual @ residual), 1e-300)


def _even(size: Floats) -> bool:
    """Whether a disturbance is as strong in each part, and made of many samples."""
    parts = np.array_split(size, min(max(len(size) // (4 * _EDGE), 1), 4))
    weakest = min(float(np.mean(part**2)) for part in parts)
    dense = float(np.mean(size > _OUT)) >= _DENSE
    return dense and weakest >= _EVEN * float(np.mean(size**2))
