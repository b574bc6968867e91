"""Falls of a track's hiss that stay: a clogging head, a signal that is gone.

Compared are the steady lowest levels of some seconds before and after every moment, at several
scales, so that a fall within an entry and a drift over minutes both show. What was heard before
counts by its quietest tenth: music that stops is no fall of the hiss.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks.dropouts._tape._bands import BODY, EDGE, HISS, TILT, Floats
from checks.dropouts._tape._drops import AGREE_DB, BEFORE, SAME_DB, WINDOW, Drop, floors, steepest
from checks.dropouts._tape._fades import step_by_step, with_the_body
from checks.dropouts._tape._floors import ERASED_DB, NOTHING_DB, STEADY_DB, LevelHistory
from checks.dropouts._tape._losses import lost_there
from checks.dropouts._tape._motion import MOST_HISS_DB, Course
from checks.dropouts._tape._spacing import as_the_body
from checks.dropouts._tape._stretches import spans

_AMPLIFIER_DB: Final = 8.0  # the least that its floor lies under the hiss (common practice)
_RISE: Final = 0.15  # of the mean fall, from the lowest band heard to the highest; own trials
_OTHERS: Final = 0.25  # of the time in which some other track must play
_COVERED_DB: Final = 4.0  # over the hiss of before: not hiss that came back, but programme
_STEADY_DB: Final = 4.0  # of single lows, from one noise (own trials: 3 in 98 % of them)
PLAYS_ON: Final = 0.02  # of the entries, from which a track still carries programme
_FLAT: Final = 0.55  # of the mean fall: so much in the body, and the whole signal is gone
_LOUD_DB: Final = 10.0  # tapes hiss 50 to 80 dB down: louder is hardly hiss (common practice)
OF_EDGE: Final = 0.55  # of the fall at 5.5 kHz: a gap takes a quarter, until amplifiers cover it
_SOFTER: Final = 0.7  # the same of programme that goes on
_RESTED: Final = 4  # entries of a rest, some 0.4 s: longer than most lifts
_BEGAN: Final = 2  # entries: one may be that in which the machine got its speed
_APART: Final = 24  # entries, some 2 s: under notes so long a fall need not show (from memory)
_TRIES: Final = 24  # from memory: more falls of one track than that tell no more
_MOST: Final = 8  # that are told (from memory)
_GONE: Final = 6  # entries for which a signal must be gone: some 0.6 s
_FARTHEST_DB: Final = 20.0  # in the body, 100 um at 38 cm/s: no head clogs further (from memory)
_LOUDEST: Final = 90  # percentile
_WHOLE: Final = 0.85  # of a fall: what is left is chance
_STAYS: Final = 0.9  # of the mean fall, where the electronics cover what more the treble lost


@dataclass(frozen=True, slots=True, eq=False)
class Fall:
    """A lasting fall on one track.

    Attributes:
        first, last: entries, the last not included.
        seen: entry behind the last one that shows it; programme may cover it from there on.
        since: entry behind the last one in which the hiss was heard as before; programme may
            have covered the fall from there to ``first``; ``full``: in which it is all there.
        slides: it shows in part for a while before.
        open_end: it lasts as long as the tape runs.
        fall_db: a band, NaN where neither side shows steady noise.
        after: level after it, a band, NaN likewise.
        before_db, after_db: level of the hiss bands before and after it.
        mean_db: mean fall of the hiss bands.
        plays: share of the entries after it in which the track still carries programme.
        quieter_db: how far the body of the programme fell with it, NaN where it does not play.
        as_body: whether what is played falls as its body, as behind no gap; None: it does not show.
        steady: share of the other entries in which the track is as it was before.
        slow: it took more than a second or two.
        fades: it goes down little by little, in too many entries for a signal that is lost.
        faded: the body falls with the hiss, below all that was heard of it, and is never as it was.
        rested: it was the hiss of rests.
        outlasts: others play on, and the track never rested for so long before.
        deepest: nothing quieter than what it falls to is heard of the track while the tape runs.
    """

    track: int
    first: int
    last: int
    seen: int
    since: int
    full: int
    slides: bool
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
    rested: bool
    outlasts: bool = False
    deepest: bool = False
    as_body: bool | None = None


def falls(history: LevelHistory, course: Course, track: int, least_db: float) -> list[Fall]:
    """The lasting falls of one track, in the order of time."""
    runs = np.flatnonzero(course.running)
    skip = len(runs) % WINDOW
    entries = runs[skip:]
    count = len(entries) // WINDOW
    if count < 4 or history.mean_db.shape[0] < HISS + 2:
        return []
    low = history.low_db[:, track, entries].astype(np.float32)
    mean = history.mean_db[:, track, entries].astype(np.float32)
    seen = floors(low, mean)
    lost = lost_there(low, mean)
    for first, last in spans(lost):
        lost[first:last] = last - first >= _GONE  # shorter ones are lifts
    for before in (seen.plain, seen.rests):  # what a loss leaves is no level to fall from
        before[:, lost.reshape(-1, WINDOW).any(axis=1)] = np.nan
    out: list[Fall] = []
    start = 0
    for _ in range(_TRIES):
        found = steepest(seen, start, least_db)
        if found is None:
            break
        start = found.at
        if _rested(low, mean, found, lost) or (
            not found.rested and _began_so(history, track, runs[: skip + found.at * WINDOW], found)
        ):
            continue
        fall = _fall(low, mean, course, track, entries, found, seen.any)
        if fall.first == entries[0]:  # it was as low at the very start
            continue
        inside = (entries >= fall.first) & (entries < fall.last)
        if not inside.any():  # it is back before it shows
            continue
        out.append(fall)
        lost |= inside
        start = int(np.flatnonzero(inside)[-1]) // WINDOW
        if fall.open_end or len(out) >= _MOST:
            break
    return out


def _rested(low: Floats, mean: Floats, drop: Drop, lost: NDArray[np.bool_]) -> bool:
    """Whether a track was down before, in rests or as often as up; what is lost there left out.

    Then what fell was no hiss, but steady noise that somebody played: a floor has little under it.
    """
    heard = np.isfinite(drop.fall[HISS:])
    before, after = (level[HISS:][heard, None] for level in (drop.before, drop.before - drop.fall))
    lows = low[HISS:, : drop.at * WINDOW][heard]
    up = np.flatnonzero((np.abs(lows - before) < SAME_DB).all(axis=0))
    stop = int(up[-1]) if len(up) else 0  # what is low behind it is the fall itself
    lows, means = lows[:, :stop], mean[HISS:, :stop][heard]
    at = (np.abs(lows - after) < AGREE_DB) & (means - lows <= STEADY_DB)
    rests = at.all(axis=0)
    half = np.median((before - lows) / (before - after), axis=0) >= 0.5
    rests &= ~lost[:stop]
    half &= ~lost[:stop]
    return int(np.count_nonzero(rests)) >= _RESTED or int(np.count_nonzero(half)) >= len(up)


def _began_so(history: LevelHistory, track: int, before: NDArray[np.int64], drop: Drop) -> bool:
    """Whether a track hissed as it does behind a drop until it was first heard as before it.

    Then what fell came with the programme: the noise that a loud sound itself makes on tape.

    Args:
        before: entries before the drop in which the tape runs.
    """
    heard = np.flatnonzero(np.isfinite(drop.fall[HISS:])) + HISS
    low = history.low_db[:, track, before][heard].astype(np.float32)
    mean = history.mean_db[:, track, before][heard].astype(np.float32)
    up = (np.abs(low - drop.before[heard, None]) < SAME_DB).all(axis=0)
    first = int(np.argmax(up)) if up.any() else 0
    after = (drop.before - drop.fall)[heard, None]
    at = np.abs((low - after)[:, :first].mean(axis=0)) < AGREE_DB
    at &= (mean - low <= STEADY_DB)[:, :first].all(axis=0)
    return int(np.count_nonzero(at)) >= _BEGAN


def _end(floor: Floats, drop: Drop, first: int) -> int:
    """The window, from the first on, in which the hiss is back in every band, or behind the last.

    Programme that lies over bands, be it all of them, is no return.
    """
    heard = np.isfinite(drop.fall[HISS:])
    fall = drop.fall[HISS:][heard]
    back = 0
    for w in range(first, floor.shape[1]):
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
    drop: Drop,
    floor: Floats,
) -> Fall:
    """Finds the entry in which the fall begins, and what the track does after it.

    Args:
        floor: levels of the windows, (bands, windows).
    """
    heard = np.isfinite(drop.fall[HISS:])
    fall = float(drop.fall[HISS:][heard].mean())
    depth = (drop.before[HISS:][heard, None] - low[HISS:][heard]) / drop.fall[HISS:][heard, None]
    as_before = (np.abs(drop.before[HISS:][heard, None] - low[HISS:][heard]) < SAME_DB).all(axis=0)
    # Where hiss is heard as before, the fall is yet to come: what lies before was leader or a lift.
    settled = drop.at + drop.gap
    hisses = as_before & (mean[HISS:] - low[HISS:] <= STEADY_DB)[heard].all(axis=0)
    hisses[1:] &= hisses[:-1]  # one entry alone may be a note that dies down
    first = max(_behind(as_before, drop.at * WINDOW, 0), _behind(hisses, settled * WINDOW, 0))
    last = min((settled + 2) * WINDOW, depth.shape[1])
    # One band far under its hiss is enough: programme may lie over the others.
    down = np.flatnonzero(depth[:, first:last].max(axis=0) >= 0.5)
    if not len(down):  # the level behind a place is the usual one of several windows
        down = np.flatnonzero(depth[:, first : last + WINDOW].max(axis=0) >= 0.5)
    stop = _end(floor, drop, max(settled, (first + down[0]) // WINDOW) if len(down) else settled)
    if len(down) and stop * WINDOW < len(entries):
        # Of what comes back, what shows long before and then no more is a lift of its own.
        down = down[int(np.flatnonzero(np.diff(down, prepend=-np.inf) > _APART)[-1]) :]
    begin = first + int(down[0]) if len(down) else drop.at * WINDOW
    quick = np.flatnonzero(depth[:, first:last].mean(axis=0) >= _WHOLE)
    slow = bool(len(quick) and len(down) and quick[0] - down[0] > WINDOW)
    end = min(stop * WINDOW, len(entries))
    fades = step_by_step(depth[:, first:last].mean(axis=0))
    # While somebody turns it down, programme is still heard.
    left = max(begin + 2, first + int(quick[0])) if fades and len(quick) else begin + 2
    body = np.full(HISS, np.nan)
    # A signal that is gone may come back under programme that hides the hiss: then all bands rise.
    up = depth[:, :end].max(axis=0) < 0.4
    returned = np.flatnonzero(up[begin + _GONE : -1] & up[begin + _GONE + 1 :])
    while end < len(entries) and end > begin + _GONE and up[end - 1]:
        end -= 1  # windows are longer than entries
    for last in [begin + _GONE + int(k) for k in returned[:1]] + [end]:
        # Entries in which it comes back are not gone: two, where it does so slowly.
        whole = last - (last < len(entries)) * (1 if last - begin <= _GONE else 2)
        behind = slice(min(left, whole - 1), whole)
        plays = float(course.programme[track, entries[behind]].mean())
        if plays <= PLAYS_ON and begin >= WINDOW:  # before, programme may lie over all windows
            near = slice(max(0, begin - BEFORE * WINDOW), begin)
            up = depth[:, near].mean(axis=0) < 0.5  # no loss that came before
            early = low[:HISS, near][:, up if up.any() else slice(None)]
            body = percentile(early, 10, axis=1) - percentile(low[:HISS, behind], 10, axis=1)
            if last == end or body[BODY] >= _FLAT * fall:
                end = last
                break
    since = _behind(as_before, begin, begin)
    best = depth[:, begin : max(end, begin + 1)].max(axis=0)  # programme covers the others
    shown, full = np.flatnonzero(best >= 0.5), int(np.argmax(best >= min(_WHOLE, best.max())))
    least = (drop.before - drop.fall)[HISS:][heard] - _STEADY_DB
    apart = np.r_[0:begin, end : len(entries)]
    alike = np.abs(low[HISS:][heard][:, apart] - drop.before[HISS:][heard, None]) < _STEADY_DB
    each = drop.fall.copy()
    each[:HISS] = np.where(np.isfinite(body), body, each[:HISS])
    return Fall(
        track=track,
        first=int(entries[begin]),
        last=int(entries[end - 1]) + 1,
        seen=int(entries[begin + (int(shown[-1]) if len(shown) else end - begin - 1)]) + 1,
        since=int(entries[since]),
        full=int(entries[begin + full]),
        slides=int(np.count_nonzero(shown < full)) > WINDOW,
        open_end=end >= len(entries),
        fall_db=each,
        after=drop.before - drop.fall,
        before_db=float(drop.before[HISS:][heard].mean()),
        after_db=float((drop.before - drop.fall)[HISS:][heard].mean()),
        mean_db=fall,
        plays=plays,
        quieter_db=_quieter(mean[BODY], course.programme[track, entries], begin, end),
        as_body=_as_body(mean, begin, end, float((drop.before - drop.fall)[HISS:][heard].max())),
        steady=float(alike.all(axis=0).mean()) if len(apart) else 0.0,
        slow=slow,
        fades=fades,
        faded=with_the_body(low[BODY], depth.mean(axis=0), begin, end, fall),
        rested=drop.rested,
        outlasts=_outlasts(course.programme[:, entries], track, begin, end),
        deepest=bool((low[HISS:][heard].min(axis=1) > least).all()),
    )


def _behind(flags: NDArray[np.bool_], stop: int, otherwise: int) -> int:
    """The place behind the last flag before ``stop``, or ``otherwise``."""
    at = np.flatnonzero(flags[:stop])
    return int(at[-1]) + 1 if len(at) else otherwise


def _outlasts(plays: NDArray[np.bool_], track: int, begin: int, end: int) -> bool:
    """Whether a track rests longer behind an entry than ever before, while another one plays."""
    notes = np.flatnonzero(plays[track, :begin])
    if len(notes) < 2 or end - begin <= np.diff(notes, prepend=-1).max():
        return False
    others = np.delete(plays, track, axis=0)[:, begin:end]
    return bool((others.mean(axis=1) >= _OTHERS).any())


def _quieter(body: Floats, plays: NDArray[np.bool_], begin: int, end: int) -> float:
    """How much less the body of the programme is between two entries than before, dB.

    NaN where it does not play in one of the two.
    """
    near = slice(max(0, begin - BEFORE * WINDOW), begin)
    before, after = body[near][plays[near]], body[begin:end][plays[begin:end]]
    if min(len(before), len(after)) < WINDOW:
        return float("nan")
    return float(median(before) - median(after))


def _as_body(mean: Floats, begin: int, end: int, noise_db: float) -> bool | None:
    """Whether the loudest that is played between entries fell alike in body and treble.

    Args:
        mean: (bands, entries) of the track; ``noise_db``: that the hiss fell to.
    """
    near = mean[: len(TILT), max(0, begin - BEFORE * WINDOW) : begin]
    if begin < 1 or mean.shape[0] < len(TILT):
        return None
    low, left = percentile(mean[: len(TILT), begin:end], (10, _LOUDEST), axis=1)
    loss = percentile(near, _LOUDEST, axis=1) - left
    if loss[BODY] > _FARTHEST_DB:
        return None  # what is left may leak in
    return as_the_body(loss, left - np.maximum(low, noise_db), TILT)


def is_silent(fall: Fall) -> bool:
    """Whether nothing is left, not so much as a converter's noise: digital silence, no clog."""
    return bool(np.nanmax(fall.after) < NOTHING_DB)


def is_flat(fall: Fall) -> bool:
    """Whether body and edge went with the rest, as where the whole signal is gone."""
    body, edge = (float(db) for db in fall.fall_db[[BODY, EDGE]])
    if fall.rested and fall.plays > PLAYS_ON:
        # A fader takes as much of what plays, and of the body's rests, as of the hiss.
        rests = body < 0.5 * fall.mean_db or body < OF_EDGE * edge
        rests |= fall.as_body is False
        return not rests and fall.quieter_db >= _SOFTER * float(np.nanmax(fall.fall_db[HISS:]))
    if duller(fall):
        return False  # hiss that comes down to the electronics falls less than what is played
    known = np.isfinite(edge) or fall.before_db > MOST_HISS_DB
    least = _FLAT if fall.before_db > MOST_HISS_DB - _LOUD_DB else _SOFTER
    if known and fall.quieter_db >= least * fall.mean_db and not body < 0.5 * fall.mean_db:
        return not edge < least * fall.mean_db  # noise that is played, and now more softly
    least = _FLAT if fall.plays <= PLAYS_ON else 0.8
    if np.isfinite(body):
        return body >= least * fall.mean_db and not edge < least * fall.mean_db
    return fall.plays <= PLAYS_ON and not edge < 0.5 * fall.mean_db


def duller(fall: Fall) -> bool:
    """Whether what plays on falls less in its body than above it, as no fader lets it."""
    return fall.plays > PLAYS_ON and bool(fall.fall_db[BODY] < OF_EDGE * fall.fall_db[EDGE])


def turned_down(fall: Fall) -> bool:
    """Whether a track plays on to the end, at a lower level: its programme and the hiss of rests.

    The hiss falls less where it comes down to the electronics. Where programme behind it covers the
    body of all rests, it tells as well, by body and treble of its own.
    """
    plays = fall.open_end and fall.plays > PLAYS_ON
    hiss = fall.rested and fall.deepest
    level = is_flat(fall) or (fall.as_body is True and fall.fall_db[BODY] < -SAME_DB)
    return bool(plays and hiss and level and fall.quieter_db >= fall.mean_db)


def rises(fall: Fall, frequencies_hz: NDArray[np.float64]) -> bool:
    """Whether the treble goes first, as behind a gap (54.6 dB times distance over wavelength).

    A limiter that turns the hiss down under loud programme takes as much in every band. Nor does
    what has sunk to the amplifier's floor rise any more: from 8 dB on nothing is asked.
    """
    if fall.rested and fall.mean_db > ERASED_DB:
        return not fall.fall_db[BODY] > _STAYS * np.nanmax(fall.fall_db[HISS:])
    heard = np.isfinite(fall.fall_db)
    heard[:HISS] = False
    if fall.mean_db >= _AMPLIFIER_DB or np.count_nonzero(heard) < 2:
        return True
    places = frequencies_hz[heard]
    slope = float(np.polyfit(places, fall.fall_db[heard], 1)[0])
    return slope * float(places[-1] - places[0]) >= _RISE * fall.mean_db
