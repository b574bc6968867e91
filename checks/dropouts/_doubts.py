"""Steps as they come: what a single one proves depends on how many there are of its like.

A signal may jump by its own nature: a pulse, a clock, sound that was once coded in blocks. Jumps
that recur without proof are therefore told as one finding, and a proof on one track alone is not
trusted among them, unless it is beyond doubt. A cut told by prediction from both sides is not
trusted either where such jumps come more often than once a second: so does each note of a
generator, which begins within one sample. Sounds that begin or end within one sample on top of
others are told only where several tracks do so at once, and not again and again. Jumps of one
track in step with a clock are its own and told not at all.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

import numpy as np

from checks.dropouts._events import Event, EventLog, told_together
from checks.model import CaptureFormat, Finding, Remedy, Verdict

OFTEN: Final = 4
"""Unproven jumps from which on, at more than one a second, something recurs. From own trials."""

BEYOND_DOUBT: Final = 50.0
"""Standard deviations from which on what is proven on one track stands, whatever recurs there.
From own trials: what a signal's own jumps make believe stays under 25."""

_PREDICTED: Final = ("cut", "lost")  # causes told by prediction alone

_CLOCK_JUMPS: Final = 6  # jumps that show a clock
_CLOCK_FRAMES: Final = 4  # frames by which they may miss its beat
_CLOCK_SHARE: Final = 0.8  # share of them that must not


class Doubts:
    """Holds the steps of a capture until all are known; memory is bounded by ``listed``."""

    def __init__(self, fmt: CaptureFormat, *, listed: int) -> None:
        self._fmt = fmt
        self._listed = listed
        self._sure = EventLog(listed=listed, gap=told_together(fmt.rate_hz))
        self._lone: list[Event] = []  # proven on one track only
        self._predicted: list[Event] = []  # cuts proven by prediction alone
        self._unproven: list[Event] = []
        self._sounds: list[Event] = []  # sounds that begin or end would do the same
        self._sound_count, self._sound_last = 0, 0
        self._proven_counts = [0] * fmt.channels
        self._counts = [0] * fmt.channels
        self._jumps = 0
        self._last = 0

    def proven(self, event: Event, *, sure: bool = False) -> None:
        """``sure``: whatever recurs here."""
        for track in event.tracks:
            self._proven_counts[track] += 1
        if sure:
            self._sure.add(event, within=1)
        elif event.values.get("cause") in _PREDICTED and len(self._predicted) < self._listed:
            self._predicted.append(event)
        elif len(event.tracks) == 1 and len(self._lone) < self._listed:
            self._lone.append(event)
        else:
            self._sure.add(event, within=1)

    def unproven(self, event: Event, *, sound: bool = False) -> None:
        """``sound``: one that begins or ends within a sample on top of others would do it.

        On one track of several it is taken for that: what is lost is lost on all.
        """
        if not sound:
            self._take(event)
            return
        self._sound_count += 1
        self._sound_last = event.stop
        if len(self._sounds) < self._listed:
            self._sounds.append(event)

    def _take(self, event: Event) -> None:
        for track in event.tracks:
            self._counts[track] += 1
        self._jumps += 1
        self._last = max(self._last, event.stop)
        if len(self._unproven) < self._listed:
            self._unproven.append(event)

    def finish(self) -> tuple[tuple[Finding, ...], list[int]]:
        """The findings, and the steps counted on each track."""
        self._admit_sounds()
        doubted = self._doubt_predictions()
        events = self._unproven
        tracks = {track for event in events for track in event.tracks}
        if len(tracks) == 1 and not doubted and _keeps_time([event.start for event in events]):
            events, self._counts = [], [0] * self._fmt.channels
        log = self._sure
        recurs = len(events) > OFTEN and self._often(self._jumps, events, self._last)
        jumps = self._jumps + self._sound_count
        own = self._restless(jumps) if jumps > 2 * len(self._lone) else set()
        for event in self._predicted:
            log.add(event, within=1)
        for event in self._lone:
            if not own & set(event.tracks) or _height(event) >= BEYOND_DOUBT:
                log.add(event, within=1)
        if recurs:
            log.add(self._as_one(events))
        else:
            for event in events:
                log.add(event)
        counts = [a + b for a, b in zip(self._proven_counts, self._counts, strict=True)]
        return log.findings(), counts

    def _admit_sounds(self) -> None:
        """What may be sounds is that on one track of several, or again and again, as notes come."""
        sounds, count = self._sounds, self._sound_count
        if len(sounds) > OFTEN and self._often(count, sounds, self._sound_last):
            return
        one = 1 if self._fmt.channels > 1 else 0
        for event in [event for event in sounds if len(event.tracks) > one]:
            self._sounds.remove(event)
            self._sound_count -= 1
            self._take(event)
        self._unproven.sort(key=lambda event: event.start)

    def _often(self, jumps: int, events: list[Event], last: int) -> bool:
        """Whether jumps come more often than once a second."""
        return jumps * self._fmt.rate_hz > last - events[0].start

    def _doubt_predictions(self) -> bool:
        """Among jumps that come again and again, cuts told by prediction join the unproven.

        Unless most of them have lost one and the same number of frames, as no notes do.
        """
        both = sorted([*self._unproven, *self._predicted], key=lambda event: event.start)
        every = sorted([*both, *self._sounds], key=lambda event: event.start)
        jumps = self._jumps + len(self._predicted)
        if not self._predicted or len(every) <= OFTEN:
            return False
        lags = Counter(event.values.get("lost_frames") for event in self._predicted)
        lags.pop(None, None)
        if lags and 2 * max(lags.values()) > len(both):
            return False
        last = max(self._last, *(event.stop for event in self._predicted))
        if not self._often(jumps + self._sound_count, every, max(last, self._sound_last)):
            return False
        self._unproven, self._predicted = both, []
        self._jumps, self._last = jumps, last
        return True

    def _restless(self, jumps: int) -> set[int]:
        """The tracks that jump, proof or not, where jumps recur."""
        events = sorted([*self._unproven, *self._sounds], key=lambda event: event.start)
        last = max(self._last, self._sound_last)
        if len(events) <= OFTEN or not self._often(jumps, events, last):
            return set()
        return {track for event in events for track in event.tracks}

    def _as_one(self, events: list[Event]) -> Event:
        return Event(
            kind="step",
            verdict=Verdict.LISTEN,
            remedy=Remedy.LISTEN,
            tracks=tuple(sorted({t for event in events for t in event.tracks})),
            start=events[0].start,
            stop=self._last,
            text="The signal jumps between two samples again and again, and each side fits "
            "itself: samples are lost in many places, or sounds were made to begin within one "
            "sample, or coded in blocks; listen.",
            values={
                "cause": "unproven",
                "jumps": self._jumps,
                "first_frames": [event.start for event in events[:8]],
                "jump_sigma": max(_height(event) for event in events),
            },
        )


def _height(event: Event) -> float:
    """The jump in standard deviations; 0 where none was measured."""
    return float(str(event.values.get("jump_sigma", 0.0)))


def _keeps_time(frames: list[int]) -> bool:
    """Whether jumps come in step with a clock."""
    if len(frames) < _CLOCK_JUMPS:
        return False
    gaps = np.diff(np.array(frames, np.float64))
    beat = float(np.median(gaps))
    if beat <= _CLOCK_FRAMES * 4:
        return True
    beats = np.maximum(np.rint(gaps / beat), 1)
    return float(np.mean(np.abs(gaps - beats * beat) <= _CLOCK_FRAMES)) >= _CLOCK_SHARE
