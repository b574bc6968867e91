"""Which tracks carry nothing, not even tape hiss.

Three kinds of evidence, the surest first:

- *digital*: one and the same value in every sample;
- *converter*: noise below anything a tape gives, throughout;
- *electronics*: a noise that never moves, well under the hiss of the other tracks at the same
  times. For the hiss of the others, the lowest of them is taken in each twentieth of a second;
  where that too stands at one level for a good part of the time, in every band, and hardly ever
  between the two, it is hiss and no programme. Where the others never rest together, the floors
  of two must have an edge, and lie at one level, band by band.
- *leakage*: such a noise with other tracks leaking in, and never louder than that hiss. A track
  off the tape has its own hiss under all that it carries.

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
# 5 dB less than what may be called hiss: here it is to prove that another track is dead.
_MOST_HISS_DBFS: Final = -50.0  # tapes hiss 50 to 80 dB down: common practice
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
_EDGE: Final = (1, 3, 6)  # own choice: percentiles below, at and above a floor
_COVERED_DB: Final = 2.0  # own choice: more evidence, where programme covers the lowest band
# From 11 to 16.5 kHz that equaliser lifts the hiss by 3.2 dB; of dull hiss more is missing.
_UPPER_EVEN_DB: Final = 3.5
_RUMBLE_DB: Final = 6.0  # own choice: what lies below 20 Hz, and some bass that leaks in
_PARTS: Final = 40  # two seconds; less tells nothing about what is steady


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """A track without a signal.

    Attributes:
        evidence: digital, converter, electronics or leakage.
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
    hiss_moves: bool,
) -> dict[int, Silence]:
    """The silent tracks and why.

    Args:
        constant: tracks in which every sample has one value.
        whole_ms: mean square of each track about its mean, full scale 1.0.
        hiss_moves: with the programme, as behind decoded noise reduction: only where the others
            rest together do they show their hiss then.
    """
    found: dict[int, Silence] = {}
    for track in range(len(constant)):
        if constant[track]:
            found[track] = Silence(evidence="digital", floor_dbfs=None, above_db=None)
            continue
        whole_dbfs = dbfs_rms(float(whole_ms[track]))
        if whole_dbfs >= _LOUD_DBFS:
            continue
        faint = whole_dbfs <= limit_dbfs  # all of it, whether it moves or not
        still = never_moves(levels, track)
        floor = levels.level_dbfs(track, 50 if still else 5)
        if floor is None:  # less than a square can hold, or too short for a level
            if faint and levels.parts:
                found[track] = Silence(evidence="converter", floor_dbfs=None, above_db=None)
            continue
        own = percentile(levels.stored[:, track].astype(np.float64), 50 if still else 5, axis=0)
        others = [t for t in range(len(constant)) if t != track and not constant[t]]
        over = levels.stored[:, others] - own
        above = _hiss_of_others(over, margin_db, hiss_moves=hiss_moves)
        if above is not None and floor + above > _MOST_HISS_DBFS:
            above = None  # noise that is played
        if (still or faint) and floor <= limit_dbfs:
            found[track] = Silence(evidence="converter", floor_dbfs=floor, above_db=above)
        elif above is not None and (still or _stays_under(levels, track, floor + above)):
            evidence = "electronics" if still else "leakage"
            found[track] = Silence(evidence=evidence, floor_dbfs=floor, above_db=above)
    return found


def _stays_under(levels: Levels, track: int, hiss_dbfs: float) -> bool:
    """Whether a track is never louder than that hiss, as no track with programme of its own."""
    high, whole = levels.level_dbfs(track, 99), levels.whole_dbfs(track, 99)
    if high is None or whole is None:
        return False
    return high <= hiss_dbfs and whole <= hiss_dbfs + _RUMBLE_DB


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
    over: NDArray[np.float64], margin_db: float, *, hiss_moves: bool
) -> float | None:
    """How far the hiss of the others lies over a track's own noise, in every band, in dB.

    The others' lowest level in each part, less the track's own, the least of the three bands:
    programme seldom covers all three at once, hiss does. None where they show no hiss above it.

    Args:
        over: (parts, tracks, bands), levels of the others, dB over the track's own.
    """
    above = over[:, percentile(over.min(axis=2), 75, axis=0) > _APART_DB]
    if len(over) < _PARTS or not above.shape[1]:
        return None
    lowest = above.min(axis=1)  # of the others, (parts, bands)
    lowest = lowest[np.argsort(lowest.mean(axis=1), kind="stable")]
    # Where one of them is as dead in a band, as behind a clogged head, they do not show their hiss.
    lowest = lowest[lowest.min(axis=1) >= _APART_DB / 2]
    means = lowest.mean(axis=1)
    # For each value: how many lie within one level from there up.
    within = np.searchsorted(means, means + _LEVEL_DB, side="right") - np.arange(len(means))
    enough = (within >= _TOGETHER * len(over)) & (means >= margin_db - _LEVEL_DB / 2)
    # Below a level of hiss there is nothing but the tape's start and stop, and above it less
    # than on it; music has a slope.
    enough &= np.arange(len(means)) <= _BETWEEN * within
    higher = np.searchsorted(means, means + 2 * _LEVEL_DB, side="right") - np.arange(len(means))
    enough &= higher <= _ABOVE * within
    found = None
    if enough.any():
        first = int(np.argmax(np.where(enough, within, 0)))
        found = _as_hiss(median(lowest[first : first + int(within[first])], axis=0), margin_db)
    if found is None and not hiss_moves and 2 * above.shape[1] > over.shape[1]:
        found = _floors_alike(above, margin_db)
    return found


def _floors_alike(above: NDArray[np.float64], margin_db: float) -> float | None:
    """How far the floors of others that never rest together lie over a track, band by band.

    A floor of hiss has an edge; where two tracks have theirs at one level, it is hiss: programme
    has a lowest level of its own on every track. It often covers the lowest band for good; then
    the upper two show the hiss, more of it and evenly, as the hiss of a dull track does not lie.

    Args:
        above: (parts, tracks, bands), dB over the track.
    """
    low, floor, high = percentile(above, _EDGE, axis=0)
    bands = np.full(floor.shape[1], np.nan)
    for band, (floors, edge) in enumerate(zip(floor.T, (high - low).T, strict=True)):
        lowest = np.sort(floors[edge <= _STEADY_DB])[:2]
        if len(lowest) == 2 and np.ptp(lowest) <= _LEVEL_DB:
            bands[band] = lowest.mean()
    if np.isfinite(bands).all():
        return _as_hiss(bands, margin_db)
    upper = bands[1:]
    if upper.min() >= margin_db + _COVERED_DB and np.ptp(upper) <= _UPPER_EVEN_DB:
        return float(upper.min())
    return None


def _as_hiss(bands: NDArray[np.float64], margin_db: float) -> float | None:
    """The least of ``bands``, in dB, if tape hiss may lie so over an amplifier's noise, else None.

    Where both pass the same equaliser one lies evenly over the other; where the amplifier's noise
    comes from behind it, and has a part that falls with frequency, the hiss rises over it. What
    rises so over a track of dull hiss (azimuth, edge of the tape) begins lower than ``margin_db``.
    """
    low, *_, high = bands
    least, rise = float(bands.min()), high - low
    fits = least >= margin_db - _LEVEL_DB / 2 and -_EVEN_DB <= rise <= _RISE_DB
    return least if fits else None
