"""Which stretches of two tracks agree with one another, where a second fault parts the others.

A hold, a loss or samples put in on one of two copies spoil a few stretches, or shift all that
follow. So each stretch says by itself at which delay the two agree (see ``_delays``); those at
the commonest one stay, those that agree on another go. Of the rest go those whose residual lies
far over the others', as a level, not against the programme: rests, in which two tracks of their
own show that they are two, have the lowest of all and always stay.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median

AGREES: Final = 0.5  # share of a stretch's bins that agree on a delay; chance: 0.1
_SHARE: Final = 1 / 3  # of the stretches that agree on any delay, at the commonest
_LEAST: Final = 4  # stretches that one delay is told by
_FAR_DB: Final = 10.0  # own choice: noise moves by 1 dB from stretch to stretch
_SPOILT: Final = 1 / 3  # of the stretches, at most: more is no second fault

Lags = NDArray[np.int64]


def at_one_delay(
    lags: Lags, peaks: NDArray[np.floating[Any]], least: int = _LEAST
) -> tuple[NDArray[np.bool_], int] | None:
    """Stretches that stay and the lag they agree on; None where too few agree.

    Args:
        lags, peaks: (stretches,), of each stretch by itself, peaks signed.
        least: stretches that have to agree.
    """
    sure = np.abs(peaks) >= AGREES
    if np.count_nonzero(sure) < least:
        return None
    near = np.abs(lags[sure][:, None] - lags[sure]) <= 1
    counts = near.sum(axis=1)
    best = int(np.argmax(counts))
    if counts[best] < max(least, _SHARE * len(counts)):
        return None
    lag = int(np.rint(median(lags[sure][near[best]].astype(np.float64))))
    return ~sure | (np.abs(lags - lag) <= 1), lag


def unspoilt(levels_db: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Stretches whose residual is like the others'; all of them where many are not.

    Args:
        levels_db: (stretches,) residual of each, -inf for nothing.
    """
    told = np.isfinite(levels_db)
    stay = np.ones(len(levels_db), np.bool_)
    if told.any():
        stay = levels_db <= median(levels_db[told]) + _FAR_DB
    return stay if np.mean(~stay) <= _SPOILT else np.ones_like(stay)
