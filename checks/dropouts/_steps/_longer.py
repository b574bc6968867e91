"""Longer looks at cuts: whether one programme stands on both sides, and what gap joins them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Final

from checks.dropouts._junction import Junction
from checks.dropouts._steps import _long
from checks.dropouts._steps._allowance import Allowance
from checks.dropouts._steps._beneath import Beneath
from checks.dropouts._steps._place import Place

LOOKS: Final = 100
LOOKS_A_SECOND: Final = 1.0
SHIFTS: Final = 120
SHIFTS_A_SECOND: Final = 0.2
"""Long looks at once and on average, and tries of all gaps on a track, which cost a tenth of a
second each: what jumps more often is proven by the first of them, or by none."""

_LONG_TRACKS: Final = 4  # of those that jump together, the strongest
_MOST_TRACKS: Final = 8  # that are asked for one gap
_CLICK_S: Final = (0.0015, 0.005)  # that a click lasts (common practice: 0.1 to 5 ms)
_CLICK_TRACKS: Final = 3  # that are asked for its end
_MAY_BE_SAME: Final = 6.0  # of ``Sides.near``: two programmes leave far more


@dataclass(frozen=True, slots=True)
class Longer:
    """What a longer look at a cut tells.

    Attributes:
        one_programme: whether one stands on both sides, on the strongest track.
        same: the tracks on which one stands next to it, before and behind.
        shift: the gap in it, if one explains the cut.
        against: whether it is no loss: no gap can be it, or on some of them a sound begins or ends.
        sounds: the tracks on which a sound begins or ends there.
        sound: whether on all of them one does.
    """

    one_programme: bool = False
    same: tuple[int, ...] = ()
    shift: _long.Shift | None = None
    against: bool = False
    sounds: tuple[int, ...] = ()
    sound: bool = False

    @property
    def vague(self) -> bool:
        """Whether a gap explains the cut, but several lengths of it do as well."""
        return self.shift is not None and self.shift.frames is None


class LongLooks:
    """Long looks at the cuts of a capture, as far as they may cost."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._looks = Allowance(at_once=LOOKS, a_second=LOOKS_A_SECOND, rate_hz=rate_hz)
        self._beneath = Allowance(at_once=LOOKS, a_second=LOOKS_A_SECOND, rate_hz=rate_hz)
        self._shifts = Allowance(at_once=SHIFTS, a_second=SHIFTS_A_SECOND, rate_hz=rate_hz)

    def at(
        self,
        place: Place,
        cut: dict[int, Junction],
        jumping: dict[int, Junction],
        *,
        enough: float,
    ) -> Longer:
        """Look at a cut.

        Args:
            cut: the tracks cut there, the strongest first.
            jumping: all that jump near it.
            enough: what the highest of those must reach that show a gap.
        """
        if not self._looks.take(place.start):
            begun = tuple(t for t, found in cut.items() if found.begins)
            return Longer(sounds=begun, sound=len(begun) == len(cut))
        first = next(iter(cut))
        frame = cut[first].frame
        sides = {t: place.sides(t, frame) for t in [*cut][:_LONG_TRACKS]}
        most = _long.OTHER_PROGRAMME if len(cut) > 1 else _long.ONE_PROGRAMME
        one_programme = sides[first].news <= most
        like = tuple(t for t, side in sides.items() if side.near <= _long.OTHER_PROGRAMME)
        others = (place.sides(t, frame) for t, j in jumping.items() if t not in cut and j.begins)
        beside = [*sides.values(), *islice(others, _LONG_TRACKS)]
        against = any(side.enough and side.near > _long.SOUND for side in beside)
        sounds = tuple(
            t
            for t, side in sides.items()
            if (cut[t].begins or side.other) and not place.late(t, frame)
        )
        known = Longer(one_programme, like, sounds=sounds, sound=len(sounds) == len(sides))
        same = [t for t, side in sides.items() if side.near <= _MAY_BE_SAME]
        if against or not any(cut[t].jump >= enough for t in same):
            return replace(known, against=against)
        gap, no_gap = _long.shift(self._tried(place, frame, sides, cut), self._rate_hz)
        return replace(known, shift=gap, against=no_gap)

    def beneath(self, place: Place, cut: Mapping[int, Junction]) -> Beneath:
        """What goes on across a cut; nothing is heard of it where that would cost too much."""
        if not self._beneath.take(place.start):
            return Beneath()
        tracks = [*cut.items()][:_LONG_TRACKS]
        return Beneath.of(place.shares(t, found.frame) for t, found in tracks)

    def click(self, place: Place, frame: int, tracks: Sequence[int]) -> bool | None:
        """Whether the programme goes on in time soon behind a disturbance: a click or a relay.

        False where it surely does not; None where nothing is told.
        """
        told = None
        for seconds in _CLICK_S:
            for track in tracks[:_CLICK_TRACKS]:
                one = place.in_time(track, frame, seconds)
                if one:
                    return True
                told = told if one is None else one
        return told

    def _tried(
        self, place: Place, frame: int, sides: dict[int, _long.Sides], cut: dict[int, Junction]
    ) -> Iterator[_long.Sides]:
        """The tracks that may tell a gap, those cut first, each a source of its own."""
        others = [t for t in place.tracks if t not in sides]
        others.sort(key=lambda t: t not in cut)
        told: list[int] = []
        for track in [*sides, *others][:_MOST_TRACKS]:
            side = sides.get(track) or place.sides(track, frame)
            own = all(place.sources([track, other], frame) for other in told)
            if own and side.near <= _MAY_BE_SAME and self._shifts.take(place.start):
                told.append(track)
                yield side
