"""Several tracks that turn to something else between the same two samples, whatever follows.

A side that fits itself right up to the place, by a filter of its own, and is left within one
sample on several tracks at once: sound that passed a converter's filter rises over several
samples, and sends some of its height ahead. What stands on the other side need not fit itself: it
may be another programme or an attack, but what was before must be over: behind a relay that clicks
on all inputs it goes on. A single source that begins and leaks into other tracks is no such place
(``_one_source``). This proves no cause.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from checks.dropouts import _predict
from checks.dropouts._junction import BEFORE, BEHIND, CLEAN, LEAST, ORDER, STANDS_OUT
from checks.dropouts._predict import Floats
from checks.dropouts._steps._one_source import one_source

AT_ONCE: Final = 0.5  # of the height that the first sample has; own trials: attacks less
STRONGEST: Final = 50.0
"""Standard deviations of the first sample on the track that shows it best. From own trials:
attacks that leak into other tracks reached 19 on clean programme, from 44.1 kHz up."""

OTHERS: Final = 12.0  # the same on at least one more; no less than one track alone must have
LASTING: Final = 4.0
"""Mean square that the past's filter leaves of what follows later, floor 1: a relay's click is over
by then, and the programme goes on as before."""

_LATER: Final = 384  # frames behind the place, and as many that are looked at
_QUIET: Final = 64  # frames that must be still on the side that is left


@dataclass(frozen=True, slots=True)
class Turn:
    """First frame behind the place, and the height of it on each of the rows that show it."""

    frame: int
    heights: dict[int, float]


def shared(rows: list[Floats], peak: int) -> Turn | None:
    """The place near a peak of the screen at which most tracks turn, if enough do.

    Args:
        rows: samples of each track in steps of the word.
    """
    places: dict[int, dict[int, float]] = {}
    x = np.asarray(rows)
    turned = x.shape[1] - 1 - peak
    for row, left in enumerate(_left(x, peak - BEFORE, peak + BEHIND)):
        if left is not None:
            places.setdefault(left[0], {})[row] = left[1]
    for row, left in enumerate(_left(x[:, ::-1], turned - BEHIND, turned + BEFORE)):
        if left is not None:
            at = places.setdefault(x.shape[1] - left[0], {})
            at[row] = max(at.get(row, 0.0), left[1])
    told = [
        Turn(frame, heights)
        for frame, heights in places.items()
        if max(heights.values()) >= STRONGEST
        and sum(h >= OTHERS for h in heights.values()) > 1
        and not one_source([rows[row] for row in heights], frame)
    ]
    return max(told, key=lambda turn: len(turn.heights), default=None)


def _left(rows: Floats, first: int, last: int) -> list[tuple[int, float] | None]:
    """Where the past stops to foretell each track, and by how much, if that happens at once."""
    if first < LEAST or rows.shape[1] - last < LEAST + ORDER:
        return []
    whitenings = _predict.fitted(rows[:, : first - 2], ORDER)
    return [_left_by(x, w, first, last) for x, w in zip(rows, whitenings, strict=True)]


def _left_by(x: Floats, whitening: Floats, first: int, last: int) -> tuple[int, float] | None:
    near = last + 1 + ORDER
    ahead = _predict.forward(x[:near], whitening)
    floor = _predict.spread(ahead[ORDER : first - 2])
    least = max(floor, _predict.rounding(whitening))
    size = np.abs(ahead) / least
    out = np.flatnonzero(size[first : last + 1] > STANDS_OUT)
    if not len(out):
        return None
    frame = first + int(out[0])
    before = size[frame - _QUIET : frame]
    height = float(size[frame])
    still = before.max() <= STANDS_OUT and float(np.mean(before**2)) <= CLEAN
    at_once = height >= AT_ONCE * float(size[frame : frame + ORDER].max())
    later = x[frame + _LATER - ORDER :][: _LATER + ORDER]
    if not still or not at_once or len(later) < _LATER + ORDER:
        return None
    left = _predict.forward(later, whitening)[ORDER:] / least
    return (frame, height) if float(np.mean(left**2)) >= LASTING else None
