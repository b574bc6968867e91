"""Single wrong words: one sample that deviates, while all around it fits without it."""

from __future__ import annotations

from collections.abc import Mapping

from checks.dropouts import _sentences as tell
from checks.dropouts._junction import Junction
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._steps import _causes
from checks.dropouts._steps._clock import Clocks
from checks.dropouts._steps._doubts import BEYOND_DOUBT
from checks.dropouts._steps._goes_on import GoesOn
from checks.dropouts._steps._place import Place
from checks.dropouts._steps._put_in import TRACKS
from checks.dropouts._steps._telling import Telling
from checks.model import Value


class Words:
    """Tells wrong words."""

    def __init__(
        self, limits: DropoutsLimits, telling: Telling, goes_on: GoesOn, clocks: Clocks
    ) -> None:
        self._limits = limits
        self._clocks = clocks
        self._tell = telling
        self._goes_on = goes_on

    def told(self, place: Place, found: Mapping[int, Junction], tracks: tuple[int, ...]) -> bool:
        """Tell of one wrong word a track.

        Args:
            found: what the strongest of the tracks look like.
            tracks: those that jump here, the strongest first.
        """
        wrong = self._wrong(place, found)
        strongest = max(found, key=lambda t: found[t].jump, default=None)
        if strongest not in wrong:  # then it is part of what the others show
            wrong = {t: j for t, j in wrong.items() if j.word_sigmas >= BEYOND_DOUBT}
        if wrong:  # the same word is then looked for on all that jump
            more = {t: j for t in tracks[TRACKS:] if (j := place.junction(t)) is not None}
            wrong |= self._wrong(place, more)
        for track, junction in wrong.items():
            values: dict[str, Value] = {
                "jump_sigma": round(junction.word_sigmas, 1),
                "deviation_steps": round(junction.deviation, 1),
            }
            self._tell.proven(
                (track,),
                place.start + junction.word_frame,
                tell.WORD,
                "word",
                values,
            )
        return bool(wrong)

    def _wrong(self, place: Place, found: Mapping[int, Junction]) -> dict[int, Junction]:
        """The tracks on which one word is wrong."""
        least = self._limits.step_one_track  # less may be a click that the other tracks hide
        likely: dict[int, Junction] = {}
        sure: set[int] = set()  # frames
        for t, j in found.items():
            # timecode has flat tops by nature, and what bends at them is far less
            code = j.word_sigmas >= BEYOND_DOUBT and self._clocks.running(t)
            if j.word_sigmas < least or (not code and place.cut_off(t, j.word_frame, j.deviation)):
                continue
            towers = place.towers(t, j.word_frame, j.deviation)
            if not towers and not code and place.corner(t, j.word_frame):
                continue  # which bends as much
            if _causes.wrong_word(j, towers=towers or code):
                likely[t] = j
                sure |= {j.word_frame} if towers else set()
        wrong: dict[int, Junction] = {}
        for frame in sorted({j.word_frame for j in likely.values()}):
            here = {t: j for t, j in likely.items() if j.word_frame == frame}
            clearest = sorted(here, key=lambda t: -here[t].word_sigmas)
            if frame in sure or self._goes_on.at(place, clearest, frame, frame + 1).in_place:
                wrong |= here
        return wrong

    def likely(self, place: Place, found: Mapping[int, Junction]) -> bool:
        """Tell of words that may be wrong."""
        likely = {
            t: j
            for t, j in found.items()
            if _causes.likely_word(j) and not place.cut_off(t, j.word_frame, j.deviation)
        }
        for t, j in likely.items():
            values: dict[str, Value] = {"jump_sigma": round(j.word_sigmas, 1)}
            at = place.start + j.word_frame
            self._tell.doubtful((t,), at, values, text=tell.PERHAPS_WORD)
        return bool(likely)
