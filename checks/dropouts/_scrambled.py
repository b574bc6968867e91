"""Scrambled words: noise of full scale where bytes have lost their order.

A byte lost or put in shifts all that follows, bytes in the wrong order turn each word round, and
memory that was never filled is anything: the uppermost bits are then what the lowest were, so the
samples are spread evenly over all that the word can hold, each without regard to the last.
Measured for each stretch in which jumps of more than half of that crowd, values of full scale 1.0
(by reckoning for independent even values: jumps are spread as a triangle, up to full scale a
quarter of them larger than 1, two thirds from 0.3 to 1.5; the mean magnitude is 0.866 of the rms;
the mean square of the differences twice that of the samples).

Told apart from normal noise by its evenness; from wrapped peaks and square waves by the jumps of
middling size, which those lack; from noise cut off at full scale by the many samples that stand
there; from a loud clap, which is noise as well and in a millisecond or two as even as any, by its
ends: a clap dies away, where words are scrambled the very next samples are other sound. Proven
where it both begins and ends within a sample beside other
sound; or does one of these, and its largest value comes as near to full scale as so many even
values do. Even noise that fills the capture may be meant: a person must listen.

Proven as well, and to the frame, where words put together again with their bytes some on are sound
(``_shifted``): what is so is told once, however even it is.

Cannot be seen: fewer than some twenty such words (the steps may tell those), words whose lowest
bits were zero, as of shorter words in wider ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.block import Block
from checks.dropouts._events import Event, EventLog, told_together
from checks.dropouts._history import History
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import PartOutcome
from checks.dropouts._sentences import RECOPY_FIRST
from checks.dropouts._shifted import Shifted, Shifts
from checks.model import CaptureFormat, Remedy, Verdict, milliseconds, rounded

_LOUD: Final = 0.7  # what a block must reach; of 16 even values the largest does so in 299 of 300
_GAP: Final = 64  # frames without a large jump after which the stretch is over: one in 1e8
_JUMPS: Final = 5  # least large jumps of a stretch
_FRAMES: Final = 16
# What is reckoned above, and how far a stretch of n may be from it: at least, and over the root of
# n, some four standard deviations.
_LARGE: Final = (0.06, 2.1)
_MIDDLING: Final = (0.07, 2.3)
_EVEN: Final = (0.03, 0.40)  # normal noise has 0.798
_WHITE: Final = (0.25, 7.0)
_MEAN: Final = (0.03, 2.4)
_NEAREST: Final = 8.0  # the largest of n even values lies 1 / n below full scale, hardly ever 8 / n
_TOP: Final = 0.8  # and in any case above this
_AT_TOP: Final = 1.0 - 2.0**-10  # an even value in a thousand lies above it
_MOST_AT_TOP: Final = (2, 0.01)  # that many, and that share, are not by chance
_BESIDE: Final = 256  # frames on either side that must be other sound
_OTHER: Final = 0.8  # of the mean square of differences over that of samples: no white noise
_QUIETER: Final = 0.35  # or rms: even values have 0.58
_LEFT: Final = 12  # frames behind the last large jump of which a few may still be scrambled
_NEXT: Final = 24  # frames behind those that must move less, most of them
_STILLER: Final = 0.15  # median difference there: a quarter of that of even values, 0.59
_EVEN_ENOUGH: Final = 512  # frames from which on no noise that dies away is as even
_SHORT: Final = 128  # frames up to which a track's own large jumps may be too few
_ALSO: Final = 2  # large jumps that will do on a further track
_TOGETHER: Final = 64  # frames by which tracks may differ
_KEPT: Final = 16  # shifted stretches that even ones may lie in

_WHAT: Final = (
    "Words that are no audio: from one sample to the next noise of full scale stands here, "
    "as where bytes are lost or out of order"
)
_SHIFTED: Final = (
    "Words that are no audio: each is put together from bytes of two, as where bytes are lost or "
    f"put in; with their bytes put back they go on as the sound before them: {RECOPY_FIRST}"
)


class _Beside(Enum):
    """What stands next to a stretch."""

    OTHER = "other sound"
    GOES_ON = "noise that goes on or dies away"
    NOTHING = "the capture begins or ends"


@dataclass(slots=True)
class _Stretch:
    """Where large jumps crowd, on one track."""

    first: int  # frame of the first large jump
    last: int = 0  # and of the newest
    large: int = 0
    middling: int = 0
    total: float = 0.0  # sum
    sizes: float = 0.0  # sum of magnitudes
    squares: float = 0.0
    jumps: float = 0.0  # sum of squares of differences
    top: float = 0.0
    at_top: int = 0  # samples at full scale
    before: _Beside | None = None  # None: not looked yet

    @property
    def frames(self) -> int:
        return self.last - self.first + 1

    def take(self, samples: NDArray[np.float32]) -> None:
        """More of its samples, the one before them first."""
        x = samples.astype(np.float64)
        size, jumps = np.abs(x[1:]), np.abs(np.diff(x))
        self.large += int(np.count_nonzero(jumps > 1.0))
        self.middling += int(np.count_nonzero((jumps > 0.3) & (jumps < 1.5)))
        self.total += float(x[1:].sum())
        self.sizes += float(size.sum())
        self.squares += float(size @ size)
        self.jumps += float(jumps @ jumps)
        self.top = max(self.top, float(size.max(initial=0.0)))
        self.at_top += int(np.count_nonzero(size >= _AT_TOP))

    def scrambled(self) -> bool:
        n = self.frames
        if n < _FRAMES or self.large < _JUMPS or not self.squares:
            return False
        if self.at_top > _MOST_AT_TOP[0] + _MOST_AT_TOP[1] * n:
            return False
        found = (
            (self.large / n, _wider(1.0, self.top), _LARGE),
            (self.middling / n, _wider(0.3, self.top) - _wider(1.5, self.top), _MIDDLING),
            (self.total / n, 0.0, _MEAN),
            (self.sizes / float(np.sqrt(self.squares * n)), 0.866, _EVEN),
            (self.jumps / self.squares, 2.0, _WHITE),
        )
        near = all(abs(x - mean) <= max(by, over / n**0.5) for x, mean, (by, over) in found)
        return near and self.top >= min(_TOP, 1.0 - _NEAREST / n)

    def whole(self) -> bool:
        """Whether its values fill the word."""
        return self.top >= 1.0 - _NEAREST / self.frames


def _wider(jump: float, top: float) -> float:
    """Share of the differences of independent even values up to ``top`` that exceed ``jump``."""
    return max(1.0 - jump / (2.0 * top), 0.0) ** 2


def _within(event: Event, one: Shifted) -> bool:
    """Whether even words lie in what is shifted, to the end if it still goes on."""
    first, stop = one.start - _TOGETHER, one.stop + _TOGETHER
    inside = event.start >= first and (not one.stop or event.stop <= stop)
    return inside and set(event.tracks) <= set(one.way.tracks)


class ScrambledPart:
    """Scrambled words over one capture. ``history`` must have seen each block first."""

    def __init__(self, fmt: CaptureFormat, limits: DropoutsLimits, history: History) -> None:
        self._fmt = fmt
        self._history = history
        self._unit = 1.0 / fmt.full_scale
        self._open: dict[int, _Stretch] = {}
        self._log = EventLog(listed=limits.listed_digital, gap=told_together(fmt.rate_hz))
        self._counts = [0] * fmt.channels
        self._told: tuple[int, int, tuple[int, ...]] = (0, 0, ())  # the newest: start, stop, tracks
        self._shifts = Shifts(fmt, history)
        self._shifted: list[Shifted] = []  # the newest
        self._even: list[Event] = []  # until it is known what is shifted there

    def feed(self, block: Block) -> None:
        if not block.frames or not block.tracks:
            return
        loud = np.maximum(block.peak.astype(np.float64), -block.trough.astype(np.float64))
        loud *= self._unit
        tracks = set(np.flatnonzero((loud >= _LOUD) & (loud <= 1.0)).tolist())
        for track in sorted(tracks | set(self._open)):
            self._look(block, track)
        self._tell(self._shifts.feed(block), ripe=self._shifts.seen)

    def finish(self) -> PartOutcome:
        for track in sorted(self._open):
            self._close(track)
        self._tell(self._shifts.finish(), ripe=None)
        return PartOutcome(findings=self._log.findings(), counts={"steps": self._counts})

    def _look(self, block: Block, track: int) -> None:
        """Go through the large jumps of a block."""
        lead = min(block.lead, 1)
        x = block.scaled_with_lead[track, block.lead - lead :]
        at = np.flatnonzero(np.abs(np.diff(x)) > 1.0) + 1  # the sample behind each
        first = block.start - lead
        bounds = np.flatnonzero(np.diff(at) > _GAP) + 1
        for group in np.split(at, bounds):
            if len(group):
                self._go_on(track, x, first, int(group[0]), int(group[-1]))
        held = self._open.get(track)
        if held is not None and block.stop - held.last > _GAP:
            self._close(track)
        elif held is not None and held.before is None:  # later, what stands there is forgotten
            held.before = self._beside(track, held.first, -1, held.frames)

    def _go_on(self, track: int, x: NDArray[np.float32], first: int, start: int, last: int) -> None:
        held = self._open.get(track)
        if held is not None and first + start - held.last > _GAP:
            self._close(track)
            held = None
        if held is None:
            held = self._open[track] = _Stretch(first + start)
            held.take(x[start - 1 : last + 1])
        else:  # since the newest jump; what of that lies before this block is left out
            held.take(x[max(held.last - first, 0) : last + 1])
        held.last = first + last

    def _close(self, track: int) -> None:
        held = self._open.pop(track)
        if not held.scrambled():
            return
        start, stop = held.first, held.last + 1
        if track in self._told[2] and start < self._told[1] and stop > self._told[0]:
            return
        before = held.before or self._beside(track, start, -1, held.frames)
        behind = self._beside(track, stop, 1, held.frames)
        if held.frames < _EVEN_ENOUGH and _Beside.GOES_ON in (before, behind):
            return
        other = [side is _Beside.OTHER for side in (before, behind)]
        proven = all(other) or (any(other) and held.whole())
        tracks = self._all_of(track, start, stop)
        self._told = (start, stop, tracks)
        self._even.append(
            Event(
                kind="step",
                verdict=Verdict.REDO if proven else Verdict.LISTEN,
                remedy=Remedy.RECOPY if proven else Remedy.LISTEN,
                tracks=tracks,
                start=start,
                stop=stop,
                text=_WHAT
                + (
                    ": " + RECOPY_FIRST
                    if proven
                    else "; it may be meant, as a test of noise; listen."
                ),
                values={
                    "cause": "scrambled",
                    "length_ms": milliseconds(held.frames, self._fmt.rate_hz),
                    "rms": rounded(float(np.sqrt(held.squares / held.frames))),
                },
            )
        )

    def _tell(self, shifted: list[Shifted], ripe: int | None) -> None:
        """Of what is shifted, and of what is even and not shifted, up to a frame."""
        for one in shifted:
            self._log_it(
                Event(
                    kind="step",
                    verdict=Verdict.REDO,
                    remedy=Remedy.RECOPY,
                    tracks=one.way.tracks,
                    start=one.start,
                    stop=one.stop,
                    text=_SHIFTED,
                    values={
                        "cause": "scrambled",
                        "length_ms": milliseconds(one.stop - one.start, self._fmt.rate_hz),
                    },
                )
            )
        self._shifted = [*self._shifted[-_KEPT:], *shifted]
        known = self._shifted if self._shifts.open is None else [*self._shifted, self._shifts.open]
        waiting = []
        for event in self._even:
            if ripe is not None and event.stop + _TOGETHER > ripe:
                waiting.append(event)
            elif not any(_within(event, one) for one in known):
                self._log_it(event)
        self._even = waiting

    def _log_it(self, event: Event) -> None:
        for track in event.tracks:
            self._counts[track] += 1
        self._log.add(event, within=_TOGETHER)

    def _all_of(self, track: int, start: int, stop: int) -> tuple[int, ...]:
        """The tracks of a short stretch: another may show too few large jumps by itself."""
        if stop - start > _SHORT:
            return (track,)
        near = self._history.rows(start - _FRAMES, stop + _FRAMES) * self._unit
        large = np.count_nonzero(np.abs(np.diff(near, axis=1)) > 1.0, axis=1)
        others = set(np.flatnonzero(large >= _ALSO).tolist())
        return tuple(sorted({track} | others))

    def _beside(self, track: int, end: int, way: int, frames: int) -> _Beside:
        """What stands beside a stretch of so many frames, before (``way`` -1) or behind it (1).

        Args:
            end: the first frame of the stretch, or the one behind its last.
        """
        start, stop = sorted((end, end + way * _BESIDE))
        x = self._history.row(track, max(start, 0), max(stop, 0)).astype(np.float64) * self._unit
        x = x[np.isfinite(x)][::way]
        if len(x) < _FRAMES:
            return _Beside.NOTHING
        moves = np.abs(np.diff(x))
        squares = float(x @ x)
        other = squares < _QUIETER**2 * len(x) or float(moves @ moves) < _OTHER * squares
        next_ones = moves[_LEFT : _LEFT + _NEXT]
        if frames < _EVEN_ENOUGH and len(next_ones):
            other = other and float(median(next_ones)) < _STILLER
        return _Beside.OTHER if other else _Beside.GOES_ON
