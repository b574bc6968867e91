"""Something that stands in place of the programme for a while, between two jumps of one track.

A sound that begins comes on top of what sounds already, which goes on beneath it. Where what was
before the first jump does not go on behind it, nor what follows the second one before that, and
both are one programme, which what lies between is not, the programme was replaced: it was there
all the time and is missing. A generator cuts its notes off as well, but another note follows then,
and not the same again.

A tenth of a second on each side is thinned as for the long look (``_long``) and gone on with into
the stretch, by a predictor that cannot run away (Burg, "Maximum entropy spectral analysis", 1975,
from memory). How much of that is there is told by weighted least squares: what lies between is
whitened, and what the prediction does not know is left out as in a Wiener filter (Wiener, 1949,
from memory).

What this cannot see: stretches in programme that nothing foretells, as noise and strikes, or that
is faint beside what stands in its place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from checks.dropouts import _predict
from checks.dropouts._junction import Junction
from checks.dropouts._limits import NEARLY
from checks.dropouts._predict import Floats
from checks.dropouts._steps import _long
from checks.dropouts._steps._allowance import Allowance
from checks.dropouts._steps._place import Place

LONGEST_S: Final = 0.125
LEAST_FRAMES: Final = 64
"""Longest and shortest stretch: the sides of a longer one are hardly one programme by what a tenth
of a second tells; shorter ones ``_foreign`` tells. From own trials."""

GONE: Final = 0.3
UNSURE: Final = 0.12
UNSURE_ONE: Final = 0.2
"""Most that may be left of the programme, share of its amplitude; and most that the share may be
unsure of, one standard deviation, by both sides and by one. From own trials: replaced programme
0.00 to 0.2, programme on which another sound stands 0.5 to 2."""

SURE: Final = 2.0
"""Times the limit that both ends must jump to be proof. From own trials: of a note that a generator
stops and strikes again within a fifth of a second one end did so, at most."""

OTHER: Final = 3.0
"""Least that either side's filter leaves of what lies between, and most that it may leave of the
other side, floor 1. From own trials: replaced programme leaves 1.0 to 2.3 and 4 to 1,000; between
the pulses of a voice, which nothing foretells either, lies the same voice."""

HUSHED: Final = 0.1
"""Most that may sound between, share of the programme's amplitude, where it is nothing other."""

NEXT_S: Final = 0.005
LOUDER: Final = 4.0
"""Time next to the stretch within which one side may be so many times as loud as the other, if one
programme stands there: a quarter of a wave of 50 Hz, which may be 3 times as loud at its crest as
where it goes through zero. From own trials: strikes are 20 to 50 times what was before the last."""

TRIED: Final = 100
TRIED_A_SECOND: Final = 8.0
"""Pairs of jumps tried at once, and on average, which cost some milliseconds each: a strike has
several jumps, and none of them is foretold."""

OFTEN: Final = 4
"""Jumps in the second before one from which on a track jumps by its own nature: grains that are cut
hard are cut from one sound, and stand beside their like by chance."""

_KEPT: Final = 16  # jumps of each track
_BACK: Final = 4  # jumps before one that may be the first of a pair with it
_AT_ONCE: Final = 2  # frames by which the ends may differ from track to track
_FINE: Final = 160  # thinned samples that a stretch should have at least
_FEWEST: Final = 24  # and must have
_GONE_ON: Final = round(0.025 * _long.RATE_HZ)  # thinned samples that a side is predicted on
_WHITENING: Final = 24  # order of the filter that whitens what lies between


@dataclass(frozen=True, slots=True)
class StandIn:
    """What stands in place of the programme of some tracks from ``start`` to before ``stop``.

    Attributes:
        jump: the larger jump of the clearest track, in standard deviations.
        gone: whether the programme does not go on beneath it.
        sure: whether it is another programme, and a generator's note is ruled out.
    """

    start: int
    stop: int
    tracks: tuple[int, ...]
    jump: float
    gone: bool
    sure: bool


class StandIns:
    """Remembers the jumps of each track and looks at those that may belong together."""

    def __init__(self, rate_hz: int, *, limit: float) -> None:
        """``limit``: standard deviations from which on a jump is told."""
        self._rate_hz = rate_hz
        self._limit = limit
        self._jumps: dict[int, list[tuple[int, float]]] = {}  # frame and height
        self._tries = Allowance(at_once=TRIED, a_second=TRIED_A_SECOND, rate_hz=rate_hz)

    def at(self, place: Place, found: Mapping[int, Junction]) -> StandIn | None:
        """What ends at a place; None mostly."""
        ends: dict[int, tuple[int, int, float, float]] = {}
        for track, junction in found.items():
            if junction.jump < NEARLY * self._limit or not junction.towers:
                continue
            if place.corner(track, junction.frame):
                continue
            stop = place.start + junction.frame
            before = self._jumps.setdefault(track, [])
            for start, height in before[: -_BACK - 1 : -1]:
                other = self._looked_at(place, track, start, stop)
                if other is not None:
                    low, high = sorted((height, junction.jump))
                    sure = other and not self._restless(before, start)
                    ends[track] = start, stop, low if sure else 0.0, high
                    break
            before.append((stop, junction.jump))
            del before[:-_KEPT]
        if not ends:
            return None
        clearest = max(ends, key=lambda t: ends[t][2])
        start, stop, low, high = ends[clearest]
        tracks = [t for t in found if t == clearest or self._joins(t, start, stop)]
        sure = low >= SURE * self._limit
        return StandIn(start, stop, tuple(sorted(tracks)), high, gone=True, sure=sure)

    def _restless(self, jumps: list[tuple[int, float]], start: int) -> bool:
        """Whether a track jumped again and again in the second before."""
        return sum(start - self._rate_hz <= frame < start for frame, _ in jumps) >= OFTEN

    def _joins(self, track: int, start: int, stop: int) -> bool:
        """Whether a track jumps at both ends as well."""
        frames = [frame for frame, _ in self._jumps.get(track, [])]
        return all(any(abs(f - end) <= _AT_ONCE for f in frames) for end in (start, stop))

    def _looked_at(self, place: Place, track: int, start: int, stop: int) -> bool | None:
        """See ``stands_in``."""
        if not LEAST_FRAMES <= stop - start <= LONGEST_S * self._rate_hz:
            return None
        if not self._tries.take(stop):
            return None
        x, first = place.stretch(track, start, stop, _long.reach(self._rate_hz))
        return stands_in(x, first, first + stop - start, self._rate_hz)


def stands_in(x: Floats, start: int, stop: int, rate_hz: int) -> bool | None:
    """Whether what stands in place of the programme from ``start`` to before ``stop`` is another.

    Args:
        x: samples of one track in steps of the word, with up to a tenth of a second on each side.

    Returns:
        False where it is next to nothing, as where a machine chops; None where the programme may
        well go on.
    """
    within = x[start:stop]
    if not np.ptp(within):  # a held value, zeros: told elsewhere
        return None
    every = max(1, min(_long.thinning(rate_hz), len(within) // _FINE))
    reach = (_long.KNOWN + 2) * every
    before, after = x[max(start - reach, 0) : start], x[stop : stop + reach]
    if _strike(before, after, round(NEXT_S * rate_hz)):
        return None
    ahead = _Side(before, within, every)
    if not ahead.enough or not _gone(first := ahead.share(), most=UNSURE_ONE):
        return None
    back = _Side(after[::-1], within[::-1], every)
    if not back.enough or not _gone(second := back.share(), most=UNSURE_ONE):
        return None
    if not _gone(first, second, most=UNSURE):
        return None
    sides = _long.Sides(np.concatenate((before, after)), len(before), rate_hz)
    if not sides.enough or sides.near > OTHER:
        return None
    if min(ahead.leaves(), back.leaves()) >= OTHER:
        return True
    hushed = float(np.std(within)) <= HUSHED * min(ahead.size, back.size)
    return False if hushed else None


def _strike(before: Floats, after: Floats, frames: int) -> bool:
    """Whether one side is so much louder next to the stretch that something begins there."""
    if min(len(before), len(after)) < frames:
        return False
    low, high = sorted((float(np.std(before[-frames:])), float(np.std(after[:frames]))))
    return high > LOUDER * low


def _gone(*shares: tuple[float, float], most: float) -> bool:
    """Whether nothing is left of the programme, by what sides tell of it: share, error."""
    return all(abs(share) <= GONE for share, _ in shares) and (
        sum(error**-2 for _, error in shares) >= most**-2
    )


class _Side:
    """One side of a stretch, gone on with into it.

    Attributes:
        enough: whether there is enough of it, and of the stretch.
        size: rms next to the stretch.
    """

    def __init__(self, known: Floats, within: Floats, every: int) -> None:
        """``known``: up to the stretch, ``within``: from there on."""
        self._known = _long.thinned(known, every)[-_long.KNOWN :]
        # on the grid of what is known, as far as the means reach over nothing else
        self._within = _long.thinned(within, every, first=2 * every - 1)
        self.enough = len(self._known) >= _long.LEAST and len(self._within) >= _FEWEST
        if self.enough:
            self._filter, self._floor = _burg(self._known, _long.ORDER)
            self.size = float(np.std(self._known[-len(self._within) :]))

    def share(self) -> tuple[float, float]:
        """How much of the programme goes on into the stretch, and how unsure that is."""
        there = self._within[:_GONE_ON]
        count = len(there) + 1
        ahead = _predict.continued(self._known, self._filter, count)
        unsure = self._floor**2 * np.cumsum(_predict.response(self._filter, count) ** 2)
        known = np.clip(1 - unsure / max(self.size**2, _predict.ROUNDING), 0.0, 1.0)
        return _share_of(ahead[1:] * known[1:], there)

    def leaves(self) -> float:
        """What the filter of this side leaves of what lies within, floor 1."""
        residual = _predict.forward(self._within, self._filter)[_long.ORDER :]
        if not len(residual):
            return np.inf
        return float(np.sqrt(np.mean(residual**2))) / self._floor


def _share_of(programme: Floats, x: Floats) -> tuple[float, float]:
    """How much of some programme is in ``x``, and the standard deviation of that.

    Generalised least squares, the rest of ``x`` taken for autoregressive.
    """
    order = min(_WHITENING, len(x) // 8)
    share, error = 0.0, np.inf
    for _ in range(3):
        whitening = _predict.fitted(x - share * programme, order)
        white = _predict.forward(x, whitening)[order:]
        part = _predict.forward(programme, whitening)[order:]
        energy = float(part @ part)
        if energy <= 0 or not np.isfinite(energy):
            return 0.0, np.inf
        share = float(white @ part) / energy
        rest = float(np.sum((white - share * part) ** 2)) / max(len(white) - order - 1, 1)
        error = float(np.sqrt(rest / energy))
    return share, max(error, 1e-9)


def _burg(x: Floats, order: int) -> tuple[Floats, float]:
    """The filter that whitens ``x``, all of whose predictions die away, and what it leaves."""
    ahead, back, out = x[1:], x[:-1], np.ones(1)
    for _ in range(order):
        energy = float(ahead @ ahead + back @ back)
        turn = -2 * float(ahead @ back) / energy if energy > 0 else 0.0
        out = np.concatenate((out, [0.0])) + turn * np.concatenate(([0.0], out[::-1]))
        ahead, back = (ahead + turn * back)[1:], (back + turn * ahead)[:-1]
    left = float(ahead @ ahead + back @ back) / (2 * max(len(ahead), 1))
    return out, float(np.sqrt(max(left, _predict.ROUNDING)))
