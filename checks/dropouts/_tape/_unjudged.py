"""Tracks on which contact losses could not be judged: where the tape's hiss is nowhere heard, or
only in rests.

That is no fault, and nothing is asked for: the report is frank about what was not looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from checks.dropouts._tape._bands import HISS
from checks.dropouts._tape._findings import counted, made
from checks.dropouts._tape._hiss import Hiss
from checks.dropouts._tape._motion import Course
from checks.model import Finding, Remedy, Value, Verdict

_LEAST_S: Final = 10.0  # shorter captures are trials, not takes (from memory)
_PLACES: Final = 16  # from memory: so many of a track that one in a rest of a minute is among them
_BANDS: Final = 3  # as many as prove a lift
_UP_DB: Final = 6.0  # over the hiss of rests: a lift to an amplifier's noise would hardly show
_SELDOM: Final = 0.2  # of the time: own trials, 0.05 to 0.2 behind decoders, bright sound from 0.25


def not_judged(
    hiss: Hiss, way: Course, tracks: Sequence[int], entry_s: float, frames: int
) -> list[Finding]:
    """Notes on these tracks: hiss known nowhere; hiss heard in rests only. None where all is well.

    Args:
        entry_s: time that an entry takes; ``frames``: length of the capture.
    """
    running = np.flatnonzero(way.running)
    plays = [k for k in tracks if way.programme[k].any()]
    if not plays or len(running) * entry_s < _LEAST_S:
        return []
    places = running[np.linspace(0, len(running) - 1, _PLACES).astype(np.int64)]
    known = {k: [_is_known(hiss, k, int(place)) for place in places] for k in plays}
    deaf = tuple(k for k in plays if not any(known[k]))
    share = {k: hiss.share_near(k, way.programme[k], _UP_DB, _BANDS) for k in plays}
    partly = tuple(k for k in plays if k not in deaf and share[k] < _SELDOM)
    notes = []
    if deaf:
        text = (
            "Contact losses could not be judged here: the tape's hiss is nowhere heard plainly for "
            "0.75 s, be it that programme covers it, or that none is there. Lifts of the tape from "
            "the head would not show."
        )
        judged = float(np.mean([np.mean(heard) for heard in known.values()]))
        values: dict[str, Value] = {"judged_percent_of_all_tracks": round(100.0 * judged, 0)}
        notes.append(_note(deaf, frames, text, values))
    if partly:
        text = (
            "Contact losses could be judged only in part here: while programme plays, the hiss is "
            "hardly ever as low as in rests, be it that programme covers it, or that a decoder of "
            "noise reduction lets it up. Lifts of the tape there may not show."
        )
        least = min(share[k] for k in partly)
        values = {"judged_percent_of_programme": round(100.0 * least, 0)}
        notes.append(_note(partly, frames, text, values))
    return [counted(note, len(notes), len(notes)) for note in notes]


def _note(tracks: tuple[int, ...], frames: int, text: str, values: dict[str, Value]) -> Finding:
    return made("not-judged", Verdict.CLEAR, Remedy.NONE, tracks, 0, frames, text, values)


def _is_known(hiss: Hiss, track: int, entry: int) -> bool:
    """Whether a lift in an entry would be measured by the hiss of the tape."""
    level = hiss.level(track, entry, entry + 1)
    heard = [int(k) for k in np.flatnonzero(np.isfinite(level[HISS:])) + HISS]
    return len(heard) >= _BANDS and hiss.of_tape(track, entry, entry + 1, level, heard)
