"""Whether steady noise is the hiss of a tape, or the breath of what is played.

The noise of breath, bow or wind comes and goes with its note and is never heard without it. The
hiss of a tape is there in every rest, and stays where it is while the body of the sound moves. So
a level counts as hiss where the body rests while it is heard, or moves over it.

What this cannot tell: hiss from breath under a sound that is held at one level and never rests.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.dropouts._bands import BODY, HISS, Floats

_AT_DB: Final = 2.0  # from a level: what steady noise does by itself, and a little drift
RESTS_DB: Final = 8.0
"""Of the body over the loudest band of the hiss. Own trials: hiss in rests up to 5, breath and bow
from 12 dB on; hum and rumble lie under the body."""

_APART_DB: Final = 4.0  # own trials: under breath that keeps to its level, the body moves by less
_LEVELS: Final = 4  # so far apart: two notes, or three, may by chance be breathed alike
ENTRIES: Final = 3  # from memory: some 0.3 s, so that one moment is no proof


def rests_or_moves(body: Floats, level_db: float) -> bool:
    """Whether the body of the sound rests or moves while some steady noise keeps to its level.

    Args:
        body: levels of the body in the entries in which the noise is heard, dB, (entries,).
        level_db: of the noise in its loudest band.
    """
    if np.count_nonzero(body <= level_db + RESTS_DB) >= ENTRIES:
        return True
    levels, last = 0, -np.inf
    for here in np.sort(body):
        if here >= last + _APART_DB:
            levels, last = levels + 1, float(here)
    return levels >= _LEVELS


def heard_as_hiss(low: Floats, level: Floats) -> bool:
    """Whether the levels of the hiss bands are heard as those of hiss are.

    Args:
        low: lows of all bands, (bands, entries).
        level: of all bands in dB, as lows are; NaN where none is known, and of no use below HISS.
    """
    heard = np.flatnonzero(np.isfinite(level[HISS:])) + HISS
    if not len(heard):
        return False
    at = (np.abs(low[heard] - level[heard][:, None]) < _AT_DB).all(axis=0)
    return rests_or_moves(low[BODY][at], float(level[heard].max()))
