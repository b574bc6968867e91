"""Runs of samples held at full scale between two breaks of slope: what a clipped peak leaves.

No standard fixes a number of samples; four in a row was the practice of the compact-disc era. A
count alone misleads at high rates: a clean 20 Hz tone at 16 bit holds its top code for 31 samples
at 352.8 kHz, because its crest is flatter than one step of the word. So a run counts when

- it lasts at least three samples and a given time,
- the signal comes from below and leaves to below on both sides, by far more than the crest of a
  smooth signal could within half the run's own length (a few steps of the word), and
- of all runs of a track a fair part has a slope on one side at least: the flanks of a square wave
  or a click made of plain steps are not what an overloaded input makes of music.

What cannot be told: a clipped tone so far overdriven that its flanks take no sample at all is a
square wave. Blocks that spend nearly all their time at two levels are passed by for that reason.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._levels import outer_shares, two_lengths, word_step
from checks._runs import Indices, Places, true_runs
from checks._stood import Stood
from checks.block import LEAD_FRAMES, Block
from checks.model import CaptureFormat

EDGE_FRAMES: Final = 64  # how far from a run its flanks are looked at; well within the lead
HELD: Final = 2.0**-21  # of full scale, four steps of 24 bits: dither on clipped peaks
HELD_DROPS: Final = 24.0  # of these; a crest within one for n samples falls by 3 to 15 within n / 2
SMALLEST_DROP_STEPS: Final = 64.0  # a crest held for n samples falls 4 to 24 steps within n / 2
LARGEST_DROP: Final = 2.0**-4  # of full scale: more is never asked for (short words)
SLOPED_SHARE: Final = 0.05  # of the last jump: a flank, not a step from a plateau
SLOPED_RUNS_SHARE: Final = 0.2  # of a track's runs; real clipping of a 60 kHz tone at 375 kHz: half
TWO_LEVELS_SHARE: Final = 0.92  # of a block's time near two levels; a tone 14 dB over has that
EITHER_LEVEL_SHARE: Final = 0.2  # of it near each, or it is a quiet ground with peaks to one side
PEAK_DBFS: Final = -1.0  # excursions beyond this are the peaks among which runs have their share


@dataclass(slots=True)
class HeldRuns:
    """What was found on one track; ``seen`` and ``sloped`` say whether it counts.

    ``below``: what is held lies a little below full scale.
    """

    places: Places
    stood: Stood
    seen: int = 0
    sloped: int = 0
    longest: int = 0
    held_frames: int = 0
    peaks: int = 0
    below: bool = False

    @property
    def runs(self) -> int:
        """Clipped peaks: none where hardly any run is left or reached by a slope."""
        return self.seen if self.sloped >= SLOPED_RUNS_SHARE * self.seen else 0


@dataclass(frozen=True, slots=True)
class _Begun:
    """A run that may go on in the next block: where it began, and what came before it."""

    start: int
    falls: bool
    slopes: bool


@dataclass(slots=True)
class _Found:
    """Runs of one track in one window, all arrays of one length; frames of the capture."""

    starts: Indices
    stops: Indices
    counts: NDArray[np.bool_]  # long enough, and falls away on both sides
    sloped: NDArray[np.bool_]  # by a slope on one side at least
    settled: NDArray[np.bool_]  # seen with its whole flank behind it
    begun: _Begun | None = field(default=None)


class FullScaleRuns:
    """Finds the runs block by block; joined where they cross a border.

    Attributes:
        tracks: what was found, one entry a track; complete after ``finish``.
    """

    def __init__(self, fmt: CaptureFormat, *, shortest: int, gap_frames: int) -> None:
        self._fmt = fmt
        self._shortest = shortest
        self._high = fmt.full_scale - max(fmt.full_scale * HELD, fmt.lsb)
        self.tracks = [
            HeldRuns(Places(gap_frames), Stood(fmt.rate_hz)) for _ in range(fmt.channels)
        ]
        self._begun: dict[int, _Begun] = {}
        self._waiting: dict[int, tuple[_Found, NDArray[np.bool_]]] = {}

    def feed(self, block: Block) -> None:
        """Take the next block in order. Tracks that do not reach full scale cost nothing."""
        hot = (block.peak >= self._high) | (block.trough <= -self._high)
        if not (self._begun or self._waiting or hot.any()):
            return
        for track in sorted({*np.flatnonzero(hot).tolist(), *self._begun, *self._waiting}):
            self._feed_track(block, track, hot=bool(hot[track]))

    def _feed_track(self, block: Block, track: int, *, hot: bool) -> None:
        self._waiting.pop(track, None)  # seen again here, with more behind them
        row = block.with_lead[track]
        before = self._begun.pop(track, None)
        found = _runs_in(
            row,
            block.start - block.lead,
            self._high,
            self._drop(row),
            before,
            self._shortest,
        )
        if found is None:
            return
        # What was settled at the end of the block before has been counted there.
        fresh = found.stops + EDGE_FRAMES > block.start
        if hot and (
            _two_levels(block.scaled[track])
            or two_lengths((found.stops - found.starts)[found.counts])
        ):
            found.counts[:] = False
        self._count(track, found, fresh & found.settled)
        late = fresh & ~found.settled
        if late.any():
            self._waiting[track] = found, late
        if found.begun is not None:
            self._begun[track] = found.begun
        if hot:
            self.tracks[track].peaks += _peaks(block.scaled[track])

    def _drop(self, row: NDArray[Any]) -> float:
        """How far the signal must fall away on both sides of a run, native units."""
        full = self._fmt.full_scale
        step = word_step(row, self._fmt)
        held = full - self._high - step  # nothing where only the last step is full scale
        return min(max(SMALLEST_DROP_STEPS * step, HELD_DROPS * held), LARGEST_DROP * full)

    def _count(self, track: int, found: _Found, which: NDArray[np.bool_]) -> None:
        which = which & found.counts
        if not which.any():
            return
        starts, stops = found.starts[which], found.stops[which]
        into = self.tracks[track]
        into.seen += len(starts)
        into.sloped += int(np.count_nonzero(found.sloped[which]))
        into.longest = max(into.longest, int((stops - starts).max()))
        into.held_frames += int((stops - starts).sum())
        into.places.add_all(starts, stops)
        into.stood.add_all(starts, stops)

    def finish(self) -> None:
        """The capture has ended: what waited for more is judged by what there was."""
        for track, (found, late) in self._waiting.items():
            self._count(track, found, late)
        self._waiting.clear()


def _runs_in(
    row: NDArray[Any], origin: int, high: float, drop: float, before: _Begun | None, shortest: int
) -> _Found | None:
    """Runs of samples at full scale in one row.

    Args:
        row: (frames,) native samples; ``origin`` is the frame of the first.
        high: smallest magnitude that counts as full scale.
        drop: how far the signal must fall away on both sides.
        before: the run that covers the first sample, if it began earlier.

    Returns:
        None where there is no run of two or more.
    """
    top, bottom = row >= high, row <= -high
    if row.dtype.kind == "f":
        top &= row <= 1.0  # beyond it nothing is held at full scale
        bottom &= row >= -1.0
    starts, lasts = true_runs((top[1:] & top[:-1]) | (bottom[1:] & bottom[:-1]))
    if not len(starts):
        return None
    stops = lasts + 1
    size = len(row)
    x = np.nan_to_num(row.astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)
    sign = np.sign(x[starts])
    reach = np.clip((stops - starts) // 2, 1, EDGE_FRAMES)
    falls_in, slopes_in = _flank(x, starts, -1, reach, sign, drop)
    falls_out, slopes_out = _flank(x, stops - 1, 1, reach, sign, drop)
    begun = None
    first_start = origin
    if starts[0] == 0:
        if before is not None:
            falls_in[0], slopes_in[0] = before.falls, before.slopes
            first_start = before.start
        else:
            falls_in[0] = False  # the capture begins within the run: no break of slope to be seen
    absolute = starts + origin
    absolute[0] = absolute[0] if starts[0] else first_start
    # One run at most covers the first sample of the next block's lead and is not settled here.
    for k in np.flatnonzero((starts <= size - LEAD_FRAMES) & (stops + EDGE_FRAMES > size)).tolist():
        begun = _Begun(int(absolute[k]), bool(falls_in[k]), bool(slopes_in[k]))
    long = stops + origin - absolute >= shortest
    return _Found(
        absolute,
        stops + origin,
        long & falls_in & falls_out,
        slopes_in | slopes_out,
        stops + EDGE_FRAMES <= size,
        begun,
    )


def _flank(
    x: NDArray[np.float64],
    ends: Indices,
    way: int,
    reach: Indices,
    sign: NDArray[np.float64],
    drop: float,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether the signal falls away from the end samples of runs, and by a slope.

    Args:
        ends: index of the run's outermost sample; ``way`` -1 looks back, 1 ahead.
        reach: how many samples to look, at all of which: it may come back to the rail.

    Returns:
        bool, (runs,) each: falls by far more than a crest would; not by one plain step.
    """
    last = len(x) - 1
    there = ends + way
    exists = (there >= 0) & (there <= last)
    near = x[np.clip(there, 0, last)]
    next_ = x[np.clip(there + way, 0, last)]
    held = x[ends]
    falls = np.zeros(len(ends), np.bool_)
    with np.errstate(over="ignore"):  # float64 captures hold what they like
        for away in range(1, int(reach.max()) + 1):
            beyond = x[np.clip(ends + way * away, 0, last)]
            falls |= (away <= reach) & ((held - beyond) * sign >= drop)
        falls &= exists
        slopes = exists & (np.abs(next_ - near) >= SLOPED_SHARE * np.abs(held - near))
    return falls, slopes


def _two_levels(row: NDArray[np.float32]) -> bool:
    upper, lower = outer_shares(row)
    return upper + lower >= TWO_LEVELS_SHARE and min(upper, lower) >= EITHER_LEVEL_SHARE


def _peaks(row: NDArray[np.float32]) -> int:
    """Excursions beyond ``PEAK_DBFS``, either polarity."""
    high = 10 ** (PEAK_DBFS / 20)
    return len(true_runs(row > high)[0]) + len(true_runs(row < -high)[0])
