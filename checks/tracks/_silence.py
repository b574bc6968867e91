"""Which tracks carry nothing, not even tape hiss.

Three kinds of evidence, the surest first:

- *digital*: one and the same value in every sample;
- *converter*: noise below anything a tape gives, throughout;
- *electronics*: a noise that never moves, well under the hiss of the other tracks at the same
  times. For the hiss of the others, the lowest of them is taken in each twentieth of a second;
  where that too stands at one level for a good part of the time, in every band, and hardly ever
  between the two, it is hiss and no programme. Of many tracks that never rest together, the
  floors of most must lie at one level: programme has a lowest level of its own on every track.

Does not see a dead track where no other shows its hiss (programme without a rest, one track),
unless it is quieter than ``silent_dbfs``; and a track whose level differs from that of the
others by a replay gain set wrong looks like one with bare electronics.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks.model import dbfs_rms
from checks.tracks._levels import Levels

_STILL_DB: Final = 5.0  # between the 2nd and 99th percentile; noise alone moves by 1
_WHOLE_STILL_DB: Final = 8.0  # the same with the rumble of a few hertz in short blocks
_LOUD_DBFS: Final = -50.0  # whole level of a track that is more than bare electronics
_STEADY_DB: Final = 2.0  # own choice: a floor's 2nd and 10th percentile lie closer
_LEVEL_DB: Final = 1.5  # own choice: width of a level of hiss; its mean over bands moves by 0.5
_APART_DB: Final = 4.0  # bulk-erased tape lies that far under bias-erased: common practice
_TOGETHER: Final = 0.05  # own choice: share of the capture in which the others show their hiss
_EVEN_DB: Final = 6.0  # own choice
# From 5.5 to 16.5 kHz a replay equaliser of 35 us (IEC 60094-1) lifts the hiss by 7.6 dB, and
# noise of 1/f from behind it falls by 4.8 dB.
_RISE_DB: Final = 12.4
_ABOVE: Final = 1.6  # own choice: most that may lie within two such levels
_BETWEEN: Final = 0.35  # own choice: of those, how many more may lie between the two floors
_FLOORS: Final = 4  # own choice: other tracks whose floors are worth a comparison
_MOST: Final = 0.6  # own choice: of the others, so many must have a floor
_ALIKE_DB: Final = 2.0  # width of the middle half of their floors; own trials: 0.4 to 1.2
_PARTS: Final = 40  # two seconds; less tells nothing about what is steady


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """A track without a signal.

    Attributes:
        evidence: digital, converter or electronics.
        floor_dbfs: its noise, 20 Hz to 20 kHz; None for digital silence.
        above_db: how far the hiss of the others lies over it, in every band; None if unknown.
    """

    evidence: str
    floor_dbfs: float | None
    above_db: float | None


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
        if constant[track]:
            found[track] = Silence(evidence="digital", floor_dbfs=None, above_db=None)
        floor = levels.level_dbfs(track, 50) if track in still else None
        if floor is None:
            continue
        above = _hiss_of_others(levels, track, constant, margin_db)
        if floor <= limit_dbfs:
            found[track] = Silence(evidence="converter", floor_dbfs=floor, above_db=above)
        elif above is not None:
            found[track] = Silence(evidence="electronics", floor_dbfs=floor, above_db=above)
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


def _hiss_of_others(
    levels: Levels, track: int, constant: NDArray[np.bool_], margin_db: float
) -> float | None:
    """How far the hiss of the others lies over a track that never moves, in every band, in dB.

    The others' lowest level in each part, less the track's own, the least of the three bands:
    programme seldom covers all three at once, hiss does. None where they show no hiss above it.
    """
    stored = levels.stored.astype(np.float64)
    own = median(stored[:, track], axis=0)
    others = [t for t in range(len(constant)) if t != track and not constant[t]]
    above = stored[:, others] - own
    above = above[:, percentile(above.min(axis=2), 75, axis=0) > _APART_DB]
    if len(stored) < _PARTS or not above.shape[1]:
        return None
    lowest = above.min(axis=1)  # of the others, (parts, bands)
    lowest = lowest[np.argsort(lowest.mean(axis=1), kind="stable")]
    lowest = lowest[lowest.mean(axis=1) >= _APART_DB / 2]
    over = lowest.mean(axis=1)
    # For each value: how many lie within one level from there up.
    within = np.searchsorted(over, over + _LEVEL_DB, side="right") - np.arange(len(over))
    enough = (within >= _TOGETHER * len(stored)) & (over >= margin_db - _LEVEL_DB / 2)
    # Below a level of hiss there is nothing but the tape's start and stop, and above it less
    # than on it; music has a slope.
    enough &= np.arange(len(over)) <= _BETWEEN * within
    higher = np.searchsorted(over, over + 2 * _LEVEL_DB, side="right") - np.arange(len(over))
    enough &= higher <= _ABOVE * within
    if not enough.any():
        return _floors_alike(stored[:, others] - own, margin_db)
    first = int(np.argmax(np.where(enough, within, 0)))
    bands = median(lowest[first : first + int(within[first])], axis=0)
    return _as_hiss(bands, margin_db)


def _floors_alike(above: NDArray[np.float64], margin_db: float) -> float | None:
    """How far the floors of many tracks lie over one, where most of them lie at one level.

    Args:
        above: (parts, tracks, bands), dB over the track that never moves.
    """
    whole = above.mean(axis=2)
    low, floor, high = percentile(whole, (2, 5, 10), axis=0)
    steady = high - low <= _STEADY_DB
    if np.count_nonzero(steady) < max(_FLOORS, _MOST * len(steady)):
        return None
    near, far = percentile(floor[steady], (25, 75))
    if near < margin_db or far - near > _ALIKE_DB:
        return None
    return _as_hiss(median(percentile(above[:, steady], 5, axis=0), axis=0), margin_db)


def _as_hiss(bands: NDArray[np.float64], margin_db: float) -> float | None:
    """The least of ``bands``, in dB, if tape hiss may lie so over an amplifier's noise, else None.

    Where both pass the same equaliser one lies evenly over the other; where the amplifier's noise
    comes from behind it, and has a part that falls with frequency, the hiss rises over it. What
    rises so over a track of dull hiss (azimuth, edge of the tape) begins lower than ``margin_db``.
    """
    low, *_, high = bands
    rise = high - low
    fits = abs(rise) <= _EVEN_DB or (low >= margin_db and 0 < rise <= _RISE_DB)
    return float(bands.min()) if fits else None
