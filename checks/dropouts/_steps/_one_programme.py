"""Whether one programme stands on both sides of a clean cut and does not go on across it.

Nothing that comes before a converter can do that: what begins or ends there is other programme on
one side, and no filter lets anything through as sharp.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np

from checks.dropouts._junction import SHARP, Junction
from checks.dropouts._steps._place import NEWS, Place

LATER: Final = 0.05
"""Least share of the jump from the third sample on: less is one push that rings on as the
programme does, as what is struck or plucked does. From own trials: cuts leave 0.08 to 0.97."""

SEVERAL: Final = 2
"""Tracks of different sources that are enough where each is cut."""


def sharp(cut: Iterable[Junction]) -> bool:
    """Whether the first samples behind a cut, of all its tracks, passed no filter."""
    return float(np.linalg.norm([j.first for j in cut])) >= SHARP


def on_one(place: Place, track: int, found: Junction) -> bool:
    """Whether the programme of one track is cut by all that tells."""
    told = found.later >= LATER and found.noisy and place.news(track, found) <= NEWS
    return told and place.parted(track, found) and place.alone(track, found)


def on_several(place: Place, cut: Mapping[int, Junction], *, least: float) -> bool:
    """Whether one programme stands on both sides of a cut on each of several tracks.

    Their sources must not be one: each may change, not all at one sample.

    Args:
        least: height in standard deviations from which on a track counts.
    """
    same = {
        t: j
        for t, j in cut.items()
        if j.jump >= least and j.later >= LATER and j.noisy and place.news(t, j) <= NEWS
    }
    return (
        len(same) >= SEVERAL
        and place.sources([*same], next(iter(same.values())).frame)
        and any(place.alone(t, j) for t, j in same.items())
    )
