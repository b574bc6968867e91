"""Whether programme that never rests loses its treble as behind a gap, together with its noise.

Noise that stays at one level under a sound that hardly moves may be breath, or a player's, and may
stop. But a gap between tape and head takes from the programme as well, and the more the higher
(54.6 dB times distance over wavelength: reference texts on magnetic recording): from then on it is
never as bright again, and by about as much duller as the noise fell. A player who leaves takes his
noise and his own notes, and leaves the balance of the others.

What this cannot tell: a splice to other programme on duller tape; who changes to a duller sound for
good in the very moment in which a steady noise stops.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.dropouts._tape._bands import BODY, EDGE, HISS, Floats
from checks.dropouts._tape._drops import HISSES_DB
from checks.dropouts._tape._floors import LevelHistory
from checks.dropouts._tape._lasting import Fall

_LEAST: Final = 16  # entries on either side: some 1.5 s
_OVER_DB: Final = 6.0  # of programme over the noise, which then adds less than a decibel
_NEVER: Final = 0.9  # of the pairs of an entry before and one behind: the first is brighter
_PART: Final = 0.5  # of what the law asks for: a band also hears what lies under it (own trials)


def behind_a_gap(
    fall: Fall,
    history: LevelHistory,
    running: NDArray[np.bool_],
    frequencies_hz: Sequence[float] | NDArray[np.float64],
) -> bool:
    """Whether the programme of a track is duller from a fall of its noise on, to the end.

    Args:
        running: where the tape runs, (entries,).
        frequencies_hz: middle of every band, (bands,).
    """
    f = np.asarray(frequencies_hz, np.float64)
    heard = np.flatnonzero(np.isfinite(fall.fall_db[HISS:])) + HISS
    entries = np.flatnonzero(running)
    since = fall.first + ((fall.last - fall.first) // 2 if fall.slow else 1)
    before, behind = entries[entries < fall.first], entries[entries > since]
    if not fall.open_end or min(len(before), len(behind)) < _LEAST or not len(heard):
        return False
    if float((fall.after + fall.fall_db)[heard].max()) > HISSES_DB:
        return False  # noise that is played, and may give way to any other sound
    level = history.mean_db[:, fall.track].astype(np.float32)
    # A gap that takes less than the noise fell by is none; more may have been under electronics.
    per_hz = _PART * fall.mean_db / float(f[heard].mean())
    least_db = fall.before_db + _OVER_DB
    never = False
    for b in range(EDGE, len(f)):
        if b in heard or median(level[b, before]) < least_db:
            continue
        bright = level[b] - level[BODY]
        if median(bright[before]) - median(bright[behind]) < per_hz * (f[b] - f[BODY]):
            return False
        never |= _brighter(bright[before], bright[behind]) >= _NEVER
    return never


def _brighter(before: Floats, behind: Floats) -> float:
    """Of all pairs of a level before and one behind, those of which the first is the higher."""
    return float((np.searchsorted(np.sort(behind), before) / len(behind)).mean())
