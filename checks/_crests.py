"""The shape of the crests of one row: which of them are flat between two corners.

A crest is a stretch above a threshold a little below the row's highest level. Over its middle half
a line is fitted (level and tilt: behind a coupling capacitor flat tops droop); then samples within
a narrow band around that line are set against those on its shoulders, sixteen bands deep. On a
smooth crest, however it came about, depth grows with the square of the distance: the band
holds a quarter of all, and not twice as much as the near shoulders. A cut crest has corners, and
the band holds far more than these. Programme bent so hard that its tops have corners after all
(hyperbolic tangent, driven by 15 dB) is told apart by its shoulders: they approach the top ever
more slowly, where a cut leaves straight flanks; ``near`` and ``far`` are counted for that.

The same is tried at several depths, because noise sets how narrow the band may be, and a slight
overdrive how wide; first with bands that hold all of a top's noise, then with narrower ones. Limits
of the shapes: own trials over synthetic programme of some forty kinds at 44.1 to 384 kHz and the
public recordings; no standard exists.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._runs import Indices, true_runs

Floats = NDArray[np.float64]

DEPTHS: Final = (0.3, 0.17, 0.1, 0.055, 0.03, 0.017, 0.01)  # of the highest level: crests begin
BAND_SHARE: Final = 1 / 18  # of the depth: half the width of the band
SHOULDER: Final = 16  # bands below the line that belong to the shoulders
NEAR: Final = 4  # of these, what counts as near
OVER_NEAR: Final = 10.0  # times the near shoulders must the band hold: a parabola 1.7, flattest 4
FLAT_SHARE: Final = 0.7  # least share of the band in band and shoulders
FLAT_SHARE_SHORT: Final = 0.9  # the same, instead, where a crest has fewer samples than LONG
LONG: Final = 8  # samples from which a tilt can be fitted
NOISE: Final = ((-1.0, 1 / 3.5), (1 / 3.5, 1 / 2))  # deviation about the line, over the band
REACHES: Final = 0.75  # of the depth: a crest that does not come so far says nothing
LARGEST_OVERDRIVE: Final = 16.0  # of the level: flanks and length of a square wave or a click
SMALLEST_BAND_STEPS: Final = 2.0  # half the band, in steps of the word
EXACT_STEPS: Final = 0.6  # standard deviation of a top that no noise has touched since
_SLOPED: Final = 0.05  # of the jump into the top: a flank, not a step from a plateau


@dataclass(frozen=True, slots=True)
class FlatCrests:
    """Flat crests of a row, in order; arrays of one length.

    Attributes:
        starts, stops: first sample of the top, and the one behind it.
        ends: the one behind the crest, where the signal is well below the top.
        levels: height of the top in its middle.
        exact: no noise on the top.
        peaks: how many crests of the row came as high at all.
        near, far: samples on the near and far parts of the shoulders of the flat ones.
    """

    starts: Indices
    stops: Indices
    ends: Indices
    levels: Floats
    exact: NDArray[np.bool_]
    peaks: int
    near: int
    far: int


def flat_crests(row: Floats, step: float, shortest: int) -> FlatCrests:
    """Find the flat crests of one polarity.

    Args:
        row: (frames,) finite samples, positive where crests are looked for, centred so that 0 is
            the level of rest.
        step: one step of the word, in the units of ``row``.
        shortest: least samples of a flat top.
    """
    top = float(row.max()) if len(row) else 0.0
    depths = [d * top for d in DEPTHS if BAND_SHARE * d * top >= SMALLEST_BAND_STEPS * step]
    lines = [_lines(row, top, depth) for depth in depths]
    taken = np.zeros(len(row) + 1, np.bool_)
    found = [
        _flat_among(row, some.noisy(BAND_SHARE * depth, *noise), depth, step, shortest, taken)
        for noise in NOISE
        for some, depth in zip(lines, depths, strict=True)
    ]
    if not found:
        none = np.empty(0, np.int64)
        return FlatCrests(none, none, none, np.empty(0), np.empty(0, np.bool_), 0, 0, 0)
    order = np.argsort(np.concatenate([f.starts for f in found]), kind="stable")
    return FlatCrests(
        np.concatenate([f.starts for f in found])[order],
        np.concatenate([f.stops for f in found])[order],
        np.concatenate([f.ends for f in found])[order],
        np.concatenate([f.levels for f in found])[order],
        np.concatenate([f.exact for f in found])[order],
        max(f.peaks for f in found),
        sum(f.near for f in found),
        sum(f.far for f in found),
    )


@dataclass(frozen=True, slots=True)
class _Lines:
    """Crests ``[a, b)`` of a row and the line along the top of each; ``peaks`` as of FlatCrests."""

    a: Indices
    b: Indices
    level: Floats
    tilt: Floats
    spread: Floats
    peaks: int

    def noisy(self, band: float, from_: float, to: float) -> _Lines:
        """Those with more noise along the line than one part of the band, and up to another."""
        return self.where((from_ * band < self.spread) & (self.spread <= to * band))

    def where(self, kept: NDArray[np.bool_]) -> _Lines:
        return _Lines(
            self.a[kept],
            self.b[kept],
            self.level[kept],
            self.tilt[kept],
            self.spread[kept],
            self.peaks,
        )


def _lines(row: Floats, top: float, depth: float) -> _Lines:
    """The crests that begin ``depth`` below ``top`` and reach near it, in the units of ``row``."""
    floor = top - depth
    a, b = true_runs(row > floor)
    whole = (a >= 2) & (b <= len(row) - 2)  # with both flanks to be seen
    a, b = a[whole], b[whole]
    reaching = np.zeros(len(a), np.bool_)
    if len(a):
        highest = np.maximum.reduceat(row, np.stack((a, b), axis=1).ravel())[::2]
        reaching = highest >= floor + REACHES * depth
    kept = reaching & (b - a >= 3)
    found = _Lines(
        a[kept], b[kept], *_middle_line(row, a[kept], b[kept]), int(np.count_nonzero(reaching))
    )
    return found.where(found.level >= floor + REACHES * depth)


def _flat_among(
    row: Floats,
    lines: _Lines,
    depth: float,
    step: float,
    shortest: int,
    taken: NDArray[np.bool_],
) -> FlatCrests:
    """Those crests whose samples lie along their line, between two corners; marks them taken.

    Args:
        depth: of the crests, in the units of ``row``.
    """
    lines = lines.where(~taken[lines.a])
    a, b, level, tilt = lines.a, lines.b, lines.level, lines.tilt
    if not len(a):
        none = np.empty(0, np.int64)
        return FlatCrests(none, none, none, np.empty(0), np.empty(0, np.bool_), lines.peaks, 0, 0)
    band = BAND_SHARE * depth
    n = b - a
    at, first = _strung(a, n)
    off = row[at] - np.repeat(level, n) - np.repeat(tilt, n) * (at - np.repeat((a + b - 1) / 2, n))
    inside = np.abs(off) <= band
    near = (off < -band) & (off >= -NEAR * band)
    far = (off < -NEAR * band) & (off >= -SHOULDER * band)
    n_in, n_near, n_far, n_over = (
        np.add.reduceat(x, first, dtype=np.int64) for x in (inside, near, far, off > band)
    )
    begin = np.minimum.reduceat(np.where(inside, at, len(row)), first)
    end = np.maximum.reduceat(np.where(inside, at, -1), first) + 1
    length = np.maximum(end - begin, 1)
    rise, sloped_in = _flank(row, a - 1, -1, begin - a, level)
    fall, sloped_out = _flank(row, b, 1, b - end, level)
    overdrive = (rise + fall) / 8 * length  # a parabola with these flanks would rise so far
    whole = n_in + n_near + n_far
    cornered = np.where(
        n_in < LONG,
        n_in >= FLAT_SHARE_SHORT * whole,
        (n_in >= OVER_NEAR * n_near) & (n_in >= FLAT_SHARE * whole),
    )
    flat = (
        (n_in >= shortest)
        & cornered
        & (n_over <= 1 + n_in // 20)
        & (np.abs(tilt) * length <= depth / 2)
        & (sloped_in | sloped_out)
        & (overdrive <= LARGEST_OVERDRIVE * level)
    )
    for start, stop in zip(a[flat].tolist(), b[flat].tolist(), strict=True):
        taken[start:stop] = True
    return FlatCrests(
        begin[flat],
        begin[flat] + length[flat],
        b[flat],
        level[flat],
        lines.spread[flat] <= EXACT_STEPS * step,
        lines.peaks,
        int(n_near[flat].sum()),
        int(n_far[flat].sum()),
    )


def _strung(a: Indices, n: Indices) -> tuple[Indices, Indices]:
    """Stretches of a row strung together.

    Args:
        a, n: (stretches,) first index and length of each.

    Returns:
        (samples,) indices into the row; (stretches,) where each begins among them.
    """
    first = np.cumsum(n) - n
    return np.repeat(a - first, n) + np.arange(int(n.sum())), first


def _middle_line(row: Floats, a: Indices, b: Indices) -> tuple[Floats, Floats, Floats]:
    """Level, tilt and spread of the middle half of every crest ``[a, b)``, by least squares.

    Returns:
        (crests,) each: level in the middle, rise a sample (0 for the shortest crests), standard
        deviation about the line.
    """
    n = b - a
    cut = np.where(n > 3, np.maximum(1, n // 4), 0)
    m = n - 2 * cut
    at, first = _strung(a + cut, m)

    def total(x: Floats) -> Floats:
        return np.add.reduceat(x, first) if len(first) else np.empty(0)

    level = total(row[at]) / m
    off = row[at] - np.repeat(level, m)
    place = at - np.repeat((a + b - 1) / 2, m)
    spread_of_places = m * (m * m - 1.0) / 12.0
    slope = total(off * place) / np.maximum(spread_of_places, 1.0)
    tilt = np.where(n >= LONG, slope, 0.0)
    square = total(off * off) - tilt * tilt * spread_of_places
    return level, tilt, np.sqrt(np.maximum(square, 0.0) / m)


def _flank(
    row: Floats, outside: Indices, way: int, inner: Indices, level: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """How steep the signal leaves each top, and whether by a slope rather than one plain step.

    Args:
        outside: first sample beyond the crest, ``way`` -1 before it, 1 behind it.
        inner: samples of the crest between there and the top.

    Returns:
        (crests,) each: fall a sample; whether there are samples between top and foot, or the
        signal was already moving before the last jump.
    """
    jump = level - row[outside]
    moving = np.abs(row[outside] - row[outside + way]) >= _SLOPED * np.abs(jump)
    on_the_way = (inner > 0) & (row[outside - way] - row[outside] <= (1 - _SLOPED) * jump)
    return jump / (inner + 1), on_the_way | moving
