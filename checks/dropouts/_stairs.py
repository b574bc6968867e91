"""Stairs: stretches in which every value stands for two or more samples, as none of a signal does.

A converter or driver that works at a lower rate for a while, or that misses every second word,
gives the last one again. Measured: the places at which a track's value changes; over a stretch all
of them lie a multiple of the same few frames apart, most of them just that. Two samples of a real
input are equal by chance with a share p of all, so that n such steps in a row have less than
(p (1 - p))^n: 2**-64 for the fewest that are told.

A slow ramp without noise makes such stairs as well, of one step of the word each, and a wave of a
generator at a quarter of the rate, of few values: neither is told.

Not seen: stretches of fewer than 32 such values within 16,384 frames; what was held and then
filtered, or came through another converter; values that stand for more than eight samples, but
those of 24 and more (``_zeros``). It does not prove that the stretch once held more: all of a
capture is material of a lower rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from checks._ranks import median
from checks._runs import long_runs
from checks.block import Block, counted
from checks.dropouts import _edges
from checks.dropouts._events import Event, EventLog, told_together
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import PartOutcome
from checks.model import CaptureFormat, Remedy, Samples, Verdict, length_told, milliseconds
from checks.sheet import Sheet, TrackKind

_EACH: Final = (2, 3, 4, 6, 8)  # frames that a value stands for: ratios of the usual rates
_LEAST: Final = 32  # values: see the odds above; own choice
_MOST_ALIKE: Final = 0.75  # of the values stand for just so long; two may be equal by chance
_STEPS: Final = 2.0  # of the word: a value's step from the one before is more, by the median
_NUMBERS: Final = ("", "", "twice", "three times", "four times", "", "six times", "", "eight times")


@dataclass(slots=True)
class _Stairs:
    """A stretch of a track from ``start`` to before ``stop``; each value stands ``each`` frames."""

    each: int
    start: int
    stop: int


class StairsPart:
    """Held values of a few samples each, over one capture."""

    def __init__(self, fmt: CaptureFormat, sheet: Sheet, limits: DropoutsLimits) -> None:
        self._fmt = fmt
        tracks = range(fmt.channels)
        self._asked = [t for t in tracks if sheet.track(t).kind is not TrackKind.UNUSED]
        self._open: dict[int, _Stairs] = {}
        self._log = EventLog(listed=limits.listed_digital, gap=told_together(fmt.rate_hz))
        self._count = [0] * fmt.channels

    def feed(self, block: Block) -> None:
        equal = counted(block.repeats) >= _LEAST
        for track in self._asked:
            found = list(self._found(block, track)) if equal[track] else []
            for one in found:
                before = self._open.pop(track, None)
                if before and before.each == one.each and one.start - before.stop <= one.each:
                    one.start = before.start
                elif before:
                    self._tell(track, before)
                self._open[track] = one
            if track in self._open and self._open[track].stop < block.stop - max(_EACH):
                self._tell(track, self._open.pop(track))

    def finish(self) -> PartOutcome:
        for track in sorted(self._open):
            self._tell(track, self._open[track])
        return PartOutcome(findings=self._log.findings(), counts={"held_runs": self._count})

    def _found(self, block: Block, track: int) -> list[_Stairs]:
        """The stairs of a track in one block, in order."""
        changes = np.flatnonzero(~block.repeats[track])
        gaps = np.diff(changes)
        if len(gaps) < _LEAST or int(np.count_nonzero(gaps > 1)) < _LEAST:
            return []
        found = []
        for each in _EACH:
            for a, b in long_runs(gaps % each == 0, _LEAST):
                if float(np.mean(gaps[a:b] == each)) < _MOST_ALIKE:
                    continue
                if self._are_stairs(block.samples[track, changes[a : b + 1]]):
                    start, stop = int(changes[a]), int(changes[b])
                    found.append(_Stairs(each, block.start + start, block.start + stop))
        return sorted(found, key=lambda one: one.start)

    def _are_stairs(self, values: Samples) -> bool:
        """Whether the values differ, and by more than the steps of a slow ramp."""
        steps, _ = _edges.in_steps(values, self._fmt)
        different = 1 + int(np.count_nonzero(np.diff(np.sort(steps))))
        return 2 * different >= len(steps) and median(np.abs(np.diff(steps))) > _STEPS

    def _tell(self, track: int, one: _Stairs) -> None:
        self._count[track] += 1
        frames, rate_hz = one.stop - one.start, self._fmt.rate_hz
        self._log.add(
            Event(
                kind="held-value",
                verdict=Verdict.REDO,
                remedy=Remedy.REPLAY,
                tracks=(track,),
                start=one.start,
                stop=one.stop,
                text=f"Each value stands {_NUMBERS[one.each]}, for {length_told(frames, rate_hz)}: "
                "the samples between are missing, as where a converter or driver works at a lower "
                "rate; play the tape again.",
                values={
                    "cause": "each value held",
                    "held_frames": one.each,
                    "length_ms": milliseconds(frames, rate_hz),
                },
            ),
            within=2 * max(_EACH),
        )
