"""Runs in a sequence of samples, and the places that grow out of many of them.

Kernels that several checks share. Nothing here knows what a run means.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Indices = NDArray[np.int64]

KEPT_PLACES: Final = 32  # from memory: more than a person walks through for one finding


def true_runs(mask: NDArray[np.bool_]) -> tuple[Indices, Indices]:
    """Runs of True in one row.

    Args:
        mask: bool, shape (frames,).

    Returns:
        int64, shape (runs,) each: first index of every run, and the index just behind it.

    Raises:
        ValueError: ``mask`` is not one-dimensional.
    """
    if mask.ndim != 1:
        raise ValueError(f"mask must be (frames,), got shape {mask.shape}")
    return index_runs(np.flatnonzero(mask))


def long_runs(mask: NDArray[np.bool_], least: int) -> Iterator[tuple[int, int]]:
    """The runs of at least so many, see ``true_runs``: coarse words in a rest have many shorter."""
    starts, stops = true_runs(mask)
    long = stops - starts >= least
    return zip(starts[long].tolist(), stops[long].tolist(), strict=True)


def index_runs(at: Indices) -> tuple[Indices, Indices]:
    """Runs of neighbouring numbers in a sorted list of indices; see ``true_runs``.

    The cheaper way where few samples are True: it never looks at the others.
    """
    if not len(at):
        return at, at
    breaks = np.flatnonzero(np.diff(at) > 1)
    starts = at[np.concatenate(([0], breaks + 1))]
    stops = at[np.concatenate((breaks, [len(at) - 1]))] + 1
    return starts, stops


@dataclass(slots=True)
class Place:
    """A stretch in which something was seen ``count`` times."""

    start: int
    stop: int
    count: int

    @property
    def frames(self) -> int:
        return self.stop - self.start


class Places:
    """Where something was seen: neighbours merged, few places kept, every one counted.

    When more than ``keep`` places have gathered, the gap within which neighbours merge is
    doubled until half as many are left. So memory is bounded, nothing drops out, and what is
    kept depends on the sequence of additions alone.
    """

    def __init__(self, gap_frames: int, keep: int = KEPT_PLACES) -> None:
        self._gap = max(gap_frames, 1)
        self._keep = keep
        self._places: list[Place] = []

    def add(self, start: int, stop: int, count: int = 1) -> None:
        """A further stretch, in frames; additions come in rising order of ``start``."""
        last = self._places[-1] if self._places else None
        if last is not None and start - last.stop <= self._gap:
            last.start = min(last.start, start)
            last.stop = max(last.stop, stop)
            last.count += count
            return
        self._places.append(Place(start, stop, count))
        if len(self._places) > self._keep:
            self._thin()

    def add_all(self, starts: Indices, stops: Indices) -> None:
        """Many stretches at once, sorted by start; each counts once."""
        if not len(starts):
            return
        breaks = np.flatnonzero(starts[1:] - stops[:-1] > self._gap)
        first = np.concatenate(([0], breaks + 1))
        behind = np.concatenate((breaks + 1, [len(starts)]))
        for a, b in zip(first.tolist(), behind.tolist(), strict=True):
            self.add(int(starts[a]), int(stops[a:b].max()), b - a)

    def _thin(self) -> None:
        while len(self._places) > self._keep // 2:
            self._gap *= 2
            merged = self._places[:1]
            for place in self._places[1:]:
                last = merged[-1]
                if place.start - last.stop <= self._gap:
                    last.stop = max(last.stop, place.stop)
                    last.count += place.count
                else:
                    merged.append(place)
            self._places = merged

    def __iter__(self) -> Iterator[Place]:
        return iter(self._places)

    def __len__(self) -> int:
        return len(self._places)
