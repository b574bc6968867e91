"""Short-time levels in narrow bands, in bounded memory, and which blocks they are taken from.

The bands are narrow enough to see where a floor falls and wide enough for a level from a single
segment; the wider bands of the report are sums of them. When the memory is full, every second
point is dropped; points are never averaged, so each stays what it was: one segment.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import DTypeLike, NDArray

FROM_HZ: Final = 5_000.0  # lower end of the programme that all else is held against
# Width of the narrow bands up to a frequency: about a thirtieth of an octave (common practice).
WIDTHS_HZ: Final = (
    (32e3, 500.0),
    (64e3, 1e3),
    (128e3, 2e3),
    (256e3, 4e3),
    (512e3, 8e3),
    (math.inf, 16e3),
)
# Borders of the report's bands: preferred numbers, series R10 of ISO 3:1973.
REPORT_HZ: Final = tuple(
    round(decade * step)
    for decade in (10_000, 100_000, 1_000_000)
    for step in (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
    if decade * step >= 20_000
)
ALL_BLOCKS: Final = 64  # captures up to so many blocks are analysed whole (for speed)
SHARE_BEYOND: Final = 1 / 20  # of the blocks beyond these (for speed)
MOST_BLOCKS: Final = 720  # in the longest captures: more would move no percentile (for speed)
GOLDEN: Final = (math.sqrt(5.0) - 1.0) / 2.0  # its multiples modulo 1 lie evenly, however many
MOST_POINTS: Final = 1024  # kept a track; fewer where there are more than 32 tracks
MOST_POINTS_ALL: Final = 32_768  # of all tracks together


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Which blocks are analysed: by their numbers (from 0) alone, evenly spread.

    Attributes:
        share: of all blocks.
        certain: the first so many are analysed in any case.
    """

    share: float
    certain: int = 0

    def takes(self, number: int) -> bool:
        return number < self.certain or number * GOLDEN % 1.0 < self.share


def choice_of_blocks(blocks: int | None) -> Choice:
    """For a capture of so many blocks; None: nobody knows how many there are."""
    if blocks is None:
        return Choice(share=SHARE_BEYOND, certain=ALL_BLOCKS)
    if blocks <= ALL_BLOCKS:
        return Choice(share=1.0)
    wanted = min(ALL_BLOCKS + (blocks - ALL_BLOCKS) * SHARE_BEYOND, MOST_BLOCKS)
    return Choice(share=wanted / blocks)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportBand:
    """A band of the report: narrow bands ``first`` to before ``stop``."""

    from_hz: float
    to_hz: float
    first: int
    stop: int


@dataclass(frozen=True, slots=True, eq=False)
class BandLayout:
    """How the bins of a spectrum fall into narrow bands.

    Attributes:
        edges_hz: (bands + 1,), rising.
        first_bin: (bands,): first bin of each; it ends before the next one's first.
        stop_bin: end of the last.
        bins: (bands,): how many bins each holds, at least 1.
        report: the report's bands, from 20 kHz to half the rate.
    """

    edges_hz: NDArray[np.float64]
    first_bin: NDArray[np.intp]
    stop_bin: int
    bins: NDArray[np.intp]
    report: tuple[ReportBand, ...]

    @property
    def count(self) -> int:
        return len(self.first_bin)

    @property
    def centre_hz(self) -> NDArray[np.float64]:
        return np.asarray((self.edges_hz[1:] + self.edges_hz[:-1]) / 2)

    def means(self, spectra: NDArray[np.float64]) -> NDArray[np.float64]:
        """(..., bands): mean of each band's bins of (..., bins)."""
        sums = np.add.reduceat(spectra[..., : self.stop_bin], self.first_bin, axis=-1)
        return np.asarray(sums / self.bins)


def band_layout(rate_hz: float, length: int) -> BandLayout:
    """Narrow bands from 5 kHz to half the rate, with borders at those of the report.

    Args:
        rate_hz: above 40 kHz, so that there is something above 20 kHz.
        length: frames of a segment; its bins must be narrower than the narrowest band.
    """
    top = rate_hz / 2
    grid = [FROM_HZ]
    while grid[-1] < top:
        grid.append(grid[-1] + next(w for limit, w in WIDTHS_HZ if grid[-1] < limit))
    borders = [float(hz) for hz in REPORT_HZ if hz < top]
    edges = np.array(sorted({*grid[:-1], *borders}))
    stop = (length + 1) // 2  # the bin of half the rate is left out
    first, where = np.unique(np.ceil(edges * length / rate_hz).astype(np.intp), return_index=True)
    edges = np.append(edges[where[first < stop]], top)
    first = first[first < stop]
    report = []
    for low, high in zip(borders, [*borders[1:], top], strict=True):
        a, b = (int(i) for i in np.searchsorted(edges, [low, high]))
        if b > a:
            report.append(ReportBand(from_hz=low, to_hz=high, first=a, stop=b))
    return BandLayout(edges, first, stop, np.diff(np.append(first, stop)), tuple(report))


class PointStore:
    """Up to ``most`` points in time, each (tracks, columns).

    The points are numbered as they come. When the store is full it keeps every second one and
    from then on takes only every second of those that come, and so on: which points stand in it
    depends on their number alone.
    """

    def __init__(
        self, tracks: int, columns: int, *, most: int, dtype: DTypeLike = np.float32
    ) -> None:
        self._most = max(16, most & ~1)
        self._data = np.empty((self._most, tracks, columns), dtype)
        self._held = 0
        self._seen = 0
        self._stride = 1

    @property
    def shape(self) -> tuple[int, int]:
        """(tracks, columns) of a point."""
        return self._data.shape[1], self._data.shape[2]

    def wanted(self, count: int) -> bool:
        """Whether any of the next ``count`` points will be kept for now."""
        return -self._seen % self._stride < count

    def add(self, point: NDArray[Any]) -> None:
        """Takes the next point, (tracks, columns)."""
        if self._seen % self._stride == 0 and self._held == self._most:
            half = self._most // 2
            self._data[:half] = self._data[::2].copy()
            self._held = half
            self._stride *= 2
        if self._seen % self._stride == 0:
            self._data[self._held] = point
            self._held += 1
        self._seen += 1

    def skip(self, count: int) -> None:
        """Lets ``count`` points go by, none of which is wanted."""
        self._seen += count

    def points(self) -> NDArray[Any]:
        """(points, tracks, columns), in order of time."""
        return self._data[: self._held]
