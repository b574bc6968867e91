"""Samples that stand still next to a jump, longer than chance makes them."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from checks.dropouts import _predict, _tops
from checks.dropouts._junction import BEFORE, BEHIND, ORDER, REACH
from checks.dropouts._junction import LEAST as SIDE
from checks.dropouts._predict import Floats
from checks.dropouts._zeros import by_chance
from checks.model import Samples

LEAST: Final = 4
"""Fewest equal samples that are looked at."""

CHANCE: Final = 1e-9

_MOST: Final = 0.9  # of all neighbours that are taken to be equal where a wave rests


class Still(NamedTuple):
    """A run of equal samples, from ``start`` to before ``stop``."""

    start: int
    stop: int
    zero: bool


def at(native: Samples, steps: Floats, peak: int) -> Still | None:
    """The longest run that begins or ends at a peak; None where chance may have made it.

    Args:
        native: samples of one track as they are stored.
        steps: the same in steps of the word.
    """
    equal = native[1:] == native[:-1]
    near = equal[max(peak - REACH, 0) : peak + REACH]
    ends = np.flatnonzero(~equal)
    starts = np.concatenate(([0], ends + 1))
    stops = np.concatenate((ends + 1, [len(native)]))
    first, last = peak - BEFORE, peak + BEHIND
    touches = ((starts >= first) & (starts <= last)) | ((stops >= first) & (stops <= last))
    best: Still | None = None
    for k in np.flatnonzero(touches & (stops - starts >= LEAST)):
        run = Still(int(starts[k]), int(stops[k]), bool(native[starts[k]] == 0))
        if not run.zero and _tops.at_ceiling(steps, run.start, run.stop):
            continue  # which clipping tells of
        length = run.stop - run.start
        if (best is None or length > best.stop - best.start) and length >= _by_chance(near, length):
            best = run
    if best is None or best.stop - best.start < _at_rest(steps, best):
        return None
    return best


def _by_chance(equal: NDArray[np.bool_], length: int) -> int:
    """By the share of equal neighbours around, but for those of the run itself."""
    others = (np.count_nonzero(equal) - (length - 1)) / max(len(equal) - length, 1)
    return by_chance(max(float(others), 0.0), chance=CHANCE)


def _at_rest(steps: Floats, run: Still) -> int:
    """Where a wave rests, as at its crests.

    There nothing but the noise parts one sample from the next, which rounding makes equal with a
    probability of 1 / (2 sqrt(pi) sigma): the density of the difference of two of them at nought
    (normal, sigma in steps of the word).
    """
    side = max(steps[: run.start], steps[run.stop :], key=len)
    if len(side) < SIDE:
        return 0
    _, sigma = _predict.known(side, ORDER)
    return by_chance(min(1 / (2 * np.sqrt(np.pi) * sigma), _MOST), chance=CHANCE)
