"""The hiss of each track: the level that its noise keeps where nobody plays, as far as tape runs.

Asked for is the lowest level at which many parts of a twentieth of a second stand, each band
steadily, with hardly any below it. Noise of a tape, of its amplifier too, is about as strong in
all bands; what is played falls with frequency, and is louder. Where the tape does not run, or the
signal of a track is lost, the amplifier alone is heard: such stretches are left out, as far as they
are known (``dropouts`` tells them, so this is asked again once both checks are through).

Does not prove that what is steady is the tape's: a bed of noise that was recorded looks the same;
so does the noise of a machine that stands where nobody tells so.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median, percentile
from checks.measures import TrackLine

MOST_DBFS: Final = -45.0  # common practice: no tape hisses louder
_NOTHING_DB: Final = -190.0  # digital silence reads less
_LEVEL_DB: Final = 1.5  # own choice: width of a level of hiss; its mean over bands moves by 0.5
_STEADY_DB: Final = 3.0  # of one band, 10th to 90th percentile; noise moves by 1.4 (own trials)
_LEAST: Final = 8  # parts, 0.4 s
_SHARE: Final = 0.02  # of all parts; own choice: what is played stands so still in fewer
# From the lowest band to the highest: white noise falls by 1.2 dB, as the bands are not as wide,
# and a replay equaliser of 35 us (IEC 60094-1) lifts hiss by 7.6. Own trials: hiss -3 to 0, what
# is played -6 and less.
_FALLS_DB: Final = 6.0
_RISES_DB: Final = 9.0
_NEAR_S: Final = 0.1  # how well ``dropouts`` knows the ends of a stretch: its entries are as long

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Noise:
    """Short-time levels of all tracks and their places.

    Attributes:
        levels_db: (parts, tracks, bands), of noise from 20 Hz to 20 kHz band by band.
        starts: first frame of each part, (parts,); ``frames``: of one.
        without: tracks that are known to carry none of the tape's noise.
    """

    levels_db: Floats
    starts: NDArray[np.int64]
    frames: int
    rate_hz: int
    without: frozenset[int] = frozenset()

    def hiss_dbfs(self, track: int, apart: Iterable[tuple[int, int]] = ()) -> float | None:
        """The hiss of a track; None where it is nowhere heard plainly.

        Args:
            apart: stretches that are left out, first frame and the one behind the last.
        """
        if track in self.without:
            return None
        near = round(_NEAR_S * self.rate_hz)
        kept = np.ones(len(self.starts), np.bool_)
        for first, stop in apart:
            kept &= (self.starts + self.frames <= first - near) | (self.starts >= stop + near)
        return _kept_level(self.levels_db[kept, track].astype(np.float64))


def _kept_level(bands: NDArray[np.float64]) -> float | None:
    """The lowest level that noise keeps in parts, (parts, bands) in dB; None without one."""
    level = 10.0 * np.log10((10.0 ** (bands / 10.0)).sum(axis=1))
    heard = np.flatnonzero(level > _NOTHING_DB)
    order = heard[np.argsort(level[heard], kind="stable")]
    level, bands = level[order], bands[order]
    within = np.searchsorted(level, level + _LEVEL_DB, side="right") - np.arange(len(level))
    for first in np.flatnonzero(within >= max(_LEAST, _SHARE * len(level))).tolist():
        there = slice(first, first + int(within[first]))
        low, high = percentile(bands[there], (10, 90), axis=0)
        if (high - low).max() > _STEADY_DB:
            continue
        rise = float(median(bands[there, -1]) - median(bands[there, 0]))
        found = float(median(level[there]))
        even = -_FALLS_DB <= rise <= _RISES_DB
        return found if even and found <= MOST_DBFS and first <= within[first] else None
    return None


def heard_again(
    line: TrackLine, noise: Noise, apart: Sequence[tuple[int, int]], otherwise: str
) -> TrackLine:
    """A track's measures, with its hiss outside of some stretches.

    Args:
        otherwise: why there is none, where it was not missing without that.
    """
    hiss = noise.hiss_dbfs(line.track - 1, apart)
    whys = [why for why in (line.why or "").split("; ") if why]
    others = [why for why in whys if not why.startswith("hiss:")]
    if hiss is None:
        others = whys if line.hiss_dbfs is None else [f"hiss: {otherwise}", *others]
    rounded = None if hiss is None else round(hiss, 1)
    return dataclasses.replace(line, hiss_dbfs=rounded, why="; ".join(others) or None)
