"""The reference tone of noise reduction: a tone whose frequency jumps up now and then.

From memory of the trade, no standard at hand: a carrier of 850 Hz that jumps up by about 10 % for
some 30 ms every 750 ms, or of 400 Hz for 15 ms every 500 ms. So it is the shape that counts here
(a jump of 5 to 15 %, 1 to 12 % of the time, at even intervals), and nothing hangs on it alone. A
plain tone of either frequency is none.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.lineup._run import Run

CARRIER_HZ: Final = (300.0, 1200.0)
SHIFT: Final = (0.05, 0.15)  # of the carrier; nominally 0.10
SHARE: Final = (0.01, 0.12)  # of the time; nominally 3 and 4 %
PERIOD_S: Final = (0.3, 1.5)  # nominally 0.5 and 0.75
EVEN: Final = 0.1  # greatest scatter of the intervals, of their median
BESIDE: Final = 2  # values to either side of a jump that its window touches


def met_in_a_jump(run: Run) -> bool:
    """Whether the run was begun at a jump's frequency, above the tone's own."""
    away = -run.off_hz() / run.hz
    return CARRIER_HZ[0] <= run.hz <= CARRIER_HZ[1] and SHIFT[0] / 2 < away < SHIFT[1]


def shifts(
    values: NDArray[np.complex128], carrying: NDArray[np.bool_], step_s: float, hz: float
) -> tuple[NDArray[np.bool_], float | None, float | None]:
    """Which values a jump of frequency touches, and the jumps' period and height.

    Args:
        values: (tracks, values) complex amplitudes against a phasor of ``hz``.

    Returns:
        (values,) mask, the period in seconds and the height in percent; all False and None where
        this is no such tone.
    """
    count = values.shape[1]
    none = np.zeros(count, np.bool_), None, None
    rows = values[carrying]
    if not CARRIER_HZ[0] <= hz <= CARRIER_HZ[1] or not len(rows):
        return none
    turns = (rows[:, 1:] * rows[:, :-1].conj()).sum(axis=0)  # the tracks' phases cancel
    offset = np.angle(turns) / (2 * np.pi * step_s)
    away = (offset - median(offset)) / hz
    up = away > SHIFT[0] / 2
    share = float(up.mean())
    if not SHARE[0] / 2 <= share <= SHARE[1]:
        return none
    starts = np.flatnonzero(np.diff(np.concatenate(([0], up.astype(np.int8)))) == 1)
    starts = starts[np.concatenate(([True], np.diff(starts) * step_s > PERIOD_S[0] / 2))]
    if len(starts) < 3:
        return none
    gaps = np.diff(starts) * step_s
    period = float(median(gaps))
    if not PERIOD_S[0] <= period <= PERIOD_S[1] or np.abs(gaps - period).max() > EVEN * period:
        return none
    height = float(median([away[s : s + int(0.05 / step_s) + 1].max() for s in starts]))
    if not SHIFT[0] <= height <= SHIFT[1]:
        return none
    touched = np.concatenate((up, [False])) | np.concatenate(([False], up))
    for _ in range(BESIDE):
        touched[1:] |= touched[:-1].copy()
        touched[:-1] |= touched[1:].copy()
    return touched, period, 100.0 * height
