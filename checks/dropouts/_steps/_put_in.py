"""Samples that were put in, or stand in place of others: from a few words to a stretch of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from checks.dropouts import _junction
from checks.dropouts import _sentences as tell
from checks.dropouts._junction import SHARP
from checks.dropouts._limits import NEARLY, DropoutsLimits
from checks.dropouts._steps import _burst, _causes, _foreign
from checks.dropouts._steps._foreign import Stretch, Trace
from checks.dropouts._steps._goes_on import GoesOn
from checks.dropouts._steps._one_source import one_source
from checks.dropouts._steps._place import Place
from checks.dropouts._steps._telling import Telling
from checks.model import CaptureFormat, Value

FOREIGN: Final = 12.0
FOREIGN_BOUNDS: Final = 5.0
FOREIGN_FRAMES: Final = 8
"""Least height in standard deviations, anywhere and at both edges, and least length of foreign
samples on one track that cannot be proven to have been put in: others are clicks and attacks. Where
the edges do not reach the height, only if nothing half as high comes near, as in each period of a
string, or where hundreds of hands clap. From own trials: what they leave by chance between two
edges is as strong within as what was put in, but has edges of 0 to 12, most below 8."""

LOWER: Final = 0.1
POWERFUL: Final = 20.0
"""Least height of the lower edge of foreign samples on one track of which only the higher one
reaches the limit, share of that; and least mean square of them, floor 1. From own trials: where
hundreds of hands clap, a stretch between two chance edges has 0.01 to 0.05."""

BOUNDS: Final = 30.0
"""Height of both edges of a stretch, in standard deviations over all tracks, that is enough
whatever lies within: other programme of the same kind is foretold as soon as the filter has passed
its edge. From own trials: clean programme shows none."""

BURST_S: Final = 0.0004
"""Longest stretch on one track that its fit alone proves to have been put in: hand claps and sticks
last longer, and noise goes on from anything. From own trials."""

CLEAR: Final = 2.0
"""Times the limit of one track that such a stretch must stand out there: some count of frames left
out hides any small step in what swings slowly. From own trials: what was put in 5 and more."""

_POWER: Final = 2.0  # mean square of foreign samples on a track that has some, floor 1
_EITHER: Final = 2  # frames by which each edge may be missed
TRACKS: Final = 8  # looked at closely of those that jump together, the strongest


class PutIn:
    """Tells what was put in.

    Attributes:
        stop: frame behind the last stretch told, within which nothing else is looked for.
    """

    def __init__(
        self, fmt: CaptureFormat, limits: DropoutsLimits, telling: Telling, goes_on: GoesOn
    ) -> None:
        self._fmt = fmt
        self._limits = limits
        self._tell = telling
        self._goes_on = goes_on
        self.stop = 0

    def words(self, place: Place, burst: _burst.Shared) -> bool:
        """A few wrong words, behind which the programme goes on where it was."""
        beyond = self._goes_on.at(place, burst.seen, burst.frame, burst.stop, slack=_EITHER)
        stands_off = place.stands_off(burst.seen[0], burst.frame, burst.stop)
        if not (beyond.in_place or beyond.put_in or stands_off):
            return False  # a sound begins or ends there
        at, frames = place.start + burst.frame, burst.stop - burst.frame
        values: dict[str, Value] = {"jump_sigma": round(burst.edge, 1)}
        if not burst.sure:
            if place.is_sound(burst.seen[0], burst.frame, burst.stop):
                return False
            text = tell.PERHAPS_FOREIGN
            self._tell.doubtful(burst.tracks, at, values, text=text, frames=frames)
        elif frames == 1:
            self._tell.proven(burst.tracks, at, tell.WORD, "word", values)
        elif beyond.late:
            self._tell.proven(burst.tracks, at, tell.PUT_IN, "inserted", values, frames=frames)
        else:
            self._tell.proven(burst.tracks, at, tell.FOREIGN, "foreign", values, frames=frames)
        self.stop = at + frames + 2 * _junction.ORDER
        return True

    def looked_at(self, place: Place, tracks: list[int]) -> bool:
        """Foreign samples between two sharp edges: put in, or in place of others.

        Sought on the tracks that jump together, on the strongest alone, and on more of them: a
        weak one shows on some by chance, and what one track does by itself may hide it on others.
        """
        stretches = _foreign.Stretches(place.steps, place.peak)
        tried: list[tuple[list[int], Stretch]] = []
        for some, found in self._sought(stretches, tracks):
            if self._told(place, some, found):
                return True
            tried.append((some, found))
        for some, found in reversed(tried):
            strong = (trace for trace in found.traces if trace.power >= _POWER)
            if any(trace.sharp and trace.even for trace in strong):
                agreeing = stretches.agreeing(found)  # no two sources begin and end together
                if agreeing and self._told(place, some, found, agreeing):
                    return True
        return False

    def _sought(
        self, stretches: _foreign.Stretches, tracks: list[int]
    ) -> Iterator[tuple[list[int], Stretch]]:
        """The stretches to be looked at, and the tracks that share each."""
        found = stretches.shared(tracks)
        if found is not None:
            yield tracks, found
        if len(tracks) > 1:
            found = stretches.shared(tracks[:1])
            if found is not None:
                yield tracks[:1], found
        if found is not None and found.traces[0].proper and len(tracks) < self._fmt.channels:
            more = [*tracks, *(t for t in range(self._fmt.channels) if t not in tracks)][:TRACKS]
            found = stretches.shared(more)
            if found is not None:
                yield more, found

    def _told(
        self, place: Place, tracks: list[int], found: Stretch, agreeing: Sequence[int] = ()
    ) -> bool:
        """``agreeing``: tracks that by themselves tell both of its ends, if that is known."""
        traces = {
            t: trace for t, trace in zip(tracks, found.traces, strict=True) if trace.power >= _POWER
        }
        if not traces:
            return False
        frames, tracks_of = found.stop - found.frame, tuple(sorted(traces))
        strongest = sorted(traces, key=lambda t: -traces[t].jump)
        if len(traces) > 1 and one_source([place.steps[t] for t in traces], found.frame):
            del strongest[1:]  # the others tell no more
            traces = {t: traces[t] for t in strongest}
        jump = traces[strongest[0]].jump
        several, single = self._limits.step_several_tracks, self._limits.step_one_track
        high = sum(trace.jump >= several * NEARLY for trace in traces.values())
        clear = jump >= several * NEARLY and (high >= 2 or jump >= single * NEARLY)
        uneven = self._uneven(place, found, strongest[0], traces[strongest[0]])
        if not (clear or uneven):
            return False
        values: dict[str, Value] = {"jump_sigma": round(jump, 1)}
        first = found.frame - _EITHER
        at = place.start + first
        proper = any(trace.proper for trace in traces.values())
        edges = [trace.edge for trace in traces.values() if trace.proper]
        edge = float(np.linalg.norm(edges))
        put_in = None
        if clear and proper:
            put_in = _causes.inserted([place.past(t, first) for t in traces], near=frames)
        brief = frames <= BURST_S * self._fmt.rate_hz
        fits = put_in is not None and (
            (brief and (len(traces) > 1 or jump >= CLEAR * single))
            or edge >= SHARP
            or place.witnesses([*traces], first)
        )
        sharp = proper and edge >= SHARP
        told = fits or sharp or agreeing or (clear and self._for_sure(place, found, traces))
        if not (told or uneven):
            return False
        tracks_of = tuple(sorted({*tracks_of, *agreeing}))
        stop = found.stop + _EITHER
        beyond = self._goes_on.at(place, strongest, first, stop, slack=3 * _EITHER)
        joined = put_in is not None and sharp  # whatever the long look makes of a moving sound
        if beyond.late or (fits and beyond.put_in) or joined:
            moved, frames = (_EITHER, frames) if put_in is None else put_in
            at += moved
            self._tell.proven(tracks_of, at, tell.PUT_IN, "inserted", values, frames=frames)
        elif not (beyond.in_place or beyond.put_in):
            return False  # a sound begins or ends there
        elif sharp:
            at += _EITHER
            self._tell.proven(tracks_of, at, tell.FOREIGN, "foreign", values, frames=frames)
        elif place.is_sound(strongest[0], found.frame, found.stop):
            return False
        else:
            at += _EITHER
            text = tell.PERHAPS_FOREIGN
            self._tell.doubtful(tracks_of, at, values, text=text, frames=frames)
        self.stop = at + frames + 2 * _junction.ORDER
        return True

    def _uneven(self, place: Place, found: Stretch, track: int, trace: Trace) -> bool:
        """Whether one track is left sharply at one edge, and sharply enough at the other."""
        return (
            found.stop - found.frame >= FOREIGN_FRAMES
            and trace.alike
            and trace.even
            and trace.high >= FOREIGN
            and trace.power >= POWERFUL
            and min(trace.edge, trace.bounds) >= max(FOREIGN_BOUNDS, LOWER * trace.high)
            and place.stretch_alone(track, found.frame, found.stop, trace.high)
        )

    def _for_sure(self, place: Place, found: Stretch, traces: dict[int, Trace]) -> bool:
        """Several tracks show both edges, or one shows them clearly."""
        bounds = [
            trace.bounds
            for trace in traces.values()
            if trace.alike and (trace.sharp or trace.edge >= SHARP)
        ]
        if float(np.linalg.norm(bounds)) >= BOUNDS:
            return True
        sharp = {t: trace for t, trace in traces.items() if trace.proper}
        frames = found.stop - found.frame
        if len(sharp) >= 2 and 2 * len(sharp) >= len(traces):
            return True
        return frames >= FOREIGN_FRAMES and any(
            trace.jump >= FOREIGN
            and not 0.0 < trace.bounds < FOREIGN_BOUNDS
            and (
                trace.bounds >= FOREIGN
                or place.stretch_alone(t, found.frame, found.stop, trace.jump)
            )
            for t, trace in sharp.items()
        )
