"""Decides which candidates were lifts of the tape, once the whole capture is known.

A lift is proven by what no music does: the hiss itself is less than the steady hiss of the same
track within half a minute, and that hiss behaves as a tape's (``_hiss``); without it a fall of
the treble is music. Its shape tells the two kinds apart. Where the tape leaves the head the loss
grows with frequency, 54.6 dB x distance / wavelength (spacing loss, 20 log10 e^(2 pi);
reference texts on magnetic recording), so that the body of the sound stays; a dip that takes
all frequencies alike is a thin or missing coat.

What this cannot see: a lift on a track without such hiss; a lift under programme so bright that
no band above 8 kHz comes down to the hiss; one at a level of hiss that the converter or the
amplifier covers; one of less than the limits. A decoder of noise reduction pulls the hiss down as
the programme falls (``_decoded``): where one is in use, or may be, the hiss must be heard as before
elsewhere where the body of the sound is no louder, or fall under what it is elsewhere under
programme as loud, which asks for no more than to listen; nor is anything called worse than
``listen`` unless programme plays on through it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._tape._bands import BODY, EDGE, HISS, FilterBank, Floats
from checks.dropouts._tape._contact import Candidate, evidence
from checks.dropouts._tape._crests import PRESSED
from checks.dropouts._tape._floors import LevelHistory, decibels
from checks.dropouts._tape._hiss import Hiss
from checks.dropouts._tape._motion import Course
from checks.dropouts._tape._spacing import APART_DB, as_the_body
from checks.dropouts._tape._stretches import spans
from checks.sheet import NoiseReduction

NO_WITNESS_HZ: Final = 25_000.0
"""From here on the electronics may lie over the hiss, which then cannot fall (own trials)."""

_PROOF: Final = 22.0  # nats; clean programme of many kinds reached 16 (own trials)
_SHARED: Final = 9.0  # nats, for a track beside one that has proof
_STRONG: Final = 40.0  # nats, for what asks for another playing
_FALL_DB: Final = 2.0  # a band that fell at all
_STAYED_DB: Final = 1.5  # a band that did not
_FLAT: Final = 0.3  # of the fall: how far the bands may differ in a dip of the whole level
_EVEN: Final = 0.15  # the same where the body is covered: a spacing loss differs by far more
_SHARE: Final = 0.5  # of the fall, in the body: more than a spacing loss takes there
_FAR_DB: Final = 15.0  # in the body: 70 um at 38 cm/s, further than tape is lifted (from memory)
_FLOOR_DB: Final = (7.0, 14.0)  # where amplifiers lie under the hiss (common practice: 8 to 12)
_MOVES_DB: Final = 10.0  # by which noise that moves may fall, chance included (own trials: 8)
_BODY: Final = 0.35  # of the loss at 10 kHz: more than a spacing loss takes from 1.4 kHz
_LIMITER: Final = 0.5  # of it, where too little is seen: what ducks with the body is a limiter's
_WAVES: Final = 2  # falls that may come of dirt, within the time of a few waves of a bass, some
_WAVES_S: Final = 0.1  # at 25 Hz and more (from memory)
_CHANCE: Final = 2.0  # standard deviations by which one of some bands may fall too far
_MARGIN_DB: Final = 2.0  # by which chance may deepen one band's fall
_SIDES_DB: Final = -4.0  # from the hiss: less beside a lift, and it does not begin at the hiss
_PLAYS_DB: Final = 8.0  # over the quietest: the body plays


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """A proven fall of the hiss on one track.

    Attributes:
        start, hops: place in hops.
        fall_db: of the hiss bands that fell.
        loss_db: estimate of the loss at 10 kHz, from below; programme that sinks by itself may
            make it too high.
        least_db: what the hiss alone shows of it, at least: no programme is in that.
        body_db: how far the body fell (None where nothing played).
        flat: all frequencies alike.
        even: the hiss alike in all its bands, and further than to an amplifier's noise; what the
            body does may be hidden.
        sunk: nothing is left of the body, which therefore does not show how it fell.
        rises: the fall grows with the frequency, as behind a gap.
        whole: what is heard of the body in a rest falls by about as much.
        moves: less than to an amplifier's noise, in all bands alike and without the body: as the
            noise falls that a loud sound itself makes on tape.
        follows: the body falls as well in the midst of it, by more than behind a gap: noise that a
            sound moves goes with it there, though the mean over the place be as beside it.
        nats: evidence against chance.
        sure: enough for a ``redo``: programme was lost, and nothing else explains it.
        sinks: from what some programme lets the hiss up to, to no less than it is in rests.
    """

    track: int
    start: int
    hops: int
    fall_db: float
    loss_db: float
    least_db: float
    body_db: float | None
    flat: bool
    even: bool
    sunk: bool
    rises: bool
    whole: bool
    moves: bool
    follows: bool
    nats: float
    sure: bool
    sinks: bool = False

    @property
    def shallow(self) -> bool:
        """Whether noise that moves with the sound may fall so."""
        return self.fall_db < _MOVES_DB and not (self.flat or self.whole)


class Judge:
    """Holds what is known of the capture's hiss."""

    def __init__(
        self,
        bank: FilterBank,
        history: LevelHistory,
        course: Course,
        reduction: NoiseReduction,
        limits: DropoutsLimits,
        hiss: Hiss,
        judged: Sequence[int],
    ) -> None:
        self._bank = bank
        self._history = history
        self._course = course
        self._limits = limits
        self._hiss = hiss
        self._judged = judged
        self._least_db = min(limits.contact_loss_db, limits.level_dip_db)
        self._plain = reduction in (NoiseReduction.NONE, NoiseReduction.ENCODED)
        # Too short to be told as a stretch without tape: what falls there on all tracks lifts.
        self._passes = course.running.copy()
        most = limits.no_tape_s * bank.rate_hz / (history.entry_hops * bank.hop)
        for first, last in spans(~course.running):
            if last - first < most and first > 0 and last < history.entries:
                self._passes[first:last] = True

    def lifts(self, candidates: Sequence[Candidate]) -> list[tuple[Candidate, Lift]]:
        """What is proven, without what the noise of the tape does all along.

        On tape, sound makes noise that rises and falls with it (modulation noise: reference texts
        on magnetic recording); where it covers the hiss, it sinks between the waves of a bass. So
        shallow falls are no lifts where half of them, or more, are such; nor are those that end no
        lower than the hiss in rests, if shallow or with the sound, or on a track on which they come
        with every wave.
        """
        found = [(c, lift) for c in candidates if (lift := self.lift(c)) is not None]
        moves = [lift.moves for _, lift in found if lift.shallow]
        often = 2 * sum(moves) >= len(moves)
        found = [(c, lift) for c, lift in found if not (lift.shallow if often else lift.moves)]
        reach = _WAVES_S * self._bank.rate_hz / self._bank.hop
        sinks = [(lift.track, lift.start) for _, lift in found if lift.sinks]
        waves = {
            track
            for track, start in sinks
            if sum(k == track and abs(at - start) <= reach for k, at in sinks) > _WAVES
        }
        return [
            (c, lift)
            for c, lift in found
            if not (
                lift.sinks and (lift.follows or lift.fall_db < _FLOOR_DB[0] or lift.track in waves)
            )
        ]

    def lift(self, c: Candidate) -> Lift | None:
        """The verdict on one candidate; None where it proves nothing."""
        first = c.start // self._history.entry_hops
        last = (c.start + c.hops - 1) // self._history.entry_hops + 1
        around = slice(max(0, first - 1), last + 1)
        if c.silent or not self._passes[around].all():
            return None
        hiss = self._hiss.level(c.track, first, last)
        lift = self._from(c, first, last, hiss)
        if lift is None and not self._plain:
            softest = min(c.midst[BODY], c.before[c.track, BODY], c.after[c.track, BODY])
            body_db = 10.0 * float(np.log10(max(softest, 1e-16)))
            up_db = self._hiss.raised_db(c.track, first, last, hiss, body_db)
            if up_db is not None:
                lift = self._from(c, first, last, hiss + np.float32(up_db), moved=True)
                left = decibels(c.level[c.track]) - hiss
                if lift is not None and np.nanmean(left[HISS:]) > -_FALL_DB:
                    lift = replace(lift, sinks=True)
        return lift

    def _from(
        self, c: Candidate, first: int, last: int, hiss: Floats, *, moved: bool = False
    ) -> Lift | None:
        """The verdict on a fall from some hiss.

        Args:
            first, last: entries of the candidate.
            hiss: dB a band, NaN where it is not known.
            moved: a decoder lets it up under programme; in rests it is less.
        """
        level = decibels(c.level[c.track])
        beside = np.minimum(decibels(c.before[c.track]), decibels(c.after[c.track]))
        fall = hiss - level
        usable = [b for b in range(HISS, self._bank.bands) if np.isfinite(hiss[b])]
        fell = [b for b in usable if fall[b] > _FALL_DB]
        if not fell or self._contradicted(usable, fell, fall):
            return None
        if c.crests is not None:
            left = decibels(c.crests)[fell] - hiss[fell]
            if float(np.mean(10.0 ** (left / 10.0))) < PRESSED:
                return None
        nats, fall_db = self._evidence(fall, fell, c.inner, self._least_db)
        quiet = self._course.quiet_db[:, c.track]
        played = beside[BODY] > quiet[BODY] + _PLAYS_DB
        loss = np.maximum(beside, np.where(np.arange(len(hiss)) >= HISS, hiss, beside)) - level
        sides = float((beside - hiss)[fell].mean())
        even = fall_db >= _FLOOR_DB[1] and bool(
            (np.abs(loss[usable] - fall_db) <= _EVEN * fall_db).all()
        )
        midst = decibels(c.midst)
        tilt = self._bank.frequencies_hz / self._bank.frequencies_hz[BODY]
        left = midst - float(midst[fell].max())
        told = as_the_body(beside - midst, left, tilt)
        # Hiss that fell to the amplifier's noise says nothing of what fell.
        flat = not _FLOOR_DB[0] < fall_db < _FLOOR_DB[1] and bool(
            (np.abs(loss[:HISS] - fall_db) <= _FLAT * fall_db).all()
        )
        flat = flat or (even and (sides < _SIDES_DB or loss[BODY] > _SHARE * fall_db))
        far = played and float((beside - midst)[BODY]) > max(fall_db, _FAR_DB)
        flat = (flat or far) if told is None else told
        least = self._limits.level_dip_db if flat else self._limits.contact_loss_db
        if nats < _PROOF or fall_db < least:
            return None
        plays_on = bool(played and level[BODY] > quiet[BODY] + _PLAYS_DB)
        heard = [b for b in fell if self._bank.frequencies_hz[b] < NO_WITNESS_HZ] or fell
        if moved:
            if flat or sides < _SIDES_DB:  # programme that falls, and the hiss with it
                return None
        elif not self._hiss.of_tape(c.track, first, last, hiss, heard):
            return None
        elif not self._plain:
            # In a rest the body may dip as well: no decoder was asked for more than rests.
            body_db = float(max(midst[BODY], beside[BODY], quiet[BODY]))
            if not self._hiss.stays(c.track, first, last, hiss, fell, body_db):
                return None
        whole = bool(not played and loss[BODY] > _SHARE * fall_db)
        shallow = not (flat or whole) and fall_db < _FLOOR_DB[0]
        shallow = shallow and float(loss[:HISS].max()) <= fall_db + _MARGIN_DB
        # Each band gives a loss at 10 kHz; those that have reached the amplifier's noise give less.
        tilt = self._bank.frequencies_hz[EDGE:] / 10_000.0
        loss_db = fall_db if flat else float(np.nanmax((loss[EDGE:] - _MARGIN_DB) / tilt))
        if nats < _STRONG and played and not flat and loss[BODY] > _LIMITER * max(loss_db, 10.0):
            return None
        # A wide gap takes more of the body than that, and leaves but noise above it.
        wide = told is False and bool((left[EDGE:] < APART_DB).all())
        gap = wide or loss[BODY] <= _BODY * loss_db
        if moved and not gap:
            return None
        sure = nats >= _STRONG and len(fell) >= 3 and played and gap and sides >= _SIDES_DB
        return Lift(
            track=c.track,
            start=c.start,
            hops=c.hops,
            fall_db=fall_db,
            loss_db=max(loss_db, 0.0),
            least_db=fall_db if flat else self._least_loss(fall, usable, c.inner),
            body_db=float(loss[BODY]) if played else None,
            flat=bool(flat),
            even=even,
            sunk=bool(left[BODY] < APART_DB),
            rises=_rises(fall[usable] if played else loss[[EDGE, *usable]]),
            whole=whole,
            moves=shallow and not self._as_a_gap(fall, heard),
            follows=not wide and bool((beside - midst)[BODY] > _BODY * loss_db),
            nats=nats,
            sure=bool(
                sure
                and not moved
                and (self._plain or plays_on)
                and self._hiss.like_others(c.track, self._judged)
            ),
        )

    def _least_loss(self, fall: Floats, bands: Sequence[int], hops: int) -> float:
        """The least loss at 10 kHz that explains how the hiss falls in some bands, dB.

        Amplifiers lie 8 to 12 dB under the hiss (common practice), so that it may be far more. Of
        each band's fall is left out what chance deepens in noise of so many degrees of freedom:
        the level's standard deviation is 4.34 dB times the root of 2 over them.
        """
        dof = np.array([self._bank.dof([band]) for band in bands]) * max(hops, 1)
        chance = _CHANCE * 4.34 * np.sqrt(2.0 / dof)
        tilt = self._bank.frequencies_hz[list(bands)] / 10_000.0
        return max(0.0, float(((fall[list(bands)] - chance) / tilt).max()))

    def shares(self, c: Candidate, track: int) -> bool:
        """Whether another track falls with a candidate, too little to be proof by itself."""
        entry = c.start // self._history.entry_hops
        fall = self._hiss.level(track, entry, entry + 1) - decibels(c.level[track])
        fell = [b for b in range(HISS, self._bank.bands) if fall[b] > 0]  # NaN is not
        if len(fell) < 3:
            return False
        nats, fall_db = self._evidence(fall, fell, c.inner, _FALL_DB)
        return nats >= _SHARED and fall_db >= _FALL_DB

    def _evidence(
        self, fall: Floats, fell: Sequence[int], hops: int, least_db: float
    ) -> tuple[float, float]:
        """Nats against chance and mean fall of the bands that speak most clearly together.

        Of those sets that fall by ``least_db`` in the mean: programme may lie over the hiss of
        others and leave but a part of their fall.
        """
        best = (0.0, 0.0)
        deepest = sorted(fell, key=lambda band: -float(fall[band]))
        for count in range(1, len(deepest) + 1):
            ratio = float(np.mean(10.0 ** (-fall[deepest[:count]] / 10.0)))
            nats = evidence(ratio, self._bank.dof(deepest[:count]) * hops)
            fall_db = -10.0 * float(np.log10(ratio))
            if fall_db >= least_db:
                best = max(best, (nats, fall_db))
        return best

    def _as_a_gap(self, fall: Floats, bands: Sequence[int]) -> bool:
        """Whether a fall in some bands grows with the frequency at least half as a gap's does."""
        f = self._bank.frequencies_hz[bands]
        third = max(1, len(bands) // 3)
        grows = float(fall[bands][-third:].mean() - fall[bands][:third].mean())
        gap = float(fall[bands].mean() * (f[-third:].mean() - f[:third].mean()) / f.mean())
        return len(bands) < 3 or grows >= 0.5 * gap

    def _contradicted(self, usable: Sequence[int], fell: Sequence[int], fall: Floats) -> bool:
        """Whether the treble kept its hiss where lower bands lost theirs: no lift does that.

        A held chord that pauses does. Above 25 kHz the hiss may be the amplifier's: no witness.
        """
        f = self._bank.frequencies_hz
        above = [b for b in usable if max(15_000.0, f[max(fell)]) < f[b] < NO_WITNESS_HZ]
        return f[max(fell)] < 15_000.0 and bool(above) and bool((fall[above] < _STAYED_DB).all())


def _rises(fall: Floats) -> bool:
    """Whether the higher of some bands fall by more than the lower ones, where noise is in all."""
    third = max(1, len(fall) // 3)
    return bool(fall[-third:].mean() - fall[:third].mean() > _MARGIN_DB)
