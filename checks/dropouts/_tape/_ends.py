"""What goes for good: all of a track's signal, or the tape itself, on all tracks at once.

The electronics that are left may have noise of 1/f: then the body of the sound falls less than the
treble, as behind a clogged head. But a gap takes hardly anything from the body (54.6 dB times
distance over wavelength), and no head but those of a tape that ends fails in the same moment as
all others. What this cannot tell: a head that clogs far and for good in the very moment in which
its player stops for good.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._tape._bands import BODY, EDGE
from checks.dropouts._tape._floors import LevelHistory
from checks.dropouts._tape._gap import behind_a_gap
from checks.dropouts._tape._hiss import Hiss
from checks.dropouts._tape._lasting import OF_EDGE, PLAYS_ON, Fall, is_flat, is_silent
from checks.dropouts._tape._motion import Course, Motion
from checks.dropouts._tape._others import (
    LIKE_DB,
    TOGETHER_S,
    is_sure,
    of_hiss,
    over,
    under_others,
)
from checks.dropouts._tape._standing import WITH


def is_gone(fall: Fall) -> bool:
    """Whether nothing is played any more from a fall on, and the body went with the hiss."""
    gone = fall.plays <= PLAYS_ON and fall.open_end
    return gone and (_is_over(fall) or is_flat(fall) or is_silent(fall))


def _is_over(fall: Fall) -> bool:
    """Whether a track's whole signal goes at once, for longer than it ever rested before."""
    body, edge = fall.fall_db[BODY], fall.fall_db[EDGE]
    whole = body >= WITH * fall.mean_db and not body < OF_EDGE * edge
    return fall.outlasts and not fall.slow and bool(whole)


def lost(
    history: LevelHistory,
    way: Course,
    found: Sequence[Fall],
    tracks: Sequence[int],
    entry_s: float,
    least_db: float,
    frequencies_hz: NDArray[np.float64],
) -> tuple[Course, list[Fall]]:
    """The tape's course, and those falls of these tracks that the tape or a head may have made.

    Args:
        frequencies_hz: middle of every band, (bands,).
    """
    hiss = Hiss(history, way, found)
    kept = of_hiss(found, hiss, history, tracks)
    found = [f for f in found if f in kept or behind_a_gap(f, history, way.running, frequencies_hz)]
    way, found = _between(way, found, tracks, entry_s, least_db)
    found = under_others(found, hiss, history, tracks, entry_s)
    return _ended(way, found, history, tracks, entry_s, least_db)


def _between(
    way: Course, found: Sequence[Fall], tracks: Sequence[int], entry_s: float, least_db: float
) -> tuple[Course, list[Fall]]:
    """The tape's course and the falls, without those between which no tape was heard at all.

    All of these tracks go together and come back together, to less than the hiss of rests or of
    any tape: that is leader, or a machine that was stopped, or the signal of all was lost, by what
    else is heard there (``_without_tape``).
    """
    near = round(TOGETHER_S / entry_s)
    gone = [f for f in found if not f.open_end and f.plays <= PLAYS_ON and is_sure(f)]
    gone = [f for f in gone if f.mean_db >= least_db and not is_silent(f)]
    states = way.states.copy()
    out = list(found)
    for one in gone:
        same = [
            f for f in gone if 0 <= f.first - one.first <= near and abs(f.last - one.last) <= near
        ]
        body = sum(min(float(f.fall_db[BODY]), f.mean_db) for f in same)
        whole = body >= WITH * sum(f.mean_db for f in same)
        if len(same) > 1 and {f.track for f in same} == set(tracks) and whole:
            states[one.first : max(f.last for f in same)] = Motion.LEADER
            out = [f for f in out if f not in same]
    return replace(way, states=states), out


def _ended(
    way: Course,
    found: Sequence[Fall],
    history: LevelHistory,
    tracks: Sequence[int],
    entry_s: float,
    least_db: float,
) -> tuple[Course, list[Fall]]:
    """The tape's course and the falls, without those that are the end of the tape.

    It is where all of these tracks fall to the electronics together and stay there, and the body
    with them, all tracks taken together: of one the electronics may cover it. A track that was
    never heard to hiss comes down to the same level.
    """
    last = [f for f in found if f.open_end and f.plays <= PLAYS_ON and not is_silent(f)]
    last = [f for f in last if f.mean_db >= least_db]
    first = min((f.first for f in last), default=0)
    last = [f for f in last if (f.first - first) * entry_s <= TOGETHER_S]
    down = {f.track for f in last}
    until = max((f.last for f in last), default=0)  # behind it no tape runs: all are down there
    for k in set(tracks) - down if last else ():
        stays = over(last[0], history, k, last[0].first + 1, until) < LIKE_DB
        if stays and over(last[0], history, k, 0, first) >= LIKE_DB:
            down.add(k)
    if len(down) < 2 or down != set(tracks):  # one head alone may clog
        return way, list(found)
    body = sum(min(float(f.fall_db[BODY]), f.mean_db) for f in last)
    if not body >= WITH * sum(f.mean_db for f in last):
        return way, list(found)
    states = way.states.copy()
    states[first:] = Motion.STANDING
    near = round(TOGETHER_S / entry_s)  # what falls with them, or later, does so with them
    return replace(way, states=states), [f for f in found if f.first < first - near]
