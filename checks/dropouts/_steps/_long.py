"""The long look at a cut: is it one programme on both sides, and does it go on where it was?

A tenth of a second on each side is thinned to some 16,000 samples a second, and a predictor of
order 96 fitted to each. Where the filter of either side whitens the other down to its floor, the
same partials sound before and behind: a note that begins or ends there, however sharply, leaves
ten to a thousand times more. Then the past is predicted on over a gap of every length. Where it
does not meet what follows at once, but does so some frames later, to the floor and on all tracks
together, one shift in time explains the jump: samples are lost. Relays and clicks add a
disturbance, behind which the programme goes on where it was.

Thinned by two running means, each as long as the step, from the past alone: so nothing of one
side reaches the other, and a shift of any number of frames is exact.

What this cannot see: a cut in programme that changes within the tenth of a second, in noise, or
near the ends of a capture.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from checks.dropouts import _predict
from checks.dropouts._predict import Floats
from checks.dropouts._steps import _beneath
from checks.dropouts._steps._beneath import Share

RATE_HZ: Final = 16_000
"""Samples a second looked at: more than most partials of music need. From own trials."""

ORDER: Final = 96
KNOWN: Final = 1400  # thinned samples that a predictor is fitted to: 88 ms
LEAST: Final = 4 * ORDER  # and the fewest that will do
TEST: Final = 48  # thinned samples behind the gap that must be met
FARTHEST_S: Final = 0.03  # longest gap predicted over

ONE_PROGRAMME: Final = 1.6
"""Most that either side's filter may leave of the other, floor 1. From own trials: samples lost
leave 1.0 to 1.5 unless a note begins within the same tenth of a second, notes 9 to 200,000."""

OTHER_PROGRAMME: Final = 3.0
"""From here on the sides are not one programme, and what each fits itself proves nothing: next to
the cut something begins or ends. From own trials: samples lost leave 1.0 to 2.5 there, once in ten
more, where a note begins as well; sounds that a generator begins or ends 3 to 200,000."""

SOUND: Final = 30.0
"""Least that a sound surely leaves which begins or ends there. From own trials: samples lost as a
note begins left up to 29."""

MEETS: Final = 2.0  # most that may be left of what follows behind the gap, floor 1
ALONE: Final = 30.0  # how much more must be left without a gap, on one track

FEW: Final = 32
"""Frames that may be lost and yet leave so much of the sound in phase that something else seems to
begin on top of it."""

FAILS: Final = 3.0
"""Least that must be left without a gap for a track of several to tell anything."""

CHANCE: Final = 0.01
SURE: Final = 1e-4
"""Most that the chance may be that tracks fit a gap as well as that each by itself, and where no
more tracks need be asked. From own trials: notes struck anew at one sample reach 0.002, but leave
far more than ``NEARLY``."""

NEARLY: Final = 5.0  # most that is left behind the gap, geometric mean of the tracks
MISSES: Final = 10.0  # least that is left behind every gap where none can be it

_NEAR: Final = 3 * ORDER  # thinned samples next to a cut
_WANDERS: Final = 0.25  # share of the energy that a prediction may be unsure of and still tell
_CLEAR: Final = 30.0  # twice the log likelihood of a gap over all others: e^15
_AS_WELL: Final = 2.0  # of the logarithm of the shares: gaps beside the best that fit as well
_WIDTH: Final = 8  # frames, while it is not known how many those are


GOES_ON: Final = 2.5
UNSTEADY: Final = 7.0
"""Most that may be left of what lies beyond a stretch, floor 1, where the programme goes on there:
by the side that foretells the other best, and by the other side where nothing begins or ends
nearby. From own trials: beside wrong words 0.4 to 2.4 and up to 6.6; where a sound begins or ends
within a few samples 2 to 100,000."""


LATE: Final = 4.0
LATE_FRAMES: Final = 16
"""How much more must be left where the programme is taken to go on in time, so that it is late for
certain by the length of the stretch, and the least of that."""

_FEW_LOST: Final = (1, 2, 3, 5, 8, 12, 18, 26, 38)  # frames that may be lost instead
_AS_GOOD: Final = 0.25  # by how much less these would leave: e^6 times as likely
_BESIDE: Final = (-8, -4, -2, 2, 4, 8)  # thinned samples by which it would go on out of time


@dataclass(frozen=True, slots=True)
class Beyond:
    """What stands beyond a stretch. All true but ``late`` where too little stands on a side.

    Attributes:
        in_place: whether the programme may go on there in time. Neither this nor the next is so
            where a sound begins or ends there, however few samples that takes.
        put_in: whether it may go on there late by the length of the stretch.
        late: whether it does, and in time it does not.
    """

    in_place: bool
    put_in: bool
    late: bool


@dataclass(frozen=True, slots=True)
class Shift:
    """One gap that explains a jump.

    Attributes:
        frames: how many are lost; None where several lengths explain as much.
        tracks: how many tracks it joins that would not go on without it.
    """

    frames: int | None
    tracks: int


class Sides:
    """Both sides of a cut on one track, thinned.

    Attributes:
        enough: whether both are long enough to be looked at.
        news: most that the filter of either side leaves of the other, floor 1.
        near: the same of what lies next to the cut: notes may begin or end before or behind it.
    """

    def __init__(self, x: Floats, cut: int, rate_hz: int) -> None:
        """``x``: samples in steps of the word, cut between ``cut - 1`` and ``cut``."""
        self._every = every = thinning(rate_hz)
        self._past = thinned(x[max(cut - (KNOWN + 2) * every, 0) : cut], every)
        self._behind = _smoothed(x[cut : cut + (KNOWN + 2) * every], every)
        later = self._behind[2 * every - 2 :: every]
        self.enough = min(len(self._past), len(later)) >= LEAST
        if self.enough:
            self._later = later
            self._filter, self._floor = _fitted(self._past)

    @cached_property
    def _left(self) -> tuple[Floats, Floats]:
        """What each side's filter leaves of the other, from the cut on; reckoned when asked for."""
        whitening, floor = _fitted(self._later)
        ahead = _predict.forward(self._later, self._filter)[ORDER:] / self._floor
        back = _predict.forward(self._past, whitening)[ORDER:][::-1] / floor
        return ahead, back

    @property
    def near(self) -> float:
        return max(_rms(left[:_NEAR]) for left in self._left) if self.enough else np.inf

    @property
    def news(self) -> float:
        return max(*map(_rms, self._left), self.near) if self.enough else np.inf

    @property
    def other(self) -> bool:
        """Whether something begins or ends next to the cut."""
        return self.enough and self.near > OTHER_PROGRAMME

    def late(self) -> bool:
        """Whether the past goes on behind a few frames that are lost, and in time does not."""
        if not self.enough:
            return False
        line = self.left_over(FEW)
        if len(line) < 2:
            return False
        least = float(line[1:].min())
        return least <= MEETS and float(line[0]) >= FAILS * max(least, 1.0)

    def goes_on(self) -> Share:
        """How much of the past, as predicted on, is there behind the cut."""
        if not self.enough:
            return Share()
        ahead, unsure = _beneath.foretold(self._past, self._filter, self._floor)
        steps = np.arange(2, len(ahead) + 1)  # the first mean reaches before the cut
        behind = self._behind[steps * self._every - 1]
        return _beneath.share(ahead[1:], unsure[1:], behind, self._floor)

    def left_behind(self, gap: int) -> float:
        """Mean square, floor 1, of what follows against the past predicted on over one gap.

        However unsure the prediction is: what it says less of may be anything.
        """
        every = self._every
        step = -(-(gap + 2 * every - 1) // every)  # of the first sample that is of this side alone
        ahead, lower = self._ahead(step - 1 + TEST)
        late = lower[step - 1 :]
        first = step * every - 1 - gap  # of what follows, on the grid of the past
        found = self._behind[first + np.arange(TEST) * every]
        error = (found - ahead[step - 1 :]) / self._floor
        covariance = late @ late.T
        if not np.isfinite(covariance).all() or not np.isfinite(error).all():
            return np.inf
        return float(error @ np.linalg.solve(covariance, error)) / TEST

    def _ahead(self, count: int) -> tuple[Floats, Floats]:
        """The past predicted on, and what each thing new adds to it, (count, count)."""
        ahead = _predict.continued(self._past, self._filter, count)
        response = _predict.response(self._filter, count)
        lag = np.subtract.outer(np.arange(count), np.arange(count))
        return ahead, np.where(lag >= 0, response[np.maximum(lag, 0)], 0.0)

    def left_over(self, most: int) -> Floats:
        """Mean square, floor 1, of what follows against the past predicted on over each gap.

        Of 0 to ``most`` frames; as far as the prediction is sure of anything.
        """
        every, steps = self._every, most // self._every + 3
        ahead, lower = self._ahead(steps + TEST)
        response = lower[:, 0]
        covariance = lower[:TEST, :TEST] @ lower[:TEST, :TEST].T
        limit = _WANDERS * float(np.mean(self._past**2)) / self._floor**2
        out = np.full(most + 1, np.inf)
        reach = np.arange(TEST) * every
        for step in range(1, steps):
            if step > 1:
                old = response[step - 1 : step - 1 + TEST]
                covariance = covariance + np.outer(old, old)
            unsure = float(np.trace(covariance)) / TEST
            if not np.isfinite(unsure) or unsure > max(limit, 1.0):
                return out[: max((step - 3) * every + 2, 0)]
            gaps = np.arange(max((step - 3) * every + 2, 0), min((step - 2) * every + 1, most) + 1)
            if not len(gaps):
                continue
            first = step * every - 1 - gaps  # of what follows, on the grid of the past
            error = (self._behind[first[:, np.newaxis] + reach] - ahead[step - 1 :][:TEST]).T
            error /= self._floor
            out[gaps] = np.sum(error * np.linalg.solve(covariance, error), axis=0) / TEST
        return out


def beyond(x: Floats, start: int, stop: int, rate_hz: int, *, slack: int) -> Beyond:
    """What stands beyond a stretch that does not belong there.

    Args:
        x: samples in steps of the word, the stretch from ``start`` to before ``stop``.
        slack: by how many frames it may be shorter.
    """
    sides, long = _without(x, start, stop, rate_hz), stop - start
    if not all(side.enough for side in sides):
        return Beyond(in_place=True, put_in=True, late=False)
    near, far = (
        min(sorted(side.left_behind(gap) for side in sides) for gap in gaps)
        for gaps in (range(slack + 1), (long,))
    )
    in_place, put_in = (
        best <= GOES_ON and (other <= UNSTEADY or sides[0].other) for best, other in (far, near)
    )
    late = put_in and long >= LATE_FRAMES and far[0] >= LATE * max(near[0], 1.0)
    return Beyond(in_place=in_place, put_in=put_in, late=late)


def _without(x: Floats, start: int, stop: int, rate_hz: int) -> tuple[Sides, Sides]:
    """Both sides of a stretch that is left out: from before it, and from behind it."""
    rest = np.concatenate((x[:start], x[stop:]))
    return Sides(rest, start, rate_hz), Sides(rest[::-1], len(rest) - start, rate_hz)


def in_time(x: Floats, start: int, stop: int, rate_hz: int) -> bool | None:
    """Whether either side foretells the other over a stretch by its length, and by no other.

    False where both surely do not; None where nothing is told.
    """
    long, every = stop - start, thinning(rate_hz)
    late = []
    for side in _without(x, start, stop, rate_hz):
        if not side.enough:
            continue
        here = side.left_behind(long)
        late.append(here >= LATE)
        if here > GOES_ON:
            continue
        beside = [side.left_behind(long + k * every) for k in _BESIDE]
        tells = min(beside) >= LATE * max(here, 1.0)
        if tells and all(side.left_behind(long + few) >= here - _AS_GOOD for few in _FEW_LOST):
            return True
    return False if late and all(late) else None


def shift(sides: Iterable[Sides], rate_hz: int) -> tuple[Shift | None, bool]:
    """The gap that joins both sides on all tracks, where it must be one; None where none does.

    Args:
        sides: of tracks that are one programme before and behind; no more are asked for than
            it takes.

    Returns:
        Also whether no gap can be it: two tracks foretell what follows behind each, and none
        comes near.
    """
    lines: list[Floats] = []
    most = int(FARTHEST_S * rate_hz)
    found = one = None
    missed = 0
    for side in sides:
        line = side.left_over(most)
        if len(line) < 2 or line[0] < FAILS:
            continue
        lines.append(line)
        one = _alone(line) if len(lines) == 1 and side.news <= ONE_PROGRAMME else None
        missed += len(line) > most and float(line[1:].min()) >= MISSES
        if missed > 1:
            return None, True
        if len(lines) > 1:
            found, chance = _together(lines)
            if chance <= SURE:
                break
    return found if len(lines) > 1 else one, False


def _alone(line: Floats) -> Shift | None:
    """The gap on one track: it must meet, and no other gap far from it nearly as well."""
    best = int(np.argmin(line[1:])) + 1
    least = ALONE * max(float(line[best]), 1.0)
    if line[best] > MEETS or line[0] < least:
        return None
    near = np.flatnonzero(line < least)
    if int(near[-1] - near[0]) >= len(near):
        return None
    return Shift(_one(line), 1)


def _together(lines: list[Floats]) -> tuple[Shift | None, float]:
    """The gap on several tracks, and the chance that they fit one as well by themselves.

    Of each track the share of all gaps that fit no worse; all of them combined (Fisher's method,
    "Statistical Methods for Research Workers", 1932, from memory), times the gaps tried so far.
    """
    far = max(map(len, lines))
    logs, left = np.zeros((len(lines), far)), np.ones((len(lines), far))
    for row, line in enumerate(lines):
        share = (1.0 + np.argsort(np.argsort(line[1:]))) / (len(line) - 1)
        logs[row, 1 : len(line)], left[row, : len(line)] = np.log(share), line
    total = -logs.sum(axis=0)
    terms = np.cumprod([np.ones(far)] + [total / k for k in range(1, len(lines))], axis=0)
    chance = np.exp(-total) * terms.sum(axis=0)
    gaps = np.arange(far)
    best = int(np.argmin(chance[1:] * (gaps[1:] + _WIDTH))) + 1
    off = np.flatnonzero(total < total[best] - _AS_WELL)
    width = int(off[off > best].min(initial=far) - off[off < best].max(initial=0)) - 1
    result = float(chance[best]) * (best + width) / width
    if result > CHANCE or float(np.exp(np.log(left[:, best]).mean())) > NEARLY:
        return None, 1.0
    moved = int(np.sum(left[:, best] * FAILS <= left[:, 0]))
    return Shift(_one(left.mean(axis=0), len(lines)), moved), result


def _one(left: Floats, tracks: int = 1) -> int | None:
    """The gap that explains far more than all others."""
    best = int(np.argmin(left[1:])) + 1
    like = np.sum(TEST * tracks * (left[1:] - left[best]) < _CLEAR)
    return best if like == 1 else None


def thinning(rate_hz: int) -> int:
    """Frames to one thinned sample."""
    return max(1, round(rate_hz / RATE_HZ))


def reach(rate_hz: int) -> int:
    """Frames on each side that the look takes at most."""
    return (KNOWN + 2) * thinning(rate_hz)


def thinned(x: Floats, every: int, *, first: int | None = None) -> Floats:
    """The last of each ``every`` running means, up to the last sample; or from ``first`` on."""
    smooth = _smoothed(x, every)
    if first is not None:
        return smooth[first::every]
    return smooth[2 * every - 2 :][::-1][::every][::-1]


def _rms(x: Floats) -> float:
    return float(np.sqrt(np.mean(x**2)))


def _smoothed(x: Floats, every: int) -> Floats:
    """Two running means over the frame and those before it, in the shape of ``x``."""
    if every == 1 or not len(x):
        return x
    mean = np.full(every, 1.0 / every)
    return np.asarray(np.convolve(np.convolve(x, mean)[: len(x)], mean)[: len(x)])


def _fitted(x: Floats) -> tuple[Floats, float]:
    """The filter that whitens ``x``, run both ways, and what it leaves."""
    ahead, count = _predict.products(x, ORDER)
    back, _ = _predict.products(x[::-1], ORDER)
    whitening = _predict.solved(ahead + back, 2 * count)
    left = _predict.forward(x, whitening)[ORDER:]
    mean = float(np.sum(left**2)) / max(len(left) - ORDER / 2, 1)
    return whitening, max(float(np.sqrt(mean)), _predict.rounding(whitening), 1e-9)
