"""What the tracks show at a cut that some of them tell: looked at no sooner than it matters."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Final

from checks.dropouts._junction import Junction
from checks.dropouts._steps._causes import CONVERTER_LEAST, CONVERTER_TRACKS
from checks.dropouts._steps._place import Place

SEEN: Final = 5.0
"""Standard deviations at a place already known from another track. Noise alone: once in 1e6."""

OUT: Final = 1.5
"""The same over the largest residual beside it: programme strays further than noise."""


class Seen:
    """The tracks of a place that show a cut."""

    def __init__(
        self,
        place: Place,
        found: Mapping[int, Junction],
        clean: Mapping[int, Junction],
        *,
        frame: int,
        single: float,
    ) -> None:
        """Nothing is looked at yet.

        Args:
            found: what the tracks that jump there look like; ``clean``: those that are cut.
            single: standard deviations from which on a track jumps by itself.
        """
        self._place, self._found, self._clean = place, found, clean
        self._frame, self._single = frame, single

    @cached_property
    def _jumps(self) -> dict[int, float]:
        others = [t for t in self._place.tracks if t not in self._clean]
        return dict(zip(others, self._place.jumps(others, self._frame), strict=True))

    def all(self) -> dict[int, Junction]:
        """Those that are cut, and what others show there that they tell."""
        others = {t: self._other(t) for t in self._jumps}
        return dict(self._clean) | {t: j for t, j in others.items() if j is not None}

    def may_be_of_one_converter(self) -> bool:
        """Whether enough of the tracks of one converter show it, as ``one_converter`` asks."""
        count = len(self._place.tracks)
        if count < 2 * CONVERTER_TRACKS:
            return False
        first = next(iter(self._clean)) // CONVERTER_TRACKS * CONVERTER_TRACKS
        beside = [*range(first, min(first + CONVERTER_TRACKS, count))]
        missing = len(beside) - CONVERTER_LEAST  # that may be
        for track in beside:
            missing -= track not in self._clean and self._other(track) is None
            if missing < 0:
                return False
        return True

    def _other(self, track: int) -> Junction | None:
        if self._jumps[track] < SEEN:
            return None
        other = self._place.junction(track, at=self._frame)
        if other is None or other.jump < max(SEEN, OUT * other.stands_out):
            return None
        found = self._found.get(track)
        high = found is not None and other.jump >= self._single
        near = found is not None and abs(found.frame - self._frame) <= 1
        return other if other.cut or (high and near) else None
