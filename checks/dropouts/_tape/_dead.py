"""A track that goes down to less than any tape hisses and stays there, while others play on.

Where programme covers a track's hiss until then, ``_lasting`` has nothing to say. It is lost where
hiss was heard above what is left: its own before, or else that of tracks that go on. Where the
machine is heard standing, its noise tells how much the electronics leave. Where a
converter's noise is all that any track ever rests to, no tape runs, and a rest is a rest. Nor is it
dead that sinks to that, or does so with all others: that is a fade-out, or the end. And no player
or room stops within milliseconds (``_cut_off``): where that happens once, and steady noise is all
that is left, less than it ever rested to, or less hiss than ever before (``leaves_less``), a track
is lost, whatever that noise; or it was switched off, if that noise may be the hiss of the tape.
What this cannot tell: a track that dies down to noise as loud as a tape's, where it never rested
before and does so more slowly: its player may have stopped.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks.dropouts._tape._bands import HISS, Floats
from checks.dropouts._tape._breath import heard_as_hiss
from checks.dropouts._tape._cut_off import CutOffs, leaves_less
from checks.dropouts._tape._fades import ON_THE_WAY
from checks.dropouts._tape._findings import made
from checks.dropouts._tape._floors import AT_DB, LOW_MEAN_DB, LevelHistory, together_db
from checks.dropouts._tape._hiss import Hiss
from checks.dropouts._tape._motion import MOST_HISS_DB, Course, Motion
from checks.dropouts._tape._others import TOGETHER_S, UNDER_OTHERS_DB, hissing
from checks.model import Finding, Remedy, Value, Verdict

DEAD_DB: Final = -90.0
"""Power of all bands together, which reads white noise some 8 dB too high. Common practice: tapes
hiss 50 to 80 dB down, converters lie under -100."""

_STEADY_DB: Final = 1.0  # what hiss does by itself
_NOISE_DB: Final = 3.0  # all that steady noise moves by itself from entry to entry (own trials: 2)
_BARE: Final = 3  # entries in which the electronics are heard alone (from memory)
_LEAST_S: Final = 0.6  # shorter is told as a dip
_BEFORE_S: Final = 1.0  # for which it must have been louder
_ALIVE: Final = 0.95  # share of the time before in which it was
_PLAYS: Final = 0.25  # of the time in which some other track must play


def dead(
    history: LevelHistory,
    way: Course,
    tracks: Sequence[int],
    *,
    entry: int,
    frames: int,
    rate_hz: int,
    told: Sequence[Finding],
    cut_offs: CutOffs,
    hiss: Hiss,
) -> list[Finding]:
    """Those of some tracks that are dead to the end of the capture.

    Args:
        entry: frames that an entry of the history covers.
        frames: length of the capture.
        told: signals lost that are known already.
    """
    to_the_end = [
        (f.start_frame or 0, f.tracks)
        for f in told
        if f.kind == "signal-lost" and (f.start_frame or 0) + (f.frames or 0) >= frames
    ]
    cuts = {k: cut_offs.only(k, history.entry_hops) for k in tracks}
    levels, left = {}, {}
    for k, cut in cuts.items():
        levels[k], left[k] = _left(history, way, k, cut)
    ends = {k: int(np.flatnonzero(levels[k] > left[k]).max(initial=-1)) + 1 for k in tracks}
    over = int(np.flatnonzero(way.running).max(initial=-1)) + 1  # behind it, all are down
    go_on = hissing(hiss, history, [k for k, end in ends.items() if end >= over])
    groups: list[tuple[list[int], bool | None]] = []
    for track in sorted(tracks, key=lambda k: ends[k]):
        first = ends[track]
        if any(track in known and at <= first * entry for at, known in to_the_end):
            continue
        others = [
            k
            for k, end in ends.items()
            if end >= over or abs(end - first) * entry > TOGETHER_S * rate_hz
        ]
        if not _is_dead(levels[track], left[track], first, way, others, entry / rate_hz):
            continue
        if _is_told(told, track, first * entry, TOGETHER_S * rate_hz):
            continue
        heard = _own_hiss(history, hiss, track, first) or list(go_on.values())
        under = _is_under(history, track, first, heard)
        if under is False:
            continue  # the hiss of the tape goes on: so it was recorded
        if under and all(float(np.nanmean(level[HISS:])) > MOST_HISS_DB for level in heard):
            under = None  # what is so loud was played, and may merely stop
        if (
            groups
            and groups[-1][1] is under
            and (first - ends[groups[-1][0][0]]) * entry <= TOGETHER_S * rate_hz
        ):
            groups[-1][0].append(track)
        else:
            groups.append(([track], under))
    return [
        _finding(
            tuple(sorted(group)),
            ends[group[0]] * entry,
            frames,
            sure=under is True,
            faint=all(left[k] <= DEAD_DB for k in group),
        )
        for group, under in groups
    ]


def joined(told: Sequence[Finding], gone: Sequence[Finding], near: float) -> list[Finding]:
    """What is told of some tracks, and the dead ones, those that go together as one.

    Left out is what is told of no more than tracks that are dead by then, by one of ``gone``.

    Args:
        near: frames within which signals are lost together.
    """
    out = [f for f in told if not any(_is_dead_by_then(f, g) for g in gone)]
    for one in gone:
        for place, f in enumerate(out):
            like = (f.kind, f.verdict) == (one.kind, one.verdict)
            if like and abs((f.start_frame or 0) - (one.start_frame or 0)) <= near:
                tracks = tuple(sorted({*f.tracks, *one.tracks}))
                out[place] = dataclasses.replace(f, tracks=tracks)
                break
        else:
            out.append(one)
    return out


def _is_dead_by_then(told: Finding, gone: Finding) -> bool:
    return set(told.tracks) <= set(gone.tracks) and (told.start_frame or 0) >= (
        gone.start_frame or 0
    )


def _is_told(told: Sequence[Finding], track: int, frame: int, near: float) -> bool:
    """Whether a signal is told as lost there, though perhaps not to the very end."""
    return any(
        f.kind == "signal-lost" and track in f.tracks and abs((f.start_frame or 0) - frame) <= near
        for f in told
    )


def _finding(
    tracks: tuple[int, ...], start: int, frames: int, *, sure: bool, faint: bool
) -> Finding:
    which, it = ("this track", "it") if len(tracks) == 1 else ("these tracks", "them")
    if sure:
        text = (
            "The signal is gone from here to the end: what is left lies under the hiss of the "
            "tape, down to the noise of the electronics, while other tracks run on. Look at the "
            f"head, the card and the cable of {which} and play {it} again."
        )
    elif not faint:
        text = (
            f"The programme of {which} stops within milliseconds, and to the end there is nothing "
            "but steady noise, while other tracks run on: the signal is lost, or was switched off "
            "when it was recorded, if that noise is the tape's hiss; listen."
        )
    else:
        text = (
            f"From here to the end there is less on {which} than any tape hisses, while others run "
            "on: the signal is lost, or was copied from where no tape hisses, and merely rests; no "
            "hiss is heard that would tell; listen."
        )
    values: dict[str, Value] = {"count": 1, "listed": 1}
    verdict = Verdict.REDO if sure else Verdict.LISTEN
    return made("signal-lost", verdict, Remedy.REPLAY, tracks, start, frames, text, values)


def _left(
    history: LevelHistory, way: Course, track: int, cut: int | None
) -> tuple[NDArray[np.float64], float]:
    """The levels of a track, and that under which it is dead.

    Args:
        cut: entry in which its programme is cut off.
    """
    level = together_db(history.mean_db[:, track])
    bare = level[(way.states == Motion.STANDING) | (way.states == Motion.LEADER)]
    if len(bare) >= _BARE:
        low, usual, high = percentile(bare, (10, 50, 90))  # the first or last may be of its slope
        if high - low <= AT_DB:
            return level, max(DEAD_DB, float(usual) + AT_DB)
    noise = level[cut + 1 :] if cut is not None else level[:0]
    if cut is not None and leaves_less(history, way, track, cut):
        hiss = together_db(history.mean_db[HISS:, track])
        return hiss, float(hiss[cut + 1 :].max())
    if not len(noise) or noise.max() - noise.min() > _NOISE_DB:
        return level, DEAD_DB
    return level, max(DEAD_DB, float(noise.max()))


def _own_hiss(history: LevelHistory, hiss: Hiss, track: int, first: int) -> list[Floats]:
    """The hiss of a track until an entry, where it is heard as that of a tape is."""
    level = hiss.beside(track, first, history.entries)
    before = hiss.running.copy()
    before[first:] = False
    low = history.low_db[:, track, before].astype(np.float32)
    return [level] if heard_as_hiss(low, level + np.float32(LOW_MEAN_DB)) else []


def _is_under(
    history: LevelHistory, track: int, first: int, hisses: Sequence[Floats]
) -> bool | None:
    """Whether what is left of a track from an entry on is less than any hiss; None without one."""
    left = history.mean_db[HISS:, track, first:].astype(np.float32).mean(axis=1)
    over = [float(np.nanmean(hiss[HISS:] - left)) for hiss in hisses]
    return bool(median(np.array(over)) >= UNDER_OTHERS_DB) if over else None


def _is_dead(
    level: NDArray[np.float64],
    left: float,
    first: int,
    way: Course,
    others: Sequence[int],
    entry_s: float,
) -> bool:
    """Whether a track of these levels that has no more than ``left`` from an entry on has a fault.

    Where all others rest, the tape may be over; where it sinks to that, somebody turns it down.
    """
    if (len(level) - first) * entry_s < _LEAST_S or first * entry_s < _BEFORE_S:
        return False
    plays = way.programme[list(others), first:] & way.running[first:]
    before = level[:first][way.running[:first]]
    if (
        not len(before)
        or np.mean(before > left) < _ALIVE
        or not (plays.mean(axis=1) >= _PLAYS).any()
    ):
        return False
    return _sinks(before, left) < ON_THE_WAY


def _sinks(level: NDArray[np.float64], left: float) -> int:
    """Entries from which on a track is, to the end, quieter than it ever was before."""
    least = np.minimum.accumulate(np.where(level > left, level, np.inf))
    most = np.maximum.accumulate(level[::-1])[::-1]
    return int(np.count_nonzero(most[1:] < least[:-1] - _STEADY_DB))
