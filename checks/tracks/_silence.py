"""Which tracks carry nothing, not even tape hiss.

Three kinds of evidence, the surest first:

- *digital*: one and the same value in every sample;
- *converter*: noise below anything a tape gives, throughout;
- *electronics*: a noise that never moves, well under the hiss of the other tracks at the same
  times. For the hiss of the others, the lowest of them is taken in each twentieth of a second;
  where that too stands within a step or two of one level for a good part of the time, and not
  between, it is hiss and no programme.

Does not see a dead track where no other shows its hiss (programme without a rest, one track),
unless it is quieter than ``silent_dbfs``; and a track whose level differs from that of the
others by a replay gain set wrong looks like one with bare electronics.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.model import dbfs_rms
from checks.tracks._levels import Levels

_STILL_DB: Final = 5.0  # between the 2nd and 99th percentile; noise alone moves by 1
_WHOLE_STILL_DB: Final = 8.0  # the same with the rumble of a few hertz in short blocks
_LOUD_DBFS: Final = -50.0  # whole level of a track that is more than bare electronics
_STEADY_DB: Final = 2.0  # own choice: width of a level that counts as one
_PARTS: Final = 40  # two seconds; less tells nothing about what is steady


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """A track without a signal.

    Attributes:
        evidence: digital, converter or electronics.
        floor_dbfs: its noise, 20 Hz to 20 kHz; None for digital silence.
        others_dbfs: hiss of the other tracks, where it was needed or known.
    """

    evidence: str
    floor_dbfs: float | None
    others_dbfs: float | None


def silent_tracks(
    levels: Levels,
    *,
    constant: NDArray[np.bool_],
    whole_ms: NDArray[np.float64],
    limit_dbfs: float,
    margin_db: float,
) -> dict[int, Silence]:
    """The silent tracks and why.

    Args:
        constant: tracks in which every sample has one value.
        whole_ms: mean square of each track about its mean, full scale 1.0.
    """
    found: dict[int, Silence] = {}
    still = {t for t in range(len(constant)) if not constant[t] and never_moves(levels, t)}
    still = {t for t in still if dbfs_rms(float(whole_ms[t])) < _LOUD_DBFS}
    for track in range(len(constant)):
        hiss = _hiss_of_others(levels, track, [bool(c) for c in constant])
        if constant[track]:
            found[track] = Silence(evidence="digital", floor_dbfs=None, others_dbfs=hiss)
        if track not in still:
            continue
        floor = levels.level_dbfs(track, 50)
        if floor is None:
            continue
        if floor <= limit_dbfs:
            found[track] = Silence(evidence="converter", floor_dbfs=floor, others_dbfs=hiss)
        elif hiss is not None and floor <= hiss - margin_db:
            found[track] = Silence(evidence="electronics", floor_dbfs=floor, others_dbfs=hiss)
    return found


def never_moves(levels: Levels, track: int) -> bool:
    """Whether a track keeps one noise level from beginning to end."""
    low, high = levels.level_dbfs(track, 2), levels.level_dbfs(track, 99)
    if low is None or high is None or high - low > _STILL_DB:
        return False
    low, high = levels.whole_dbfs(track, 2), levels.whole_dbfs(track, 99)
    return low is not None and high is not None and high - low <= _WHOLE_STILL_DB


def steady_floor(levels: Levels, track: int) -> float | None:
    """A track's floor where it stands on one level for a while, as hiss does; else None."""
    low, higher = levels.level_dbfs(track, 2), levels.level_dbfs(track, 10)
    if levels.parts < _PARTS or low is None or higher is None or higher - low > _STEADY_DB:
        return None
    return levels.level_dbfs(track, 5)


def _hiss_of_others(levels: Levels, track: int, constant: list[bool]) -> float | None:
    """The hiss of the others while the tape runs, in dBFS; None where they do not show it."""
    others = [t for t in range(len(constant)) if t != track and not constant[t]]
    stored = levels.stored
    if not others or len(stored) < _PARTS:
        return None
    power = 10 ** (stored.astype(np.float64) / 10)
    total = 10 * np.log10(power.sum(axis=2))
    own = float(np.median(total[:, track]))
    above = [t for t in others if float(np.percentile(total[:, t], 75)) > own + 4.0]
    if not above:
        return None
    lowest = np.min(total[:, above], axis=1)
    running = lowest[lowest > own + 4.0]
    if len(running) < max(_PARTS, 0.3 * len(lowest)):
        return None
    low = float(np.percentile(running, 3))
    together = np.mean(running <= low + _STEADY_DB)
    between = np.mean((lowest > own + 2.0) & (lowest < low - 1.0))
    if together < 0.15 or between > 0.03:
        return None
    return float(np.median(running[running <= low + _STEADY_DB]))
