"""A fade-out: somebody turns everything down at the end, programme, hiss and all.

That is no loss of the tape's, though the hiss of every track falls. A copy or a mix has it, a
replay of tracks seldom. It is told from tracks that are lost by going down step by step and on
most tracks together; from music that ends by going to where no rest was before; from a head that
clogs by the body of the sound, which goes down as well.

What this cannot see: a fade of less than some 0.2 s, or of 0.4 s where seconds of noise follow, or
one of which the end is missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks.dropouts._tape._bands import BODY, HISS, Floats
from checks.dropouts._tape._floors import LevelHistory, decibels

_FADED_DB: Final = 12.0
SETTLED_DB: Final = 3.0
_FADES_S: Final = 0.15  # a signal that is lost is so within an entry (common practice)
_STOPS_S: Final = 1.5
"""Whoever draws everything down in less than ``_BY_HAND_S`` ends a take, and stops the recorder
before long (from memory); where noise goes on, the signal went."""

_DEEP_DB: Final = 20.0  # amplifiers lie 8 to 12 dB under the hiss (common practice)
_SLOWLY_S: Final = 1.0  # no machine takes so long to stop (from memory)
_BY_HAND_S: Final = 0.35
"""For which hiss is seen on its way down: half the time that an even fade takes (computed). In
less than that, power goes, or a machine stops under the last note (from memory)."""

_NOTHING_HOPS: Final = 4  # 1.5 ms: of an even fade, 24 dB under the mean of 23 ms (computed)
_NOTHING_DB: Final = 10.0  # of a fade of equal power 12 (computed); half of the bands show it

QUICK_S: Final = 0.6
"""Time at an end of a capture that somebody fades there within which what falls is the fade's: the
slower ones show as such. From memory."""

_LAST: Final = 3  # entries that show the last level: the very last may hold a few samples

_DOWN: Final = 0.2  # of the fall of the hiss: what leaks in may still move the rest of it
_BEGUN: Final = 0.1  # of the fall: what lies between it and the rest is on the way
ON_THE_WAY: Final = 4  # entries on the way, some 0.4 s: a signal is lost sooner (common practice)
_PLAYS_DOWN: Final = 0.2  # of the entries: so seldom is what plays on as loud as before
_WITH: Final = 0.7  # of the fall of the hiss: more than a spacing loss takes from the body
_AS_LOUD_DB: Final = 4.0  # own trials: programme that plays on as before


@dataclass(frozen=True, slots=True)
class Fade:
    """Entries of a fade-out, behind the last one of a capture without it.

    Attributes:
        deep: somebody draws the hiss down, too, further than to the amplifier's noise of a tape
            that stops, or for longer. All that goes in less time may have been lost.
    """

    first: int
    count: int
    deep: bool


def fade_out(history: LevelHistory, tracks: Sequence[int], entry_s: float) -> Fade:
    """The fade-out of these tracks at the end."""
    return faded(sound_of(history, tracks), entry_s) or Fade(history.entries, 0, False)


def sound_of(history: LevelHistory, tracks: Sequence[int]) -> Floats:
    """Lows of the body and over the hiss bands, (2, tracks, entries)."""
    low = history.low_db[:, list(tracks)].astype(np.float32)
    hiss = low[HISS:] if len(low) > HISS else low
    return np.stack((low[BODY], hiss.mean(axis=0)))


def over_last(sound: Floats) -> Floats:
    """dB over the last level of each, shape as given."""
    return np.asarray(sound - sound[:, :, -_LAST:].min(axis=2, keepdims=True), np.float32)


def faded(sound: Floats, entry_s: float) -> Fade | None:
    """The entries in which somebody turns the whole sound down at the end.

    On most tracks body and hiss go down by 12 dB and more, to where they never were before, and
    step by step, not at once, as where a signal is lost. None where nobody does.

    Args:
        sound: lows of the body and over the hiss bands, (2, tracks, entries), of the tracks
            that count.
    """
    if not sound.size:
        return None
    # Notes lie over the fade on some tracks, now on these, now on those.
    over = np.sort(over_last(sound), axis=1)
    few, most = (_turned_down(over[:, over.shape[1] // part]) for part in (4, 2))
    if most is None:
        return None
    first = min(most[0], few[0]) if few else most[0]
    count = most[1] - first
    soon = (sound.shape[2] - most[1]) * entry_s <= _STOPS_S
    if count * entry_s < (_FADES_S if soon else _BY_HAND_S):
        return None
    hiss = over[1, over.shape[1] // 4]
    usual_db = float(median(hiss[:first])) if first else 0.0
    drawn = (hiss > _DOWN * usual_db) & (hiss < (1.0 - _BEGUN) * usual_db)
    by_hand = _longest(drawn[first - 1 : most[1]]) * entry_s >= _BY_HAND_S
    deep = usual_db >= _DEEP_DB or count * entry_s >= _SLOWLY_S
    return Fade(first, count, by_hand and deep)


def _turned_down(over: Floats) -> tuple[int, int] | None:
    """Entries from which a sound leaves its usual levels and in which it reaches its last one.

    Args:
        over: dB over the last level, (2, entries).
    """
    above = over > _FADED_DB
    if not above.any(axis=1).all():
        return None
    # the level that a sound has for most of the time
    usual = [median(row[high]) for row, high in zip(over, above, strict=True)]
    up = (over > np.array(usual)[:, None] - SETTLED_DB).any(axis=0)
    first = int(np.flatnonzero(up)[-1]) + 1
    down = over.max(axis=0) <= SETTLED_DB
    if down[:first].any() or not down[first:].any():
        return None
    return first, first + int(np.argmax(down[first:]))


def fades_there(piece: Floats, *, begins: bool) -> bool:
    """Whether everything, hiss and all, comes from nothing at an end of a capture, or goes to it.

    Args:
        piece: (bands, tracks, hops): its first or last 23 ms.
        begins: it is the first.
    """
    if not piece.size:
        return False
    last = piece[:, :, :_NOTHING_HOPS] if begins else piece[:, :, -_NOTHING_HOPS:]
    fall = decibels(piece.mean(axis=2)) - decibels(last.mean(axis=2))
    return float(median(fall.ravel())) >= _NOTHING_DB


def step_by_step(depth: Floats) -> bool:
    """Whether the way down, in shares of the fall, is seen in one entry after the other."""
    return _longest((depth > _BEGUN) & (depth < 1.0 - _BEGUN)) >= ON_THE_WAY


def _longest(flags: NDArray[np.bool_]) -> int:
    """The longest run of True."""
    run = best = 0
    for here in flags:
        run = run + 1 if here else 0
        best = max(best, run)
    return best


def with_the_body(body: Floats, depth: Floats, begin: int, end: int, fall_db: float) -> bool:
    """Whether the body of the sound goes down with the hiss, under its own rests.

    A clogged head leaves the body: it plays and rests as before.
    """
    apart = np.r_[0:begin, end : len(body)]
    down = body[begin:end][depth[begin:end] >= 0.5]
    if not len(apart) or not len(down):
        return False
    rests, usual = percentile(body[apart], (5, 50))
    plays = float((down >= usual - _AS_LOUD_DB).mean())
    return bool(percentile(down, 10) < rests - _WITH * fall_db) and plays < _PLAYS_DOWN
