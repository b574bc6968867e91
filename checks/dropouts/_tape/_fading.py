"""Which falls of the hiss are a fade-out's, and which are losses that come before it.

Somebody who turns everything down leaves no track as it was. So a track that falls while most
others go on was lost, or its head clogged, though the capture ends in a fade-out of those others,
or in a rest that no longer is one on the track that fell.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from checks._ranks import median
from checks.dropouts._tape._bands import BODY, Floats
from checks.dropouts._tape._breath import ENTRIES
from checks.dropouts._tape._contact import Candidate
from checks.dropouts._tape._fades import (
    QUICK_S,
    SETTLED_DB,
    Fade,
    fade_out,
    fades_there,
    over_last,
    sound_of,
)
from checks.dropouts._tape._floors import LevelHistory
from checks.dropouts._tape._lasting import Fall, falls
from checks.dropouts._tape._motion import Course
from checks.dropouts._tape._others import LEAVES, TOGETHER_S, leaves_body

_SOFT_S: Final = 2.0  # before a fade-out shows clearly


def without_fade(
    history: LevelHistory,
    way: Course,
    tracks: Sequence[int],
    entry_s: float,
    least_db: float,
) -> tuple[Fade, int, list[Fall]]:
    """The fade-out of these tracks, the entry from which it may show, and their other falls."""
    found = [fall for track in tracks for fall in falls(history, way, track, least_db)]
    fade, shows = _fade(history, tracks, entry_s)
    lost = [
        f for f in found if f.first >= shows and _is_alone(f, found, history, way, tracks, entry_s)
    ]
    if lost:
        left = sorted(set(tracks) - {f.track for f in lost})
        fade, shows = _fade(history, left, entry_s)
    before = [f for f in found if f.first < shows or f in lost]
    clear = fade.first - round(TOGETHER_S / entry_s)
    before += [
        f
        for f in found
        if f not in before
        and (_rests_stay(f) or (f.first <= clear and leaves_body(f, history, fade.first)))
    ]
    return fade, shows, before


def unfaded(
    found: Sequence[Candidate], head: Floats, tail: Floats, hops: int, hops_per_s: float
) -> list[Candidate]:
    """Those short falls that lie in no quick fade at an end of the capture.

    Args:
        head, tail: (bands, tracks, hops): the first and the last 23 ms of the tracks that count.
        hops: from where on all is faded out, or the capture ends.
    """
    quick = QUICK_S * hops_per_s
    first = quick if fades_there(head, begins=True) else 0
    last = hops - quick if fades_there(tail, begins=False) else hops
    return [c for c in found if first <= c.start < last]


def is_by_hand(fall: Fall) -> bool:
    """Whether what is played goes down little by little with the hiss, as where somebody fades it.

    Not where the body of the sound rests and plays as before.
    """
    stays = fall.fall_db[BODY] < LEAVES * fall.mean_db and fall.quieter_db < LEAVES * fall.mean_db
    return fall.faded or (fall.as_body is True and fall.slow and fall.fades and not stays)


def _rests_stay(fall: Fall) -> bool:
    """Whether the body of the sound rests behind a fall nearly as loud as before."""
    return fall.rested and bool(fall.fall_db[BODY] < LEAVES * fall.mean_db)


def _fade(history: LevelHistory, tracks: Sequence[int], entry_s: float) -> tuple[Fade, int]:
    fade = fade_out(history, tracks, entry_s)
    return fade, fade.first - (round(_SOFT_S / entry_s) if fade.count else 0)


def _is_alone(
    fall: Fall,
    found: Sequence[Fall],
    history: LevelHistory,
    way: Course,
    tracks: Sequence[int],
    entry_s: float,
) -> bool:
    """Whether most of the tracks that play, but for those that fall together with it, go on."""
    near = {f.track for f in found if abs(f.first - fall.first) * entry_s <= TOGETHER_S}
    others = [k for k in tracks if k not in near and way.programme[k].any()]
    # So soon, what falls within an entry or two takes the loudest of notes with it, too.
    soft_s = _SOFT_S if fall.slow or fall.fades else TOGETHER_S
    late = fall.first + round(soft_s / entry_s)
    on = sum(_goes_on(history, way, k, fall.first, late) for k in others)
    return bool(others) and 2 * on >= len(others)


def _goes_on(history: LevelHistory, way: Course, track: int, entry: int, late: int) -> bool:
    """Whether a track rests at last as it did before an entry, or later still sounds so."""
    sound = sound_of(history, (track,))
    rests = (over_last(sound)[:, 0].max(axis=0) <= SETTLED_DB) & way.running
    if np.count_nonzero(rests[:entry]) >= ENTRIES:
        return True
    plays = np.flatnonzero(way.programme[track, :entry])
    body = sound[BODY, 0]
    return bool(len(plays)) and bool((body[late:] > median(body[plays]) - SETTLED_DB).any())
