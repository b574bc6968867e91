"""Samples that stand still next to a jump: a short hold, or a run that is told elsewhere."""

from __future__ import annotations

from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._steps._place import Place
from checks.dropouts._steps._telling import Telling


def held(place: Place, tracks: tuple[int, ...], limits: DropoutsLimits, telling: Telling) -> bool:
    """Whether samples stand still there; what is too short to be told as a run is told."""
    runs = {t: run for t in tracks if (run := place.still(t)) is not None}
    if not runs:
        return False
    length = max(stop - start for start, stop, _ in runs.values())
    zero = all(zero for _, _, zero in runs.values())
    start = min(start for start, _, _ in runs.values())
    everywhere = zero and place.silent(start, start + length)
    limit = limits.held_run
    if zero:
        limit = limits.zero_run_all_tracks if everywhere else limits.zero_run_one_track
    if length < limit:
        what = "zeros" if zero else "one value"
        still = 0 if zero else 1  # the first of equal values was the last good one
        telling.proven(
            tuple(sorted(runs)),
            place.start + start + still,
            f"The samples stand still at {what} for a moment, and the signal jumps: a digital "
            "fault; play the tape again.",
            "hold",
            frames=length - still,
        )
    return True
