"""Whether all that rises above a frequency is the mirror image of what sounds below it.

``_mirror`` looks near half of a lower rate, in the quieter half of the segments: there the image of
a tape's hiss shows. Where there is none, or a later noise covers it, the images of strong low
partials still rise out of that noise, and far up: the image of what sounds at a kilohertz stands
a kilohertz under the lower rate itself. So here only that is compared which rises high over the
floor, up to the lower rate: cell by cell (one bin of one segment) its detail with that of the
mirrored cell. An image has all the detail, and never more level than what it is an image of; what
was recorded up there has neither. The controls of ``_mirror`` hold here too. A tone and its
overtone may be each other's mirror by chance: what shows in a few places only is not told.

It does not prove that the change of rate lies behind the tape: a machine or an instrument that
worked at a lower rate may have left images on it. The tape's own hiss goes on above them then. So
what stands on a floor that any tape could have is called doubtful, and so is what an image does
not explain but for the most part: joined or held samples between rates of no common multiple
leave more images than one, and real overtones may stand between those of a lower rate.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile

NEAR_HZ: Final = 400.0  # from half the lower rate, and from the lower rate itself
FLOOR_PERCENTILE: Final = 15.0  # over time
FLOOR_BINS: Final = 32  # together: the median passes over the lines of held notes
# Over that floor: noise's own percentile lies 8 dB under its mean and reaches 10 dB over it once in
# 20,000 cells (chi-squared of two degrees).
RISES_DB: Final = 18.0
UNDER_DB: Final = 6.0  # by which an image is weaker; filters between rates take 20 dB and more
ENOUGH_CELLS: Final = 200  # own trials
PLACE_HZ: Final = 1_000.0
PLACES: Final = 4  # that show the likeness by themselves; a tone and its skirt fill two
PLACE_CELLS: Final = 10
PLACE_ALIKE: Final = 0.5
# Of the cells, below which a control says nothing: overtones and clocks have 0.58 and more at their
# other mirrors; below half of a lower rate there is less between the notes (own trials).
CONTROL_SHARE: Final = 0.5
ALIKE: Final = 0.85  # images reach 0.93 to 0.98, other sounds 0.3 (measured, own trials)
# Share of the cells whose mirrored cell is the stronger: 0.88 to 1.0; of overtones, whose controls
# are as alike as they, 0.71 (own trials).
EXPLAINED: Final = 0.85
# The unlikeness of the best control over that of the mirror: 4.7 and more at images (own trials).
CLEARER: Final = 3.0
DOUBTFUL: Final = 0.8  # from this likeness and this share explained on there is doubt
DOUBT_EXPLAINED: Final = 0.5
LONELY: Final = 0.6  # likeness of the best control, above which that is no more than chance
# Over this, a floor may be a tape's or its amplifier's: hiss of -75 dBFS, an amplifier 12 dB under
# it and 10 dB of headroom more, in 20 kHz (common practice).
TAPE_DBFS_HZ: Final = -140.0


@dataclass(frozen=True, slots=True)
class Image:
    """What is mirrored at ``hz``, how alike (up to 1); doubtful: it may be chance or the tape's."""

    hz: float
    likeness: float
    doubtful: bool


class Images:
    """The cells of one track's spectra.

    Args:
        levels: (segments, bins) in decibels, dBFS a hertz.
        detail: (segments, bins) the same, each less the bins around it.
        first_bin: which bin of a spectrum the first column is.
    """

    def __init__(
        self,
        levels: NDArray[np.float32],
        detail: NDArray[np.float32],
        *,
        first_bin: int,
        bin_hz: float,
    ) -> None:
        self._levels = levels
        self._detail = detail
        self._first = first_bin
        self._bin_hz = bin_hz
        low = percentile(levels, FLOOR_PERCENTILE, axis=0)
        blocks = range(0, levels.shape[1], FLOOR_BINS)
        floors = [float(median(low[k : k + FLOOR_BINS])) for k in blocks]
        self._floor = np.repeat(np.array(floors, np.float32), FLOOR_BINS)[: levels.shape[1]]
        self._rises = levels > self._floor + RISES_DB

    def at(self, half: float, controls: Iterable[tuple[float, int]]) -> Image | None:
        """Whether the track is mirrored at ``half``; ``controls``: see ``_mirror``."""
        rows, up, down = self._cells(half, 0)
        if len(rows) < ENOUGH_CELLS:
            return None
        stronger = self._levels[rows, down] > self._levels[rows, up] + UNDER_DB
        alike = self._alike(rows, up, down)
        explained = float(np.mean(stronger))
        if alike < DOUBTFUL or explained < DOUBT_EXPLAINED:
            return None
        if self._places(rows, up, down) < PLACES:
            return None
        most = 1.0 - CLEARER * (1.0 - alike)
        if explained < EXPLAINED:
            most = min(most, LONELY)
        for mirror, shift in controls:
            cells = self._cells(mirror, shift)
            if len(cells[0]) >= CONTROL_SHARE * len(rows) and abs(self._alike(*cells)) > most:
                return None
        floor = float(median(self._floor[up]))
        doubtful = alike < ALIKE or explained < EXPLAINED or floor > TAPE_DBFS_HZ
        return Image(half, alike, doubtful)

    def _cells(self, half: float, shift: int) -> tuple[NDArray[np.intp], ...]:
        """(cells,): segment, column above ``half`` and mirrored column of all that rises there."""
        last = self._first + self._levels.shape[1] - 1
        up = np.arange(
            int((half + NEAR_HZ) / self._bin_hz) + 1,
            min(int((2 * half - NEAR_HZ) / self._bin_hz), last),
        )
        down = np.rint(2 * half / self._bin_hz - up).astype(np.intp) + shift
        held = (up >= self._first) & (down >= self._first) & (down <= last)
        up, down = up[held] - self._first, down[held] - self._first
        rows, at = np.nonzero(self._rises[:, up])
        return rows, up[at], down[at]

    def _alike(self, rows: NDArray[np.intp], up: NDArray[np.intp], down: NDArray[np.intp]) -> float:
        """Correlation of the detail of such cells with that of their mirrored cells."""
        a, b = self._detail[rows, up], self._detail[rows, down]
        return float(np.dot(a, b) / max(np.sqrt(np.dot(a, a) * np.dot(b, b)), 1e-9))

    def _places(self, rows: NDArray[np.intp], up: NDArray[np.intp], down: NDArray[np.intp]) -> int:
        """How many stretches of frequency show the likeness, each by itself."""
        place = (up * self._bin_hz / PLACE_HZ).astype(np.intp)
        peaks = self._detail[rows, up] > 0.0
        shown = 0
        for k in range(int(place.max()) + 1):
            here = place == k
            if (here & peaks).sum() >= PLACE_CELLS:
                shown += self._alike(rows[here], up[here], down[here]) >= PLACE_ALIKE
        return shown
