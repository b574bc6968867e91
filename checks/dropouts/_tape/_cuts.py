"""Whether a capture begins or ends in the midst of programme, or the tape does.

Judged on the first and last 23 ms of each track against what that track does elsewhere. Programme
that never rests tells no quiet, but it is louder than the hiss of any tape. A track that keeps one
level throughout (a tone, a drone, timecode) shows nothing either way; nor is cut what somebody
fades in or out there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks.dropouts._tape._bands import ABOVE, BODY, EDGE, HISS, Floats
from checks.dropouts._tape._cut_off import CutOffs, leaves_less
from checks.dropouts._tape._fades import fades_there
from checks.dropouts._tape._findings import made
from checks.dropouts._tape._floors import LevelHistory, decibels
from checks.dropouts._tape._motion import MOST_HISS_DB, Course, louder, quietest, sounding
from checks.dropouts._tape._standing import NEAR_DB
from checks.model import Finding, Remedy, Value, Verdict, rounded

EDGE_HOPS: Final = 64  # 23 ms: longer than a period of the lowest notes
_ONSET_HOPS: Final = 16  # 5.8 ms: a period of the lower notes
_ONSET_DB: Final = 10.0  # an attack begins that much lower: players began with the capture
_OVER_QUIET_DB: Final = 20.0
_UNDER_USUAL_DB: Final = 12.0
_RANGE_DB: Final = 15.0  # common practice: the least that tells rests from playing
_HUMS_DB: Final = 2.0  # by which hum moves in rests, a quarter of the time (own trials: 1.5)
_SWINGS_DB: Final = 6.0  # by which a bed may swing: a carrier, a whistle (own trials)
_BEDS: Final = 0.25  # of the time, in which other bands rest over it
_LEAST_ENTRIES: Final = 10
_MOVES_DB: Final = 3.0  # by which more than a tone or a drone moves (own trials: 2)
_TONE: Final = 16  # entries: some 1.5 s
_TONE_DB: Final = 0.5  # a generator's tone moves by less (own trials on tape: 0.3)
_LOSSES: Final = ("signal-lost", "hf-loss", "contact-loss")


def cut_ends(
    history: LevelHistory,
    way: Course,
    tracks: Sequence[int],
    head: Floats,
    tail: Floats,
    *,
    entry: int,
    frames: int,
    fade: int,
    cut_offs: CutOffs,
    told: Sequence[Finding],
) -> list[Finding]:
    """Where the capture begins or ends in the midst of the programme of some of these tracks.

    Args:
        head, tail: (bands, tracks, hops): the first and the last EDGE_HOPS.
        entry: frames that an entry of the history covers; ``frames``: length of the capture.
        fade: entry from which everything is faded out.
        told: what is known of the tracks. What a loss or a fade leaves tells of no rest.
    """
    losses = [f for f in told if f.kind in _LOSSES]
    whole = {k: way.running & ~_lost(losses, k, entry, history.entries) for k in tracks}
    for k, entries in whole.items():
        entries[fade:] = False
        gone = cut_offs.only(k, history.entry_hops)
        if gone is not None and leaves_less(history, way, k, gone):
            entries[gone:] = False
    out = []
    for kind, piece, begins in (("cut-start", head, True), ("cut-end", tail, False)):
        if fades_there(piece[:, list(tracks)], begins=begins):
            continue
        loud = {
            k: _in_programme(piece[:, k], history, way, k, whole[k], begins=begins) for k in tracks
        }
        cut = {k: one for k, one in loud.items() if one is not None}
        if not cut:
            continue
        rests = any(one.rests for one in cut.values())
        over = max(one.over_db for one in cut.values() if one.rests or not rests)
        start = 0 if begins else max(0, frames - 1)
        text = (
            f"The capture {'begins' if begins else 'ends'} in full programme, {over:.0f} dB "
            f"over {'the quiet of the tape' if rests else 'the hiss of any tape'}: listen "
            f"whether the {'start' if begins else 'end'} of the music is missing."
        )
        values: dict[str, Value] = {"over_quiet_db": rounded(over, 1), "count": 1, "listed": 1}
        verdict, remedy = Verdict.LISTEN, Remedy.REPLAY
        out.append(made(kind, verdict, remedy, tuple(cut), start, start + 1, text, values))
    return out


def _lost(losses: Sequence[Finding], track: int, entry: int, entries: int) -> NDArray[np.bool_]:
    """Entries in which something of a track is known to be lost."""
    out = np.zeros(entries, np.bool_)
    for one in losses:
        if track in one.tracks and one.start_frame is not None:
            stop = one.start_frame + (one.frames or 0)
            out[one.start_frame // entry : math.ceil(stop / entry)] = True
    return out


@dataclass(frozen=True, slots=True)
class _Loud:
    """How loud a track is in full programme.

    Attributes:
        over_db: dB over its quiet, or over the hiss of any tape where it never rests.
    """

    over_db: float
    rests: bool


def _in_programme(
    piece: Floats,
    history: LevelHistory,
    course: Course,
    track: int,
    whole: NDArray[np.bool_],
    *,
    begins: bool,
) -> _Loud | None:
    """How loud a track is in full programme at an end of the capture; None where it is not.

    Args:
        piece: (bands, hops) of the track: the first or last EDGE_HOPS.
        whole: entries that show what the track does, (entries,).
        begins: it is the first.
    """
    if history.entries < _LEAST_ENTRIES or piece.shape[1] < EDGE_HOPS:
        return None
    end = 0 if begins else history.entries - 1
    if not course.running[end] or course.low[track, end]:
        return None
    low, mean = (
        db[:, [track]][:, :, whole].astype(np.float32) for db in (history.low_db, history.mean_db)
    )
    hiss = course.level_db[[track]][:, whole]
    heard = sounding(hiss[0])
    if not heard.any():
        return None
    quiets = quietest(low, hiss, course.hiss_db[[track]])
    plays = louder(mean, quiets)[0]
    found = []
    treble = slice(HISS, ABOVE) if len(mean) > HISS else slice(None)
    usuals = np.stack((mean[BODY, 0], mean[EDGE, 0], hiss[0]))[:, heard]
    levels = [float(decibels(piece[k].mean(axis=-1)).mean()) for k in (BODY, EDGE, treble)]
    for row, (band, level, usual) in enumerate(zip((BODY, EDGE), levels, usuals, strict=False)):
        playing = mean[band, 0, plays]
        if not len(playing) or _is_bed(usuals, levels, row):
            continue
        quiet = float(quiets[row, 0])
        least, usual_db = quiet + _OVER_QUIET_DB, float(median(playing))
        low_db, often_db, high_db = percentile(usual, (5, 25, 95))
        rests = bool(low_db <= usual_db - _RANGE_DB)
        hums = high_db - low_db >= _RANGE_DB and often_db - low_db <= _HUMS_DB
        if hums and level <= low_db + _HUMS_DB:
            continue
        if not rests:
            near = usual[:_TONE] if begins else usual[-_TONE:]
            if high_db - low_db < _MOVES_DB or np.ptp(near) < _TONE_DB:
                continue
            quiet = min(quiet, MOST_HISS_DB)
            least = min(least, MOST_HISS_DB)
        full = level >= max(least, usual_db - _UNDER_USUAL_DB)
        if begins and float(decibels(piece[band, :_ONSET_HOPS].mean())) < level - _ONSET_DB:
            full = False
        if full:
            found.append(_Loud(level - quiet, rests))
    return max(found, key=lambda one: (one.rests, one.over_db), default=None)


def _is_bed(usuals: Floats, levels: Sequence[float], row: int) -> bool:
    """Whether a band is a bed at the edge: another one rests there, and it as wherever that does.

    So hum and whistles lie under rests; music rests in all bands.

    Args:
        usuals: (bands, entries) of the track; ``levels``: at the edge of the capture. All dB.
        row: the band asked about.
    """
    for other in set(range(len(usuals))) - {row}:
        low_db, high_db = percentile(usuals[other], (5, 95))
        resting = usuals[other] <= low_db + NEAR_DB
        least_db = float(percentile(usuals[row, resting], 5))
        bed = resting & (usuals[row] <= least_db + _SWINGS_DB)
        if (
            high_db - low_db >= _RANGE_DB
            and levels[other] <= low_db + NEAR_DB
            and levels[row] <= least_db + _SWINGS_DB
            and bed.mean() >= _BEDS
        ):
            return True
    return False
