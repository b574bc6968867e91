"""A track that goes down to less than any tape hisses and stays there, while others play on.

Found without any hiss to compare with: where programme covers the hiss of all tracks until then,
``_lasting`` has nothing to say. What this cannot tell: a track that goes down to noise as loud as
a tape's, where it never rested before: its player may have stopped.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._floors import LevelHistory
from checks.dropouts._motion import Course
from checks.dropouts._tape_findings import made
from checks.model import Finding, Remedy, Value, Verdict

DEAD_DB: Final = -90.0
"""Power of all bands together, which reads white noise some 8 dB too high. Common practice: tapes
hiss 50 to 80 dB down, converters lie under -100."""

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
    out = []
    for track in set(tracks) - known:
        level = history.mean_db[:, track].astype(np.float64)
        total = 10.0 * np.log10(np.sum(10.0 ** (level / 10.0), axis=0))
        others = [k for k in tracks if k != track]
        first = _dead_from(total, way, others, entry / rate_hz)
        if first is None:
            continue
        text = (
            "The signal is gone from here to the end: what is left lies under the hiss of any "
            "tape, while other tracks play on. Look at the head, the card and the cable of this "
            "track and play it again."
        )
        values: dict[str, Value] = {"count": 1, "listed": 1}
        out.append(
            made(
                "signal-lost",
                Verdict.REDO,
                Remedy.REPLAY,
                (track,),
                first * entry,
                frames,
                text,
                values,
            )
        )
    return out


def _dead_from(
    total: NDArray[np.float64], way: Course, others: Sequence[int], entry_s: float
) -> int | None:
    """The entry from which a track of these levels is dead to the end; None where it is not.

    Where all others rest, the tape may be over.
    """
    alive = np.flatnonzero(total >= DEAD_DB)
    first = int(alive[-1]) + 1 if len(alive) else 0
    if (len(total) - first) * entry_s < _LEAST_S or first * entry_s < _BEFORE_S:
        return None
    plays = way.programme[list(others), first:] & way.running[first:]
    if len(alive) < _ALIVE * first or not (plays.mean(axis=1) >= _PLAYS).any():
        return None
    return first
