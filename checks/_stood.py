"""Stretches in which a signal stands at its ceilings: in them no hiss is heard.

Held or flat peaks that follow one another within a moment make one stretch. Other checks need
these to know why a track's hiss is gone for some milliseconds.
"""

from __future__ import annotations

from typing import Final

from checks._runs import Indices

GAP_S: Final = 0.001  # between peaks of one stretch: what the bands of the tape's part smear
LEAST_S: Final = 0.001  # shorter ones look like no dip of the hiss
LEAST_HELD: Final = 0.5  # share of a stretch that is held; the other half brings 3 dB of hiss
KEPT: Final = 256  # of a track, the longest ones; from memory: more than dips are told


class Stood:
    """Gathers the stretches of one track; peaks come in order, those of a block at once."""

    def __init__(self, rate_hz: int) -> None:
        self._gap = round(GAP_S * rate_hz)
        self._least = round(LEAST_S * rate_hz)
        self._open: tuple[int, int, int] | None = None  # start, stop, held
        self._kept: list[tuple[int, int]] = []

    def add_all(self, starts: Indices, stops: Indices) -> None:
        """Further peaks, sorted by start."""
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            if self._open is not None and start - self._open[1] <= self._gap:
                first, last, held = self._open
                self._open = first, max(last, stop), held + max(stop - max(start, last), 0)
            else:
                self._close()
                self._open = start, stop, stop - start

    def _close(self) -> None:
        if self._open is None:
            return
        start, stop, held = self._open
        if stop - start >= self._least and held >= LEAST_HELD * (stop - start):
            self._kept.append((start, stop))
        if len(self._kept) > 2 * KEPT:
            self._kept = self._longest()

    def _longest(self) -> list[tuple[int, int]]:
        return sorted(self._kept, key=lambda s: (s[0] - s[1], s[0]))[:KEPT]

    def stretches(self) -> list[tuple[int, int]]:
        """First frame and the one behind the last of each, in order; the longest, if many."""
        self._close()
        self._open = None
        return sorted(self._longest())
