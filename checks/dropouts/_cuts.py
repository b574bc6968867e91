"""Whether a capture begins or ends in the midst of programme, or the tape does.

Judged on the first and last 23 ms of each track against what that track does elsewhere. A track
that keeps one level throughout (a tone, a drone, timecode) shows nothing either way.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from checks._ranks import median, percentile
from checks.dropouts._bands import BODY, EDGE, Floats
from checks.dropouts._floors import LevelHistory, decibels
from checks.dropouts._motion import SILENT_DB, Course, sounding
from checks.dropouts._tape_findings import made
from checks.model import Finding, Remedy, Value, Verdict, rounded

EDGE_HOPS: Final = 64  # 23 ms: longer than a period of the lowest notes
_ONSET_HOPS: Final = 16  # 5.8 ms: a period of the lower notes
_ONSET_DB: Final = 10.0  # an attack begins that much lower: players began with the capture
_OVER_QUIET_DB: Final = 20.0
_UNDER_USUAL_DB: Final = 12.0
_RANGE_DB: Final = 15.0  # common practice: the least that tells rests from playing
_LEAST_ENTRIES: Final = 10


def in_programme(
    piece: Floats, history: LevelHistory, course: Course, track: int, *, begins: bool
) -> tuple[bool, float]:
    """Whether a track is in full programme at an end of the capture, and how loud (dB over quiet).

    Args:
        piece: (bands, hops) of the track: the first or last EDGE_HOPS.
        begins: it is the first.
    """
    if history.entries < _LEAST_ENTRIES or piece.shape[1] < EDGE_HOPS:
        return False, 0.0
    end = 0 if begins else history.entries - 1
    if not course.running[end] or course.low[track, end]:
        return False, 0.0
    best = -np.inf
    for row, band in enumerate((BODY, EDGE)):
        level = float(decibels(piece[band].mean()))
        usual = history.mean_db[band, track].astype(np.float32)
        playing = usual[course.programme[track]]
        usual = usual[sounding(course.level_db[track])]
        quiet = float(course.quiet_db[row, track])
        if not len(playing) or percentile(usual, 5) > median(playing) - _RANGE_DB:
            continue
        full = level >= max(quiet + _OVER_QUIET_DB, float(median(playing)) - _UNDER_USUAL_DB)
        if begins and float(decibels(piece[band, :_ONSET_HOPS].mean())) < level - _ONSET_DB:
            full = False
        if full:
            best = max(best, level - quiet)
    return bool(np.isfinite(best)), float(best) if np.isfinite(best) else 0.0


def breaks_off(history: LevelHistory, course: Course, track: int, entry: int) -> float | None:
    """How loud a track is (dB over quiet) just before an entry, if in full programme; else None.

    Asked where the tape's hiss ends: music that is over has decayed by then.
    """
    usual = history.mean_db[BODY, track].astype(np.float32)
    playing = usual[course.programme[track]]
    if (
        entry < _LEAST_ENTRIES
        or median(course.level_db[track, entry:]) <= SILENT_DB  # told as zeros already
        or not len(playing)
        or percentile(usual, 5) > (median(playing) - _RANGE_DB)
    ):
        return None
    quiet = float(course.quiet_db[0, track])
    level = float(usual[entry - 2 : entry].max())
    full = level >= max(quiet + _OVER_QUIET_DB, float(median(playing)) - _UNDER_USUAL_DB)
    return level - quiet if full else None


def broken_off(
    history: LevelHistory, course: Course, tracks: Sequence[int], entry: int, start: int
) -> Finding | None:
    """Programme that the end of the tape's sound cuts off, at an entry, frame ``start``."""
    loud = {k: breaks_off(history, course, k, entry) for k in tracks}
    over = {k: db for k, db in loud.items() if db is not None}
    if not over:
        return None
    most = max(over.values())
    text = (
        f"Programme breaks off here, {most:.0f} dB over the quiet of the tape, and only the "
        "replay machine's own noise follows on all tracks: the tape ran out or stopped in the "
        "midst of it, or the signal was lost; listen whether the end is missing."
    )
    values: dict[str, Value] = {"over_quiet_db": rounded(most, 1), "count": 1, "listed": 1}
    return made(
        "cut-end", Verdict.LISTEN, Remedy.REPLAY, tuple(over), start, start + 1, text, values
    )
