"""Whether a capture begins or ends in the midst of programme, or the tape does.

Judged on the first and last 23 ms of each track against what that track does elsewhere. A track
that keeps one level throughout (a tone, a drone, timecode) shows nothing either way.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks._ranks import median, percentile
from checks.dropouts._tape._bands import BODY, EDGE, Floats
from checks.dropouts._tape._floors import LevelHistory, decibels
from checks.dropouts._tape._motion import Course, sounding

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
