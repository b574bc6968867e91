"""Whether hiss that falls may be pulled down by a decoder of noise reduction.

A decoder turns the hiss down as the programme falls, and up again with it: what it does to the hiss
under one level of programme it does under every other such. A tape that lifts and a head that clogs
take the hiss away while the programme goes on. So hiss is not moved by a decoder where it was heard
as before under programme that was no louder. And where a decoder is in use, hiss under programme is
known by what it is elsewhere under programme as loud: less was taken by no decoder.

What this cannot tell: a decoder that listens to less than the lowest band, as under a bass; the
hiss under programme that is bright or seldom as loud.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.dropouts._tape._bands import BODY, HISS, Floats
from checks.dropouts._tape._breath import RESTS_DB
from checks.dropouts._tape._floors import (
    AT_DB,
    ERASED_DB,
    LOW_MEAN_DB,
    STEADY_DB,
    LevelHistory,
    clear_of_leaks,
    keeps_to,
    plateau,
)
from checks.dropouts._tape._lasting import PLAYS_ON, Fall
from checks.dropouts._tape._losses import lost_there

_UNDER_DB: Final = 3.0  # clearly less
ENTRIES: Final = 4  # from memory: some 0.4 s
_OFTEN: Final = 8  # times as often as under it (own trials: of hiss that a decoder moves, 4)
_RESTED: Final = 8  # entries, some 0.75 s, in which hiss is heard so in rests (own trials)
_RAISED: Final = 8  # entries, some 0.75 s, in which hiss is heard at one level under programme
_BANDS: Final = 3  # as many as prove a lift
_ALIKE_DB: Final = 3.0  # bands of a hiss that goes up as a whole (own trials: 2)
_LOUDER_DB: Final = 12.0  # programme that counts as equally loud
_MOST_DB: Final = 26.0  # decoders take up to 24 dB (common practice), and noise moves
_SHOWS: Final = 0.5  # of a fall, from which an entry shows it
_OF_BODY: Final = 0.5  # of a fall of the hiss: more than a gap takes from the body
_GOES_ON: Final = 0.1  # of the entries: a machine that stops lets little be heard (own trials)
_EXPANDED: Final = 0.5  # of a fall of the hiss: a decoder's two decibels for one of programme


def is_heard(
    history: LevelHistory,
    track: int,
    apart: NDArray[np.bool_],
    level: Floats,
    bands: Sequence[int],
    body_db: float,
    least: int = ENTRIES,
) -> bool:
    """Whether hiss keeps to a level where the body of the sound is no louder than that.

    Args:
        apart: entries asked, (entries,).
        level: dB a band.
        least: entries in which it must.
    """
    chosen, entries = list(bands), np.flatnonzero(apart)
    low = history.low_db[:, track, entries].astype(np.float32)
    mean = history.mean_db[:, track, entries].astype(np.float32)
    lost = lost_there(low, mean)  # tells nothing of a decoder
    low, mean, body = low[chosen], mean[chosen], mean[BODY]
    over = low - LOW_MEAN_DB - level[chosen][:, None]
    soft = ~lost & (body <= body_db + AT_DB)
    rests = body <= float(level[chosen].max()) + RESTS_DB
    at = soft & keeps_to(over, mean - low, rests).all(axis=0)
    under = soft & (over.mean(axis=0) < -_UNDER_DB)
    if int(np.count_nonzero(at)) >= max(least, _OFTEN * int(np.count_nonzero(under))):
        return True
    # Of rests alone: a decoder takes most there, and what fell under programme was lost as well.
    rested, fallen = np.count_nonzero(at & rests), np.count_nonzero(under & rests)
    return int(rested) >= max(_RESTED, _OFTEN * int(fallen))


def raised_db(
    history: LevelHistory,
    track: int,
    apart: NDArray[np.bool_],
    level: Floats,
    body_db: float,
) -> float | None:
    """How far a decoder lets the hiss up under some programme; None where that does not show.

    All of it goes up alike, so that some bands tell, where programme lies over the others.

    Args:
        apart: entries asked, (entries,).
        level: hiss in rests, dB a band.
        body_db: of the programme.
    """
    entries = np.flatnonzero(apart)
    low = history.low_db[:, track, entries].astype(np.float32)
    mean = history.mean_db[:, track, entries].astype(np.float32)
    body = low[BODY]
    as_loud = (body >= body_db - AT_DB) & (body <= body_db + _LOUDER_DB) & ~lost_there(low, mean)
    plain = (mean - low <= STEADY_DB) & clear_of_leaks(low, mean) & as_loud
    over = low - LOW_MEAN_DB - level[:, None]
    found = [plateau(over[b, plain[b]], _RAISED) for b in range(HISS, len(low))]
    up = np.array([np.nan if db is None else db for db in found])
    lowest = np.sort(up)[: min(_BANDS, len(up))]  # NaN last
    if len(lowest) < _BANDS or not lowest[-1] - lowest[0] <= _ALIKE_DB:
        return None
    up_db = float(lowest[0])
    rests = body_db <= float(np.nanmax(level[HISS:])) + up_db + RESTS_DB
    if rests or not ERASED_DB <= up_db <= _MOST_DB:  # less may be tape erased otherwise
        return None
    heard = over[HISS:][up <= up_db + _ALIKE_DB].mean(axis=0) - up_db
    at = int(np.count_nonzero(as_loud & (np.abs(heard) <= AT_DB)))
    under = int(np.count_nonzero(as_loud & (heard < -_UNDER_DB)))
    return up_db if at >= max(_RAISED, _OFTEN * under) else None


def under_programme(fall: Fall, history: LevelHistory, running: NDArray[np.bool_]) -> bool:
    """Whether programme goes on over hiss that falls, and rests elsewhere over hiss that does not.

    That is no rest, no machine that stops and starts, and no decoder. Arguments: see
    ``with_programme``.
    """
    on = fall.rested and fall.plays >= _GOES_ON
    return on and not with_programme(fall, history, running, least=ENTRIES)


def with_programme(
    fall: Fall, history: LevelHistory, running: NDArray[np.bool_], least: int | None = None
) -> bool:
    """Whether hiss that falls was never heard as before where programme was as soft.

    Args:
        running: entries in which the tape runs.
        least: entries in which it must be heard so; by itself fewer where it was heard in rests.
    """
    bands = np.flatnonzero(np.isfinite(fall.fall_db[HISS:])) + HISS
    before = fall.after + fall.fall_db
    low = history.low_db[bands, fall.track, fall.first : fall.last].astype(np.float32)
    depth = (before[bands][:, None] - low) / fall.fall_db[bands][:, None]
    down = fall.first + np.flatnonzero(depth.max(axis=0) >= _SHOWS)  # programme may cover some
    body_db = float(median(history.mean_db[BODY, fall.track, down].astype(np.float32)))
    rests_db = np.nan_to_num(float(fall.fall_db[BODY]))  # a gap takes of the body's own noise, too
    body_db += float(np.clip(rests_db, 0.0, _OF_BODY * fall.mean_db))
    apart = running.copy()
    apart[fall.since : fall.last] = False  # on the way down it is less already
    level = before - np.float32(LOW_MEAN_DB)
    if least is None:
        least = 1 if fall.rested else ENTRIES  # it was heard in rests already
    return not is_heard(history, fall.track, apart, level, bands.tolist(), body_db, least)


def by_decoder(falls: Sequence[Fall], tracks: Sequence[int]) -> bool:
    """Whether falls at one time are on all of some tracks, and noise reduction may make them.

    Heads clog singly. And a decoder lets the hiss up again with programme that is as loud.
    """
    fell = {fall.track for fall in falls}
    all_fell = len(fell) > 1 and fell >= set(tracks)
    return all_fell and not any(as_loud(fall) for fall in falls)


def as_loud(fall: Fall) -> bool:
    """Whether programme goes on, and about as loud, while the hiss is down."""
    return fall.plays > PLAYS_ON and fall.quieter_db < _EXPANDED * fall.mean_db
