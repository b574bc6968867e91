"""Repeated blocks: audio that comes again bit for bit, as when a buffer is played twice.

Measured: on every track, any stretch of 32 frames and more that equals an earlier one, up to 2 s
before, however it got there (put in, or in place of something else); found by keys that meet
every such repeat (``_sightings``), then compared sample by sample. No standard fixes the limits;
buffers of converters and drivers start at 32 frames (common practice).

Equality proves something only where noise makes it improbable. The chance that two stretches of
that noise agree is taken from how often samples agree at other lags nearby; it must be below 1e-8
for the whole capture. And the signal must carry more unpredictable noise than rounding makes: a
generated tone, a pulse or timecode repeats by nature.

Told apart from loops: what repeats from its own beginning on (from the start of the capture or
out of digital silence) for one whole period and longer is periodic by nature, as is a sound
between digital silences that comes again whole, or one beside which the sound comes again, too,
all but bit for bit. A stretch between other sounds is not.

Cannot be seen: repeats in digital silence, in noise of less than about a step of the word, on
tracks declared as timecode, pilot or click; at lags beyond what memory allows (``_sightings``).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from itertools import islice
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.block import BLOCK_FRAMES, Block, Workspace, counted
from checks.dropouts import _edges, _predict
from checks.dropouts._events import Event, EventLog, told_together
from checks.dropouts._history import History
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import PartOutcome
from checks.dropouts._predict import Floats
from checks.dropouts._sightings import COARSE, FINE, MOST_BYTES, Seen, Sightings, words
from checks.model import CaptureFormat, Remedy, Samples, Verdict, milliseconds
from checks.sheet import Sheet, TrackKind

BATCH_BLOCKS: Final = 4
"""Blocks of a track looked at together: each track's table then stays in the cache. Own trials."""

CHANCE: Final = 1e-8
"""Probability of an accidental match in a capture. From own reckoning."""

TRIALS: Final = 1e15
"""Pairs of frames compared in an hour of one track: 1e9 frames by 1e6 lags."""

_FINE_CROWD: Final = 0.12  # share of equal neighbours up to which short keys will do
_COARSE_CROWD: Final = 0.3  # and up to which long ones will; from a quarter of the other on, both
_LOCATED: Final = 12  # times that keys of a batch are looked up; those in a known match are not
_PAIRS: Final = 256  # pairs of equal keys compared at once
_CHUNK: Final = 2048
_CONTEXT: Final = 2048
_NEAR: Final = 512
_BESIDE: Final = 24
_ALIKE: Final = 0.3  # of the unpredictable noise; two noises differ by 0.95 of it (median)
_TOGETHER: Final = 8  # frames: chance may add some equal samples at either end


@dataclass(slots=True)
class Match:
    """Samples of a track from ``start`` to before ``stop`` that equal those ``lag`` before."""

    track: int
    start: int
    stop: int
    lag: int
    open: bool = True
    chance: bool = False  # in words without noise what is equal may be so


class RepeatsPart:
    """Repeated blocks over one capture. ``history`` must have seen each block first."""

    def __init__(
        self, fmt: CaptureFormat, sheet: Sheet, limits: DropoutsLimits, history: History
    ) -> None:
        self._fmt, self._limits, self._history = fmt, limits, history
        lag = int(limits.repeat_lag_s * fmt.rate_hz)
        frames = lag + BATCH_BLOCKS * BLOCK_FRAMES  # keys of a batch come in before it is looked at
        share = MOST_BYTES // max(fmt.channels, 1)
        least = limits.repeated_block
        self._scratch = Workspace()
        self._fine = [
            Sightings(FINE, least=least, frames=frames, most_bytes=share, scratch=self._scratch)
            for _ in range(fmt.channels)
        ]
        self._coarse: dict[int, Sightings] = {}
        self._frames, self._share = frames, share
        kinds = [sheet.track(t).kind for t in range(fmt.channels)]
        self._looked = [t for t, kind in enumerate(kinds) if kind not in _REPEAT_BY_NATURE]
        self._done = [0] * fmt.channels
        self._runs = np.zeros(fmt.channels, np.int64)  # runs of equal samples since then
        self._moves = np.zeros(fmt.channels, np.int64)  # samples that differ from the one before
        self._open: list[Match] = []
        self._recent: deque[Match] = deque(maxlen=256)
        self._played: deque[tuple[int, int]] = deque(maxlen=64)  # tracks and lags of such music
        self._log = EventLog(listed=limits.listed_digital, gap=told_together(fmt.rate_hz))
        self._counts = [0] * fmt.channels

    def feed(self, block: Block) -> None:
        if not block.frames or not block.tracks:
            return
        runs, moves = _crowding(block)
        self._runs += runs
        self._moves += moves
        self._go_on()
        number = block.start // BLOCK_FRAMES
        for track in self._looked[number % BATCH_BLOCKS :: BATCH_BLOCKS]:
            self._look(track)

    def finish(self) -> PartOutcome:
        for track in self._looked:
            self._look(track)
        self._open = list(filter(self._long, self._open))
        for match in self._open:
            self._judge(match)
        return PartOutcome(findings=self._log.findings(), counts={"repeated_blocks": self._counts})

    def covers(self, frame: int, tracks: tuple[int, ...]) -> bool:
        """Whether a frame lies in a repeat, or at its edge, on one of the tracks."""
        return any(
            m.track in tracks and m.start - 16 <= frame <= m.stop + 48 and not m.chance
            for m in (*self._recent, *self._open)
        )

    # -- finding ------------------------------------------------------------------------------

    def _look(self, track: int) -> None:
        stop, done = self._history.stop, self._done[track]
        if stop <= done:
            return
        # how often samples agree by chance: zeros and held values, one run each, do not count
        crowd = float(self._runs[track]) / max(float(self._moves[track]), 1.0)
        self._runs[track], self._moves[track], self._done[track] = 0, 0, stop
        for sightings, wanted in self._tables(track, crowd):
            if not wanted:
                sightings.skip(stop)
                continue
            first = max(done - sightings.overlap, self._history.start)
            seen = sightings.feed(words(self._history.view(track, first, stop)), first)
            if len(seen.frames):
                self._locate(track, sightings, seen)

    def _tables(self, track: int, crowd: float) -> list[tuple[Sightings, bool]]:
        """The tables of a track, and whether each suits how often its samples agree."""
        fine = (self._fine[track], crowd <= _FINE_CROWD)
        if not _FINE_CROWD / 4 <= crowd <= _COARSE_CROWD:
            return [fine]
        if track not in self._coarse:
            self._coarse[track] = Sightings(
                COARSE,
                least=self._limits.repeated_block,
                frames=self._frames,
                most_bytes=self._share // 2,
                scratch=self._scratch,
            )
        return [fine, (self._coarse[track], True)]

    def _locate(self, track: int, sightings: Sightings, seen: Seen) -> None:
        """Compare the samples where keys agree, passing over what is explained already."""
        left = ~self._flat(track, seen.frames)
        for _ in range(_LOCATED):
            for match in self._matches_of(track):
                left &= (seen.frames < match.start) | (seen.frames >= match.stop)
            if not len(rest := np.flatnonzero(left)):
                return
            some = rest
            if len(rest) > _AT_ONCE:  # evenly, so that a crowd of accidents hides nothing for long
                some = rest[np.linspace(0, len(rest) - 1, _AT_ONCE).astype(np.int64)]
            left[some] = False
            pairs = (
                (frame, frame - then)
                for frame, key in zip(seen.frames[some].tolist(), seen.keys[some], strict=True)
                for then in sightings.earlier(frame, key)
                if then >= self._history.start
            )
            for frame, lag in self._long_enough(track, [*islice(pairs, _PAIRS)]):
                found = self._extended(track, frame, lag)
                if found is not None:
                    self._open.append(found)

    def _flat(self, track: int, frames: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Where the samples stand still: the tops of clipped peaks all equal each other."""
        first, last = self._history.start, self._history.stop - 1
        around = np.clip(np.add.outer(np.arange(-2, 3), frames), first, last)
        return np.asarray(np.ptp(self._history.at(track, around), axis=0) == 0)

    def _matches_of(self, track: int) -> list[Match]:
        return [m for m in (*self._recent, *self._open) if m.track == track]

    def _long_enough(self, track: int, pairs: list[tuple[int, int]]) -> list[tuple[int, int]]:
        """Frames and lags around which so many samples agree that a look is worth it."""
        reach = self._limits.repeated_block - 1
        near = np.arange(-reach, reach + 1)
        chosen: list[tuple[int, int]] = []
        done: list[tuple[int, int, int]] = []
        for frame, lag in pairs:
            if any(lag == known and a <= frame < b for known, a, b in done):
                continue
            inside = frame - lag - reach >= self._history.start
            if inside and frame + reach < self._history.stop:
                at = frame + near
                equal = self._history.at(track, at) == self._history.at(track, at - lag)
                clear = np.flatnonzero(~equal)
                below = clear[clear < reach]
                above = clear[clear > reach]
                start = int(below[-1]) + 1 if len(below) else 0
                stop = int(above[0]) if len(above) else len(near)
                if not equal[reach] or stop - start < self._limits.repeated_block:
                    continue
                done.append((lag, frame - reach + start, frame - reach + stop))
            chosen.append((frame, lag))
        return chosen

    def _extended(self, track: int, frame: int, lag: int) -> Match | None:
        """The whole stretch around a frame that equals what stood ``lag`` frames before."""
        if any(m.lag == lag and m.start <= frame < m.stop for m in self._matches_of(track)):
            return None
        start = frame
        while start > self._history.start + lag:
            first = max(start - _CHUNK, self._history.start + lag)
            unequal = np.flatnonzero(~self._equals(track, first, start, lag))
            if len(unequal):
                start = first + int(unequal[-1]) + 1
                break
            start = first
        match = Match(track, start, frame, lag)
        self._grow(match)
        return match if match.open or self._long(match) else None

    def _long(self, match: Match) -> bool:
        return match.stop - match.start >= self._limits.repeated_block

    def _grow(self, match: Match) -> None:
        """Move a match's end on, as far as samples go on to agree."""
        chunk = _CHUNK
        while match.open and match.stop < self._history.stop:
            if match.stop - match.lag < self._history.start:
                match.open = False  # what it repeats is no longer held
                return
            stop, chunk = min(match.stop + chunk, self._history.stop), 2 * chunk
            unequal = np.flatnonzero(~self._equals(match.track, match.stop, stop, match.lag))
            match.open = not len(unequal)
            match.stop = stop if match.open else match.stop + int(unequal[0])

    def _equals(self, track: int, start: int, stop: int, lag: int) -> NDArray[np.bool_]:
        now, then = (self._history.view(track, start - k, stop - k) for k in (0, lag))
        return np.asarray(now == then)

    def _go_on(self) -> None:
        """Follow the matches that reached the end of what was known; judge those that ended."""
        still: list[Match] = []
        for match in self._open:
            self._grow(match)
            if match.open:
                still.append(match)
            elif self._long(match):
                self._judge(match)
                self._recent.append(match)
        self._open = still

    # -- judging ------------------------------------------------------------------------------

    def _judge(self, match: Match) -> None:
        length = match.stop - match.start
        original = max(match.start - match.lag, self._history.start)
        stop = original + min(length, match.lag)
        if original - self._history.start < _CONTEXT:  # little stands before: what follows will do
            stop = min(original + 2 * _CONTEXT, match.start)
        before = self._history.row(match.track, original - _CONTEXT, stop)
        x = self._history.row(match.track, match.start, match.stop)
        noise = _predict.spread(_unpredicted(before[-2 * _CONTEXT :], self._fmt))
        noisy = noise >= _edges.NOISY_STEPS and self._noisy_within(match)
        match.chance = not noisy or not _informs(before, x, self._fmt)
        if match.chance:
            return
        if self._natural(match) or self._plays_on(match, noise):
            return
        self._counts[match.track] += 1
        stuck = length >= 2 * match.lag
        again = "over and over, as when a buffer is stuck" if stuck else "a second time"
        lag_ms = milliseconds(match.lag, self._fmt.rate_hz)
        self._log.add(
            Event(
                kind="repeated-block",
                verdict=Verdict.REDO,
                remedy=Remedy.REPLAY,
                tracks=(match.track,),
                start=match.start,
                stop=match.stop,
                text=f"The same audio stands here {again}, bit for bit: a digital fault; play the "
                "tape again.",
                values={"lag_frames": match.lag, "lag_ms": lag_ms},
            ),
            within=_TOGETHER,
        )

    def _noisy_within(self, match: Match) -> bool:
        """Whether the match itself holds more than rounding makes: what rings in a rest may agree
        by nature."""
        length = min(match.stop - match.start, _CONTEXT)
        near = self._history.row(match.track, match.stop - max(_NEAR, 2 * length), match.stop)
        within = _unpredicted(near, self._fmt)[-length:]
        return _predict.spread(within) >= _NOISY_WITHIN * _edges.NOISY_STEPS

    def _natural(self, match: Match) -> bool:
        """Whether the sound repeats from its own beginning on, or between silences."""
        first = match.start - match.lag
        began = first <= _BEGINNING or self._still(match.track, first - _BEGINNING, first)
        if match.stop - match.start >= match.lag:
            return began
        return began and self._still(match.track, match.stop, match.stop + _BEGINNING)

    def _plays_on(self, match: Match, noise: float) -> bool:
        """Whether the sound beside the match comes again as well, all but bit for bit.

        So it is where music is put together from stored sounds, or a filter rings out; of two
        places in a recording that have nothing in common, noise alone differs by more than that.
        """
        sides = (
            self._apart(match, match.start - _BESIDE, match.start),
            self._apart(match, match.stop, match.stop + _BESIDE),
        )
        medians = [float(median(side)) for side in sides]
        known = any(
            track == match.track and abs(lag - match.lag) <= 1 for track, lag in self._played
        )
        # a wrong word within a repeat differs by more than a step on one side of it
        whole = min(float(side.max()) for side in sides)
        nearest = min(medians) if known else min(max(medians), whole)
        if nearest >= _ALIKE * noise:
            return False
        self._played.append((match.track, match.lag))
        return True

    def _apart(self, match: Match, start: int, stop: int) -> Floats:
        """Differences, in steps, between some frames and those one lag before."""
        start, stop = max(start, self._history.start + match.lag), min(stop, self._history.stop)
        if stop <= start:
            return np.full(1, np.inf)
        now = self._history.row(match.track, start, stop)
        then = self._history.row(match.track, start - match.lag, stop - match.lag)
        steps, _ = _edges.in_steps(np.concatenate((now, then)), self._fmt)
        return np.abs(steps[: len(now)] - steps[len(now) :])

    def _still(self, track: int, start: int, stop: int) -> bool:
        x = self._history.row(track, max(start, 0), stop)
        return len(x) > 1 and bool((x == x[0]).all())


_AT_ONCE: Final = 64  # keys looked up together
_GLANCED: Final = 66  # samples of each 1,024 that tell how often they agree: 4,000 in a batch
_GLANCED_FROM: Final = 1024
_BEGINNING: Final = 16  # frames of silence before a sound
_ORDER: Final = 16
_NOISY_WITHIN: Final = 0.67  # a few samples tell a level to some tens of per cent
_REPEAT_BY_NATURE: Final = (TrackKind.TIMECODE, TrackKind.PILOT, TrackKind.CLICK)


def _crowding(block: Block) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Of some samples of each track, evenly spread: runs of equal ones that begin, and samples
    that differ from the one before."""
    each = min(_GLANCED_FROM, block.frames)
    x = block.samples[:, : block.frames // each * each].reshape(block.tracks, -1, each)
    glanced = x[:, :, :_GLANCED]
    equal = glanced[:, :, 1:] == glanced[:, :, :-1]
    began = equal[:, :, 1:] > equal[:, :, :-1]
    runs, equals = (counted(flags.reshape(block.tracks, -1)) for flags in (began, equal))
    return runs, equal[0].size - equals


def _unpredicted(x: Samples, fmt: CaptureFormat) -> Floats:
    """What the past does not predict, in steps of the word; of too few samples nothing."""
    if len(x) < 8 * _ORDER:
        return np.zeros(0)
    steps, _ = _edges.in_steps(x, fmt)
    return _predict.forward(steps, _predict.fitted(steps, _ORDER))[_ORDER:]


def _informs(around: Samples, x: Samples, fmt: CaptureFormat) -> bool:
    """Whether equality of so many such samples is no accident.

    The probability that two samples agree is taken at eight lags around. What stands still, or goes
    on straight to a step of the word as tilted tops do, tells nothing.
    """
    agree = total = 0
    for lag in (53, 101, 197, 307, 401, 503, 601, 701):
        if len(around) > 2 * lag:
            agree += int(np.count_nonzero(around[lag:] == around[:-lag]))
            total += len(around) - lag
    chance = (agree + 1) / (total + 2)
    bends = np.count_nonzero(np.abs(np.diff(_edges.in_steps(x, fmt)[0], 2)) > 1)
    return bool(bends * np.log(1 / chance) >= np.log(TRIALS / CHANCE))
