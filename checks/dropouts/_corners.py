"""Whether a signal breaks off at a run of equal samples, and begins anew behind it.

The noise of a coarse word tells nothing where it is less than a step: rounding alone holds what
rests for a moment, and a generated signal as well. But what rests has come there smoothly. With
the run's value v, C = abs(x[a - k] - v) for the sample k frames before the run at a is the second
difference at a lag of k, and no larger than others of that signal are (Taylor: a curve that stands
still moves by its curvature alone). The same behind it. A crest, a trough, a fade or a slow wave of
any length leaves both ends like that; the jump where a hold is over is as large as all that the
programme has moved by meanwhile.

Measured: C at each end over the largest second difference within 40 ms on both sides. Square waves
and pulses have jumps of the same size there. Not seen: a hold with a jump no larger than the
programme's own bends, as in noise-like sound (whose noise ``_edges`` hears); one that begins on a
crest; one that looks like a top that is cut off; small ones in the dither.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._runs import true_runs

NEAR_S: Final = 0.04
"""How far around the signal's own bends are taken: two edges of a square wave of 12.5 Hz and more.
Own choice: the lowest notes lie at 16 Hz (common practice)."""

LEAP_STEPS: Final = 8.0
"""Least C: triangular dither of 2 steps and rounding move a sample by 1.5. Own choice."""

_LAGS: Final = (1, 2, 4, 8, 16)
_SHARE: Final = 8  # of the run that a lag takes up at most: what rests there rests around it
_BREAKS: Final = 3.0  # at one end at least, times the largest of its own (own trials)
_MOVES: Final = 0.33  # at the other; a hold begins with the slope alone (own trials)
_RESTS: Final = 4  # or no rest beside it is longer than that share of it: a crest comes again
_DITHER: Final = 2.0  # steps by which C is larger through dither, twice


def broken_off(
    left: NDArray[np.float64], right: NDArray[np.float64], length: int, *, held: bool
) -> bool:
    """Whether a signal breaks off at a run of equal samples and begins anew behind it.

    Args:
        left, right: what stands beside it, less its value, the nearest first; steps of the word.
        length: of the run, in frames.
        held: whether it must break off behind the run, where the hold is over; else at any end.
    """
    largest, moves = np.zeros(2), np.zeros(2, np.bool_)
    for lag in _LAGS[: max(int(np.searchsorted(_LAGS, length // _SHARE, side="right")), 1)]:
        if min(len(left), len(right)) <= 2 * lag:
            break
        own = max(_bend(side, lag) for side in (left, right)) + _DITHER
        away = np.abs([left[lag - 1], right[lag - 1]])
        moves |= away >= LEAP_STEPS
        largest = np.maximum(largest, away / own)
    jumps = np.abs([left[0], right[0]]) >= LEAP_STEPS
    breaks = (largest >= _BREAKS) & jumps
    if not moves.all() or not (breaks[1] if held else breaks.any()) or _is_top(left, right):
        return False
    return bool(largest.min() >= _MOVES) or max(_rest(left), _rest(right)) <= length // _RESTS


def _is_top(left: NDArray[np.float64], right: NDArray[np.float64]) -> bool:
    """Whether both flanks of the run lie on one side, no steeper than others: a cut off top."""
    steepest = max(float(np.abs(np.diff(x)).max()) for x in (left, right)) + _DITHER
    flanks = float(left[0]), float(right[0])
    return flanks[0] * flanks[1] > 0 and max(map(abs, flanks)) <= steepest


def _rest(x: NDArray[np.float64]) -> int:
    """The longest stretch in which each sample lies within a step of the one before, in frames."""
    starts, stops = true_runs(np.abs(np.diff(x)) <= 1)
    return int((stops - starts).max(initial=0)) + 1


def _bend(x: NDArray[np.float64], lag: int) -> float:
    """The largest second difference at a lag."""
    bends = x[2 * lag :] - 2 * x[lag:-lag] + x[: -2 * lag]
    return float(np.abs(bends).max())
