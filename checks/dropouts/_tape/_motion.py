"""What the tape does, stretch by stretch, and where there is programme.

Read off the floors: a track's hiss is the lowest level it keeps steadily while programme comes
and goes; where all tracks together keep a steady level clearly below their hiss, no tape passes
the head (standing, leader, run out). Starting and stopping are the slopes beside such a stretch.
The states gate the findings about the tape, never those about the digital path.

What this cannot tell: leader from a stopped tape, and a tape that never rests: where programme
covers the hiss from beginning to end, all of it counts as running.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks.dropouts._tape._bands import ABOVE, BODY, EDGE, HISS
from checks.dropouts._tape._breath import rests_or_moves
from checks.dropouts._tape._floors import LOW_MEAN_DB, LevelHistory, plateau
from checks.dropouts._tape._standing import NEAR_DB, goes_whole, hisses_on, is_fed
from checks.dropouts._tape._stretches import (
    CLICKS,
    Bools,
    joined,
    most_lie_under,
    parted,
    spans,
)

Floats = NDArray[np.float32]

SILENT_DB: Final = -157.0  # digital silence reads -160; the quietest converters some -140 a band
MOST_HISS_DB: Final = -40.0
"""A band; what is steady over that is played. Common practice: hiss is 50 to 80 dB down."""

_STEADY_DB: Final = 1.9  # mean over low, averaged over the hiss bands: 1.2 in steady noise
_STILL_DB: Final = 0.8  # change of their mean level from entry to entry in steady noise
_PLATEAU_DB: Final = 1.5  # width of a level that is kept
_APART_DB: Final = 4.5  # bulk-erased tape is 3 to 4 dB quieter (common practice), amplifiers 8
_IN_EACH: Final = 0.5  # of the mean rise of the hiss bands, in each of them and in the edge
_IN_BODY: Final = 0.25
"""The same in the body, where the amplifier covers most of the hiss (own trials: 0.35 and more); a
gap takes 0.1 there, as its loss grows with frequency (54.6 dB times distance over wavelength)."""
_LEAST_ENTRIES: Final = 5  # some 0.5 s of hiss heard plainly
_PROGRAMME_DB: Final = 8.0  # over the quietest: own trials; hiss moves by 1 dB an entry
_RESTS_S: Final = 1.5  # pauses that do not part programme
_PLAYS: Final = 0.1  # of a stretch in which a track plays, from which the tape runs
_FEW: Final = 1 / 4  # of the tracks, that carry what a generator feeds to them
_ALIKE: Final = 0.8  # of the rise of the treble, in the body: behind no gap (own trials)
_FEWEST: Final = 1 / 3  # of the tracks, that hiss when they rest; others may never rest
_STANDS: Final = 2 / 3  # of such a stretch in one piece: in its ramps programme is heard, deeper
_AT_DB: Final = 2.0  # over its 10 % quantile, of one band: what steady noise does by itself
_NOTES: Final = 6  # entries, some 0.6 s: twice the clicks of a machine that stands
_MOSTLY: Final = 0.5  # of the time from rest to rest: from a start to a stop, treble is heard
_SINKS_DB: Final = 0.5  # in two entries, the mean of all bands; hiss by itself 0.2 (own trials)
_SLOPE_S: Final = 6.0  # the longest that starting or stopping takes (common practice)

SHORT_S: Final = 1.0
"""Less than any leader, and than any machine takes to stop and start (common practice)."""


class Motion(IntEnum):
    RUNNING = 0
    STARTING = 1
    STOPPING = 2
    STANDING = 3  # before or behind the tape
    LEADER = 4  # between two stretches of tape; or the tape was stopped


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """States of the tape, (entries,), and what each track does, (tracks, entries).

    Attributes:
        hiss_db: each track's level of these bands in hiss, NaN where never heard plainly.
        low: the track lies clearly below its own hiss.
        programme: the track carries programme.
        level_db: mean over the hiss bands of the audio range: above it, electronics may cover it.
        quiet_db: body and edge when nobody plays, (2, tracks).
    """

    states: NDArray[np.uint8]
    hiss_db: Floats
    low: Bools
    programme: Bools
    level_db: Floats
    quiet_db: Floats

    @property
    def running(self) -> Bools:
        return np.asarray(self.states == Motion.RUNNING)

    @property
    def void(self) -> Bools:
        """Entries in which nothing at all is heard on any track, not so much as a machine."""
        return np.asarray((self.level_db <= SILENT_DB).all(axis=0))


def course(
    history: LevelHistory, judged: Sequence[int], entry_s: float, fade: int | None = None
) -> Course:
    """The states of the tape from the levels of the tracks that count (``judged``).

    Looked at twice: what a tape hisses while its speed comes or goes is not its hiss; nor is what
    a machine leaves that stands the quiet of a track whose hiss is not heard, or is very loud.

    Args:
        fade: entry from which everything is faded out, if any: what is quiet there tells no rest.
    """
    always = np.ones(history.entries, np.bool_)
    way = _course(history, judged, entry_s, fade, always, always)
    ramps = (way.states == Motion.STARTING) | (way.states == Motion.STOPPING)
    if way.running.all():
        return way
    return _course(history, judged, entry_s, fade, ~ramps, way.running)


def _course(
    history: LevelHistory,
    judged: Sequence[int],
    entry_s: float,
    fade: int | None,
    steadily: Bools,
    runs: Bools,
) -> Course:
    """``steadily``: entries in which the tape has its speed, or none; ``runs``: it has."""
    mean = history.mean_db.astype(np.float32)
    low = history.low_db.astype(np.float32)
    tracks, entries = mean.shape[1:]
    heard = slice(HISS, ABOVE) if len(mean) > HISS else slice(None)
    level = mean[heard].mean(axis=0)
    spread = level - low[heard].mean(axis=0)
    hiss = np.full(tracks, np.nan, np.float32)
    below, bare = np.zeros((2, tracks, entries), np.bool_)
    floors = []
    for track in range(tracks):
        steady = (spread[track] <= _STEADY_DB) & steadily
        floors.append(_plateaus(mean[:ABOVE, track], level[track], steady))
    if 2 * sum(any(one.played for one in floors[k]) for k in judged) > len(judged):
        # What is louder than the hiss they play over is noise of the recording's own.
        floors = [_under_played(found) for found in floors]
    for track, found in enumerate(floors):
        if not found:
            continue
        hiss[track], drop = found[-1].hiss_db, found[-1].over_db
        below[track] = level[track] <= hiss[track] - min(0.5 * drop, _APART_DB)
        bare[track] = below[track] & (mean[BODY, track] <= found[-1].bare_db + _AT_DB)
    quiet = quietest(low[:, :, :fade], level[:, :fade], hiss)
    unheard = ~np.isfinite(hiss)
    if runs[:fade].any():
        tape = np.flatnonzero(runs[:fade])
        quiet[:, unheard] = quietest(
            low[:, unheard][..., tape], level[unheard][:, tape], hiss[unheard]
        )
    programme = louder(mean, quiet)
    states = np.zeros(entries, np.uint8)
    on = np.zeros(entries, np.bool_)
    known = [k for k in judged if np.isfinite(hiss[k]) and below[k].any()]
    if len(known) >= max(_FEWEST * len(judged), min(2, len(judged))):
        # Two thirds: a head that clogs or a track that is lost blurs the floors of its own.
        gone = 3 * below[known].sum(axis=0) >= 2 * len(known)
        plays = np.logical_or.reduce(programme[list(judged)])
        hisses = spread[known] <= _STEADY_DB
        hisses &= np.abs(level[known] - hiss[known, None]) <= _PLATEAU_DB
        # Where one track plays on, the others' signals are lost; and where a track plays on and
        # its hiss is not heard between, it has lost its treble. But a machine that stops and starts
        # lets programme be heard for a while, without the treble, before it stands and after.
        tape_db = float(median(hiss[known]))
        # Where the last track goes, too, the tape is over, whatever was lost before.
        short = round(SHORT_S / entry_s)
        stretches = joined(gone, hisses.any(axis=0))
        heard_on = (spread <= _STEADY_DB) & ~below  # what lies under its own hiss hisses no more
        for first, last in parted(stretches, below[known], bare[known], short):
            here = slice(first, last)
            if any(hisses_on(level[k, here], heard_on[k, here], tape_db) for k in judged):
                gone[here], on[here] = False, True  # some signals are lost, while the tape runs on
                continue
            fed = [
                k for k in known if is_fed(mean[BODY, k, here], programme[k, here], below[k, here])
            ]
            if len(fed) <= _FEW * len(judged):
                left = sorted(set(judged) - set(fed))
                plays[here] = programme[left, here].any(axis=0)
                programme[fed, here] = False
            played = np.count_nonzero(plays[first:last])
            stands = max((b - a for a, b in spans(~plays[first:last])), default=0)
            stops = stands >= _STANDS * (last - first) and stands * entry_s >= SHORT_S
            stops |= goes_whole(mean[BODY, known], level[known], below[known], ~plays, here)
            if stops and first > 0 and last < entries:
                continue
            if played > max(CLICKS, _PLAYS * (last - first)):
                gone[first:last] = False
                on[first:last] = True
        gone &= ~plays
        for first, last in joined(gone, hisses.any(axis=0) | on):
            for a, b in spans(~gone[first:last]):
                if b - a <= CLICKS:  # a click is no tape between two stretches without
                    gone[first + a : first + b] = True
        near = level[known] <= hiss[known, None] - _PLATEAU_DB
        falls = most_lie_under(near, below[known], short)
        rises = most_lie_under(near[:, ::-1], below[known][:, ::-1], short)[::-1]
        hisses = (spread[known] <= _STEADY_DB) & (level[known] <= hiss[known, None] + NEAR_DB)
        rests = 2 * hisses.sum(axis=0) > len(known)
        above = np.sort(mean[HISS:, known].mean(axis=0), axis=0)[len(known) // 2]
        above[~rests] = np.nan
        stops = (falls | _sinks(above)) & ~gone & ~on
        starts = (rises | _sinks(above[::-1])[::-1]) & ~gone & ~on
        _paint(states, gone, stops, starts, max(1, round(_SLOPE_S / entry_s)))
    for track in range(tracks):
        # What lies under its own hiss is the machine's, unless it plays on: lost treble.
        for first, last in spans(below[track] & ~on):
            if 2 * np.count_nonzero(programme[track, first:last]) <= last - first:
                programme[track, first:last] = False
    return Course(states, hiss, below, programme, level, quiet)


@dataclass(frozen=True, slots=True)
class _Pair:
    """A steady level that may be hiss, and how far the next lower one lies below it.

    Attributes:
        bare_db: of the body of the sound without tape; -inf where that is not heard.
        played: notes are heard over the lower one, which so is no machine that stands.
    """

    hiss_db: float
    over_db: float
    bare_db: float
    played: bool


def _under_played(found: Sequence[_Pair]) -> list[_Pair]:
    """Those pairs of a track that lie under the level that notes are played over."""
    played = [one.played for one in found]
    return list(found[: played.index(True) if any(played) else -1])


def _plateaus(mean: Floats, level: Floats, steady: Bools) -> list[_Pair]:
    """Steady levels of a track, the quietest first; none without two.

    Args:
        mean: (bands, entries) of one track up to ``ABOVE``; ``level``: the mean of those of hiss.
        steady: entries that sound like steady noise.
    """
    found: list[_Pair] = []
    if len(level) < _LEAST_ENTRIES:
        return found
    still = np.abs(np.diff(level)) < _STILL_DB
    kept = steady & (np.append(still, False) | np.append(False, still))
    base = plateau(level[kept], 2)
    while base is not None:
        # Noise stands above a lower noise in every band, and no further in the body of the
        # sound than in the lower treble; a chord that is held does so in some bands, most in the
        # body. Compared are rests: under a clogged head the body goes on, and rests as before.
        low = kept & (np.abs(level - base) < _PLATEAU_DB)
        lows = np.sort(mean[:, low], axis=1)
        under = percentile(lows, 10, axis=1)
        rise = mean - under[:, None]
        # A machine may have stood for half a second only, beside long rests under a clogged head.
        body_db = min(float(under[BODY]), float(lows[BODY, :_LEAST_ENTRIES][-1]))
        over = level - base
        alike = (rise[:HISS] < rise[HISS] + _APART_DB).all(axis=0)
        alike &= (rise[EDGE:] > _IN_EACH * over).all(axis=0)
        # A machine stands where a capture begins or ends; in its midst it may be a wide gap.
        ends = low[:_LEAST_ENTRIES].any() or low[-_LEAST_ENTRIES:].any()
        if not ends:
            alike &= (rise[BODY] > _IN_EACH * over) | (mean[BODY] - body_db > _ALIKE * over)
        higher = kept & alike & (over > _APART_DB) & (level <= MOST_HISS_DB)
        hiss = plateau(level[higher], _LEAST_ENTRIES)
        if hiss is not None:
            near = higher & (np.abs(level - hiss) < _PLATEAU_DB)
            # Behind a gap the body of a rest falls less: then no machine was heard standing.
            fell_db = float(percentile(mean[BODY, near], 10)) - body_db
            bare = fell_db > _ALIKE * (hiss - base)
            in_body = not ends or bare
            in_body = in_body or percentile(rise[BODY, near], 10) > _IN_BODY * (hiss - base)
            if in_body and _is_hiss(mean[:, near]):
                played = _is_played_over(rise, near)
                found.append(_Pair(hiss, hiss - base, body_db if bare else -np.inf, played))
        base = hiss
    return found


def _is_played_over(rise: Floats, above: Bools) -> bool:
    """Whether notes begin and end over some steady noise, and the whole sound rests at it between.

    Then it is the hiss of a tape. Under a clogged head the body does not rest as low, but where the
    machine stands before and behind it all, and there the hiss is heard between; a machine
    that starts or stops lets notes be heard on one side of its noise only; and what a track is
    turned down to was not heard before.

    Args:
        rise: of all bands over that noise, (bands, entries), dB.
        above: entries in which what lies over it is heard.
    """
    highest = rise[(HISS + len(rise)) // 2 :]  # notes may cover the bands under them
    low = np.asarray((np.abs(highest) < _AT_DB).all(axis=0))
    rests = np.flatnonzero((np.abs(rise) < _AT_DB).all(axis=0))
    notes = low & (rise[BODY] > _PROGRAMME_DB)
    count = 0
    for first, last in pairwise(rests):
        if low[first:last].mean() >= _MOSTLY and not above[first:last].any():
            count += int(np.count_nonzero(notes[first:last]))
    return count >= _NOTES and rests[0] < np.argmax(above)


def _is_hiss(mean: Floats) -> bool:
    """Whether noise, (bands, entries), is hiss, not the breath of what is played."""
    loudest = float(mean[HISS:].mean(axis=1).max(initial=-np.inf))
    return rests_or_moves(mean[BODY], loudest)


def quietest(low: Floats, level: Floats, hiss: Floats) -> Floats:
    """Body and edge of each track when nobody plays, as far as it can be known."""
    quiet, least = np.empty((2, len(hiss))), np.empty(len(hiss))
    for track, heard in enumerate(sounding(level)):
        quiet[:, track] = percentile(low[[BODY, EDGE], track][:, heard], 10, axis=1) - LOW_MEAN_DB
        least[track] = percentile(level[track, heard], 5)
    floor = np.where(np.isfinite(hiss), hiss, least)
    # Where somebody always plays, the quietest is programme: hiss in the body is not much more
    # than hiss above it, whatever hum and rumble add.
    return np.asarray(np.clip(quiet, floor - 3.0, floor + 12.0), np.float32)


def louder(mean: Floats, quiet: Floats) -> Bools:
    """Where body or edge are clearly louder than when nobody plays: programme.

    Args:
        mean: (bands, tracks, entries); ``quiet``: (2, tracks). Both dB.
    """
    over = mean[[BODY, EDGE]] > quiet[..., None] + np.float32(_PROGRAMME_DB)
    return np.asarray(over.any(axis=0))


def sounding(level: Floats) -> Bools:
    """Where anything is heard above the sound: not in digital silence or at a held value.

    Args:
        level: mean over hiss bands, (tracks, entries) or (entries,). All True for a track in
            which nothing ever is.
    """
    heard = level > SILENT_DB
    return np.asarray(heard | ~heard.any(axis=-1, keepdims=True))


def _sinks(level: Floats) -> Bools:
    """Entries by which hiss has sunk: at a speed that falls, its highest bands go first.

    ``level``: of hiss, (entries,), NaN where it is not heard plainly.
    """
    before = np.concatenate((level[:1], level[:1], level[:-2]))
    return np.asarray(before - level >= _SINKS_DB)


def _paint(states: NDArray[np.uint8], gone: Bools, stops: Bools, starts: Bools, most: int) -> None:
    """Writes the states: no tape where ``gone``, and the slopes that touch such a stretch."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], gone, [False])).astype(np.int8)))
    count = len(states)
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        before, after = int(start), int(stop)
        while before > 0 and start - before < most and stops[before - 1]:
            before -= 1
        while after < count and after - stop < most and starts[after]:
            after += 1
        outer = before == 0 or after == count
        states[before:start] = Motion.STOPPING if before else Motion.STANDING
        states[stop:after] = Motion.STARTING if after < count else Motion.STANDING
        states[start:stop] = Motion.STANDING if outer else Motion.LEADER


def programme_spans(loud: Bools, entry_s: float) -> list[tuple[int, int]]:
    """Stretches of entries with programme, pauses up to ``_RESTS_S`` bridged."""
    out: list[tuple[int, int]] = []
    for start, stop in spans(loud):
        if out and (start - out[-1][1]) * entry_s <= _RESTS_S:
            out[-1] = (out[-1][0], stop)
        else:
            out.append((start, stop))
    return [(a, b) for a, b in out if b - a >= 2]
