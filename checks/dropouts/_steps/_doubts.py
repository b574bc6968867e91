"""Steps as they come: what a single one proves depends on how many there are of its like.

A signal may jump by its own nature: a pulse, a clock, sound that was once coded in blocks. Jumps
that recur without proof are therefore told as one finding, and a proof on one track alone only asks
to listen among them, unless it is beyond doubt. A cut told by prediction from both sides is not
trusted either where such jumps come more often than once a second: so does each note of a
generator, which begins within one sample, but not on nearly all of many tracks each time. Sounds
that begin or end within one sample on top of others are told only where several tracks do so at
once, and not again and again; an unproven jump of a track on which they come so all along says
nothing. Jumps of one track in step with a clock are its own and told not at all.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Final

import numpy as np

from checks._ranks import median
from checks.dropouts._events import Event, EventLog, told_together
from checks.dropouts._junction import ORDER
from checks.dropouts._sentences import (
    BETWEEN,
    JUMP,
    ON_THE_BEAT,
    PARTED,
    PERHAPS_FOREIGN,
    PERHAPS_STAND_IN,
    PERHAPS_WORD,
    REPLACED,
    STEEP,
    UNPROVEN,
)
from checks.dropouts._steps._pile import FAR, OFTEN, TOWERS, Pile, height, keeps_time
from checks.model import CaptureFormat, Finding, Remedy, Verdict

BEYOND_DOUBT: Final = 50.0
"""Standard deviations from which on what is proven on one track stands, whatever recurs there.
From own trials: what a signal's own jumps make believe stays under 25."""

BROAD: Final = 3
BROAD_SHARE: Final = 0.75
"""Fewest tracks, and least share of all, that no generator starts anew at one sample again and
again. Common practice: what a recorder loses, it loses on all."""

SHARP: Final = 12.0
LONE: Final = 2
"""Standard deviations from which on what may be a sound is sharp, the limit of one track; and how
many of a whole capture are taken for none: where a sound begins so by nature, others do as well.
From own trials: of 16 minutes of machine-made programme none came so seldom that did not lie on top
of what went on (``_beneath``), but for those above 30."""

SELDOM_S: Final = 5.0
"""Seconds within which something must come once, on average, to be a track's own nature."""

_PREDICTED: Final = ("cut", "lost")  # causes told by prediction alone

_BEAT_S: Final = 0.15
"""Shortest beat of a click track: 400 a minute. The buffers of a device come faster (common
practice: up to 8,192 frames)."""


class Doubts:
    """Holds the steps of a capture until all are known; memory is bounded by ``listed``."""

    def __init__(self, fmt: CaptureFormat, *, listed: int) -> None:
        self._fmt = fmt
        self._listed = listed
        self._sure = EventLog(listed=listed, gap=told_together(fmt.rate_hz))
        self._lone: list[Event] = []  # proven on one track only
        self._clicks: dict[int, Pile] = {}  # more of them, at the beat of those before
        self._predicted: list[Event] = []  # cuts proven by prediction alone
        self._unproven: dict[str, Pile] = {}  # by their sentence
        self._sounds = Pile(listed)  # sounds that begin or end would do the same
        self._notes: list[Event] = []  # of these, what surely are some
        self._sharp: list[Event] = []  # of these, what no converter lets through
        self._steep: list[Event] = []  # and what no tape does
        self._behind_tape: list[tuple[Event, int]] = []  # of that, cuts; and their strongest track
        self._slips = Pile(listed)  # of timecode
        self._stand_ins: list[Event] = []
        self._proven_counts = [0] * fmt.channels
        self._counts = [0] * fmt.channels

    def proven(self, event: Event, *, sure: bool = False) -> None:
        """``sure``: whatever recurs here."""
        for track in event.tracks:
            self._proven_counts[track] += 1
        if sure:
            self._sure.add(event, within=1)
        elif (
            event.values.get("cause") in _PREDICTED
            and not self._broad(event)
            and len(self._predicted) < self._listed
        ):
            self._predicted.append(event)
        elif len(event.tracks) == 1 and len(self._lone) < self._listed:
            self._lone.append(event)
        elif len(event.tracks) == 1 and self._on_beat(event.tracks[0], event.start):
            self._clicks.setdefault(event.tracks[0], Pile(0)).add(event)
        else:
            self._sure.add(event, within=1)

    def unproven(
        self,
        event: Event,
        *,
        sound: bool = False,
        on_top: bool = False,
        sharp: bool = False,
        steep: bool = False,
    ) -> None:
        """``sound``: one that begins or ends within a sample on top of others would do it.

        On one track of several it is taken for that: what is lost is lost on all. Unless few come
        that are ``sharp``, and as loud before as behind: only what never met a converter begins
        so, and then many do. Or what is
        ``steep``, where that can only come from behind the tape: it is told, whatever else comes.
        What surely comes ``on_top`` of others counts as a sound, and is not told for one.
        """
        if sound:
            self._sounds.add(event)
            if on_top:
                if len(self._notes) < self._listed:
                    self._notes.append(event)
            elif sharp:
                highest = sorted([*self._sharp, event], key=height, reverse=True)
                self._sharp = highest[: self._listed + 1]
            if steep and len(self._steep) <= self._listed:
                self._steep.append(event)
        else:
            self._take(event)

    def breaks_off(self, event: Event) -> None:
        """Take what is ``steep`` and shows nothing else: it is no sound either."""
        if len(self._steep) <= self._listed:
            self._steep.append(event)

    def behind_tape(self, event: Event, strongest: int) -> None:
        """Take a cut that is proven if it is steeper than the tape on its strongest track."""
        if len(self._behind_tape) < self._listed:
            self._behind_tape.append((event, strongest))

    def slipped(self, event: Event) -> None:
        """Take a slip of timecode: told where nothing else is."""
        self._slips.add(event)

    def stand_in(self, event: Event) -> None:
        """Take what stands in place of the programme: it is told in place of its ends."""
        if len(self._stand_ins) < self._listed:
            self._stand_ins.append(event)

    def _take(self, event: Event) -> None:
        self._count(event)
        self._pile(event.text).add(event)

    def _count(self, event: Event) -> None:
        for track in event.tracks:
            self._counts[track] += 1

    def _pile(self, text: str) -> Pile:
        return self._unproven.setdefault(text, Pile(self._listed))

    def _drop(self, event: Event, pile: Pile) -> None:
        """Take it from its pile; sounds are not counted as steps."""
        pile.remove(event)
        if pile is not self._sounds:
            for track in event.tracks:
                self._counts[track] -= 1

    def finish(
        self, *, falling: frozenset[int] = frozenset()
    ) -> tuple[tuple[Finding, ...], list[int]]:
        """The findings, and the steps counted on each track.

        Args:
            falling: tracks on which what is steep comes from behind the tape.
        """
        self._prove_behind_tape(falling)
        self._take_stand_ins()
        self._tell_steep(falling)
        self._admit_sounds()
        doubted = self._doubt_predictions()
        own = not doubted and self._keeps_time()
        self._doubt_clicks()
        perhaps = self._doubt_lone()
        if own:
            self._unproven, self._counts = {}, [0] * self._fmt.channels
        self._drop_restless()
        for event in perhaps:
            self._pile(event.text).add(event)
        for event in [*self._predicted, *self._lone]:
            self._sure.add(event, within=1)
        for pile in self._unproven.values():
            for event in pile.told(self._fmt.rate_hz):
                self._sure.add(event)
        self._tell_slips()
        counts = [a + b for a, b in zip(self._proven_counts, self._counts, strict=True)]
        return self._sure.findings(), counts

    def _take_stand_ins(self) -> None:
        """In place of their ends; where one of these is proven to be something else, not at all.

        Such as recur are none proven: a machine chops and trills so.
        """
        recur = Pile(self._listed).with_more(self._stand_ins).recurs(self._fmt.rate_hz)
        for event in self._stand_ins:
            if self._is_proven(event.start) or self._is_proven(event.stop):
                continue
            event = self._with_parts(event)
            if event.verdict is Verdict.REDO and not recur:
                self.proven(event)
            elif event.verdict is Verdict.REDO:
                self._take(_doubted(event, PERHAPS_STAND_IN, cause=REPLACED))
            else:
                self._take(event)

    def _with_parts(self, event: Event) -> Event:
        """An event in place of all that is doubted within it, on their tracks as well."""
        tracks = set(event.tracks)
        for pile in (*self._unproven.values(), self._sounds):
            for part in [e for e in pile.events if _is_part(e, event)]:
                tracks |= set(part.tracks)
                self._drop(part, pile)
        self._sharp = [e for e in self._sharp if not _is_part(e, event)]
        self._steep = [e for e in self._steep if not _is_part(e, event)]
        return replace(event, tracks=tuple(sorted(tracks)))

    def _prove_behind_tape(self, falling: frozenset[int]) -> None:
        for event, strongest in self._behind_tape:
            if strongest in falling:
                self.proven(self._with_parts(event))

    def _tell_steep(self, falling: frozenset[int]) -> None:
        """What no tape does, whatever else comes."""
        for event in self._steep:
            if falling.issuperset(event.tracks):
                if event in self._sounds.events:
                    self._sounds.remove(event)
                self._count(event)
                self._sure.add(replace(event, text=STEEP) if event.text == JUMP else event)

    def _is_proven(self, frame: int) -> bool:
        """Whether something is proven at a frame."""
        near = [*self._lone, *self._predicted]
        return self._sure.has(frame - ORDER, frame + ORDER) or any(
            abs(event.start - frame) <= ORDER for event in near
        )

    def _tell_slips(self) -> None:
        for event in self._slips.in_order():
            if self._sure.has(event.start, event.stop):
                self._slips.remove(event)
            else:
                self._count(event)
        for event in self._slips.told(self._fmt.rate_hz):
            self._sure.add(event)

    def _broad(self, event: Event) -> bool:
        """Whether nearly all of many tracks show it."""
        return len(event.tracks) >= max(BROAD, BROAD_SHARE * self._fmt.channels)

    def _keeps_time(self) -> bool:
        """Whether one track alone jumps, in step with a clock."""
        events = [event for pile in self._unproven.values() for event in pile.events]
        tracks = {track for event in events for track in event.tracks}
        return len(tracks) == 1 and keeps_time(sorted(event.start for event in events))

    def _admit_sounds(self) -> None:
        """What may be sounds is that on one track of several, or again and again, as notes come.

        Unless it is sharp and towers over these, on several tracks, or far on one. A track that
        jumps by its own nature is no witness beside another.
        """
        high = [e for e in self._sounds.towering() if len(e.tracks) > 1]
        for track in range(self._fmt.channels):
            high += [e for e in self._sounds.towering(track, by=FAR) if e not in high]
        for event in [e for e in high if height(e) >= BEYOND_DOUBT and e in self._sharp]:
            self._sounds.remove(event)
            self._count(event)
            self._sure.add(event)
        if self._sounds.recurs(self._fmt.rate_hz):
            return
        one = 1 if self._fmt.channels > 1 else 0
        restless = self._restless(*self._unproven.values())
        often = Counter(self._sounds.on)
        for event in [e for e in self._sounds.events if e not in self._notes]:
            still = set(event.tracks) - restless
            few = height(event) >= BEYOND_DOUBT and all(often[t] <= OFTEN for t in event.tracks)
            few = few or self._sounds.count <= LONE
            if len(still) > one or (few and event in self._sharp):
                self._sounds.remove(event)
                self._take(event)

    def _restless(self, *piles: Pile) -> set[int]:
        """Tracks on which things come again and again."""
        often: Counter[int] = Counter()
        for pile in piles:
            if pile.recurs(self._fmt.rate_hz):
                seconds = (pile.last - pile.first) / self._fmt.rate_hz
                often.update({t: n for t, n in pile.on.items() if n * SELDOM_S > seconds})
        return {track for track, count in often.items() if count > OFTEN}

    def _drop_restless(self) -> None:
        """Unproven jumps of tracks on which sounds begin or end at one sample again and again.

        Unless nearly all of many tracks show one, or it is far higher than all those sounds.
        """
        restless = self._restless(self._sounds)
        high = max(BEYOND_DOUBT, TOWERS * self._sounds.highest)
        told = (BETWEEN, PARTED, PERHAPS_STAND_IN)  # whatever begins there
        for pile in (p for text, p in self._unproven.items() if text not in told):
            for event in list(pile.events):
                known = restless.issuperset(event.tracks) and not self._broad(event)
                if known and height(event) < high:
                    self._drop(event, pile)

    def _doubt_predictions(self) -> bool:
        """Among jumps that come again and again, cuts told by prediction join the unproven.

        Unless most of them have lost one and the same number of frames, as no notes do.
        """
        jumps = self._unproven.get(JUMP, Pile(self._listed))
        every = jumps.with_more([*self._predicted, *self._sounds.events])
        if not self._predicted or not every.recurs(self._fmt.rate_hz):
            return False
        lags = Counter(event.values.get("lost_frames") for event in self._predicted)
        lags.pop(None, None)
        if lags and 2 * max(lags.values()) > len(jumps.events) + len(self._predicted):
            return False
        self._unproven[JUMP] = jumps.with_more([_doubted(event, JUMP) for event in self._predicted])
        self._predicted = []
        return True

    def _on_beat(self, track: int, *more: int) -> bool:
        """Whether what stands alone on a track, and at some more frames, keeps time."""
        frames = sorted([*(e.start for e in self._lone if e.tracks == (track,)), *more])
        long = _BEAT_S * self._fmt.rate_hz
        if self._fmt.channels < 2:
            return False  # there is no click track but beside others
        return keeps_time(frames) and float(median(np.diff(frames))) > long

    def _doubt_clicks(self) -> None:
        """What stands alone on one track, always at the beat of a clock, may be a click track."""
        for track in range(self._fmt.channels):
            if self._on_beat(track):
                events = [event for event in self._lone if event.tracks == (track,)]
                self._lone = [event for event in self._lone if event not in events]
                pile = self._pile(ON_THE_BEAT)
                for event in events:
                    pile.add(_doubted(event, ON_THE_BEAT))
                pile.count_more(self._clicks.get(track))

    def _doubt_lone(self) -> list[Event]:
        """Where a track jumps again and again, what is proven on it alone only asks to listen.

        Taken from those that are proven.
        """
        every = Pile(self._listed)
        for pile in (*self._unproven.values(), self._sounds):
            every = every.with_more(pile.events, count=pile.count)
        doubted: list[Event] = []
        if not every.recurs(self._fmt.rate_hz) or every.count <= 2 * len(self._lone):
            return doubted
        restless = {track for event in every.events for track in event.tracks}
        for event in list(self._lone):
            near = every.first - self._fmt.rate_hz <= event.start <= every.last + self._fmt.rate_hz
            if near and event.tracks[0] in restless and height(event) < BEYOND_DOUBT:
                self._lone.remove(event)
                word = event.values.get("cause") == "word"
                text = PERHAPS_WORD if word else PERHAPS_FOREIGN
                doubted.append(_doubted(event, text))
        return doubted


def _is_part(event: Event, whole: Event) -> bool:
    """Whether an event is an end of another, or lies within it, on one of its tracks."""
    within = whole.start - ORDER <= event.start <= whole.stop + ORDER
    return within and not set(event.tracks).isdisjoint(whole.tracks)


def _doubted(event: Event, text: str, *, cause: str = UNPROVEN) -> Event:
    """A proven event that is doubted."""
    values = {**event.values, "cause": cause}
    return replace(event, verdict=Verdict.LISTEN, remedy=Remedy.LISTEN, text=text, values=values)
