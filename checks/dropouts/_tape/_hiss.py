"""The hiss of each track, and whether it behaves as the hiss of a tape.

The hiss is the lowest level that a band keeps steadily. Music that comes and goes has such a
level, too, by chance. A tape's is told from it by what it does: all bands are down to it at the
same time, in rests, again and again; little lies under it but lifts; and it is no quieter than
any tape can be.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._tape._bands import BODY, HISS, Floats
from checks.dropouts._tape._breath import RESTS_DB, rests_or_moves
from checks.dropouts._tape._decoded import is_heard, raised_db
from checks.dropouts._tape._floors import (
    CHANGE_DB,
    ENTRY_HOPS,
    LOW_MEAN_DB,
    STEADY_DB,
    LevelHistory,
    clear_of_leaks,
    keeps_to,
    plateau,
)
from checks.dropouts._tape._lasting import Fall
from checks.dropouts._tape._losses import lost_there
from checks.dropouts._tape._motion import MOST_HISS_DB, Course

_SPAN_ENTRIES: Final = 260  # some 24 s either side
_PLAIN_ENTRIES: Final = 4  # that show the hiss plainly: some 0.4 s
_UNDER_DB: Final = 3.0  # clearly less than the hiss
_HEARD_ENTRIES: Final = 8  # that keep to the hiss in all bands at once: some 0.75 s
_STEADY: Final = 0.6  # of the entries, from which what is louder than hiss is no music
_TAPE_DB: Final = -110.0  # a band; 15 dB under decoded noise reduction (common practice)
_ALIKE_DB: Final = 12.0  # tracks of one tape differ by a few dB, gains by some more (own trials)


class Hiss:
    """What is known of the capture's hiss; levels in dB, full scale 1.0."""

    def __init__(
        self,
        history: LevelHistory,
        course: Course,
        falls: Sequence[Fall],
        *,
        least_db: float = _TAPE_DB,
    ) -> None:
        self._least_db = least_db
        self._history = history
        self._course = course
        # What lies within a lasting fall is not measured by the hiss outside it.
        self._regions = np.zeros((len(course.hiss_db), history.entries), np.int32)
        for number, fall in enumerate(falls):
            self._regions[fall.track, fall.first : fall.last] = number + 1
        self._lowest: dict[tuple[int, int], Floats] = {}
        scale = ENTRY_HOPS / history.entry_hops  # of a long capture, entries are longer
        self._span = max(_PLAIN_ENTRIES, round(_SPAN_ENTRIES * scale))
        self._least = max(_PLAIN_ENTRIES, round(_HEARD_ENTRIES * scale))

    @property
    def running(self) -> NDArray[np.bool_]:
        """Where the tape runs, (entries,)."""
        return self._course.running

    @property
    def programme(self) -> NDArray[np.bool_]:
        """Where each track plays, (tracks, entries)."""
        return self._course.programme

    def level(self, track: int, first: int, last: int) -> Floats:
        """Hiss of a track around some entries, dB a band; NaN where it is not heard plainly.

        The lowest level that is kept steadily for some entries within half a minute, and not
        far over the lowest of the whole stretch: music that is held may be steady, but the hiss
        lies under it.
        """
        level = self._floor(track, self._near(track, first, last))
        region = self._region(track, first)
        lowest = self._whole(track, region)
        if last - first >= _PLAIN_ENTRIES:  # so long that it may be the lowest itself
            same = self._course.running & (self._regions[track] == region)
            same[first:last] = False
            lowest = self._floor(track, np.flatnonzero(same))
        return np.asarray(np.fmin(level, lowest + np.float32(CHANGE_DB)), np.float32)

    def lowest(self, track: int) -> Floats:
        """The lowest hiss of a track outside lasting falls, dB a band, or NaN."""
        return self._whole(track, 0)

    def beside(self, track: int, first: int, last: int) -> Floats:
        """The same but for some entries, from the first to the last, not included."""
        apart = self._course.running & (self._regions[track] == 0)
        apart[first:last] = False
        return self._floor(track, np.flatnonzero(apart))

    def mean(self, track: int) -> float:
        """The lowest hiss of a track outside lasting falls, mean of its bands; NaN unheard."""
        level = self._whole(track, 0)
        heard = level[np.isfinite(level)]
        return float(heard.mean()) if len(heard) >= 3 else float("nan")

    def of_tape(
        self, track: int, first: int, last: int, level: Floats, bands: Sequence[int]
    ) -> bool:
        """Whether ``level``, in these bands, behaves as a tape's hiss around some entries.

        Asked of the half minute on either side; where it never rests, of the whole stretch.
        """
        chosen = list(bands)
        if float(level[chosen].mean()) < max(_TAPE_DB, self._least_db):
            return False
        if self._kept(track, self._near(track, first, last), level, chosen):
            return True
        here = self._region(track, first)
        whole = np.flatnonzero(self._course.running & (self._regions[track] == here))
        return self._kept(track, whole, self._whole(track, here), chosen)

    def stays(
        self,
        track: int,
        first: int,
        last: int,
        level: Floats,
        bands: Sequence[int],
        body_db: float,
    ) -> bool:
        """Whether ``level`` is heard elsewhere, too, when the body is no louder than ``body_db``.

        Hiss that keeps its level there is not moved by a decoder.
        """
        apart = self._elsewhere(track, first, last)
        return is_heard(self._history, track, apart, level, bands, body_db)

    def raised_db(
        self, track: int, first: int, last: int, level: Floats, body_db: float
    ) -> float | None:
        """How far a decoder lets up hiss of ``level`` under programme of ``body_db``, if it does.

        Asked of the rest of the stretch; not where that level is not a tape's.
        """
        heard = np.flatnonzero(np.isfinite(level[HISS:])) + HISS
        if not len(heard) or not self.of_tape(track, first, last, level, heard.tolist()):
            return None
        apart = self._elsewhere(track, first, last)
        return raised_db(self._history, track, apart, level, body_db)

    def _elsewhere(self, track: int, first: int, last: int) -> NDArray[np.bool_]:
        """The other entries of the stretch that some lie in, (entries,)."""
        here = self._regions[track] == self._region(track, first)
        apart: NDArray[np.bool_] = self._course.running & here
        apart[first:last] = False
        return apart

    def share_near(self, track: int, plays: NDArray[np.bool_], over_db: float, bands: int) -> float:
        """Share of the entries with programme in which some bands lie near the lowest hiss.

        Args:
            plays: entries with programme, (entries,).
            over_db: as near as that; ``bands``: so many of them. 1.0 where nothing plays.
        """
        entries = np.flatnonzero(plays & self._course.running)
        mean = self._history.mean_db[HISS:, track][:, entries].astype(np.float32)
        near = (mean <= self.lowest(track)[HISS:, None] + over_db).sum(axis=0) >= bands
        return float(near.mean()) if len(near) else 1.0

    def is_lost(self, fall: Fall) -> bool:
        """Whether a fall is to less than the hiss of its track, which is heard again behind it."""
        runs = np.flatnonzero(self._course.running)
        low = self._history.low_db[:, fall.track, runs].astype(np.float32)
        mean = self._history.mean_db[:, fall.track, runs].astype(np.float32)
        within = (runs >= fall.first) & (runs < fall.last)
        return 2 * int(np.count_nonzero(lost_there(low, mean)[within])) > int(within.sum())

    def like_others(self, track: int, tracks: Sequence[int]) -> bool:
        """Whether some other track hisses about as much, or none is heard: the same tape."""
        own = self.mean(track)
        others = [db for db in (self.mean(k) for k in tracks if k != track) if np.isfinite(db)]
        return not others or min(abs(db - own) for db in others) <= _ALIKE_DB

    def _kept(
        self, track: int, entries: NDArray[np.int64], level: Floats, bands: Sequence[int]
    ) -> bool:
        """Whether the bands rest at their level together, and more often than under it."""
        low = self._history.low_db[bands, track][:, entries].astype(np.float32)
        mean = self._history.mean_db[bands, track][:, entries].astype(np.float32)
        over = low - LOW_MEAN_DB - level[bands][:, None]
        body = self._history.low_db[BODY, track][entries].astype(np.float32)
        loudest = float(level[bands].max())
        together = keeps_to(over, mean - low, body <= loudest + RESTS_DB).all(axis=0)
        rests = int(np.count_nonzero(together))
        under = int(np.count_nonzero(over.mean(axis=0) < -_UNDER_DB))
        if float(level[bands].mean()) > MOST_HISS_DB and rests < _STEADY * len(entries):
            return False  # noise that is played, now louder, now softer
        if not rests_or_moves(body[together], loudest):
            return False  # the breath of what is played
        return rests >= max(self._least, under)

    def _region(self, track: int, entry: int) -> int:
        region = self._regions[track]
        return int(region[min(entry, len(region) - 1)])

    def _near(self, track: int, first: int, last: int) -> NDArray[np.int64]:
        """Entries around some, these left out, of the same stretch and with the tape running."""
        region = self._regions[track]
        near = np.arange(max(0, first - self._span), min(self._history.entries, last + self._span))
        near = near[((near < first) | (near >= last))]
        near = near[region[near] == self._region(track, first)]
        running: NDArray[np.int64] = near[self._course.running[near]]
        return running

    def _whole(self, track: int, region: int) -> Floats:
        """The lowest hiss of a stretch of a track."""
        if (track, region) not in self._lowest:
            same = np.flatnonzero(self._course.running & (self._regions[track] == region))
            self._lowest[track, region] = self._floor(track, same)
        return self._lowest[track, region]

    def _floor(self, track: int, entries: NDArray[np.int64]) -> Floats:
        low = self._history.low_db[:, track, entries].astype(np.float32)
        mean = self._history.mean_db[:, track, entries].astype(np.float32)
        level = np.full(len(low), np.nan, np.float32)
        steady = (mean - low <= STEADY_DB) & clear_of_leaks(low, mean)
        steady &= ~lost_there(low, mean)
        for band in range(HISS, len(low)):
            found = plateau(low[band][steady[band]], _PLAIN_ENTRIES)
            if found is not None:
                level[band] = found - LOW_MEAN_DB
        return level
