"""Generators that somebody switches on or off: pilot, timecode, click.

An oscillator begins wherever its period stands, within one sample of a track's own band. On tracks
that a sheet calls so, that is no step; what jumps while the generator runs on is told as anywhere.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.dropouts._steps._place import Place
from checks.sheet import Sheet, TrackKind

_GENERATORS: Final = (TrackKind.TIMECODE, TrackKind.PILOT, TrackKind.CLICK)
_PERIOD_S: Final = 0.02  # of the lowest pilot: 50 Hz (common practice)
_RINGS: Final = 32  # frames on each side of the place itself
_SILENT: Final = 0.1
"""Most that is heard where it is switched off. From own trials: hiss lies 30 to 50 dB lower."""


class Switched:
    """Knows the tracks that a generator feeds."""

    def __init__(self, sheet: Sheet, channels: int, rate_hz: int) -> None:
        self._fed = {k for k in range(channels) if sheet.track(k).kind in _GENERATORS}
        self._reach = max(round(_PERIOD_S * rate_hz), 4 * _RINGS)

    def here(self, place: Place, track: int) -> bool:
        """Whether a generator is switched on or off at a place."""
        if track not in self._fed:
            return False
        x, at = place.around(track, place.peak, self._reach)
        sides = x[: max(at - _RINGS, 0)], x[at + _RINGS :]
        if min(len(side) for side in sides) < self._reach // 2:
            return False  # the capture itself begins or ends
        quieter, louder = sorted(float(np.std(side)) for side in sides)
        return quieter <= _SILENT * louder
