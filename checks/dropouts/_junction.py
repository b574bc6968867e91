"""The dear look at one place on one track: does each side fit itself to the very sample?

A predictor of order 32 is fitted to both sides of the place together and run forwards up to it
and backwards down to it. Where the signal was cut between two samples, both residuals stay at the
floor right up to the cut, and only a prediction across it fails. A drum, a pluck, a relay or a
click rings on: then no place in between leaves both sides clean. A single wrong word deviates
alone, with the whitening filter's own shape in the residual (an additive outlier, Fox 1972).

What cannot be seen, whatever the method: samples lost in digital silence, in unpredictable noise
(hiss up to half the rate), or where the programme is so low in frequency, or so near its own
value, that the jump stays under the noise: 8 frames lost of a 50 Hz tone at 352.8 kHz.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from checks._ranks import percentile
from checks.dropouts import _predict
from checks.dropouts._predict import Floats

ORDER: Final = 32
REACH: Final = 1024
"""Frames looked at on each side. From own trials: 32 coefficients want a thousand equations."""

LEAST: Final = 4 * ORDER
"""Frames a side must have, at the ends of a capture too."""

BEFORE: Final = 14  # frames before the screen's peak at which a cut may lie: its order, and more
BEHIND: Final = 4
_FIRST: Final = 3
_AT_ONCE: Final = 0.1
"""Samples behind a shared break that have at least so much of the height, on one track. From own
trials: attacks of 1 to 10 ms at 48 kHz less than 0.03, what was cut 0.9 and more."""

_TEST: Final = 48  # frames on each side over which the residual is summed
_LEVELS: Final = 512  # frames on each side whose energy is compared
_QUIET: Final = 64  # frames on each side within which no single sample may stand out

CLEAN: Final = 1.8
"""Largest mean square residual of the sides of a clean cut, floor 1. From own trials: cuts in
synthetic and real programme leave 0.7 to 1.4, attacks and clicks of the same height 2 to 200."""

STANDS_OUT: Final = 6.0
"""Standard deviations that no sample beside a clean cut may have. From own trials."""

SHARP: Final = 50.0
"""Height of the first sample behind a clean cut, or of both edges of wrong words, in standard
deviations, that proves it was made behind the converter. What jumps before it passes its filter,
which cuts at half the rate at best and so leaves 6 % of the height in the samples beside (the sine
integral at half a sample: 0.436 of 0.5); 6 % of 50 would stand out."""

STEEP: Final = 60.0
STEEP_ACROSS: Final = 100.0
STEEP_OUT: Final = 0.1
"""Standard deviations from which on the sides of a cut may be pushed now and then, as voices and
reeds are: it must leave so many times what the sides leave, and ten times what stands out there.
From own trials: losses in such sounds leave 180 to 800 times; what comes through a converter's
filter leaves less than 280 times at the very best (see ``SHARP``)."""

PUSH: Final = 3
PUSH_GAIN: Final = 15.0
PUSHED_OFTEN: Final = 8
"""Samples in a row that may be pushes, as a strike, a pluck or a voice gives to what rings on; by
how much more, in squares of the floor, a cut must explain than one of them (two and three: a half
and a third of it), because its place is the best of 19; and how many of them make it twice as much
on a track. From own trials: pushes of 9 to 60 standard deviations into noise that rings are cuts
once in fifty at 15, once in five hundred at 30; losses of 12 seldom go."""

USUAL: Final = 95.0
USUAL_MOST: Final = 3.0
USUAL_OUT: Final = 10.0
"""Percentage of the places beside a cut that leave no more than another one may, and the most that
its own sides may then leave, mean square and largest, floor 1: lips and reeds push in each period,
and the floor is what they leave in between (see ``_predict.spread``)."""

TOWERS: Final = 3.0
"""Least height of a jump over the largest residual beside it. From own trials: attacks that rise
over some samples, in recordings, 1.8 to 3, samples lost in steady programme 3.5 and more."""

NOISY: Final = 1.5
"""Least floor of a real input over that of bare rounding. Triangular dither makes 1.73
(Lipshitz, Wannamaker, Vanderkooy 1992)."""

ALIKE: Final = 2.5
"""Largest ratio of the floors of both sides. From own trials: a cut in steady programme leaves
0.7 to 1.5, a drum 2 to 50."""


BEGINS: Final = 4.0
"""How much more moves on one side of a cut where a sound begins or ends: energy of the first
differences. From own trials: 4 to 100, and 0.5 to 1.8 where samples are lost."""


@dataclass(frozen=True, slots=True)
class Junction:
    """What a place looks like on one track; magnitudes in standard deviations of the floor.

    Attributes:
        frame: first sample behind the cut, counted within the samples looked at.
        jump: largest residual of the prediction across the cut.
        first: the residual of the first sample behind it.
        later: share of the residual's energy, within the order, from the third sample on.
        across: mean square of that residual over 48 frames to both sides, floor 1.
        sides: the same of the two sides predicted from themselves.
        pushed: the same across, but for the 1, 2, to ``PUSH`` samples in a row that hold most.
        left, right: floor of each side, in steps of the word.
        stands_out: largest residual of the sides near the cut.
        usual: whether the sides leave no more there than nearly everywhere beside.
        levels: energy of the first differences behind the cut over that before.
        word: mean square residual once one wrong word is taken out.
        word_frame: where that word would be.
        deviation: by how much it deviates, in steps of the word.
        word_sigmas: how sure the deviation is.
        whitening: the filter fitted to both sides.
    """

    frame: int
    jump: float
    first: float
    later: float
    across: float
    sides: float
    pushed: tuple[float, ...]
    left: float
    right: float
    stands_out: float
    usual: bool
    levels: float
    word: float
    word_frame: int
    deviation: float
    word_sigmas: float
    whitening: Floats

    @property
    def alike(self) -> bool:
        """Whether both sides may be one and the same programme."""
        ratio = self.right / self.left
        return 1 / ALIKE <= ratio <= ALIKE and 0.01 <= self.levels <= 100

    @property
    def begins(self) -> bool:
        """Whether far more moves on one side, as where a sound begins or ends."""
        return not 1 / BEGINS <= self.levels <= BEGINS

    @property
    def still(self) -> bool:
        """Whether each side fits itself up to the cut, as well as it does elsewhere."""
        return self.usual or (self.sides <= CLEAN and self.stands_out <= STANDS_OUT)

    @property
    def parts(self) -> bool:
        """Whether each side fits itself, or next to what jumps between them."""
        return self.still or (
            self.jump >= STEEP
            and self.sides * STEEP_ACROSS <= self.across
            and self.stands_out <= STEEP_OUT * self.jump
        )

    @property
    def towers(self) -> bool:
        """Whether the jump is far higher than all that the sides leave, as no strike's first is."""
        return self.jump >= TOWERS * self.stands_out

    @property
    def cut(self) -> bool:
        """Whether the signal was cut between two samples of steady programme."""
        return self.alike and self.parts

    @property
    def noisy(self) -> bool:
        """Whether the floor is more than rounding makes: what came through a converter."""
        return min(self.left, self.right) >= NOISY * _predict.rounding(self.whitening)

    @property
    def floor(self) -> float:
        return float(np.sqrt(0.5 * (self.left * self.left + self.right * self.right)))


def jumps_at(rows: Floats, at: int) -> list[float]:
    """How far each track jumps at a place that another one tells, as ``looked_at`` has it.

    0 where a side is too short.
    """
    size = rows.shape[1]
    if not len(rows) or at < LEAST or size - at < LEAST + ORDER:
        return [0.0] * len(rows)
    stop = at + ORDER + 2
    whitenings = _predict.fitted(rows, ORDER, skip=(at - 2, stop))
    jumps = []
    for x, whitening in zip(rows, whitenings, strict=True):
        ahead = np.abs(_predict.forward(x[at - ORDER : at + ORDER], whitening)[ORDER:])
        floor = _predict.spread(_predict.backward(x[stop:], whitening)[:-ORDER])
        jumps.append(float(ahead.max()) / max(floor, _predict.rounding(whitening)))
    return jumps


def looked_at(x: Floats, peak: int, *, at: int | None = None) -> Junction | None:
    """The best place near a peak of the screen.

    Args:
        x: samples of one track in steps of the word, the place well inside.
        peak: where the screen saw its largest residual.
        at: the place itself, where another track has told it.

    Returns:
        None where a side is too short.
    """
    first, last = (peak - BEFORE, peak + BEHIND) if at is None else (at, at)
    if first < LEAST or len(x) - last < LEAST + ORDER:
        return None
    skip = (first - 2, last + ORDER + 2)
    whitening = _predict.fitted(x, ORDER, skip=skip)
    ahead, back = _predict.forward(x, whitening), _predict.backward(x, whitening)
    least = _predict.rounding(whitening)
    left = max(_predict.spread(ahead[ORDER : first - 2]), least)
    right = max(_predict.spread(back[skip[1] : len(x) - ORDER]), least)
    if right > ALIKE * left:  # a tone that dies away seen from behind grows
        turned = len(x) - last - 3, len(x) - first + 2 + ORDER
        own = _predict.backward(x, _predict.fitted(x[::-1], ORDER, skip=turned))
        if (less := max(_predict.spread(own[skip[1] : len(x) - ORDER]), least)) < right:
            back, right = own, less
    frame = _place(ahead / left, back / right, first, last)
    floor = np.where(np.arange(len(x)) < frame, left, right)
    split = np.concatenate((ahead[:frame], back[frame:])) / floor
    across = ahead / floor
    behind = across[frame : frame + ORDER] ** 2
    near = slice(frame - _TEST, frame + _TEST)
    word = _word(ahead, whitening, first, last, (left + right) / 2)
    without = ahead.copy()
    without[word.frame : word.frame + ORDER + 1] -= word.deviation * whitening
    sides = float(np.mean(split[near] ** 2))
    out = float(np.abs(split[frame - _QUIET : frame + _QUIET]).max())
    jump = float(np.sqrt(behind.max()))
    pushes = sides > CLEAN or out > STANDS_OUT
    pushes &= sides <= USUAL_MOST and out <= min(USUAL_OUT, jump / 2)
    beside = [split[ORDER : first - 2], split[skip[1] : len(x) - ORDER]] if pushes else []
    return Junction(
        frame=frame,
        jump=jump,
        first=float(np.sqrt(behind[0])),
        later=float(behind[2:].sum() / max(behind.sum(), 1e-300)),
        across=float(np.mean(across[near] ** 2)),
        sides=sides,
        pushed=_pushed(across[near]),
        left=left,
        right=right,
        stands_out=out,
        usual=pushes and sides <= _usual(beside),
        levels=_levels(x, frame),
        word=float(np.mean((without / floor)[near] ** 2)),
        word_frame=word.frame,
        deviation=word.deviation,
        word_sigmas=word.sigmas,
        whitening=whitening,
    )


@dataclass(frozen=True, slots=True)
class Break:
    """A place shared by tracks behind which each may carry something else than before.

    Attributes:
        frame: first frame behind it.
        jumps: largest residual of each track's past across it, in standard deviations.
        sharp: whether they begin at once on some track; a sound's beginning grows.
        clean: whether each side of the track fits itself, by a filter of its own.
    """

    frame: int
    jumps: list[float]
    sharp: bool
    clean: list[bool]


def shared_break(tracks: list[Floats], peak: int) -> Break | None:
    """The place at which all tracks are cut, each side fitted for itself.

    For cuts behind which a track carries something else than before. None where a side is short or
    there is no track.
    """
    first, last = peak - BEFORE, peak + BEHIND
    total = np.zeros(last - first + 1)
    residuals = []
    for x in tracks:
        if first < LEAST or len(x) - last < LEAST + ORDER:
            return None
        before = _predict.fitted(x[: first - 2], ORDER)
        behind = _predict.fitted(x[last + 2 :], ORDER)
        ahead, back = _predict.forward(x, before), _predict.backward(x, behind)
        left = _predict.spread(ahead[ORDER : first - 2])
        right = _predict.spread(back[last + 2 : len(x) - ORDER])
        left, right = max(left, _predict.rounding(before)), max(right, _predict.rounding(behind))
        ahead, back = ahead / left, back / right
        total += _totals(ahead, back, first, last)
        total += np.arange(len(total)) * 2 * float(np.log(left / right))  # of a likelihood
        residuals.append((ahead, back))
    frame = first + int(np.argmin(total))
    jumps, clean, sharp = [], [], False
    for ahead, back in residuals:
        sides = np.concatenate((ahead[frame - _TEST : frame], back[frame : frame + _TEST]))
        near = np.concatenate((ahead[frame - _QUIET : frame], back[frame : frame + _QUIET]))
        size = np.abs(ahead[frame : frame + ORDER])
        jumps.append(float(size.max()))
        sharp |= bool(size[:_FIRST].max() >= _AT_ONCE * size.max())
        clean.append(
            bool(np.mean(sides**2) <= CLEAN and np.abs(near).max(initial=0.0) <= STANDS_OUT)
        )
    return Break(frame, jumps, sharp, clean) if tracks else None


def _place(ahead: Floats, back: Floats, first: int, last: int) -> int:
    """The cut that leaves least on both sides together."""
    return first + int(np.argmin(_totals(ahead, back, first, last)))


def _totals(ahead: Floats, back: Floats, first: int, last: int) -> Floats:
    """What both sides leave, for each place of the cut from ``first`` to ``last``."""
    count = last - first + 1
    past = np.cumsum(ahead[first - _TEST : last] ** 2)[_TEST - 1 :]
    future = np.cumsum(back[first : last + _TEST][::-1] ** 2)[::-1]
    total: Floats = past[:count] + future[:count]
    return total


@dataclass(frozen=True, slots=True)
class _Word:
    frame: int
    deviation: float
    sigmas: float


def _word(ahead: Floats, whitening: Floats, first: int, last: int, floor: float) -> _Word:
    """The one deviating sample that explains most of the residual."""
    norm = float(whitening @ whitening)
    span = ahead[first : last + ORDER + 1]
    fits = np.correlate(span, whitening, mode="valid") / norm
    best = int(np.argmax(np.abs(fits)))
    deviation = float(fits[best])
    sigmas = abs(deviation) * float(np.sqrt(norm)) / floor
    return _Word(first + best, deviation, sigmas)


def pushed(tracks: Iterable[Junction], *, often: bool = False) -> bool:
    """Whether a push of a few samples into what goes on explains a place as well as a cut.

    Args:
        often: the tracks are pushed again and again, as voices are.
    """
    more = np.sum([np.array(j.pushed) - j.sides for j in tracks], axis=0)
    gain = PUSH_GAIN * (2 if often else 1)
    return bool((2 * _TEST * more * np.arange(1, PUSH + 1) <= gain).any())


def _pushed(residual: Floats) -> tuple[float, ...]:
    """Mean square of a residual but for its largest samples in a row, for each count of them."""
    total = np.concatenate(([0.0], np.cumsum(residual**2)))
    most = [(total[count:] - total[:-count]).max() for count in range(1, PUSH + 1)]
    return tuple(float(total[-1] - one) / len(residual) for one in most)


def _usual(beside: list[Floats]) -> float:
    """Mean square of ``_TEST`` neighbours that most of those beside do not exceed, both sides."""
    totals = [np.cumsum(side**2) for side in beside]
    means = [(total[_TEST:] - total[:-_TEST]) / _TEST for total in totals]
    return float(np.mean([percentile(mean, USUAL) for mean in means if len(mean)]))


def _levels(x: Floats, frame: int) -> float:
    """Over 512 frames or all of each side, whichever are more alike: pulses may come seldom."""
    steps = np.diff(x) ** 2
    before, behind = steps[: frame - 1][::-1], steps[frame + 1 :]
    levels = [
        float((behind[:reach].mean() + 0.1) / (before[:reach].mean() + 0.1))
        for reach in (_LEVELS, len(x))
    ]
    return min(levels, key=lambda level: abs(np.log(level)))
