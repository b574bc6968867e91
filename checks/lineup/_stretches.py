"""Where a tone is steady: from a run's values to stretches between its beginning, its end and
any step of level in it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.lineup._demod import smoothed

LEVEL_S: Final = 0.2  # to either side of a border, over which levels are compared
MIDDLE_S: Final = 0.09  # running median: jumps of a reference tone last up to 30 ms
FLOOR_DB: Final = -40.0  # further down all is alike: not the tone
STEP_DB: Final = 0.6  # of level, that parts two tones; 1.5 dB at high frequencies, where tape
STEP_HIGH_DB: Final = 1.5  # contact is never quite steady (standards of line-up tones: 0.3, 1 dB)
HIGH_HZ: Final = 8_000.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """Values ``start`` to ``stop`` of a run; edges are where the level is halfway."""

    start: int
    stop: int


def envelope_db(values: NDArray[np.complex64], carrying: NDArray[np.bool_], image: int) -> (
    NDArray[np.float64]
):  # fmt: skip
    """(values,): level of the tone on the median carrying track, 0 dB its usual level.

    Where only some tracks are known (NaN elsewhere) they alone speak.
    """
    size = np.abs(values[carrying]).astype(np.float64)
    known = np.isfinite(size)
    if image > 1:
        size = np.abs(smoothed(np.nan_to_num(values[carrying]), image))
        size[~known] = np.nan
    usual = np.nanmedian(size, axis=1, keepdims=True)
    size /= np.maximum(usual, 1e-30)
    blank = np.asarray(~known.any(axis=0))
    size[:, blank] = 0.0
    middle = np.nanmedian(size, axis=0)
    seam = np.flatnonzero(blank[1:-1] & ~blank[:-2] & ~blank[2:]) + 1  # history meets present
    middle[seam] = middle[seam + 1]
    return np.asarray(20.0 * np.log10(np.maximum(middle, 1e-6)))


def steady_stretches(
    level_db: NDArray[np.float64], step_s: float, hz: float, image: int = 1
) -> list[Stretch]:
    """Stretches in which the level stays, whatever their length.

    Args:
        level_db: (values,) see ``envelope_db``.
        step_s: seconds from value to value.
        image: values smoothed over, which makes slopes of steps.
    """
    count = len(level_db)
    wide = max(int(LEVEL_S / step_s), 1)
    near = wide + image  # of a border, where there is no other
    if count < 2:
        return []
    calm = np.maximum(running_median(level_db, max(int(MIDDLE_S / step_s), 1) | 1), FLOOR_DB)
    sums = np.concatenate(([0.0], np.cumsum(calm)))
    at = np.arange(1, count)
    before = (sums[at] - sums[np.maximum(at - wide, 0)]) / np.minimum(at, wide)
    after = (sums[np.minimum(at + wide, count)] - sums[at]) / np.minimum(count - at, wide)
    change = np.abs(after - before)
    least = STEP_HIGH_DB if hz >= HIGH_HZ else STEP_DB
    borders = []
    while True:
        top = int(change.argmax())
        if change[top] < least:
            break
        borders.append(_edge(calm, top + 1, wide))
        change[max(top - near, 0) : top + near + 1] = 0.0
    edges = [0, *sorted(borders), count]
    return [Stretch(a, b) for a, b in pairwise(edges) if b > a]


def _edge(calm: NDArray[np.float64], border: int, wide: int) -> int:
    """The value nearest to ``border`` at which the amplitude is halfway between both sides."""
    half = wide // 2
    quarter = half // 2
    low = float(median(calm[max(border - wide, 0) : max(border - quarter, 1)]))
    high = float(median(calm[min(border + quarter, len(calm) - 1) : border + wide]))
    middle = (10 ** (low / 20) + 10 ** (high / 20)) / 2
    part = 10 ** (calm[max(border - half, 0) : border + half] / 20)
    over = part >= middle
    turns = np.flatnonzero(over[1:] != over[:-1]) + 1
    if not len(turns):
        return border
    places = turns + max(border - half, 0)
    return int(places[np.abs(places - border).argmin()])


def running_median(x: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Median of ``width`` neighbours (odd); the ends are repeated."""
    if width <= 1:
        return x
    padded = np.pad(x, width // 2, mode="edge")
    return np.asarray(median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))
