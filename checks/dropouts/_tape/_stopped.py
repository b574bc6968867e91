"""Programme of all tracks that stops in one moment, where it never rests and tells no hiss.

Where the tape's hiss is heard, what falls under it is known (``_without_tape``). Where somebody
always plays, a loss on all tracks looks like the only rest of the piece. But no players and no
room stop within some milliseconds on several tracks at once: what does was switched off, unplugged
or cut; and if it comes back in one moment as well, no tape was edited so. What is left must be
less than all tracks leave anywhere else, or it is a rest behind a dry clap. A generator may stop
so: a tone that keeps its level, or what stops again and again, is left alone. What is left is
steady noise, or else less above 8 kHz than was ever heard before: then other things may leak in.

In a capture of one track a player may damp an instrument so: there it must happen once only, and
come back so as well, or leave less hiss than ever before.

What this cannot see: the same on one track of several, where a pluck that is damped falls as
quickly; in a capture of one track, what stays away and leaves noise as loud as any hiss before;
programme that stops less than 20 dB over what is left, or 30 on one and two tracks.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._tape._at_once import HISS_DB, Moment, Moments
from checks.dropouts._tape._cut_off import leaves_less
from checks.dropouts._tape._findings import counted, made
from checks.dropouts._tape._floors import LevelHistory, together_db
from checks.dropouts._tape._motion import Course
from checks.model import Finding, Remedy, Value, Verdict, rounded

Levels = NDArray[np.float64]

STOPS_DB: Final = 20.0
"""In the mean of the tracks. Own trials on programme of many kinds: 13 on four, 29 on two."""

_OF_TWO_DB: Final = 30.0

_NOISE_DB: Final = 3.0  # all that steady noise moves by itself from entry to entry (own trials: 2)
_ZEROS_DB: Final = -145.0  # all bands together: zeros read less, the quietest converter more
_TONE_DB: Final = 0.5  # a generator's tone moves by less (own trials on tape: 0.3)
_TONE: Final = 16  # entries: some 1.5 s
_LEAST: Final = 4  # entries of noise up to the end: shorter, and the capture was stopped there
_SELDOM_S: Final = 2.0  # programme that is made of stops does so more often (from memory)


def stopped(
    history: LevelHistory,
    way: Course,
    tracks: Sequence[int],
    sound: Moments,
    *,
    hop: int,
    frames: int,
    rate_hz: int,
    told: Sequence[Finding],
) -> list[Finding]:
    """Where all of these tracks stop, to the end or for a while.

    Args:
        sound: moments of the whole sound.
        hop: frames; ``frames``: length of the capture.
        told: what is known of the tracks already.
    """
    levels = together_db(history.mean_db[:, list(tracks)])
    least_db = STOPS_DB if len(tracks) > 2 else _OF_TWO_DB
    found = []
    for number, one in enumerate(sound.found):
        if one.fall_db < least_db or not _plays(levels, way, one, history.entry_hops):
            continue
        back = next((m for m in sound.found[number + 1 :] if m.fall_db <= -least_db), None)
        entry = one.hop // history.entry_hops
        alone = len(tracks) == 1
        once = not alone or not any(m.fall_db >= least_db for m in sound.found if m != one)
        if once and all(leaves_less(history, way, k, entry) for k in tracks):
            back = None  # what leaks in may come at once, too
            still = entry + _LEAST < history.entries - 1 and _is_noise(levels[:, entry + 1 : -1])
        else:
            still = once and (back is not None or not alone)
            still = still and _is_still(levels, one, back, history.entry_hops)
        if still:
            found.append((one, back))
    found = _unheard(together_db(history.low_db[:, list(tracks)]), found, history.entry_hops)
    if len(found) * _SELDOM_S * rate_hz > max(frames, 2 * _SELDOM_S * rate_hz):
        return []
    lost = [
        _finding(_falling(levels, tracks, one, history.entry_hops), one, back, hop, frames, rate_hz)
        for one, back in found
    ]
    lost = [f for f in lost if not any(_tells(t, f, set(f.tracks)) for t in told)]
    return [counted(f, len(lost), len(lost)) for f in lost]


def _falling(levels: Levels, tracks: Sequence[int], one: Moment, entry_hops: int) -> list[int]:
    """The tracks that fall in a moment; others may rest just then. All where none is heard to."""
    entry = one.hop // entry_hops
    behind = levels[:, min(entry + 1, levels.shape[1] - 1)]
    fell = levels[:, max(entry - 1, 0)] - behind >= HISS_DB
    return [k for k, down in zip(tracks, fell, strict=True) if down] or list(tracks)


def _plays(levels: Levels, way: Course, one: Moment, entry_hops: int) -> bool:
    """Whether it is programme that stops, and the tape was thought to run."""
    entry = one.hop // entry_hops
    before = levels[:, max(0, entry - _TONE) : entry]
    if before.shape[1] < 2 or not way.running[max(0, entry - 1) : entry + 2].all():
        return False
    tones = np.ptp(before, axis=1) < _TONE_DB
    return bool(2 * np.count_nonzero(tones) <= len(tones))


def _is_still(levels: Levels, one: Moment, back: Moment | None, entry_hops: int) -> bool:
    """Whether nothing but steady noise is left from one moment to the other, or to the end."""
    first = one.hop // entry_hops + 1
    last = back.hop // entry_hops if back else levels.shape[1] - 1  # the last may hold little
    left = levels[:, first:last]
    if not left.size:
        return back is not None
    if back is None and left.shape[1] < _LEAST:
        return False
    return bool((np.ptp(left, axis=1) <= _NOISE_DB).all()) and _is_noise(left)


def _is_noise(left: Levels) -> bool:
    """Whether there is always something, be it a converter's noise: zeros are told as such."""
    return bool((left > _ZEROS_DB).all())


def _unheard(
    lows: Levels, found: Sequence[tuple[Moment, Moment | None]], entry_hops: int
) -> list[tuple[Moment, Moment | None]]:
    """Those that leave less than is heard of all tracks anywhere else: rests are no loss."""
    stops = [back.hop // entry_hops + 1 if back else lows.shape[1] for _, back in found]
    places = [slice(one.hop // entry_hops, b) for (one, _), b in zip(found, stops, strict=True)]
    elsewhere = np.ones(lows.shape[1], np.bool_)
    for place in places:
        elsewhere[place] = False
    out = []
    for pair, place in zip(found, places, strict=True):
        left = lows[:, place].min(axis=1, keepdims=True) + _NOISE_DB
        if np.count_nonzero((lows <= left).all(axis=0) & elsewhere) <= 1:
            out.append(pair)
    return out


def _tells(told: Finding, lost: Finding, tracks: set[int]) -> bool:
    """Whether a finding tells of the same place on all of the tracks."""
    first, start = told.start_frame or 0, lost.start_frame or 0
    stop = start + (lost.frames or 0)
    overlaps = first < stop and start < first + (told.frames or 0)
    return overlaps and tracks <= set(told.tracks) and told.verdict is not Verdict.CLEAR


def _finding(
    tracks: Sequence[int], one: Moment, back: Moment | None, hop: int, frames: int, rate_hz: int
) -> Finding:
    start, stop = one.hop * hop, back.hop * hop if back else frames
    long_s = (stop - start) / rate_hz
    how = (
        f"and comes back in one moment after {long_s:.2f} s: the signal was gone"
        if back
        else "and up to the end there is nothing but noise, or what leaks in: the signal was lost, "
        "switched off or unplugged, or the tape was cut off there"
    )
    text = (
        f"All programme that plays stops in one moment, by {one.fall_db:.0f} dB, {how}. "
        "Listen, and look at cables and power."
    )
    values: dict[str, Value] = {
        "programme_fall_db": rounded(one.fall_db, 1),
        "length_s": round(long_s, 2),
    }
    verdict, remedy = Verdict.LISTEN, Remedy.REPLAY
    return made("signal-lost", verdict, remedy, tuple(tracks), start, stop, text, values)
