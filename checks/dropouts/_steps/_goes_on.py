"""Whether the programme goes on behind what is taken for wrong words, or for samples put in.

A sound that a machine begins or ends within a few samples leaves a wrong word or some foreign
samples there, as it seems next to them; but what sounded before is not what sounds behind. The long
look (``_long``) tells, where the predictor of a few samples can not. And no sound makes those that
go on wait for it: where they do, for the length of a stretch, that was put in.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from checks.dropouts._steps._allowance import Allowance
from checks.dropouts._steps._long import Beyond
from checks.dropouts._steps._place import Place

LOOKS: Final = 300
LOOKS_A_SECOND: Final = 2.0
"""Long looks at once and on average, some 10 ms each: where so many words are wrong, each is
told."""

_TRACKS: Final = 4  # that are asked, of all that show it


class GoesOn:
    """Looks at the stretches of a capture, as far as that may cost."""

    def __init__(self, rate_hz: int) -> None:
        self._looks = Allowance(at_once=LOOKS, a_second=LOOKS_A_SECOND, rate_hz=rate_hz)

    def at(
        self, place: Place, tracks: Sequence[int], start: int, stop: int, *, slack: int = 0
    ) -> Beyond:
        """What stands beyond a stretch, on most of the tracks.

        Args:
            tracks: the clearest first.
            slack: by how many frames it may be shorter.
        """
        tracks = tracks[:_TRACKS]
        if not self._looks.take(place.start, len(tracks)):
            return Beyond(in_place=True, put_in=True, late=False)
        found = [place.beyond(track, start, stop, slack=slack) for track in tracks]
        put_in = _most([one.put_in for one in found])
        return Beyond(
            in_place=_most([one.in_place for one in found]),
            put_in=put_in,
            late=put_in and any(one.late for one in found),
        )


def _most(of: Sequence[bool]) -> bool:
    return 2 * sum(of) > len(of)
