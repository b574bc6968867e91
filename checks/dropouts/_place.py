"""The samples around one peak of the screen, and what stands out in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from checks.dropouts import _causes, _edges, _junction, _predict
from checks.dropouts._junction import BEFORE, BEHIND, LEAST, ORDER, REACH, Junction
from checks.dropouts._predict import Floats
from checks.dropouts._zeros import by_chance
from checks.model import CaptureFormat, Samples

SEEN: Final = 5.0
"""Standard deviations at a place already known. Noise alone: once in 1e6."""

MOST_FOREIGN: Final = 512
"""Longest stretch of foreign samples whose both ends are looked for, in frames."""

_QUIET: Final = 64  # frames beside foreign samples within which nothing may stand out
_FLAT: Final = 256  # frames on each side within which tops count as near
_EDGE: Final = 4  # frames within which a sharp edge rises
_SHARP: Final = 0.5  # share of its root mean square that it reaches there
_DENSE: Final = 0.2  # share of the foreign samples that stand out
_EVEN: Final = 0.3  # power of the weakest part of them against all, a quarter at most
_HOLD_CHANCE: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Burst:
    """Foreign samples from ``frame`` to before ``stop``, ``jump`` in standard deviations.

    ``whitening`` and ``floor`` are those of the past.
    """

    frame: int
    stop: int
    jump: float
    whitening: Floats
    floor: float


class Place:
    """The samples around one peak, of all tracks.

    Attributes:
        steps: (tracks, frames) in steps of the word.
        peak: where the largest residual lies within them.
        first: where the disturbance begins.
        start: frame of the first of them.
    """

    def __init__(
        self, fmt: CaptureFormat, native: Samples, *, peak: int, first: int, start: int
    ) -> None:
        self._native = native
        self.steps, _ = _edges.in_steps(native, fmt)
        self.peak = peak
        self.first = first
        self.start = start

    def junction(self, track: int, *, at: int | None = None) -> Junction | None:
        return _junction.looked_at(self.steps[track], self.peak, at=at)

    def side(self, track: int, frame: int, found: Junction) -> _causes.Side:
        return _causes.Side(self.steps[track], frame, found.whitening, found.floor)

    def still(self, track: int) -> tuple[int, int, bool] | None:
        """A run of equal samples that begins or ends at the peak: first, stop, whether zero."""
        x = self._native[track]
        equal = x[1:] == x[:-1]
        extremes = (x.max(), x.min())  # a run there is a flat top, which clipping tells of
        near = equal[max(self.peak - REACH, 0) : self.peak + REACH]
        crowd = float(near.mean()) if len(near) else 0.0
        ends = np.flatnonzero(~equal)
        starts = np.concatenate(([0], ends + 1))
        stops = np.concatenate((ends + 1, [len(x)]))
        first, last = self.peak - BEFORE, self.peak + BEHIND
        touches = ((starts >= first) & (starts <= last)) | ((stops >= first) & (stops <= last))
        best = None
        for k in np.flatnonzero(touches & (stops - starts >= 4)):
            length = int(stops[k] - starts[k])
            if x[starts[k]] in extremes and x[starts[k]] != 0:
                continue
            less = (crowd * len(near) - (length - 1)) / max(len(near) - length, 1)
            if length >= by_chance(max(less, 0.0), chance=_HOLD_CHANCE) and (
                best is None or length > best[1] - best[0]
            ):
                best = (int(starts[k]), int(stops[k]), bool(x[starts[k]] == 0))
        return best

    def flat(self, track: int) -> bool:
        """Whether tops are cut off nearby: their corners jump too, and clipping tells of them."""
        x = self._native[track]
        near = x[max(self.peak - _FLAT, 0) : self.peak + _FLAT]
        for value in (x.max(), x.min()):
            at = near == value
            if bool((at[2:] & at[1:-1] & at[:-2]).any()):
                return True
        return False

    def silent(self, start: int, stop: int) -> bool:
        """Whether all tracks are zero from ``start`` to before ``stop``."""
        return not self._native[:, start:stop].any()

    def quiet(self, track: int, whitening: Floats) -> bool:
        """Whether nothing as large came just before: a cheap look with the screen's own filter."""
        order = len(whitening) - 1
        start = max(self.first - 2 * _QUIET, 0)
        residual = np.abs(_predict.forward(self.steps[track, start : self.peak + 2], whitening))
        before = residual[order : self.first - BEHIND - start]
        return not len(before) or 2 * float(before.max()) <= float(residual.max())

    def burst(self, track: int) -> Burst | None:
        """Samples that belong to neither side, from a sharp edge to a sharp edge.

        None where the place is not quiet before or behind, or where what disturbs it dies away.
        """
        x = self.steps[track]
        first, last = self.first - BEFORE - ORDER, self.first + BEHIND
        most = min(len(x) - LEAST - ORDER, self.first + MOST_FOREIGN + 2 * ORDER)
        if first < LEAST or most <= last:
            return None
        whitening = _predict.fitted(x[:first], ORDER)
        ahead = _predict.forward(x, whitening)
        left = max(_predict.spread(ahead[ORDER:first]), _predict.rounding(whitening))
        starts = np.flatnonzero(np.abs(ahead[first:last]) > SEEN * left)
        behind = _predict.fitted(x[most:], ORDER)
        back = _predict.backward(x, behind)
        right = max(_predict.spread(back[most : len(x) - ORDER]), _predict.rounding(behind))
        stops = np.flatnonzero(np.abs(back[first:most]) > SEEN * right)
        if not len(starts) or not len(stops):
            return None
        start, stop = first + int(starts[0]), first + int(stops[-1]) + 1
        before, after = np.abs(ahead[start - _QUIET : start]), np.abs(back[stop : stop + _QUIET])
        if (
            stop <= start
            or stop - start > MOST_FOREIGN
            or float(before.max()) > SEEN * left
            or float(after.max()) > SEEN * right
        ):
            return None
        rising, falling = np.abs(ahead[start:stop]) / left, np.abs(back[start:stop]) / right
        if not (_sharp(rising) and _sharp(falling[::-1]) and _even(rising)):
            return None
        top = min(float(rising.max()), float(falling.max()))
        return Burst(start, stop, top, whitening, left)


def _sharp(size: Floats) -> bool:
    """Whether a disturbance has its strength from the first samples on."""
    return float(size[:_EDGE].max()) >= _SHARP * float(np.sqrt(np.mean(size**2)))


def _even(size: Floats) -> bool:
    """Whether a disturbance is as strong in each part, and made of many samples."""
    parts = np.array_split(size, min(max(len(size) // (4 * _EDGE), 1), 4))
    dense = float(np.mean(size > SEEN)) >= _DENSE
    weakest = min(float(np.mean(part**2)) for part in parts)
    return dense and weakest >= _EVEN * float(np.mean(size**2))


def broken(x: Samples, peak: int) -> bool:
    """Whether the samples at the peak are no numbers, or wrapped round: told by other checks."""
    near = np.asarray(x[:, max(peak - 2 * ORDER, 0) : peak + 2 * ORDER], np.float64)
    if not np.isfinite(near).all():
        return True
    jump = np.abs(np.diff(near, axis=1)).max(initial=0.0)
    return bool(jump > 1.5 * 2.0**31) if x.dtype == np.int32 else False
