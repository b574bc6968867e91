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
from typing import Final

from checks.dropouts._bands import BODY, EDGE
from checks.dropouts._lasting import PLAYS_ON, Fall, is_silent
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._motion import Course, Motion
from checks.dropouts._others import TOGETHER_S

_WITH: Final = 0.3  # of the fall, in the body: three times what a gap takes there of 8 to 20 kHz

_HALF: Final = 0.55  # of the fall at 5.5 kHz: a gap takes a quarter, until the electronics cover it


def is_over(fall: Fall) -> bool:
    """Whether a track's whole signal goes at once, for longer than it ever rested before."""
    body, edge = fall.fall_db[BODY], fall.fall_db[EDGE]
    return fall.outlasts and not fall.slow and _is_whole(fall) and not body < _HALF * edge


def _is_whole(fall: Fall) -> bool:
    """Whether the body of the sound goes with the treble."""
    return bool(fall.fall_db[BODY] >= _WITH * fall.mean_db)


def ended(
    way: Course,
    falls: Sequence[Fall],
    tracks: Sequence[int],
    entry_s: float,
    limits: DropoutsLimits,
) -> tuple[Course, list[Fall]]:
    """The tape's course and the falls, without those that are the end of the tape.

    It is where all of these tracks fall to the electronics together and stay there, most of them
    with the body (two thirds: of some that always played the rests are not known).
    """
    last = [f for f in falls if f.open_end and f.plays <= PLAYS_ON and not is_silent(f)]
    last = [f for f in last if f.mean_db >= limits.signal_lost_db]
    first = min((f.first for f in last), default=0)
    last = [f for f in last if (f.first - first) * entry_s <= TOGETHER_S]
    if len(last) < 2 or {f.track for f in last} != set(tracks):  # one head alone may clog
        return way, list(falls)
    if 3 * sum(_is_whole(f) for f in last) < 2 * len(last):
        return way, list(falls)
    states = way.states.copy()
    states[first:] = Motion.STANDING
    return replace(way, states=states), [f for f in falls if f not in last]
