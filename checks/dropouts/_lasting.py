"""Falls of a track's hiss that stay: a clogging head, a signal that is gone.

Compared are the steady lowest levels of some seconds before and after every moment, at several
scales, so that a fall within an entry and a drift over minutes both show. What was heard before
counts by its quietest tenth: music that stops is no fall of the hiss.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._bands import BODY, EDGE, HISS, Floats
from checks.dropouts._fades import step_by_step, with_the_body
from checks.dropouts._floors import NOTHING_DB, STEADY_DB, LevelHistory, clear_of_leaks
from checks.dropouts._heard import heard_mean, middle, quietest
from checks.dropouts._motion import MOST_HISS_DB, Course

_WINDOW: Final = 4  # entries
_BEFORE: Final = 64  # windows looked back over: some 24 s
_SCALES: Final = ((2, 0), (2, 2), (4, 0), (4, 4), (4, 8), (8, 24), (8, 48))  # windows after, and
# left out before them: from a fall at once to one that takes 20 s
_LOOK: Final = 56  # the most of both together
_BACK: Final = 12  # windows searched backwards for the beginning
_AGREE_DB: Final = 1.5
_AMPLIFIER_DB: Final = 8.0  # the least that its floor lies under the hiss (common practice)
_RISE: Final = 0.15  # of the mean fall, from the lowest band heard to the highest; own trials
_SAME_DB: Final = 2.0  # what steady noise does by itself, and a little drift
_COVERED_DB: Final = 4.0  # over the hiss of before: not hiss that came back, but programme
_STEADY_DB: Final = 4.0  # of single lows, from one noise (own trials: 3 in 98 % of them)
_PLAIN: Final = 3  # entries of a window that keep to one level: hiss, not a gap in music
_RESTING: Final = 2  # the same for what lies under the hiss of before: rests are short
_ALIKE_DB: Final = 4.0  # own trials: bands of one noise
_FAR_DB: Final = 15.0  # further than to an amplifier's noise (common practice: 8 to 12 dB)
_HISSES_DB: Final = MOST_HISS_DB - 5.0  # the loudest band of a hiss
_LEAST_BANDS: Final = 3
PLAYS_ON: Final = 0.02  # of the entries, from which a track still carries programme
_FLAT: Final = 0.55  # of the mean fall: so much in the body, and the whole signal is gone
_LOUD_DB: Final = 10.0  # tapes hiss 50 to 80 dB down: louder is hardly hiss (common practice)
_SOFTER: Final = 0.7  # the same of programme that goes on
_AT_END: Final = 3  # windows
_RESTED: Final = 4  # entries of a rest, some 0.4 s: longer than most lifts
_TRIES: Final = 24  # from memory: more falls of one track than that tell no more
_GONE: Final = 6  # entries for which a signal must be gone: some 0.6 s
_HEARD: Final = 0.6  # of the bands from the lowest that counts up
_STAYS: Final = 0.9  # of the mean fall, where the electronics cover what more the treble lost
_EACH: Final = 0.4  # of the mean fall that every band must show


@dataclass(frozen=True, slots=True, eq=False)
class Fall:
    """A lasting fall on one track.

    Attributes:
        first, last: entries, the last not included.
        since: entry behind the last one in which the hiss was heard as before; programme may
            have covered the fall from there to ``first``.
        open_end: it lasts as long as the tape runs.
        fall_db: a band, NaN where neither side shows steady noise.
        after: level after it, a band, NaN likewise.
        before_db, after_db: level of the hiss bands before and after it.
        mean_db: mean fall of the hiss bands.
        plays: share of the entries after it in which the track still carries programme.
        quieter_db: how far the body of the programme fell with it, NaN where it does not play.
        steady: share of the other entries in which the track is as it was before.
        slow: it took more than a second or two.
        fades: it goes down little by little, in too many entries for a signal that is lost.
        faded: the body falls with the hiss, below all that was heard of it, and is never as it was.
        covered: it reaches the noise of the electronics, which lies under the treble of the hiss
            so closely that the lower bands fall more.
    """

    track: int
    first: int
    last: int
    since: int
    open_end: bool
    fall_db: Floats
    after: Floats
    before_db: float
    after_db: float
    mean_db: float
    plays: float
    quieter_db: float
    steady: float
    slow: bool
    fades: bool
    faded: bool
    covered: bool


def falls(history: LevelHistory, course: Course, track: int, least_db: float) -> list[Fall]:
    """The lasting falls of one track, in the order of time."""
    entries = np.flatnonzero(course.running)
    skip = len(entries) % _WINDOW
    entries = entries[skip:]
    count = len(entries) // _WINDOW
    if count < 4 or history.mean_db.shape[0] < HISS + 2:
        return []
    low = history.low_db[:, track, entries].astype(np.float32)
    mean = history.mean_db[:, track, entries].astype(np.float32)
    plain, floor = _floors(low, mean, _PLAIN), _floors(low, mean, _RESTING)
    out: list[Fall] = []
    start = 0
    for _ in range(_TRIES):
        found, covered = _steepest(plain, floor, start, least_db), False
        if found is None and not out:
            bands = _uncovered(plain, floor, least_db)
            found = _steepest(plain[:bands], floor[:bands], start, least_db, music=False)
            covered = True
        if found is None:
            return out
        if covered:
            found = _over_all(found, len(plain))
        if _rested(low, mean, found, [(f.first, f.last) for f in out], entries):
            start = found.at
            continue
        stop = _end(floor, found)
        fall = _fall(low, mean, course, track, entries, found, stop, covered)
        if fall.first == entries[0]:  # it was as low at the very start
            start = found.at
            continue
        out.append(fall)
        start = stop
        if stop >= count or len(out) >= 8:
            break
    return out


def _floors(low: Floats, mean: Floats, least: int) -> Floats:
    """Steady lowest level a window: (bands, windows), NaN where fewer entries than that keep it."""
    shape = (low.shape[0], -1, _WINDOW)
    lows, means = low.reshape(shape), mean.reshape(shape)
    level = np.sort(lows, axis=2)[:, :, 1]
    steady = (means - lows <= STEADY_DB) & (np.abs(lows - level[:, :, None]) < _AGREE_DB)
    steady &= clear_of_leaks(lows, means)
    return np.where(steady.sum(axis=2) >= least, level, np.nan).astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Drop:
    """The window at which the hiss falls, how many it takes, and levels a band."""

    at: int
    gap: int
    before: Floats
    fall: Floats


def _steepest(
    plain: Floats, floor: Floats, start: int, least_db: float, *, music: bool = True
) -> _Drop | None:
    """Where the hiss falls most behind window ``start``: from a plain level, to any.

    Args:
        music: it may be players who stop, where the lower bands fall more.
    """
    count = floor.shape[1]
    places = np.arange(start + 1, count)
    if not len(places) or len(floor) <= HISS:
        return None
    padded = np.full((len(floor), _BEFORE + count), np.nan, np.float32)
    padded[:, _BEFORE:] = plain
    views = np.lib.stride_tricks.sliding_window_view(padded, _BEFORE, axis=1)
    before = quietest(views[:, places])
    ahead = np.full((len(floor), count + 2 * _LOOK), np.nan, np.float32)
    ahead[:, :count] = floor
    ahead[:, count] = floor[:, -1]  # a rest at the very end may be a window long
    best: tuple[float, _Drop] | None = None
    for size, gap in _SCALES:
        views = np.lib.stride_tricks.sliding_window_view(ahead, size, axis=1)
        fall = before - middle(views[:, places + gap])
        least = min(_LEAST_BANDS, len(fall) - HISS)
        for lowest in range(HISS, len(fall) - least + 1):  # programme may cover lower ones
            mean = _agreed(fall[lowest:], least)
            mean[mean < least_db] = -np.inf
            if music:
                mean[like_music(fall, lowest, before - fall)] = -np.inf
            k = int(np.argmax(mean))
            if np.isfinite(mean[k]) and (best is None or mean[k] > best[0] + 0.3):
                own = fall[:, k].copy()
                own[HISS:lowest] = np.nan
                drop = _Drop(int(places[k]), gap, before[:, k], own)
                best = (float(mean[k]), drop)
    return best[1] if best else None


def _uncovered(plain: Floats, floor: Floats, least_db: float) -> int:
    """How many bands from the lowest up hold less at the end than steady noise once held there.

    None above the body where those are too few.
    """
    heard = np.where(np.isfinite(plain[HISS:]), plain[HISS:], -np.inf)
    down = (
        np.quantile(heard, 0.9, axis=1, method="lower") - middle(floor[HISS:, -_AT_END:])
        >= least_db
    )
    count = len(down) if down.all() else int(np.argmin(down))
    return HISS + count if count >= _LEAST_BANDS else HISS


def _rested(
    low: Floats,
    mean: Floats,
    drop: _Drop,
    fallen: Sequence[tuple[int, int]],
    entries: NDArray[np.int64],
) -> bool:
    """Whether the level that a track falls to was its level in rests before; ``fallen`` left out.

    Then what fell was no hiss, but steady noise that somebody played.
    """
    heard = np.isfinite(drop.fall[HISS:])
    before, after = (level[HISS:][heard, None] for level in (drop.before, drop.before - drop.fall))
    lows = low[HISS:, : drop.at * _WINDOW][heard]
    up = np.flatnonzero((np.abs(lows - before) < _SAME_DB).all(axis=0))
    stop = int(up[-1]) if len(up) else 0  # what is low behind it is the fall itself
    lows, means = lows[:, :stop], mean[HISS:, :stop][heard]
    at = (np.abs(lows - after) < _AGREE_DB) & (means - lows <= STEADY_DB)
    rests = at.all(axis=0)
    for first, last in fallen:
        rests &= (entries[:stop] < first) | (entries[:stop] >= last)
    return int(np.count_nonzero(rests)) >= _RESTED


def _over_all(drop: _Drop, bands: int) -> _Drop:
    """The same drop, with nothing known of the bands above."""
    above = np.full(bands - len(drop.fall), np.nan, np.float32)
    return _Drop(drop.at, drop.gap, np.append(drop.before, above), np.append(drop.fall, above))


def _agreed(fall: Floats, least: int) -> NDArray[np.floating]:
    """Mean fall of the bands heard, -inf where too few are, or one hardly falls."""
    heard = np.isfinite(fall)
    each = np.where(heard, fall, 0.0)
    bands = heard.sum(axis=0)
    mean = each.sum(axis=0) / np.maximum(bands, 1)
    good = bands >= max(least, _HEARD * len(fall))
    good &= ((each >= _EACH * mean) | ~heard).all(axis=0)
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
    hissed = np.where(heard, before, -np.inf).max(axis=0) <= _HISSES_DB
    gone |= white & hissed & (least >= _FAR_DB) & (heard.sum(axis=0) >= 4)
    less = (deep > 1.2 * high + 1.0) | (low > 1.05 * heard_mean(fall[lowest:]) + 1.5)
    return np.asarray(less & ~gone)


def _end(floor: Floats, drop: _Drop) -> int:
    """The window in which the hiss has come back in every band, or behind the last.

    Programme that lies over bands, be it all of them, is no return.
    """
    heard = np.isfinite(drop.fall[HISS:])
    fall = drop.fall[HISS:][heard]
    back = 0
    for w in range(drop.at + drop.gap, floor.shape[1]):
        under = drop.before[HISS:][heard] - floor[HISS:, w][heard]
        still = (under / fall)[under > -_COVERED_DB]  # NaN is not
        if len(still) < min(2, len(fall)):
            continue
        back = back + 1 if float(still.max()) < 0.4 else 0
        if back == 2:
            return w - 1
    return int(floor.shape[1])


def _fall(
    low: Floats,
    mean: Floats,
    course: Course,
    track: int,
    entries: NDArray[np.int64],
    drop: _Drop,
    stop: int,
    covered: bool,
) -> Fall:
    """Finds the entry in which the fall begins, and what the track does after it."""
    heard = np.isfinite(drop.fall[HISS:])
    fall = float(drop.fall[HISS:][heard].mean())
    depth = (drop.before[HISS:][heard, None] - low[HISS:][heard]) / drop.fall[HISS:][heard, None]
    # One band far under its hiss is enough: programme may lie over the others.
    first = max(0, drop.at - _BACK) * _WINDOW
    last = min((drop.at + drop.gap + 2) * _WINDOW, depth.shape[1])
    down = np.flatnonzero(depth[:, first:last].max(axis=0) >= 0.5)
    begin = first + int(down[0]) if len(down) else drop.at * _WINDOW
    quick = np.flatnonzero(depth[:, first:last].mean(axis=0) >= 0.85)
    slow = bool(len(quick) and len(down) and quick[0] - down[0] > _WINDOW)
    end = min(stop * _WINDOW, len(entries))
    stop_fade = last
    body = np.full(HISS, np.nan)
    # A signal that is gone may come back under programme that hides the hiss: then all bands rise.
    up = depth[:, :end].max(axis=0) < 0.4
    returned = np.flatnonzero(up[begin + _GONE : -1] & up[begin + _GONE + 1 :])
    while end < len(entries) and end > begin + _GONE and up[end - 1]:
        end -= 1  # windows are longer than entries
    for last in [begin + _GONE + int(k) for k in returned[:1]] + [end]:
        whole = last - (last < len(entries))  # an entry in which it comes back is not gone
        behind = slice(min(begin + 2, whole - 1), whole)
        plays = float(course.programme[track, entries[behind]].mean())
        if plays <= PLAYS_ON and begin >= _WINDOW:  # before, programme may lie over all windows
            early = low[:HISS, max(0, begin - _BEFORE * _WINDOW) : begin]
            body = np.quantile(early, 0.1, axis=1) - np.quantile(low[:HISS, behind], 0.1, axis=1)
            if last == end or body[BODY] >= _FLAT * fall:
                end = last
                break
    as_before = (np.abs(drop.before[HISS:][heard, None] - low[HISS:][heard]) < _SAME_DB).all(axis=0)
    unfallen = np.flatnonzero(as_before[:begin])
    since = int(unfallen[-1]) + 1 if len(unfallen) else begin
    apart = np.r_[0:begin, end : len(entries)]
    alike = np.abs(low[HISS:][heard][:, apart] - drop.before[HISS:][heard, None]) < _STEADY_DB
    each = drop.fall.copy()
    each[:HISS] = np.where(np.isfinite(body), body, each[:HISS])
    return Fall(
        track=track,
        first=int(entries[begin]),
        last=int(entries[end - 1]) + 1,
        since=int(entries[since]),
        open_end=end >= len(entries),
        fall_db=each,
        after=drop.before - drop.fall,
        before_db=float(drop.before[HISS:][heard].mean()),
        after_db=float((drop.before - drop.fall)[HISS:][heard].mean()),
        mean_db=fall,
        plays=plays,
        quieter_db=_quieter(mean[BODY], course.programme[track, entries], begin, end),
        steady=float(alike.all(axis=0).mean()) if len(apart) else 0.0,
        slow=slow,
        fades=step_by_step(depth[:, first:stop_fade].mean(axis=0)),
        faded=with_the_body(low[BODY], depth.mean(axis=0), begin, end, fall),
        covered=covered,
    )


def _quieter(body: Floats, plays: NDArray[np.bool_], begin: int, end: int) -> float:
    """How much less the body of the programme is between two entries than before, dB.

    NaN where it does not play in one of the two.
    """
    near = slice(max(0, begin - _BEFORE * _WINDOW), begin)
    before, after = body[near][plays[near]], body[begin:end][plays[begin:end]]
    if min(len(before), len(after)) < _WINDOW:
        return float("nan")
    return float(np.median(before) - np.median(after))


def is_silent(fall: Fall) -> bool:
    """Whether nothing is left, not so much as a converter's noise: digital silence, no clog."""
    return bool(np.nanmax(fall.after) < NOTHING_DB)


def is_flat(fall: Fall) -> bool:
    """Whether body and edge went with the rest, as where the whole signal is gone."""
    body, edge = (float(db) for db in fall.fall_db[[BODY, EDGE]])
    known = np.isfinite(edge) or fall.before_db > MOST_HISS_DB
    least = _FLAT if fall.before_db > MOST_HISS_DB - _LOUD_DB else _SOFTER
    if known and fall.quieter_db >= least * fall.mean_db and not body < 0.5 * fall.mean_db:
        return not edge < least * fall.mean_db  # noise that is played, and now more softly
    least = _FLAT if fall.plays <= PLAYS_ON else 0.8
    if np.isfinite(body):
        return body >= least * fall.mean_db and not edge < least * fall.mean_db
    return fall.plays <= PLAYS_ON and not edge < 0.5 * fall.mean_db


def rises(fall: Fall, frequencies_hz: NDArray[np.float64]) -> bool:
    """Whether the treble goes first, as behind a gap (54.6 dB times distance over wavelength).

    A limiter that turns the hiss down under loud programme takes as much in every band. Nor does
    what has sunk to the amplifier's floor rise any more: from 8 dB on nothing is asked.
    """
    if fall.covered:  # then what stays below must speak: programme, and its body
        return fall.plays > PLAYS_ON and not fall.fall_db[BODY] > _STAYS * fall.mean_db
    heard = np.isfinite(fall.fall_db)
    heard[:HISS] = False
    if fall.mean_db >= _AMPLIFIER_DB or np.count_nonzero(heard) < 2:
        return True
    places = frequencies_hz[heard]
    slope = float(np.polyfit(places, fall.fall_db[heard], 1)[0])
    return slope * float(places[-1] - places[0]) >= _RISE * fall.mean_db
