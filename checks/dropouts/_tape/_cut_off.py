"""Where programme stops within milliseconds, and what is left right behind it.

A decoded noise reduction takes the hiss down where nobody plays. It needs tens of milliseconds
for it (common practice), and never cuts programme: where 30 dB and more of programme go within
some 10 ms and the hiss with them, a signal was cut off.

Where all of a track goes so, what leaks into it from others may move on; but up to the end there is
less above 8 kHz than was ever heard of it, hiss and all.

What this cannot see: a signal cut off in a rest, or in programme less than 30 dB over what is left.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np

from checks.dropouts._tape._bands import BODY, HISS, Floats
from checks.dropouts._tape._floors import (
    ERASED_DB,
    LOW_MEAN_DB,
    NOTHING_DB,
    LevelHistory,
    decibels,
    together_db,
)
from checks.dropouts._tape._lasting import Fall
from checks.dropouts._tape._motion import Course

_LEAKS_DB: Final = 80.0
"""Under a loud tone, from where on what seems hiss may be what the bands' window leaks of it."""

LEAST_DB: Final = 30.0
"""More than any noise reduction takes (common practice: 10 to 24)."""

_SIDE_HOPS: Final = 16  # 6 ms: measured before and behind, and kept clear for the slope between
_FAINT: Final = np.float32(1e-12)  # -120 dB: less than any converter's noise
_DOWN_DB: Final = 2.0  # what the level of hiss in one side does by itself (own trials: 1)
_LISTED: Final = 16  # a track, the last ones: behind a signal that is lost nothing plays


@dataclass(frozen=True, slots=True, eq=False)
class CutOff:
    """Programme that stops.

    Attributes:
        hop: where, counted from the start of the capture.
        fall_db: how far the body of the sound falls.
        left_db: level of each hiss band right behind it, (bands from HISS on,).
    """

    hop: int
    fall_db: float
    left_db: Floats


class CutOffs:
    """The last places of each track at which programme stops."""

    def __init__(self, tracks: int) -> None:
        self._found: list[deque[CutOff]] = [deque(maxlen=_LISTED) for _ in range(tracks)]

    def look(self, energies: Floats, first: int, last: int, origin: int) -> None:
        """Look at hops ``first`` to ``last`` of ``energies``.

        Args:
            energies: (bands, tracks, hops), with two sides and more around those where there are.
            origin: number of its hop 0 within the capture.
        """
        begin, end = max(first - _SIDE_HOPS, 0), min(last + 2 * _SIDE_HOPS, energies.shape[2])
        if end - begin < 3 * _SIDE_HOPS:
            return
        level = energies[BODY, :, begin:end] / np.float32(_SIDE_HOPS)
        for half in (1, 2, 4, 8):
            level = level[:, :-half] + level[:, half:]
        before, behind = level[:, : -2 * _SIDE_HOPS], level[:, 2 * _SIDE_HOPS :]
        falls = before > np.maximum(behind, _FAINT) * np.float32(10 ** (0.1 * LEAST_DB))
        for track in np.flatnonzero(falls.any(axis=1)):
            at = np.flatnonzero(falls[track])
            for run in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1):
                fall_db = decibels(before[track, run]) - decibels(behind[track, run])
                steepest = int(np.argmax(fall_db))
                hop = begin + int(run[steepest]) + _SIDE_HOPS
                left = energies[HISS:, track, hop + _SIDE_HOPS : hop + 2 * _SIDE_HOPS]
                left_db = decibels(left.mean(axis=1))
                one = CutOff(origin + hop, float(fall_db[steepest]), left_db)
                self._found[track].append(one)

    def only(self, track: int, entry_hops: int) -> int | None:
        """The entry in which programme of a track stops, where it does so once and no more."""
        entries = [one.hop // entry_hops for one in self._found[track]]
        return entries[-1] if entries and entries[-1] - entries[0] <= 1 else None

    def at(self, fall: Fall, history: LevelHistory, way: Course) -> float:
        """How much programme stops just where a lasting fall begins, dB; 0 where none does.

        Nor does any where the hiss is down only later.
        """
        heard = np.isfinite(fall.after[HISS:])
        after_db = (fall.after[HISS:] - LOW_MEAN_DB)[heard]
        return max(
            (
                one.fall_db
                for one in self._found[fall.track]
                if abs(one.hop // history.entry_hops - fall.first) <= 1
                and (
                    (one.left_db[heard] - after_db).mean() <= _DOWN_DB
                    or _leaves_less_at_once(one, history, way, fall.track)
                )
            ),
            default=0.0,
        )


def leaves_less(history: LevelHistory, way: Course, track: int, entry: int) -> bool:
    """Whether there is less hiss behind an entry, to the end, than ever before on the tape."""
    left = together_db(history.mean_db[HISS:, track, entry + 1 :])
    return bool(len(left)) and bool(left.max() < _less_db(history, way, track, entry))


def _leaves_less_at_once(one: CutOff, history: LevelHistory, way: Course, track: int) -> bool:
    """The same, and right behind what stops: a decoder would still let the hiss be heard."""
    entry = one.hop // history.entry_hops
    left_db = 10.0 * np.log10((10.0 ** (one.left_db / 10.0)).sum())
    at_once = bool(left_db < _less_db(history, way, track, entry))
    return at_once and leaves_less(history, way, track, entry)


def _less_db(history: LevelHistory, way: Course, track: int, entry: int) -> float:
    """What is under all hiss of a track before an entry, dB, bands together; -inf if unheard."""
    last = max(0, entry - 1)
    before = together_db(history.mean_db[HISS:, track, :last])[way.running[:last]]
    whole = together_db(history.mean_db[:, track, :last])[way.running[:last]]
    before = before[before > np.maximum(whole - _LEAKS_DB, NOTHING_DB)]
    return float(before.min()) - ERASED_DB if len(before) else -np.inf
