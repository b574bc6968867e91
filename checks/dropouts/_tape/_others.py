"""Which lasting falls are falls of the hiss, and end below what the other tracks of the tape hiss.

Where programme covered a track's hiss until now, its first rest looks like a fall; but what fell
was never heard as hiss is, and it ends at about the hiss of the others. What this cannot tell: a
fall to the level of tracks that are dead.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from checks._ranks import median
from checks.dropouts._tape._bands import BODY, HISS, Floats
from checks.dropouts._tape._breath import heard_as_hiss, never_again
from checks.dropouts._tape._decoded import under_programme
from checks.dropouts._tape._drops import SAME_DB
from checks.dropouts._tape._floors import AT_DB, LOW_MEAN_DB, LevelHistory
from checks.dropouts._tape._hiss import Hiss
from checks.dropouts._tape._lasting import PLAYS_ON, Fall
from checks.dropouts._tape._standing import FED_DB

TOGETHER_S: Final = 0.7
"""Lasting falls on several tracks that begin so close are one event."""

NO_TAPE_DB: Final = -82.0
"""A band. Tapes hiss 50 to 80 dB down (common practice), which reads as much or more in each."""

UNDER_OTHERS_DB: Final = 2.5  # own trials: tracks of one tape differ by a decibel or two
LEAVES: Final = 0.5  # of the fall of the hiss: a fader takes all of it from the body, too
_PLAYS: Final = 0.5  # of the time in which the hiss of another track is down (from memory)
LIKE_DB: Final = 4.0  # tracks hiss alike; amplifiers lie 8 dB under it (common practice)
_AGAIN: Final = 0.25  # of the entries (from memory); of hiss that stays down, hardly any
_HIGHEST: Final = 2  # bands: one alone may be there by chance


def under_others(
    falls: Sequence[Fall],
    heard: Hiss,
    history: LevelHistory,
    tracks: Sequence[int],
    entry_s: float,
) -> list[Fall]:
    """Those falls that end below the others of these tracks."""
    under = [f for f in falls if is_under(f, _others(f, falls, heard, tracks, entry_s))]
    on = [f.first for f in under if under_programme(f, history, heard.running)]
    return [
        f
        for f in under
        if any(abs(first - f.first) * entry_s <= TOGETHER_S for first in on)
        or _play_on(f, falls, history, tracks, entry_s)
        or not _shared(f, history, tracks)
        or (is_sure(f) and _runs_on(f, falls, heard, history, tracks))
    ]


def of_hiss(
    falls: Sequence[Fall], heard: Hiss, history: LevelHistory, tracks: Sequence[int]
) -> list[Fall]:
    """Those falls before which hiss was heard, not breath, or behind which no breath is heard.

    Or that leave too little of anything, all at once: what somebody plays fades out little by
    little. Too little is less than any tape hisses, or than other tracks of this one do.
    """
    low = history.low_db
    hisses = hissing(heard, history, tracks)
    out = []
    runs = heard.running  # a machine that stands still is quieter than any hiss
    for fall in falls:
        apart = runs.copy()
        apart[fall.first : fall.last] = False
        own = low[:, fall.track][:, apart].astype(np.float32)
        others = [level for k, level in hisses.items() if k != fall.track]
        dead = fall.after_db < NO_TAPE_DB
        under = bool(others) and is_under(fall, others)
        level = fall.after + fall.fall_db
        stays = fall.open_end and never_again(
            low[:, fall.track][:, runs].astype(np.float32),
            int(np.count_nonzero(runs[: fall.first])),
            level,
            fall.mean_db,
        )
        if ((dead or under) and not fall.fades) or stays or heard_as_hiss(own, level):
            out.append(fall)
    return out


def hissing(heard: Hiss, history: LevelHistory, tracks: Sequence[int]) -> dict[int, Floats]:
    """The hiss of those tracks of which it is heard as that of a tape is, dB a band."""
    levels = {k: heard.lowest(k) for k in tracks}
    low_db, over = history.low_db, np.float32(LOW_MEAN_DB)
    return {
        k: level
        for k, level in levels.items()
        if heard_as_hiss(low_db[:, k, heard.running].astype(np.float32), level + over)
    }


def _play_on(
    fall: Fall,
    falls: Sequence[Fall],
    history: LevelHistory,
    tracks: Sequence[int],
    entry_s: float,
) -> bool:
    """Whether most tracks fall together and play on: no rest, nor a tape that stops."""
    near = [f for f in falls if abs(f.first - fall.first) * entry_s <= TOGETHER_S]
    on = sum(leaves_body(f, history, max(f.seen, f.first + 1)) for f in near)
    return 2 * on > len(tracks)


def leaves_body(fall: Fall, history: LevelHistory, last: int) -> bool:
    """Whether the body goes on from a fall to an entry: a fader takes as much of it as of hiss.

    Asked of the usual level: here and there a note is loud in spite of that.
    """
    body = history.mean_db[BODY, fall.track].astype(np.float32)
    quieter = median(body[: fall.first]) - median(body[fall.first : last])
    return bool(quieter < LEAVES * fall.mean_db)


def _shared(fall: Fall, history: LevelHistory, tracks: Sequence[int]) -> bool:
    """Whether most other tracks come down to the same level while a fall shows, and all goes on.

    That is a rest, or a tape that stops and starts again.
    """
    others = [k for k in tracks if k != fall.track]
    if fall.seen == history.entries or not others:
        return False
    alike = [k for k in others if over(fall, history, k, fall.first + 1, fall.seen - 1) < LIKE_DB]
    return 2 * len(alike) > len(others)


def is_sure(fall: Fall) -> bool:
    """Whether what fell was the hiss of rests, or what is left is less than any tape hisses."""
    return fall.rested or fall.after_db < NO_TAPE_DB


def _runs_on(
    fall: Fall, falls: Sequence[Fall], heard: Hiss, history: LevelHistory, tracks: Sequence[int]
) -> bool:
    """Whether the tape runs on beside a fall: some track without one plays or hisses as before.

    One level that is held all along is a generator's, which needs no tape.
    """
    here = slice(fall.first + 1, max(fall.seen - 1, fall.first + 2))
    fallen = {f.track for f in falls if f.first < fall.seen and fall.first < f.last}
    for k in set(tracks) - fallen:
        plays = heard.programme[k, here]
        body = history.mean_db[BODY, k, here].astype(np.float32)[plays]
        if plays.mean() >= _PLAYS and np.ptp(body) > FED_DB:
            return True
        over_db = history.low_db[HISS:, k, here].astype(np.float32) - LOW_MEAN_DB
        over_db -= heard.lowest(k)[HISS:, None]
        if (np.abs(over_db) < AT_DB).all(axis=0).mean() >= _PLAYS:  # NaN is not
            return True
    return False


def over(fall: Fall, history: LevelHistory, track: int, first: int, last: int) -> float:
    """How far a track's usual lows lie over what another one fell to, dB; infinite where unknown.

    Args:
        first, last: entries of that track.
    """
    heard = np.isfinite(fall.after[HISS:])
    low = history.low_db[HISS:, track, first:last].astype(np.float32)
    if last <= first or not heard.any():
        return float("inf")
    return float((median(low, axis=1) - fall.after[HISS:])[heard].mean())


def _others(
    fall: Fall, falls: Sequence[Fall], heard: Hiss, tracks: Sequence[int], entry_s: float
) -> list[Floats]:
    """Lowest levels of the other tracks: hiss, and what they fall to, but not at that time.

    Where the hiss of rests falls for a while, a track that does not rest may be lost then, too.
    """
    first, last = (fall.first, fall.last) if fall.rested and not fall.open_end else (0, 0)
    levels = {k: heard.beside(k, first, last) for k in tracks if k != fall.track}
    for one in falls:
        apart = abs(one.first - fall.first) * entry_s > TOGETHER_S
        if one.track in levels and apart and one.plays <= PLAYS_ON and not heard.is_lost(one):
            levels[one.track] = np.fmin(levels[one.track], one.after)
    return list(levels.values())


def is_under(fall: Fall, others: Sequence[Floats]) -> bool:
    """Whether a fall ends below the hiss of the other tracks, as far as any is known.

    Where programme covered a track's hiss until now, its rest may look like a fall. Of a track
    that no longer plays, what is asked is whether it is quieter than tracks that rest: programme
    may lie over the hiss of many.

    Args:
        others: hiss of each other track, (bands,) dB, NaN where it is not known.
    """
    levels = np.sort(np.array(others).reshape(-1, len(fall.after))[:, HISS:], axis=0)  # NaN last
    known = np.isfinite(levels).sum(axis=0)
    heard = np.isfinite(fall.after[HISS:]) & (known > 0)
    if not heard.any():
        return True
    pick = (known + 1) // 4 if fall.plays <= PLAYS_ON else known // 2
    usual = np.take_along_axis(levels, pick[None] - (known == 0), axis=0)[0]
    return bool((usual - fall.after[HISS:])[heard].mean() >= UNDER_OTHERS_DB)


def comes_and_goes(fall: Fall, history: LevelHistory) -> bool:
    """Whether the hiss is heard as before in the midst of a fall: short ones that come again.

    Asked of its highest bands, which programme covers least.
    """
    heard = np.isfinite(fall.fall_db[HISS:])
    before = (fall.after + fall.fall_db)[HISS:][heard]
    low = history.low_db[HISS:, fall.track, fall.first : fall.last].astype(np.float32)[heard]
    at = np.abs(low - before[:, None]) < SAME_DB
    return bool(at[-_HIGHEST:].all(axis=0).mean() >= _AGAIN)
