"""Zero and held runs: samples that stand still where a real input never does.

Measured: runs of exactly equal samples (standards: IEC 60094-5 leaves the thresholds open; the
limits are common practice), a track at a time and in all tracks at once, joined across blocks.
A run counts when noise like that around it could not have made it: with a share p of equal
neighbours nearby, a run of n samples by chance has the probability p^(n-1), and that must be
below 1e-12. So quiet 16-bit and other coarse material raises nothing. Where the word is coarser
than the noise, a run counts as well at whose ends the signal breaks off (``_corners``).

What the silence means is told from its edges (``_edges``, ``_silence``): a signal that breaks
off, or is ramped down within some milliseconds, has been taken away (``zero-run``); one that
fades is over. Zeros in all tracks that begin abruptly at signal level and run to the end are a
file that was never finalised. All other digital silence is one note.

Not proven: that the audio under a run is lost for good; nor can a hold of a few samples be told
where the programme itself stands still for as long. Runs at the ceiling of the signal around are
left to the clipping check.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from checks.block import Block
from checks.dropouts import _corners, _edges, _silence, _tops, _torn
from checks.dropouts._events import Event, EventLog, told_together
from checks.dropouts._history import History
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import PartOutcome
from checks.dropouts._runs import Run, RunTracker
from checks.dropouts._silence import Side
from checks.model import CaptureFormat, Finding, Remedy, Verdict, milliseconds
from checks.sheet import Sheet, TrackKind

CHANCE: Final = 1e-12
"""Probability below which a run is no accident: an hour of 8 tracks at 352.8 kHz is 1e10
samples. From own reckoning."""

LATE_S: Final = 2.0
"""Zeros at the start of a track up to here are a converter that was still starting. Common
practice."""

_NEAR_FRAMES: Final = 2048
_TOGETHER: Final = 64  # frames within which runs on several tracks are one event


@dataclass(frozen=True, slots=True)
class _Pending:
    """A run that waits for what comes behind it."""

    run: Run
    left: Side | None  # known where the run is so long that what stood before it is forgotten
    likely: bool  # chance does not make so long a run in this block
    leaps: bool  # its ends jump so far that they are worth the dear look


class RunsPart:
    """Zero and held runs over one capture. Reads the samples around from ``history``, which
    must have seen each block first."""

    def __init__(
        self, fmt: CaptureFormat, sheet: Sheet, limits: DropoutsLimits, history: History
    ) -> None:
        self._fmt = fmt
        self._all = fmt.channels  # the row that stands for all tracks
        self._limits = limits
        self._history = history
        gap = told_together(fmt.rate_hz)
        self._log = EventLog(listed=limits.listed_digital, gap=gap)
        self._tracker = RunTracker(
            tracks=fmt.channels,
            least=min(limits.zero_run_one_track, limits.held_run),
            least_all=limits.zero_run_all_tracks,
        )
        tracks = range(fmt.channels)
        self._excused = {t for t in tracks if sheet.track(t).kind is TrackKind.UNUSED}
        self._lefts: dict[tuple[int, int], Side] = {}
        self._alone: dict[tuple[int, int], bool] = {}  # whether other tracks went on there
        self._sunk: dict[tuple[int, int], bool] = {}  # and still did so a while later
        self._pending: list[_Pending] = []
        self._last_all = (-1, -1)
        self._waiting_all: list[tuple[int, int]] = []
        self._counts = {"zero-run": [0] * fmt.channels, "held-value": [0] * fmt.channels}
        self._quiet = [0] * fmt.channels
        self._quiet_place: tuple[int, int] | None = None

    def feed(self, block: Block) -> None:
        if not block.frames or not block.tracks:
            return
        for run in self._tracker.feed(block):
            left = self._lefts.pop((run.row, run.start), None)
            self._alone.pop((run.row, run.start), None)
            self._sunk.pop((run.row, run.start), None)
            likely = run.length >= by_chance(run.crowd)
            leaps = run.length >= self._needed(run) and self._leaps(block, run)
            if run.length >= self._needed(run) and (likely or leaps):
                self._pending.append(_Pending(run, left, likely, leaps))
        for row, start in self._tracker.standing(block.stop):
            if (row, start) not in self._lefts:  # later, what stands before it is forgotten
                self._lefts[row, start] = self._left_of(self._standing(row, start))
                self._alone[row, start] = row < self._all and self._others_play(row, start)
            later = block.stop - start >= _silence.SUNK_S * self._fmt.rate_hz
            if later and row < self._all and (row, start) not in self._sunk:
                least = _silence.HISS
                self._sunk[row, start] = self._others_play(row, block.stop, least=least)
        wanted = _edges.wanted_frames(self._fmt.rate_hz)
        self._judge([p for p in self._pending if p.run.stop + wanted <= block.stop])
        self._pending = [p for p in self._pending if p.run.stop + wanted > block.stop]

    def finish(self) -> PartOutcome:
        self._judge(self._pending)
        self._pending = []
        if self._history.stop:
            self._tails(dict(self._tracker.standing(self._history.stop)))
        return PartOutcome(
            findings=(*self._log.findings(), *self._note()),
            counts={
                "zero_runs": self._counts["zero-run"],
                "held_runs": self._counts["held-value"],
            },
        )

    # -- runs with something behind them ------------------------------------------------------

    def _judge(self, ripe: list[_Pending]) -> None:
        waiting = [p.run for p in self._pending if p.run.row == self._all and p.likely]
        self._waiting_all = [(run.start, run.stop) for run in waiting]
        for pending in sorted(ripe, key=lambda p: (p.run.start, -p.run.row)):
            run = pending.run
            if run.row < self._all and (
                self._part_of_all(run) or (not run.zero and self._at_ceiling(run))
            ):
                continue  # clipped tops come by the thousand: known before the dear look
            left, right = pending.left or self._left_of(run), self._right_of(run)
            likely = pending.likely and (
                run.start == 0 or run.length >= by_chance(_crowd(left, right))
            )
            event = self._event(run, left, right) if likely else None
            if event is None and run.start and pending.leaps:
                event = self._broken_off(run)
            if run.row == self._all and (pending.likely or event):
                self._last_all = (run.start, run.stop)
            if likely or event:
                self._take(run, event)

    def _event(self, run: Run, left: Side, right: Side) -> Event | None:
        """What a run is that chance does not make."""
        tracks, rate_hz = self._tracks(run), self._fmt.rate_hz
        if run.start == 0:
            return self._head(run, right) if run.zero else None
        if not run.zero:
            return _silence.hold_between(tracks, run, left, right, rate_hz)
        event = _silence.zeros_between(tracks, run, left, right, rate_hz)
        if event and run.row == self._all and self._torn(run):
            event = _silence.in_the_file(event, rate_hz)
        return event

    def _leaps(self, block: Block, run: Run) -> bool:
        """Whether a run's ends jump far, in steps of the word that its block uses."""
        if run.leap < _corners.LEAP_STEPS * self._fmt.lsb:
            return False
        rows = slice(None) if run.row == self._all else run.row
        _, step = _edges.in_steps(block.samples[rows], self._fmt)
        return run.leap >= _corners.LEAP_STEPS * step * self._fmt.full_scale

    def _broken_off(self, run: Run) -> Event | None:
        """A run at whose ends the signal breaks off, on a track at least, whatever its noise."""
        if run.length > _silence.KEYED_S * self._fmt.rate_hz:
            return None
        near = int(_corners.NEAR_S * self._fmt.rate_hz)
        for track in self._tracks(run):
            x = self._history.row(track, run.start - near, run.stop + near)
            steps, _ = _edges.in_steps(x, self._fmt)
            first = min(near, run.start - self._history.start)
            if first < 1 or first + run.length > len(steps):
                return None  # forgotten by now
            steps -= steps[first]
            left, right = steps[:first][::-1], steps[first + run.length :]
            if _corners.broken_off(left, right, run.length, held=not run.zero):
                return _silence.broken_off(self._tracks(run), run, self._fmt.rate_hz)
        return None

    def _torn(self, run: Run) -> bool:
        before = self._history.rows(run.start - _torn.LOOKED_AT, run.start)
        behind = self._history.rows(run.stop, run.stop + _torn.LOOKED_AT)
        return _torn.torn(before, behind, self._fmt)

    def _part_of_all(self, run: Run) -> bool:
        """Whether a track's run is its share of one in all tracks: a ramp's last samples round to
        zero a little earlier on one track than on another."""
        return any(
            abs(run.start - start) <= _TOGETHER and abs(run.stop - stop) <= _TOGETHER
            for start, stop in (self._last_all, *self._waiting_all)
        )

    def _head(self, run: Run, right: Side) -> Event | None:
        late = run.row < self._all and run.length >= LATE_S * self._fmt.rate_hz
        if late and self._others_play(run.row, run.stop):
            return _silence.late_start(self._tracks(run), run, right, self._fmt.rate_hz)
        return None

    # -- runs that go on to the end -----------------------------------------------------------

    def _tails(self, rows: dict[int, int]) -> None:
        stop = self._history.stop
        if self._all in rows:
            run = self._standing(self._all, rows[self._all])
            self._last_all = (run.start, stop) if run.zero else self._last_all
            if run.zero and (run.start == 0 or self._no_chance(run)):
                used = [t for t in range(self._all) if rows.get(t) != 0]
                edges = self._lefts.get((run.row, run.start), self._left_of(run)).edges
                left = Side(tuple(edges[t] for t in used), 0.0)
                rate = self._fmt.rate_hz
                event = _silence.whole_tail(self._tracks(run), run, left, rate)
                self._take(run, event if run.start else None)
        for row in sorted(r for r in rows if r < self._all):
            run = self._standing(row, rows[row])
            if self._part_of_all(run) or (run.start and not self._no_chance(run)):
                continue
            event = None
            alone = self._alone.get((row, run.start)) or self._others_play(row, run.start)
            if run.start and (alone or not run.zero):
                event = _silence.early_end(
                    (row,),
                    run,
                    self._left(run),
                    self._fmt.rate_hz,
                    alone=alone,
                    sunk=self._sunk.get((row, run.start), False),
                )
            if run.zero or event:
                self._take(run, event)

    def _standing(self, row: int, start: int) -> Run:
        stop = self._history.stop
        last = self._history.rows(stop - 1, stop)
        values = last if row == self._all else last[row]
        return Run(row, start, stop, bool((values == 0).all()), 0.0)

    def _no_chance(self, run: Run) -> bool:
        return run.length >= max(self._needed(run), by_chance(self._left(run).crowd))

    # -- helpers ------------------------------------------------------------------------------

    def _needed(self, run: Run) -> int:
        if run.row == self._all:
            return self._limits.zero_run_all_tracks if run.zero else _NEVER
        if not run.zero:
            return self._limits.held_run
        return self._limits.zero_run_one_track

    def _tracks(self, run: Run) -> tuple[int, ...]:
        return tuple(range(self._all)) if run.row == self._all else (run.row,)

    def _left(self, run: Run) -> Side:
        return self._lefts.get((run.row, run.start)) or self._left_of(run)

    def _left_of(self, run: Run) -> Side:
        wanted = _edges.wanted_frames(self._fmt.rate_hz)
        return self._side(run, max(run.start - wanted, 0), run.start)

    def _right_of(self, run: Run) -> Side:
        wanted = _edges.wanted_frames(self._fmt.rate_hz)
        return self._side(run, run.stop, run.stop + wanted)

    def _side(self, run: Run, start: int, stop: int) -> Side:
        edges, crowd, settled = [], 1.0, 1.0
        for track in self._tracks(run):
            x = self._history.row(track, start, stop)
            outward = x[::-1] if stop <= run.start else x
            value = 0.0 if run.zero else float(self._history.row(track, run.stop - 1, run.stop)[0])
            edges.append(_edges.described(outward, self._fmt, value=value))
            near = outward[:_NEAR_FRAMES]
            if len(near) > 1:
                crowd = min(crowd, float(np.mean(near[1:] == near[:-1])))
            settled = min(settled, _edges.settled(near, self._fmt, value=value))
        return Side(tuple(edges), crowd, settled)

    def _take(self, run: Run, event: Event | None) -> None:
        """Log an event; digital silence that is none goes into the note."""
        tracks = self._tracks(run)
        if event is not None and not set(tracks) <= self._excused:
            length_ms = milliseconds(event.stop - event.start, self._fmt.rate_hz)
            event.values = {**event.values, "length_ms": length_ms}
            for track in event.tracks:
                self._counts[event.kind][track] += 1
            self._log.add(event, within=_TOGETHER)
        elif run.zero:
            for track in tracks:
                self._quiet[track] += 1
            if self._quiet_place is None:
                self._quiet_place = (run.start, run.stop)

    def _others_play(self, row: int, frame: int, *, least: float = 0.0) -> bool:
        """Whether at least half of the other tracks carry signal around a frame.

        Args:
            least: peak that it must reach, full scale 1.0.
        """
        near = self._history.rows(frame - _NEAR_FRAMES, frame + _NEAR_FRAMES)
        if near.shape[0] < 2 or not near.shape[1]:
            return False
        moves = 2 * np.count_nonzero(near, axis=1) > near.shape[1]
        moves &= np.abs(near.astype(np.float64)).max(axis=1) >= least * self._fmt.full_scale
        others = np.delete(moves, row)
        return 2 * int(np.count_nonzero(others)) >= len(others)

    def _at_ceiling(self, run: Run) -> bool:
        """Whether the run stands where tops are cut off: a flat top, not a hold."""
        start = max(run.start - _NEAR_FRAMES, 0)
        around = self._history.row(run.row, start, run.stop + _NEAR_FRAMES)
        steps, _ = _edges.in_steps(around, self._fmt)
        first = max(run.start, self._history.start) - max(start, self._history.start)
        return _tops.at_ceiling(steps, first, first + run.length)

    def _note(self) -> tuple[Finding, ...]:
        """One note for all digital silence that no signal was taken away by."""
        if self._quiet_place is None:
            return ()
        start, stop = self._quiet_place
        return (
            Finding(
                check="dropouts",
                kind="digital-silence",
                verdict=Verdict.CLEAR,
                remedy=Remedy.NONE,
                tracks=tuple(t for t, n in enumerate(self._quiet) if n),
                start_frame=start,
                frames=stop - start,
                text="Digital silence where no signal was cut off: before the first or after the "
                "last signal, faded into, or on an unused track.",
                values={"count": max(self._quiet), "listed": 1},
            ),
        )


def _crowd(*sides: Side) -> float:
    """Share of equal neighbours beside a run: of all samples, or of those that lie at its value
    where the signal comes softly to that, or leaves it so."""
    return max(share for side in sides for share in (side.crowd, side.settled))


_NEVER: Final = 1 << 62


def by_chance(crowd: float, *, chance: float = CHANCE) -> int:
    """Samples that a run must have so that chance does not make it.

    Args:
        crowd: share of equal neighbours around, 0 to 1.
        chance: probability that is small enough.
    """
    if crowd <= 0:
        return 1
    if crowd >= 1:
        return _NEVER
    return 1 + math.ceil(math.log(chance) / math.log(crowd))
