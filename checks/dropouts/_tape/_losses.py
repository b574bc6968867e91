"""What losses leave of a track: as steady as the hiss of the tape, and under it.

The floor of the electronics is heard where the tape is off the head or the signal is gone. By
itself it would be the lowest noise that is kept, and taken for the hiss, which hides all losses.
But hiss is heard in rests, before and behind, and for longer than all losses take together; nor
does a decoder of noise reduction pull it down where it is heard in rests.

What this cannot tell: losses that take as long as the hiss is heard in rests, or come for more than
half a minute; and noise of the programme's own that is switched off for a while, from hiss.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._tape._bands import BODY, HISS, Floats
from checks.dropouts._tape._breath import ENTRIES, RESTS_DB
from checks.dropouts._tape._floors import AT_DB, STEADY_DB

_UNDER_DB: Final = 3.0  # clearly less than the hiss
_LOST_DB: Final = 4.5  # under the hiss: more than bulk-erased tape is (common practice: 3 to 4)
_HEARD: Final = 8  # entries, some 0.75 s, in which hiss is heard at least
_APART: Final = 240  # entries, some 20 s: losses closer than that are one series (from memory)
_LONGEST: Final = 360  # entries, some 30 s: what is quieter for longer may be another tape


def lost_there(low: Floats, mean: Floats) -> NDArray[np.bool_]:
    """Entries of a track that lie under the hiss of the tape, as losses do.

    Args:
        low, mean: levels of all bands in entries in the order of time, (bands, entries).
    """
    over = low[HISS:].mean(axis=0)
    noise = (mean - low <= STEADY_DB)[HISS:].all(axis=0)
    rests = noise & (low[BODY] <= low[HISS:].max(axis=0, initial=-np.inf) + RESTS_DB)
    hiss = _usual(over[rests])
    heard = np.flatnonzero(rests & (np.abs(over - hiss) <= AT_DB))
    down = np.flatnonzero(noise & (over < hiss - _LOST_DB))
    if not len(down) or len(heard) < max(_HEARD, len(down)):
        return np.zeros(len(over), np.bool_)
    out = np.zeros(len(over), np.bool_)
    for run in np.split(down, np.flatnonzero(np.diff(down) > _APART) + 1):
        first, last = int(run[0]), int(run[-1])
        before = int(np.searchsorted(heard, first))
        behind = len(heard) - int(np.searchsorted(heard, last))
        if last - first <= _LONGEST and min(before, behind) >= ENTRIES:
            near = slice(max(0, first - 1), last + 2)
            out[near] = over[near] < hiss - _UNDER_DB
    return out


def _usual(levels: Floats) -> float:
    """The level that most values keep to; NaN without any."""
    if not len(levels):
        return float("nan")
    ordered = np.sort(levels)
    near = np.searchsorted(ordered, ordered + AT_DB, side="right")
    near -= np.searchsorted(ordered, ordered - AT_DB)
    return float(ordered[np.argmax(near)])
