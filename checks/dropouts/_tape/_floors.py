"""What every track's level was, band by band, over the whole capture, in bounded memory.

An entry covers ``ENTRY_HOPS`` hops (some 93 ms): the mean level of each band, and its *low*, the
least of eight parts. Steady noise keeps both close together; that is how hiss is told from
programme. Once the store is full, neighbouring entries are joined in pairs.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._tape._bands import Floats

ENTRY_HOPS: Final = 256
PARTS: Final = 8
_STORED: Final = 786_432  # entries times tracks: 28 MB in nine bands
_SILENCE: Final = 1e-16  # -160 dB: far under the last bit of a 24-bit word

# Chi-square with 64 degrees of freedom (a band's cosines and sines over 32 hops), computed once
# with a generator of random numbers: what steady noise of mean 1 gives.
LOW_MEAN_DB: Final = -1.19  # its low
PART_QUANTILE_DB: Final = -0.86  # the 15 % quantile of its parts
STEADY_DB: Final = 2.5  # mean over low; exceeded in 1 % of the entries

AT_DB: Final = 2.0  # from a level: what steady noise does by itself, and a little drift
CHANGE_DB: Final = 3.0  # between stretches of one tape (common practice)
ERASED_DB: Final = 4.5
"""Where somebody punched in, or tape was bulk-erased, it is 3 to 4 dB quieter (common practice)."""

NOTHING_DB: Final = -130.0
"""Under any converter's noise in these bands (common practice): there the words stand still."""

_CLICKS: Final = 3  # entries: as many as one click may touch (from memory)

_LEAKS_DB: Final = 90.0  # under a steady tone, its leak through the window (92 dB, see ``_bands``)


def decibels(power: Floats) -> Floats:
    """10 log10, with a floor at -160 dB."""
    return np.asarray(10.0 * np.log10(np.maximum(power, np.float32(_SILENCE))), np.float32)


def together_db(bands_db: NDArray[np.float16]) -> NDArray[np.float64]:
    """Power of all bands together, dB, from that of each; without their axis, the first."""
    return np.asarray(10.0 * np.log10((10.0 ** (bands_db.astype(np.float64) / 10.0)).sum(axis=0)))


def clear_of_leaks(low: Floats, mean: Floats) -> NDArray[np.bool_]:
    """Where a band's low is not just what the windows leak of the loudest band; shape as given.

    Args:
        low, mean: (bands, ...) in dB, at the same time.
    """
    return np.asarray(low > mean.max(axis=0) - np.float32(_LEAKS_DB))


def keeps_to(over: Floats, spread: Floats, rests: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where noise is steady at the level of a hiss, or at that of tape erased otherwise.

    The lowest level that is heard for long enough may be that of a short stretch. Breath that is
    so much louder follows its notes; hiss is heard in rests.

    Args:
        over: dB over that level; ``spread``: of the mean over the low, dB. Both (bands, entries).
        rests: where the body of the sound rests, (entries,).
    """
    most = np.where(rests, ERASED_DB, CHANGE_DB)
    return np.asarray((over >= -AT_DB) & (over <= most) & (spread <= STEADY_DB))


def plateau(levels: Floats, least: int, width_db: float = 1.5) -> float | None:
    """The lowest level that at least so many values keep within a width; None without one."""
    ordered = np.sort(levels)
    if len(ordered) < least:
        return None
    close = ordered[least - 1 :] - ordered[: len(ordered) - least + 1] <= width_db
    if not close.any():
        return None
    first = int(np.argmax(close))
    stop = int(np.searchsorted(ordered, ordered[first] + width_db, side="right"))
    middle = ordered[(first + stop - 1) // 2] + ordered[(first + stop) // 2]
    return float(middle / 2)  # they are in order: no need for a median


class LevelHistory:
    """Entries in the order of time.

    Attributes:
        entry_hops: hops that one entry covers now; doubles whenever the store was full.
    """

    def __init__(self, bands: int, tracks: int) -> None:
        self.entry_hops = ENTRY_HOPS
        self._most = max(2048, _STORED // max(tracks, 1) // 2 * 2)
        self._levels = np.empty((2, bands, tracks, 256), np.float16)
        self._count = 0
        self._waiting = np.empty((2, bands, tracks, 0), np.float32)  # too few to be joined yet

    def append(self, parts: Floats) -> None:
        """Take the mean energies of ``PARTS`` parts an entry: (bands, tracks, PARTS x entries)."""
        split = parts.reshape(*parts.shape[:2], -1, PARTS)
        new = np.stack((decibels(split.mean(axis=3)), decibels(split.min(axis=3))))
        while new.shape[3]:
            if self._count == self._most:
                halved = _join(self._levels[..., : self._most].astype(np.float32), 2)
                self._count //= 2
                self._levels[..., : self._count] = halved
                self.entry_hops *= 2
            size = self.entry_hops // ENTRY_HOPS
            room = (self._most - self._count) * size - self._waiting.shape[3]
            waiting = np.concatenate((self._waiting, new[..., :room]), axis=3)
            new = new[..., room:]
            whole = waiting.shape[3] // size * size
            self._waiting = waiting[..., whole:]
            self._store(_join(waiting[..., :whole], size))

    def close(self) -> None:
        """Store what still waits to be joined: the last entry of a capture."""
        if self._waiting.shape[3]:
            self._store(_join(self._waiting, self._waiting.shape[3]))
            self._waiting = self._waiting[..., :0]

    def _store(self, entries: Floats) -> None:
        total = self._count + entries.shape[3]
        if total > self._levels.shape[3]:
            grown = np.empty((*self._levels.shape[:3], min(2 * total, self._most + 1)), np.float16)
            grown[..., : self._count] = self._levels[..., : self._count]
            self._levels = grown
        self._levels[..., self._count : total] = entries
        self._count = total

    @property
    def entries(self) -> int:
        return self._count

    @property
    def mean_db(self) -> NDArray[np.float16]:
        """(bands, tracks, entries): mean level."""
        return self._levels[0, :, :, : self._count]

    @property
    def low_db(self) -> NDArray[np.float16]:
        """(bands, tracks, entries): least level of the parts."""
        return self._levels[1, :, :, : self._count]

    def is_silent(self, track: int) -> bool:
        """Whether a track holds nothing, not so much as a converter's noise, but for a click."""
        heard = (self.mean_db[:, track] > NOTHING_DB).any(axis=0)
        return int(np.count_nonzero(heard)) <= _CLICKS


def _join(levels: Floats, count: int) -> Floats:
    """Groups of ``count`` entries of (2, bands, tracks, entries) as one: mean power, mean low."""
    if count == 1 or not levels.shape[3]:
        return levels
    grouped = levels.reshape(*levels.shape[:3], -1, count)
    power = np.power(np.float32(10), grouped[0] / np.float32(10)).mean(axis=-1)
    return np.stack((decibels(power), grouped[1].mean(axis=-1)))
