"""Generators that somebody switches on or off: pilot, timecode, click.

An oscillator begins wherever its period stands, within one sample of a track's own band. On tracks
that a sheet calls so, that is no step; nor on others where nothing but a pilot's tone begins or
ends. What jumps while the generator runs on is told as anywhere.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._steps._place import Place
from checks.sheet import Sheet, TrackKind

_GENERATORS: Final = (TrackKind.TIMECODE, TrackKind.PILOT, TrackKind.CLICK)
_AT_ONCE: Final = 1  # frames
_PERIOD_S: Final = 0.02  # of the lowest pilot: 50 Hz (common practice)
_RINGS: Final = 32  # frames on each side of the place itself
_SILENT: Final = 0.1
"""Most that is heard where it is switched off. From own trials: hiss lies 30 to 50 dB lower."""

_PILOT_HZ: Final = (48.0, 63.0)  # 50 and 60 Hz (common practice), off a tape some per cent away
_APART_S: Final = 0.004
_SMOOTH_S: Final = 0.001
_OTHER: Final = 0.001
"""Most of the energy that is no tone. From own trials: pilots of -18 dBFS over hiss 1e-5 to 1e-4,
bass notes of strings 0.01 and more."""


class Switched:
    """Knows the tracks that a generator feeds."""

    def __init__(self, sheet: Sheet, channels: int, rate_hz: int, *, limit: float) -> None:
        """``limit``: standard deviations from which on a track jumps by itself."""
        self._fed = {k for k in range(channels) if sheet.track(k).kind in _GENERATORS}
        self._rate_hz, self._limit = rate_hz, limit
        self._reach = max(round(_PERIOD_S * rate_hz), 4 * _RINGS)

    def others(self, place: Place, tracks: tuple[int, ...]) -> tuple[int, ...]:
        """Those tracks that jump by themselves: all, where one does so as a generator is switched.

        Nobody switches at the very sample of a cut; it is cut as the others are. Nor is one
        switched off as another is switched on.
        """
        fed = [t for t in tracks if self._here(place, t)]
        if _changes_places(place, fed):
            return tracks
        others = tuple(t for t in tracks if t not in fed)
        switched = [j.frame for t in fed if (j := place.junction(t)) is not None]
        found = [j for t in others if switched and (j := place.junction(t)) is not None]
        cut = [j.frame for j in found if j.jump >= self._limit]
        return tracks if any(abs(a - b) <= _AT_ONCE for a in cut for b in switched) else others

    def _here(self, place: Place, track: int) -> bool:
        """Whether a generator is switched on or off at a place."""
        x, at = place.around(track, place.peak, self._reach)
        sides = x[: max(at - _RINGS, 0)], x[at + _RINGS :]
        if min(len(side) for side in sides) < self._reach // 2:
            return False  # the capture itself begins or ends
        quieter, louder = sorted(sides, key=np.std)
        silent = float(np.std(quieter)) <= _SILENT * float(np.std(louder))
        return silent and (track in self._fed or _is_pilot(louder, self._rate_hz))


def _changes_places(place: Place, tracks: list[int]) -> bool:
    """Whether one begins at the sample at which another ends."""
    found = [j for t in tracks if (j := place.junction(t)) is not None]
    begins = [j.frame for j in found if j.levels > 1]
    ends = [j.frame for j in found if j.levels <= 1]
    return any(abs(a - b) <= _AT_ONCE for a in begins for b in ends)


def _is_pilot(x: NDArray[np.float64], rate_hz: int) -> bool:
    """Whether it is a tone of 50 or 60 Hz: then x[n + k] + x[n - k] = 2 cos(w k) x[n]."""
    width, apart = max(1, round(_SMOOTH_S * rate_hz)), round(_APART_S * rate_hz)
    x = np.convolve(x, np.full(width, 1 / width), mode="valid")
    if len(x) <= 3 * apart:
        return False
    middle, both = x[apart:-apart], x[2 * apart :] + x[: -2 * apart]
    twice = float(middle @ both) / max(float(middle @ middle), 1e-300)
    other = both - twice * middle
    if abs(twice) >= 2 or float(other @ other) > _OTHER * float(both @ both):
        return False
    hz = math.acos(twice / 2) * rate_hz / (2 * math.pi * apart)
    return _PILOT_HZ[0] <= hz <= _PILOT_HZ[1]
