"""Whether steady noise is the hiss of a tape, or the breath of what is played.

The noise of breath, bow or wind comes and goes with its note and is never heard without it. The
hiss of a tape is there in every rest, and stays where it is while the body of the sound moves. So
a level counts as hiss where the body rests while it is heard, or moves over it. And breath comes
back with the next notes: what no note of many brings back was taken by the tape or the head.

What this cannot tell: hiss from breath under a sound that is held at one level and never rests;
players who change to an instrument without breath and stay with it, where no other track tells
what the tape hisses.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.dropouts._tape._bands import BODY, HISS, Floats
from checks.dropouts._tape._floors import AT_DB

RESTS_DB: Final = 8.0
"""Of the body over the loudest band of the hiss. Own trials: hiss in rests up to 5, breath and bow
from 12 dB on; hum and rumble lie under the body."""

_UNDER_DB: Final = 3.0  # clearly less: a floor is heard more often than what lies under it
_HEARD: Final = 5  # entries, some 0.5 s: a tail or a breath may hold still for less (own trials)
_APART_DB: Final = 4.0  # own trials: under breath that keeps to its level, the body moves by less
_LEVELS: Final = 4  # so far apart: two notes, or three, may by chance be breathed alike
ENTRIES: Final = 3  # from memory: some 0.3 s, so that one moment is no proof

_BACK: Final = 0.5  # of the fall: less is as bright as before
_SELDOM: Final = 0.02  # of the entries behind the fall: a stroke or two
_MOSTLY: Final = 0.8  # of those before it
_NOTES: Final = 4  # on either side: of 70 orders of eight, one has the four brighter ones first


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
    at = (np.abs(low[heard] - level[heard][:, None]) < AT_DB).all(axis=0)
    under = (low[heard] - level[heard][:, None]).mean(axis=0) < -_UNDER_DB
    if np.count_nonzero(at) < max(_HEARD, int(np.count_nonzero(under))):
        return False
    return rests_or_moves(low[BODY][at], float(level[heard].max()))


def never_again(low: Floats, first: int, level: Floats, fall_db: float) -> bool:
    """Whether the notes before an entry all have the treble that none behind it has.

    Breath follows its note. That so many notes stand in just that order is no chance.

    Args:
        low: lows of all bands, (bands, entries).
        first: the entry from which the treble falls, to the end.
        level: before the fall, dB a band as lows are; NaN where none is known.
        fall_db: how far it falls, mean of the bands.
    """
    heard = np.flatnonzero(np.isfinite(level[HISS:])) + HISS
    bright = (low[heard] - level[heard][:, None]).mean(axis=0) > -_BACK * fall_db
    left = np.cumsum(bright[::-1])[::-1]  # that many entries from here on
    dull = np.flatnonzero(left[first + 1 :] <= _SELDOM * np.arange(len(left) - first - 1, 0, -1))
    if not len(dull):
        return False
    first += 1 + int(dull[0])  # the fall begins in a gap, or takes a while
    early, late = _notes(low[BODY, :first]), _notes(low[BODY, first:])
    return bool(bright[:first].mean() >= _MOSTLY) and min(early, late) >= _NOTES


def _notes(body: Floats) -> int:
    """How many times the body of the sound goes to a level and stays for some entries."""
    count, run, last = 0, 0, -np.inf
    for here in body:
        if abs(here - last) > _APART_DB:
            run, last = 0, float(here)
        run += 1
        count += run == ENTRIES
    return count
