"""Events of one kind that are held back: whether they recur, and one event for all of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np

from checks._ranks import median
from checks.dropouts._events import PLACES, Event
from checks.dropouts._sentences import JUMP, JUMPS, UNPROVEN
from checks.model import Remedy, Verdict

OFTEN: Final = 4
"""Unproven jumps from which on, at more than one a second, something recurs. From own trials."""

TOWERS: Final = 3.0
"""How much higher a few are than all others that they are no more of their like. From own trials:
the highest of a voice's or a string's sounds is 1.0 to 2.5 times the next."""

FAR: Final = 8.0
"""The same of one track alone. From own trials: of the notes that a machine begins within one
sample the highest reached 8 times the next on one track of 200, 4 times on no other."""

_CLOCK_JUMPS: Final = 6  # jumps that show a clock
_CLOCK_FRAMES: Final = 4  # frames by which they may miss its beat
_CLOCK_SHARE: Final = 0.8  # share of them that must not


class Pile:
    """Events of one kind: all counted, the first kept."""

    def __init__(self, listed: int) -> None:
        self._listed = listed
        self.events: list[Event] = []
        self.count, self.last = 0, 0
        self.on: Counter[int] = Counter()  # of them, on each track
        self._highest: dict[int | None, list[Event]] = {}  # of all, and on each track

    def add(self, event: Event) -> None:
        self.count += 1
        for on in (None, *event.tracks):
            high = sorted([*self._highest.get(on, []), event], key=height, reverse=True)
            self._highest[on] = high[: OFTEN + 1]
        self.on.update(event.tracks)
        self.last = max(self.last, event.stop)
        if len(self.events) < self._listed:
            self.events.append(event)

    def count_more(self, other: Pile | None) -> None:
        """Count the events of another of the same kind, which are not kept."""
        if other is not None:
            self.count += other.count
            self.on.update(other.on)
            self.last = max(self.last, other.last)

    def remove(self, event: Event) -> None:
        if event in self.events:
            self.events.remove(event)
        self.count -= 1
        self.on.subtract(event.tracks)

    def with_more(self, events: Sequence[Event], *, count: int | None = None) -> Pile:
        """This pile and some other events, of which there are ``count``."""
        both = Pile(len(self.events) + len(events))
        for event in (*self.events, *events):
            both.add(event)
        both.count = self.count + (len(events) if count is None else count)
        both.last = max(both.last, self.last)
        both.on.update(self.on - Counter(t for event in self.events for t in event.tracks))
        return both

    def towering(self, on: int | None = None, *, by: float = TOWERS) -> list[Event]:
        """The few that are so many times as high as all others: of all, or of those on a track."""
        highest = self._highest.get(on, [])
        tops = [*map(height, highest)]
        gaps = [k for k in range(1, len(tops)) if tops[k - 1] >= by * tops[k]]
        return highest[: max(gaps, default=0)]

    @property
    def highest(self) -> float:
        return max(map(height, self._highest.get(None, [])), default=0.0)

    @property
    def first(self) -> int:
        return min(event.start for event in self.events)

    def in_order(self) -> list[Event]:
        return sorted(self.events, key=lambda event: event.start)

    def recurs(self, rate_hz: int) -> bool:
        """Whether they come more often than once a second."""
        return self.count > OFTEN and self.count * rate_hz > self.last - self.first

    def told(self, rate_hz: int) -> list[Event]:
        """One event of all that recur, else each of them."""
        if self.events and self.recurs(rate_hz):
            return [self._as_one()]
        return self.in_order()

    def _as_one(self) -> Event:
        events = self.in_order()
        return Event(
            kind="step",
            verdict=Verdict.LISTEN,
            remedy=Remedy.LISTEN,
            tracks=tuple(sorted({t for event in events for t in event.tracks})),
            start=events[0].start,
            stop=self.last,
            text=JUMPS if events[0].text == JUMP else events[0].text,
            values={
                "cause": events[0].values.get("cause", UNPROVEN),
                "jump_sigma": max(map(height, events)),
            },
            times=self.count,
            starts=[event.start for event in events[:PLACES]],
        )


def height(event: Event) -> float:
    """The jump in standard deviations; 0 where none was measured."""
    return float(str(event.values.get("jump_sigma", 0.0)))


def keeps_time(frames: list[int]) -> bool:
    """Whether jumps come in step with a clock."""
    if len(frames) < _CLOCK_JUMPS:
        return False
    gaps = np.diff(np.array(frames, np.float64))
    beat = float(median(gaps))
    if beat <= _CLOCK_FRAMES * 4:
        return True
    beats = np.maximum(np.rint(gaps / beat), 1)
    return float(np.mean(np.abs(gaps - beats * beat) <= _CLOCK_FRAMES)) >= _CLOCK_SHARE
