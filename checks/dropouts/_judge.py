"""Decides which candidates were lifts of the tape, once the whole capture is known.

A lift is proven by what no music does: the hiss itself is less than the steady hiss of the same
track within half a minute. Its shape tells the two kinds apart. Where the tape leaves the head
the loss grows with frequency, 54.6 dB x distance / wavelength (spacing loss, 20 log10 e^(2 pi);
reference texts on magnetic recording), so that the body of the sound stays; a dip that takes
all frequencies alike is a thin or missing coat.

What this cannot see: a lift under programme so bright that no band above 8 kHz comes down to
the hiss; one at a level of hiss that the converter or the amplifier covers; one of less than the
limits. A decoded noise reduction pulls the hiss down in rests: where one is in use, or may be,
the bands must be steady beside the lift, or the body must play on through it, and nothing is
called worse than ``listen`` unless it does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._bands import BODY, EDGE, HISS, FilterBank, Floats
from checks.dropouts._contact import Candidate, evidence
from checks.dropouts._floors import (
    ENTRY_HOPS,
    LOW_MEAN_DB,
    STEADY_DB,
    LevelHistory,
    decibels,
    plateau,
)
from checks.dropouts._lasting import Fall
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._motion import Course
from checks.sheet import NoiseReduction

_PROOF: Final = 22.0  # nats; clean programme of many kinds reached 16 (own trials)
_SHARED: Final = 9.0  # nats, for a track beside one that has proof
_STRONG: Final = 40.0  # nats, for what asks for another playing
_BEYOND: Final = 60.0  # nats, where noise reduction may move the hiss
_SPAN_ENTRIES: Final = 260  # some 24 s either side
_PLAIN_ENTRIES: Final = 4  # that show the hiss plainly: some 0.4 s
_CHANGE_DB: Final = 3.0  # between stretches of one capture: bulk-erased tape (common practice)
_FALL_DB: Final = 2.0  # a band that fell at all
_STAYED_DB: Final = 1.5  # a band that did not
_FLAT: Final = 0.3  # of the fall: how far the bands may differ in a dip of the whole level
_FLOOR_DB: Final = (7.0, 14.0)  # where amplifiers lie under the hiss (common practice: 8 to 12)
_BODY: Final = 0.35  # of the loss at 10 kHz: more than a spacing loss takes from 1.4 kHz
_BESIDE_DB: Final = 2.5  # from the hiss: steady beside the lift
_MARGIN_DB: Final = 2.0  # by which chance may deepen one band's fall
_PLAYS_DB: Final = 8.0  # over the quietest: the body plays


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """A proven fall of the hiss on one track.

    Attributes:
        start, hops: place in hops.
        fall_db: of the hiss bands that fell.
        loss_db: estimate of the loss at 10 kHz, from below.
        body_db: how far the body fell (None where nothing played).
        flat: all frequencies alike.
        nats: evidence against chance.
        sure: enough for a ``redo``: programme was lost, and nothing else explains it.
    """

    track: int
    start: int
    hops: int
    fall_db: float
    loss_db: float
    body_db: float | None
    flat: bool
    nats: float
    sure: bool


class Judge:
    """Holds what is known of the capture's hiss."""

    def __init__(
        self,
        bank: FilterBank,
        history: LevelHistory,
        course: Course,
        reduction: NoiseReduction,
        limits: DropoutsLimits,
        falls: Sequence[Fall],
    ) -> None:
        self._bank = bank
        self._history = history
        self._course = course
        self._limits = limits
        # What lies within a lasting fall is not measured by the hiss outside it.
        self._regions = np.zeros((len(course.hiss_db), history.entries), np.int32)
        for number, fall in enumerate(falls):
            self._regions[fall.track, fall.first : fall.last] = number + 1
        self._lowest: dict[tuple[int, int], Floats] = {}
        self._plain = reduction in (NoiseReduction.NONE, NoiseReduction.ENCODED)

    def hiss(self, track: int, first: int, last: int) -> Floats:
        """Hiss of a track around some entries, dB a band; NaN where it is not heard plainly.

        The lowest level that is kept steadily for some entries within half a minute, and not
        far over the lowest of the whole stretch: music that is held may be steady, but the hiss
        lies under it.
        """
        region = self._regions[track]
        here = int(region[min(first, len(region) - 1)])
        span = max(_PLAIN_ENTRIES, _SPAN_ENTRIES * ENTRY_HOPS // self._history.entry_hops)
        near = np.arange(max(0, first - span), min(self._history.entries, last + span))
        near = near[((near < first) | (near >= last)) & (region[near] == here)]
        level = self._floor(track, near[self._course.running[near]])
        if (track, here) not in self._lowest:
            same = np.flatnonzero(self._course.running & (region == here))
            self._lowest[track, here] = self._floor(track, same)
        lowest = self._lowest[track, here] + np.float32(_CHANGE_DB)
        return np.asarray(np.fmin(level, lowest), np.float32)

    def mean_hiss(self, track: int) -> float:
        """The lowest hiss of a track outside lasting falls, mean of its bands; NaN unheard."""
        here = np.flatnonzero(self._course.running & (self._regions[track] == 0))
        level = self._floor(track, here)
        heard = level[np.isfinite(level)]
        return float(heard.mean()) if len(heard) >= 3 else float("nan")

    def _floor(self, track: int, entries: NDArray[np.int64]) -> Floats:
        low = self._history.low_db[:, track, entries].astype(np.float32)
        mean = self._history.mean_db[:, track, entries].astype(np.float32)
        level = np.full(self._bank.bands, np.nan, np.float32)
        for band in range(HISS, self._bank.bands):
            steady = mean[band] - low[band] <= STEADY_DB
            found = plateau(low[band][steady], _PLAIN_ENTRIES)
            if found is not None:
                level[band] = found - LOW_MEAN_DB
        return level

    def lift(self, c: Candidate) -> Lift | None:
        """The verdict on one candidate; None where it proves nothing."""
        first = c.start // self._history.entry_hops
        last = (c.start + c.hops - 1) // self._history.entry_hops + 1
        around = slice(max(0, first - 1), last + 1)
        if c.silent or not self._course.running[around].all():
            return None
        hiss = self.hiss(c.track, first, last)
        level = decibels(c.level[c.track])
        beside = np.minimum(decibels(c.before[c.track]), decibels(c.after[c.track]))
        fall = hiss - level
        usable = [b for b in range(HISS, self._bank.bands) if np.isfinite(hiss[b])]
        fell = [b for b in usable if fall[b] > _FALL_DB]
        if not fell or self._contradicted(usable, fell, fall):
            return None
        nats, fall_db = self._evidence(fall, fell, c.inner)
        quiet = self._course.quiet_db[:, c.track]
        played = beside[BODY] > quiet[BODY] + _PLAYS_DB
        loss = np.maximum(beside, np.where(np.arange(len(hiss)) >= HISS, hiss, beside)) - level
        flat = self._flat(loss, fall_db, beside - hiss)
        least = self._limits.level_dip_db if flat else self._limits.contact_loss_db
        if nats < _PROOF or fall_db < least:
            return None
        plays_on = bool(played and level[BODY] > quiet[BODY] + _PLAYS_DB and not flat)
        steady = all(abs(float(beside[b] - hiss[b])) < _BESIDE_DB for b in fell)
        if not (self._plain or plays_on or steady or (nats >= _BEYOND and len(fell) >= 3)):
            return None
        # Each band gives a loss at 10 kHz; those that have reached the amplifier's noise give less.
        tilt = self._bank.frequencies_hz[EDGE:] / 10_000.0
        loss_db = fall_db if flat else float(np.nanmax((loss[EDGE:] - _MARGIN_DB) / tilt))
        sure = nats >= _STRONG and len(fell) >= 3 and played and loss[BODY] <= _BODY * loss_db
        return Lift(
            track=c.track,
            start=c.start,
            hops=c.hops,
            fall_db=fall_db,
            loss_db=max(loss_db, 0.0),
            body_db=float(loss[BODY]) if played else None,
            flat=bool(flat),
            nats=nats,
            sure=bool(sure and (self._plain or plays_on)),
        )

    def shares(self, c: Candidate, track: int) -> bool:
        """Whether another track falls with a candidate, too little to be proof by itself."""
        entry = c.start // self._history.entry_hops
        fall = self.hiss(track, entry, entry + 1) - decibels(c.level[track])
        fell = [b for b in range(HISS, self._bank.bands) if fall[b] > 0]  # NaN is not
        if len(fell) < 3:
            return False
        nats, fall_db = self._evidence(fall, fell, c.inner)
        return nats >= _SHARED and fall_db >= _FALL_DB

    def _evidence(self, fall: Floats, fell: Sequence[int], hops: int) -> tuple[float, float]:
        """Nats against chance and mean fall of the bands that speak most clearly together."""
        best = (0.0, 0.0)
        deepest = sorted(fell, key=lambda band: -float(fall[band]))
        for count in range(1, len(deepest) + 1):
            ratio = float(np.mean(10.0 ** (-fall[deepest[:count]] / 10.0)))
            nats = evidence(ratio, self._bank.dof(deepest[:count]) * hops)
            best = max(best, (nats, -10.0 * float(np.log10(ratio))))
        return best

    def _flat(self, loss: Floats, fall_db: float, over: Floats) -> bool:
        """Whether all frequencies fell alike, as far as the amplifier's noise lets it be seen.

        Hiss that has fallen to that noise says nothing: then the programme over it must tell.
        """
        alike = np.abs(loss[:HISS] - fall_db) <= _FLAT * fall_db
        clear = (over[EDGE:] > _PLAYS_DB) & (np.abs(loss[EDGE:] - loss[BODY]) <= _FLAT * fall_db)
        open_ended = not _FLOOR_DB[0] < fall_db < _FLOOR_DB[1]
        return bool(alike.all()) and (open_ended or bool(clear.sum() >= 2))

    def _contradicted(self, usable: Sequence[int], fell: Sequence[int], fall: Floats) -> bool:
        """Whether the treble kept its hiss where lower bands lost theirs: no lift does that.

        A held chord that pauses does. Above 25 kHz the hiss may be the amplifier's: no witness.
        """
        f = self._bank.frequencies_hz
        above = [b for b in usable if max(15_000.0, f[max(fell)]) < f[b] < 25_000.0]
        return f[max(fell)] < 15_000.0 and bool(above) and bool((fall[above] < _STAYED_DB).all())
