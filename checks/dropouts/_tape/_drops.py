"""Where the hiss of a track falls: the place, and how far in every band.

Compared are the steady lowest levels of some windows before and behind every place, at several
scales. What falls with the programme is told from the hiss by its shape: where players stop, the
lower bands fall more than the treble. So does hiss that goes under the electronics, whose white
noise lies closest to the treble; that is believed where the hiss was heard in rests, in which
nobody plays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._tape._bands import ABOVE, BODY, EDGE, HISS, Floats
from checks.dropouts._tape._breath import ENTRIES, RESTS_DB
from checks.dropouts._tape._floors import STEADY_DB, clear_of_leaks
from checks.dropouts._tape._heard import heard_mean, middle, quietest
from checks.dropouts._tape._motion import MOST_HISS_DB

WINDOW: Final = 4  # entries
BEFORE: Final = 64  # windows looked back over: some 24 s
AGREE_DB: Final = 1.5
SAME_DB: Final = 2.0  # what steady noise does by itself, and a little drift

_SCALES: Final = ((2, 0), (2, 2), (4, 0), (4, 4), (4, 8), (8, 24), (8, 48))  # windows after, and
# left out before them: from a fall at once to one that takes 20 s
_LOOK: Final = 56  # the most of both together
_PLAIN: Final = 3  # entries of a window that keep to one level: hiss, not a gap in music
_RESTING: Final = 2  # the same for what lies under the hiss of before: rests are short
_ALIKE_DB: Final = 4.0  # own trials: bands of one noise
_FAR_DB: Final = 15.0  # further than to an amplifier's noise (common practice: 8 to 12 dB)
_NEAR_DB: Final = 8.0  # no nearer than those lie (common practice)
_KEPT: Final = 0.6  # of the fall at 5.5 kHz: a gap takes a quarter of it from the body
_BETTER_DB: Final = 0.3  # a band: so much more at a longer scale
_DEEP_DB: Final = 20.0  # no further: to the electronics of a good machine (from memory)
HISSES_DB: Final = MOST_HISS_DB - 5.0  # the loudest band of a hiss
_NOT_HEARD_DB: Final = -999.0  # under any noise
_LEAST_BANDS: Final = 3
_HEARD: Final = 0.6  # of the bands from the lowest that counts up
_EACH: Final = 0.4  # of the mean fall that every band must show
_ALL: Final = 0.6  # the same where what falls less may lie under the electronics


@dataclass(frozen=True, slots=True, eq=False)
class Floors:
    """Steady lowest levels a window, (bands, windows), NaN where there are none.

    Attributes:
        plain: in most of the window: hiss, not a gap in music.
        any: in half of it.
        rests: in entries in which the body of the sound rests.
        resting: how many those are, (windows,).
    """

    plain: Floats
    any: Floats
    rests: Floats
    resting: Floats


def floors(low: Floats, mean: Floats) -> Floors:
    """The floors of a track's entries, a whole number of windows."""
    lows = low.reshape(len(low), -1, WINDOW)
    means = mean.reshape(lows.shape)
    level = np.sort(lows, axis=2)[:, :, 1]
    steady = (means - lows <= STEADY_DB) & (np.abs(lows - level[:, :, None]) < AGREE_DB)
    steady &= clear_of_leaks(lows, means)
    plain, some = (
        np.where(steady.sum(axis=2) >= least, level, np.nan).astype(np.float32)
        for least in (_PLAIN, _RESTING)
    )
    calm = (means - lows <= STEADY_DB)[HISS:].all(axis=0)
    calm &= lows[BODY] <= lows[HISS:].max(axis=0, initial=-np.inf) + RESTS_DB
    rests = np.where(calm, lows, np.inf).min(axis=2)
    rests[~np.isfinite(rests)] = np.nan
    return Floors(plain, some, rests, calm.sum(axis=1).astype(np.float32))


@dataclass(frozen=True, slots=True, eq=False)
class Drop:
    """The window at which the hiss falls, how many it takes, and levels a band.

    Attributes:
        fall: NaN above the highest band in which the hiss lies over the electronics.
        rested: the level before was heard in rests.
    """

    at: int
    gap: int
    before: Floats
    fall: Floats
    rested: bool


def steepest(seen: Floors, start: int, least_db: float) -> Drop | None:
    """Where the hiss falls most behind window ``start``.

    From the level that was heard in rests, or else from a plain level, as no music falls.
    """
    bands, count = seen.any.shape
    places = np.arange(start + 1, count)
    if not len(places) or bands <= HISS:
        return None
    behind = _behind(np.where(np.isnan(seen.any), seen.rests, seen.any), places)
    found = _steepest(places, _rested(seen, places), behind, least_db, rested=True)
    if found is None:
        before = quietest(_views(seen.plain, places))
        found = _steepest(places, before, _behind(seen.any, places), least_db, rested=False)
    return found


def _steepest(
    places: NDArray[np.int64],
    before: Floats,
    behind: Sequence[Floats],
    least_db: float,
    *,
    rested: bool,
) -> Drop | None:
    """The same from levels ``before`` these places to those ``behind`` them, a scale each.

    Args:
        rested: nobody played before, and the electronics may cover the treble of the hiss.
    """
    best: tuple[float, Drop] | None = None
    bands = len(before)
    least = min(_LEAST_BANDS, bands - HISS)
    share = _ALL if rested else _EACH
    for (_, gap), after in zip(_SCALES, behind, strict=True):
        fall = before - after
        at = np.flatnonzero((fall[HISS:] >= share * least_db).sum(axis=0) >= least)
        fall = fall[:, at]
        for lowest in range(HISS, bands - least + 1) if len(at) else ():
            # Programme may cover the bands below the first, the electronics those from ``upto``.
            for upto in range(max(lowest + least, 0 if rested else min(ABOVE, bands)), bands + 1):
                mean = _agreed(fall[lowest:upto], least, share)
                mean[mean < least_db] = -np.inf
                worth = np.ones(len(at))
                if rested:  # the more bands, the better
                    worth = np.maximum(np.isfinite(fall[lowest:upto]).sum(axis=0), 1.0)
                    mean[np.nan_to_num(fall[lowest:upto]).max(axis=0) > _DEEP_DB] = -np.inf
                else:
                    covered = _by_electronics(after[:, at], lowest, upto)
                    shown = np.where(np.arange(bands)[:, None] < upto, fall, np.nan)
                    mean[like_music(shown, lowest, after[:, at]) | ~covered] = -np.inf
                k = int(np.argmax(mean * worth))
                least_sum = best[0] + _BETTER_DB * worth[k] if best else 0.0
                if mean[k] * worth[k] > least_sum:
                    own = fall[:, k].copy()
                    own[HISS:lowest] = own[upto:] = np.nan
                    drop = Drop(int(places[at[k]]), gap, before[:, at[k]], own, rested)
                    best = (float(mean[k] * worth[k]), drop)
    return best[1] if best else None


def _by_electronics(after: Floats, lowest: int, upto: int) -> NDArray[np.bool_]:
    """Whether in the bands from ``upto`` on there is as much noise left as below, (places,).

    That is so of electronics, which are white; of hiss that goes on above music that stops there is
    less.
    """
    if upto == len(after):
        return np.ones(after.shape[1], np.bool_)
    left = np.where(np.isfinite(after), after, np.float32(_NOT_HEARD_DB))
    most = left[lowest:upto].max(axis=0)
    return np.asarray((np.abs(left[upto:] - most) <= SAME_DB).all(axis=0))


def _behind(floor: Floats, places: NDArray[np.int64]) -> list[Floats]:
    """The usual level behind some places, (bands, places), a scale each."""
    bands, count = floor.shape
    ahead = np.full((bands, count + 2 * _LOOK), np.nan, np.float32)
    ahead[:, :count] = floor
    ahead[:, count] = floor[:, -1]  # a rest at the very end may be a window long
    return [
        middle(np.lib.stride_tricks.sliding_window_view(ahead, size, axis=1)[:, places + gap])
        for size, gap in _SCALES
    ]


def _views(levels: Floats, places: NDArray[np.int64]) -> Floats:
    """Windows before some places, (..., places, windows), NaN where there are none."""
    pad = np.full((*levels.shape[:-1], BEFORE), np.nan, np.float32)
    whole = np.concatenate((pad, levels), axis=-1)
    return np.lib.stride_tricks.sliding_window_view(whole, BEFORE, axis=-1)[..., places, :]


def _rested(seen: Floors, places: NDArray[np.int64]) -> Floats:
    """The lowest level before some places that some resting entries keep to, (bands, places)."""
    views = _views(seen.rests, places)
    order = np.argsort(views, axis=-1)  # NaN last
    level = np.take_along_axis(views, order, axis=-1)
    count = np.broadcast_to(np.nan_to_num(_views(seen.resting, places)), order.shape)
    count = np.take_along_axis(count, order, axis=-1)
    kept = count.copy()
    for k in range(1, ENTRIES):
        kept[..., :-k] += np.where(level[..., k:] - level[..., :-k] <= SAME_DB, count[..., k:], 0)
    good = np.isfinite(level) & (kept >= ENTRIES)
    first = np.take_along_axis(level, good.argmax(axis=-1)[..., None], axis=-1)[..., 0]
    return np.where(good.any(axis=-1), first, np.nan).astype(np.float32)


def _agreed(fall: Floats, least: int, each_at_least: float) -> NDArray[np.floating]:
    """Mean fall of the bands heard, -inf where too few are, or one hardly falls."""
    heard = np.isfinite(fall)
    each = np.where(heard, fall, 0.0)
    bands = heard.sum(axis=0)
    mean = each.sum(axis=0) / np.maximum(bands, 1)
    good = bands >= max(least, _HEARD * len(fall))
    good &= ((each >= each_at_least * mean) | ~heard).all(axis=0)
    return np.where(good, mean, -np.inf)


def like_music(fall: Floats, lowest: int, after: Floats) -> NDArray[np.bool_]:
    """Whether the lower bands fall more than the treble, (bands, places): players who stop."""
    half = lowest + (len(fall) - lowest) // 2
    deep, high = heard_mean(fall[lowest:half]), heard_mean(fall[half:])
    low = np.nan_to_num(fall[:HISS], nan=-np.inf).max(axis=0)
    # Steady tones stop with the hiss where all is lost: its bands fall alike, and far.
    heard = np.isfinite(fall[lowest:])
    most = np.where(heard, fall[lowest:], -np.inf).max(axis=0)
    least = np.where(heard, fall[lowest:], np.inf).min(axis=0)
    gone = (most - least <= _ALIKE_DB) & (least >= _FAR_DB) & (heard.sum(axis=0) >= 4)
    # The electronics are white, the hiss of a tape is not: its treble has less far to fall.
    left, before = after[lowest:], (after + fall)[lowest:]
    loudest = np.where(heard, left, -np.inf).max(axis=0)
    white = loudest - np.where(heard, left, np.inf).min(axis=0) <= _ALIKE_DB
    hissed = np.where(heard, before, -np.inf).max(axis=0) <= HISSES_DB
    gone |= white & hissed & (least >= _FAR_DB) & (heard.sum(axis=0) >= 4)
    # Behind a gap programme falls further than hiss that comes to the electronics, but its body.
    alike = (most - least <= _ALIKE_DB) & (least >= _NEAR_DB) & (heard.sum(axis=0) >= 3)
    gone |= white & hissed & alike & (fall[BODY] <= _KEPT * fall[EDGE])
    less = (deep > 1.2 * high + 1.0) | (low > 1.05 * heard_mean(fall[lowest:]) + 1.5)
    return np.asarray(less & ~gone)
