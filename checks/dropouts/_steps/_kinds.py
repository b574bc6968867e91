"""What one place is: wrong word, hold, swap, foreign samples, cut, or nothing.

Each kind is tried in the order of how much it explains. A jump becomes a finding only where both
sides of it fit themselves to the sample, which attacks, splices, relays and clicks do not:
splices are spread over many frames, and whatever rings, rings on.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from checks.dropouts import _junction
from checks.dropouts import _sentences as tell
from checks.dropouts._junction import Break, Junction
from checks.dropouts._limits import NEARLY, DropoutsLimits
from checks.dropouts._steps import _burst, _causes, _slope, _turns, _white
from checks.dropouts._steps._beside_tops import witnesses
from checks.dropouts._steps._between import Betweens
from checks.dropouts._steps._clock import Clocks
from checks.dropouts._steps._doubts import SHARP, Doubts
from checks.dropouts._steps._goes_on import GoesOn
from checks.dropouts._steps._held import held
from checks.dropouts._steps._longer import Longer, LongLooks
from checks.dropouts._steps._one_programme import LATER, SEVERAL, on_one, on_several, sharp
from checks.dropouts._steps._one_source import one_source
from checks.dropouts._steps._place import NEWS, Place
from checks.dropouts._steps._put_in import TRACKS, PutIn
from checks.dropouts._steps._recoded import Recoded
from checks.dropouts._steps._seen import Seen
from checks.dropouts._steps._stand_in import StandIns
from checks.dropouts._steps._steep import Tape
from checks.dropouts._steps._swaps import Swaps
from checks.dropouts._steps._telling import Telling
from checks.dropouts._steps._words import Words
from checks.model import CaptureFormat, Value

_ROUGH: Final = 2.0
"""Times the limit up to which a jump of one track that does not stand alone may be its own, as what
is struck or plucked has many of. From own trials: cuts on one track that are less stand alone."""

HIGH: Final = 20.0
"""Least height of a cut of one track that proves what is lost: a gap fits weak notes by chance."""

LOUDER: Final = 10.0
"""How many times as much may move behind a cut on one track that is as sharp as nothing gets
through a converter, and where a sound may begin. From own trials: notes that a generator begins
within one sample 5 to 50. Where it ends it dies away: less may move there."""


class Kinds:
    """Tells places apart and hands what they are to ``doubts``."""

    def __init__(
        self,
        fmt: CaptureFormat,
        limits: DropoutsLimits,
        doubts: Doubts,
        clocks: Clocks,
        tape: Tape,
        recoded: Recoded,
    ) -> None:
        self._fmt, self._recoded = fmt, recoded
        self._tape, self._clocks = tape, clocks
        self._limits, self._tell = limits, Telling(doubts)
        self._swaps = Swaps(limits, clocks, self._tell)
        goes_on = GoesOn(fmt.rate_hz)
        self._put_in = PutIn(fmt, limits, self._tell, goes_on)
        self._words = Words(limits, self._tell, goes_on, clocks)
        self._longer = LongLooks(fmt.rate_hz)
        self._pairs = [of(fmt.rate_hz, limit=limits.step_one_track) for of in (StandIns, Betweens)]
        self._pushes: Counter[int] = Counter()  # so far, of each track

    def told(self, frame: int) -> bool:
        """Whether a frame lies within a stretch already told of."""
        return frame < self._put_in.stop

    def look(self, place: Place, tracks: tuple[int, ...]) -> bool:
        """Whether something is told of a place.

        Args:
            tracks: those that jump here, the strongest first.
        """
        found = {t: j for t in tracks[:TRACKS] if (j := place.junction(t)) is not None}
        self._tape.look((place.steps[t] for t in found), place.peak, place.start)
        if ends := [one for pair in self._pairs if (one := pair.at(place, found))]:
            self._tell.stand_in(ends[0])
        if self._words.told(place, found, tracks):
            return True
        if noise := _white.sets_in(place, found, limit=self._limits.step_one_track):
            self._tell.white(noise)
            return True
        if held(place, tracks, self._limits, self._tell) or self._recoded.at(place, found):
            return True
        # timecode has flat tops by nature
        flat = {t for t in tracks if not self._clocks.running(t) and place.flat(t)}
        flat -= {t for t in flat & found.keys() if place.off_tops(t, found[t])}
        flat |= {t for t, j in found.items() if place.crest(t, j)}
        if flat:
            tracks = witnesses(place, tracks, found, flat, least=self._limits.step_one_track)
            if not tracks:
                return self._swapped_tops(place, found)
            found = {t: j for t, j in found.items() if t in tracks}
        rows = [place.steps[t] for t in found]
        shared = _junction.shared_break(rows, place.peak) if self._fmt.channels > 1 else None
        if (swap := self._swaps.at(place, found, shared)) is not None and swap.sure:
            return self._swaps.told(place, swap)
        if shared is not None and not any(shared.clean):
            shared = None  # it tells nothing else
        if (strongest := max(found.values(), key=lambda j: j.jump, default=None)) is None:
            return False
        if not strongest.cut:
            burst = _burst.shared(list(place.steps), tracks, place.peak)
            sure = burst is not None and burst.sure
            if not sure and self._put_in.looked_at(place, list(found)):
                return True
            if burst is not None and self._put_in.words(place, burst):
                return True
            if self._words.likely(place, found):
                return True
        if self._cut(place, found, shared) or (
            strongest.cut and self._put_in.looked_at(place, list(found))
        ):
            return True
        if not any(place.no_bend(t, j) for t, j in found.items()):
            return False
        if swap is not None:
            return self._swaps.told(place, swap)
        if self._parted(place, found):
            return True
        height = max(strongest.jump, *(shared.jumps if shared else ()), 0.0)
        steep = self._steep(place, found)
        return (
            self._apart(place, found, shared, steep=bool(steep))
            or self._turn(place, height, steep=bool(steep))
            or self._breaks_off(place, steep)
        )

    def slips(self) -> None:
        """Tells of timecode that slips; where something else is told there, that is enough."""
        for slip in self._clocks.slips:
            values: dict[str, Value] = {"slip_us": slip.us(self._fmt.rate_hz)}
            self._tell.slip((slip.track,), slip.start, values, frames=slip.stop - slip.start)

    def _swapped_tops(self, place: Place, found: Mapping[int, Junction]) -> bool:
        """Tracks with tops that change places; what else jumps there is a corner. Always true."""
        if len(found) > 1:
            shared = _junction.shared_break([place.steps[t] for t in found], place.peak)
            swap = self._swaps.at(place, found, shared)
            if swap is not None and swap.sure:
                self._swaps.told(place, swap)
        return True

    # -- the kinds of step --------------------------------------------------------------------

    def _apart(
        self,
        place: Place,
        found: Mapping[int, Junction],
        shared: Break | None,
        *,
        steep: bool,
    ) -> bool:
        """Tracks that turn to something else at the very same sample, each side one that fits."""
        several, single = self._limits.step_several_tracks, self._limits.step_one_track
        jump = 0.0 if shared is None else max(shared.jumps)
        if shared is None or jump < single or max(j.jump for j in found.values()) < several:
            return False
        high = sum(height >= several * NEARLY for height in shared.jumps)
        cut = [j for j in found.values() if j.cut]
        if high < 2 or not all(shared.clean) or (cut and _junction.pushed(cut)):
            return False
        if not shared.sharp or one_source([place.steps[t] for t in found], shared.frame):
            return False
        values: dict[str, Value] = {"jump_sigma": round(jump, 1)}
        tracks, at = tuple(sorted(found)), place.start + shared.frame
        levels = [j.levels for j in found.values()]  # of a note all rise, where it ends all fall
        sharp = jump >= SHARP and min(levels) < LOUDER and max(levels) > 1 / LOUDER
        self._tell.doubtful(
            tracks, at, values, text=tell.TURN, sound=True, sharp=sharp, steep=steep
        )
        return True

    def _parted(self, place: Place, found: Mapping[int, Junction]) -> bool:
        """Several tracks on which nothing goes on from before, nor was there what follows."""
        least = self._limits.step_several_tracks
        high = {t: j for t, j in found.items() if j.jump >= least and j.still}
        frames = Counter(j.frame for j in high.values()).most_common(1)
        cut = {t: j for t, j in high.items() if abs(j.frame - frames[0][0]) <= 1}
        if len(cut) < 2 or not self._longer.beneath(place, cut).parted:
            return False
        jump = max(j.jump for j in cut.values())
        values: dict[str, Value] = {"jump_sigma": round(jump, 1)}
        at = place.start + frames[0][0]
        self._tell.doubtful(tuple(sorted(cut)), at, values, text=tell.PARTED)
        return True

    def _turn(self, place: Place, height: float, *, steep: bool) -> bool:
        """Several tracks that are left at once for something that explains nothing."""
        if self._fmt.channels < 2 or height < 0.5 * _turns.STRONGEST:  # dear: 16 fits
            return False
        turn = _turns.shared(list(place.steps), place.peak)
        if turn is None:
            return False
        values: dict[str, Value] = {"jump_sigma": round(max(turn.heights.values()), 1)}
        tracks, at = tuple(sorted(turn.heights)), place.start + turn.frame
        self._tell.doubtful(tracks, at, values, text=tell.TURN, sound=True, steep=steep)
        return True

    def _cut(self, place: Place, found: dict[int, Junction], shared: Break | None) -> bool:
        clean = self._clean(place, found)
        if not clean:
            return False
        frame = Counter(j.frame for j in clean.values()).most_common(1)[0][0]
        most = next(iter(clean.values())).jump
        pushed = self._is_push({t: j for t, j in clean.items() if 2 * j.jump >= most})
        longer = Longer()
        if not pushed:  # which proves nothing
            enough = self._limits.step_one_track * NEARLY
            longer = self._longer.at(place, clean, found, enough=enough)
        shown = Seen(place, found, clean, frame=frame, single=self._limits.step_one_track)
        likely = not pushed and self._likely_cut(place, clean)
        provable = self._may_be_proven(place, frame, clean, longer, shown)
        if not (likely or provable):
            return False  # what the other tracks show is dear to know
        seen = shown.all()
        near = seen | {t: j for t, j in found.items() if abs(j.frame - frame) <= 1}
        one = len(near) == 1 or one_source([place.steps[t] for t in near], frame)
        leaks = one and len(near) > 1
        alone = len(near) == 1 and longer.vague
        if alone or (leaks and (longer.vague or place.sources([*near], frame))):
            longer = replace(longer, shift=None)  # no loss moves one source among several
        if provable and not (click := self._longer.click(place, frame, [*clean])):
            alike = leaks and click is None
            if self._proven_cut(place, frame, clean, seen, longer, leaks=leaks, alike=alike):
                return True
        if not likely:
            return False
        strongest, best = next(iter(clean.items()))
        sound = longer.sound
        if one:  # that the others have by leakage, if any do
            strongest, best = max(near.items(), key=lambda item: item[1].jump)
            sound = strongest in longer.sounds or best.begins
        if one and (len(near) > 1 or best.jump < _ROUGH * self._limits.step_one_track):
            sound = sound or not place.alone(strongest, best)
        steep = place.steep(strongest, best)
        if sound and one and self._apart(place, found, shared, steep=steep):
            return True  # what one track shows is taken for a sound, unless others turn as well
        slips = "slip_us" in (values := self._values(best, place.start + frame))
        level = 1 / LOUDER <= best.levels <= LOUDER
        beneath = self._longer.beneath(place, clean)
        several = self._fmt.channels == 1 or len(seen) > 1
        if not slips and several and level and beneath.parted:
            self._tell.doubtful(tuple(sorted(seen)), place.start + frame, values, text=tell.PARTED)
            return True
        self._tell.doubtful(
            (strongest,) if one and sound else tuple(sorted(seen)),
            place.start + frame,
            values,
            text=tell.JUMP_AND_SLIP if slips else tell.JUMP,
            sound=sound and not slips,
            on_top=one and beneath.on_top and strongest in longer.sounds,
            sharp=best.levels <= LOUDER
            and best.jump >= SHARP
            and not _slope.corner(place.steps[strongest], best),
            steep=steep,
        )
        return True

    def _steep(self, place: Place, found: Mapping[int, Junction]) -> dict[int, Junction]:
        """The tracks that break off or come in by more than a tape can, whatever follows."""
        least = self._limits.step_one_track
        return {t: j for t, j in found.items() if j.jump >= least and place.steep(t, j)}

    def _breaks_off(self, place: Place, steep: Mapping[int, Junction]) -> bool:
        for frame in sorted({j.frame for j in steep.values()}):
            here = {t: j.jump for t, j in steep.items() if j.frame == frame}
            values: dict[str, Value] = {"jump_sigma": round(max(here.values()), 1)}
            self._tell.breaks_off(tuple(sorted(here)), place.start + frame, values)
        return bool(steep)

    def _clean(self, place: Place, found: Mapping[int, Junction]) -> dict[int, Junction]:
        """The tracks that are cut between the same two samples, the strongest first."""
        several = self._limits.step_several_tracks * NEARLY
        single = self._limits.step_one_track * NEARLY
        clean = {t: j for t, j in found.items() if j.cut and j.jump >= several}
        if not clean:
            return {}
        frame = Counter(j.frame for j in clean.values()).most_common(1)[0][0]
        near = [t for t, j in clean.items() if abs(j.frame - frame) <= 1]
        near.sort(key=lambda t: -clean[t].jump)
        if clean[near[0]].jump < single and not place.witnesses(near, frame):
            return {}
        return {t: clean[t] for t in near}

    def _may_be_proven(
        self,
        place: Place,
        frame: int,
        clean: Mapping[int, Junction],
        longer: Longer,
        shown: Seen,
    ) -> bool:
        """Whether any of the proofs of ``_proven_cut`` may hold, whatever other tracks show."""
        programme = longer.one_programme or longer.shift or len(longer.same) >= SEVERAL
        return (
            bool(programme)
            or self._slips(place.start + frame, clean)
            or place.again(next(iter(clean)), frame) > 0
            or shown.may_be_of_one_converter()
        )

    def _proven_cut(
        self,
        place: Place,
        frame: int,
        clean: Mapping[int, Junction],
        seen: Mapping[int, Junction],
        longer: Longer,
        *,
        leaks: bool,
        alike: bool,
    ) -> bool:
        """``leaks``: whether all that jumps here may be a single source on several tracks;
        ``alike``: and one that adds to what goes on in time, as a click does."""
        strongest, best = next(iter(clean.items()))
        tracks, at = tuple(sorted(seen)), place.start + frame
        values = self._values(best, at)
        sides = [place.side(t, frame, j) for t, j in sorted(clean.items())]
        same = {t: clean[t] for t in longer.same}
        enough = self._limits.step_several_tracks  # at one frame, on tracks of different sources
        if (count := place.again(strongest, frame)) > 0:
            text = "A few samples come twice, bit for bit: they were put in; play the tape again."
            self._tell.proven(tracks, at, text, "inserted", values, frames=count)
        elif (shift := longer.shift) and not longer.sound and place.alone(strongest, best):
            values |= {} if shift.frames is None else {"lost_frames": shift.frames}
            self._tell.proven(tracks, at, tell.MISSING, "lost", values, sure=shift.tracks > 1)
        elif (
            longer.one_programme
            and not longer.against
            and not leaks
            and (len(clean) > 1 or (best.jump >= HIGH and place.alone(strongest, best)))
            and (count_lost := _causes.lost(sides)) is not None
        ):
            values["lost_frames"] = count_lost
            self._tell.proven(tracks, at, tell.MISSING, "lost", values)
        elif self._slips(at, clean) and sharp(seen.values()):
            self._tell.proven(tracks, at, tell.OUT_OF_TIME, "lost", values)
        elif _causes.one_converter(tracks, self._fmt.channels):
            text = "The signal is cut between two samples on the tracks of one converter alone: a "
            text += "digital fault; play the tape again."
            self._tell.proven(tracks, at, text, "converter", values)
        elif not (longer.against or alike) and (
            (
                longer.one_programme
                and sharp(seen.values())
                and (on_several(place, clean, least=enough) or on_one(place, strongest, best))
            )
            or (
                sharp(j for j in clean.values() if not j.begins)
                and on_several(place, same, least=enough)
            )
        ):
            self._tell.proven(tracks, at, tell.CUT, "cut", values)
        else:
            if (
                longer.one_programme
                and not longer.against
                and place.steep(strongest, best)
                and place.alone(strongest, best)
            ):
                self._tell.cut_behind_tape(tracks, at, values, strongest=strongest)
            return False
        return True

    def _values(self, found: Junction, at: int) -> dict[str, Value]:
        """What is told of a cut: its height, and by how much timecode slips there."""
        values: dict[str, Value] = {"jump_sigma": round(found.jump, 1)}
        slip = self._clocks.near(at)
        return values if slip is None else values | {"slip_us": slip.us(self._fmt.rate_hz)}

    def _slips(self, at: int, clean: Mapping[int, Junction]) -> bool:
        """Whether a timecode slips where other tracks are cut."""
        slip = self._clocks.near(at)
        return slip is not None and any(track != slip.track for track in clean)

    def _likely_cut(self, place: Place, clean: Mapping[int, Junction]) -> bool:
        """Whether more than one push of what rings on came, in what came through a converter."""
        strongest, best = next(iter(clean.items()))
        goes_on = best.later >= LATER or place.news(strongest, best) <= NEWS
        return goes_on and any(j.towers and place.no_bend(t, j) for t, j in clean.items())

    def _is_push(self, strong: Mapping[int, Junction]) -> bool:
        """Whether tracks are pushed at a place; ``strong``: those that jump most."""
        often = any(self._pushes[t] >= _junction.PUSHED_OFTEN for t in strong)
        pushed = _junction.pushed(strong.values(), often=often)
        self._pushes.update([*strong] if pushed else [])
        return pushed
