"""Runs of equal samples, across blocks, for every track and for all tracks at once.

A run shorter than the limit costs nothing: equal neighbours are looked at in words of several
flags, and only tracks in which a whole word is set are taken apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks.block import Block

_WORDS: Final = (
    (8, np.uint64, 0x0101010101010101),
    (4, np.uint32, 0x01010101),
    (2, np.uint16, 0x0101),
)
_GLANCE: Final = 64  # flags at a block's end within which most runs show where they began


@dataclass(frozen=True, slots=True)
class Run:
    """Equal samples from ``start`` to before ``stop``.

    Attributes:
        row: the track, or the number of tracks for a run in all of them.
        zero: whether the value is 0 (in all tracks, for a run in all).
        crowd: share of equal neighbours in the block, this run left out, 0 to 1.
        leap: largest change at its ends, native units; infinite where it began long before.
    """

    row: int
    start: int
    stop: int
    zero: bool
    crowd: float
    leap: float = math.inf

    @property
    def length(self) -> int:
        return self.stop - self.start


class RunTracker:
    """Finds the runs of at least ``least`` (one track) and ``least_all`` samples (all tracks)."""

    def __init__(self, *, tracks: int, least: int, least_all: int) -> None:
        self._least = np.full(tracks + 1, least, np.int64)
        self._least[tracks] = least_all
        self._began = np.zeros(tracks + 1, np.int64)

    def feed(self, block: Block) -> list[Run]:
        """The runs that end within this block, in order of row, then of place."""
        flags = block.repeats
        tracks = len(flags)
        everywhere: NDArray[np.bool_] = np.logical_and.reduce(flags, axis=0)
        found: list[Run] = []
        least, least_all = int(self._least[0]), int(self._least[tracks])
        looked = np.append(
            _has_run(flags, least - 1), _has_run(everywhere[np.newaxis], least_all - 1)
        )
        firsts = np.append(flags.argmin(axis=1), everywhere.argmin())
        lasts = np.append(_last_clear(flags), _last_clear(everywhere[np.newaxis]))
        looked |= block.start + firsts - self._began >= self._least
        for row in np.flatnonzero(looked & (lasts >= 0)).tolist():
            found += self._ended(block, row, flags[row] if row < tracks else everywhere)
        # where no flag is clear, all of the block goes on as the one before ended
        self._began = np.where(lasts >= 0, block.start + lasts, self._began)
        return found

    def standing(self, stop: int) -> list[tuple[int, int]]:
        """(row, first frame) of the runs that are long enough and still go on at ``stop``."""
        rows = np.flatnonzero(stop - self._began >= self._least)
        return [(int(row), int(self._began[row])) for row in rows]

    def _ended(self, block: Block, row: int, flags: NDArray[np.bool_]) -> list[Run]:
        clear = np.flatnonzero(~flags)
        starts = np.concatenate(([self._began[row]], block.start + clear[:-1]))
        stops = block.start + clear
        lengths = stops - starts
        equal = int(np.count_nonzero(flags))
        runs: list[Run] = []
        for k in np.flatnonzero(lengths >= self._least[row]):
            inside = min(int(lengths[k]) - 1, int(clear[k]))
            crowd = max(equal - inside, 0) / max(len(flags) - inside, 1)
            last = block.lead + int(clear[k]) - 1
            value: Any = block.with_lead[:, last] if last >= 0 else np.ones(1)
            zero = bool((value == 0).all()) if row == block.tracks else bool(value[row] == 0)
            leap = _leap(block, row, int(starts[k]), int(stops[k]))
            runs.append(Run(row, int(starts[k]), int(stops[k]), zero, crowd, leap))
        return runs


def _leap(block: Block, row: int, start: int, stop: int) -> float:
    """The largest change at a run's ends, see ``Run.leap``."""
    rows = slice(None) if row == block.tracks else slice(row, row + 1)
    begins, ends = (block.lead + frame - block.start for frame in (start, stop))
    if begins < 1:
        return math.inf
    before, value, after = (
        block.with_lead[rows, at].astype(np.float64) for at in (begins - 1, begins, ends)
    )
    return float(np.maximum(np.abs(before - value), np.abs(after - value)).max())


def _has_run(flags: NDArray[np.bool_], count: int) -> NDArray[np.bool_]:
    """(tracks,): whether ``count`` flags in a row may be set somewhere; never wrongly False."""
    tracks, frames = flags.shape
    for size, kind, full in _WORDS:
        if count >= 2 * size - 1 and frames % size == 0 and flags.flags.c_contiguous and frames:
            words: NDArray[np.bool_] = (flags.view(kind) == full).any(axis=1)
            return words
    return np.ones(tracks, np.bool_)


def _last_clear(flags: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(rows,): place of the last flag of each row that is not set; -1 where all are."""
    tails = flags[:, -_GLANCE:]
    last: NDArray[np.int64] = flags.shape[1] - 1 - tails[:, ::-1].argmin(axis=1)
    for row in np.flatnonzero(tails.all(axis=1)).tolist():
        clear = np.flatnonzero(~flags[row])
        last[row] = clear[-1] if len(clear) else -1
    return last
