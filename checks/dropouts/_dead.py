"""A track that goes down to less than any tape hisses and stays there, while others play on.

Found without any hiss to compare with: where programme covers the hiss of all tracks until then,
``_lasting`` has nothing to say. Nor is it dead that sinks to that, or does so with all others: that
is a fade-out, or the end. What this cannot tell: a track that goes down to noise as loud as
a tape's, where it never rested before: its player may have stopped.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._fades import ON_THE_WAY
from checks.dropouts._floors import LevelHistory
from checks.dropouts._motion import Course
from checks.dropouts._others import TOGETHER_S
from checks.dropouts._tape_findings import made
from checks.model import Finding, Remedy, Value, Verdict

DEAD_DB: Final = -90.0
"""Power of all bands together, which reads white noise some 8 dB too high. Common practice: tapes
hiss 50 to 80 dB down, converters lie under -100."""

_STEADY_DB: Final = 1.0  # what hiss does by itself
_LEAST_S: Final = 0.6  # shorter is told as a dip
_BEFORE_S: Final = 1.0  # for which it must have been louder
_ALIVE: Final = 0.95  # share of the time before in which it was
_PLAYS: Final = 0.25  # of the time in which some other track must play


def dead(
    history: LevelHistory,
    way: Course,
    tracks: Sequence[int],
    entry: int,
    *,
    frames: int,
    rate_hz: int,
    told: Sequence[Finding],
) -> list[Finding]:
    """Those of some tracks that are dead to the end of the capture.

    Args:
        entry: frames that an entry of the history covers.
        frames: length of the capture.
        told: signals lost that are known already.
    """
    to_the_end = [f for f in told if (f.start_frame or 0) + (f.frames or 0) >= frames]
    known = {track for f in to_the_end if f.kind == "signal-lost" for track in f.tracks}
    levels = {k: _level(history.mean_db[:, k]) for k in tracks}
    ends = {
        k: int(np.flatnonzero(level >= DEAD_DB).max(initial=-1)) + 1 for k, level in levels.items()
    }
    groups: list[list[int]] = []
    for track in sorted(set(tracks) - known, key=lambda k: ends[k]):
        first = ends[track]
        others = [
            k
            for k, end in ends.items()
            if end == history.entries or abs(end - first) * entry > TOGETHER_S * rate_hz
        ]
        if not _is_dead(levels[track], first, way, others, entry / rate_hz):
            continue
        if groups and (first - ends[groups[-1][0]]) * entry <= TOGETHER_S * rate_hz:
            groups[-1].append(track)
        else:
            groups.append([track])
    return [_finding(tuple(sorted(group)), ends[group[0]] * entry, frames) for group in groups]


def _finding(tracks: tuple[int, ...], start: int, frames: int) -> Finding:
    which, it = ("this track", "it") if len(tracks) == 1 else ("these tracks", "them")
    text = (
        "The signal is gone from here to the end: what is left lies under the hiss of any "
        "tape, down to the noise of the electronics, while other tracks run on. Look at the "
        f"head, the card and the cable of {which} and play {it} again."
    )
    values: dict[str, Value] = {"count": 1, "listed": 1}
    return made("signal-lost", Verdict.REDO, Remedy.REPLAY, tracks, start, frames, text, values)


def _level(bands: NDArray[np.float16]) -> NDArray[np.float64]:
    """Power of all bands together, dB, from that of each."""
    return np.asarray(10.0 * np.log10((10.0 ** (bands.astype(np.float64) / 10.0)).sum(axis=0)))


def _is_dead(
    level: NDArray[np.float64], first: int, way: Course, others: Sequence[int], entry_s: float
) -> bool:
    """Whether a track of these levels that is silent from an entry on is so by a fault.

    Where all others rest, the tape may be over; where it sinks to that, somebody turns it down.
    """
    if (len(level) - first) * entry_s < _LEAST_S or first * entry_s < _BEFORE_S:
        return False
    plays = way.programme[list(others), first:] & way.running[first:]
    if np.mean(level[:first] >= DEAD_DB) < _ALIVE or not (plays.mean(axis=1) >= _PLAYS).any():
        return False
    return _sinks(level[:first]) < ON_THE_WAY


def _sinks(level: NDArray[np.float64]) -> int:
    """Entries from which on a track is, to the end, quieter than it ever was before."""
    least = np.minimum.accumulate(np.where(level >= DEAD_DB, level, np.inf))
    most = np.maximum.accumulate(level[::-1])[::-1]
    return int(np.count_nonzero(most[1:] < least[:-1] - _STEADY_DB))
