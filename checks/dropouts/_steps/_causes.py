"""Proof of a digital cause for a step: prediction from one side must meet the other side again.

- *shift*: samples were lost (the past, predicted on over n frames, meets what follows) or
  inserted (what follows n frames later continues the past).
- *swap*: what follows on one track continues the past of another (``_moves``).
- *word*: one sample deviates, while both sides fit each other without it.
Each is tested against controls: what follows taken from other places nearby must not fit as well,
or the fit proves nothing (steady tones fit themselves anywhere).

The mean square of a prediction's error over its own expected covariance is 1 where the hypothesis
holds. Innovations form: Box & Jenkins, "Time Series Analysis" (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from checks.dropouts._junction import ORDER, Junction
from checks.dropouts._predict import Floats, continued

FITS: Final = 1.7
"""Largest mean square that counts as a fit. From own trials: 32 values scatter by 0.25 about 1."""

FAILS: Final = 3.0
"""Least mean square of the best control, for a fit to prove anything. From own trials."""

MOST_LOST: Final = 96
"""Longest gap predicted over, in frames. From own trials: beyond it predictions from noisy
programme say nothing."""

ODDS: Final = 1.0
LEAST_FAILS: Final = 2.0
"""How much worse controls of foreign samples must fit, and how badly at least: 16 in log
likelihood a track."""

CONVERTER_TRACKS: Final = 8
CONVERTER_LEAST: Final = CONVERTER_TRACKS - 2
"""Tracks that multitrack converters and their links handle together (common practice), and the
fewest of them that must show a cut."""

_MOVED: Final = (0, 1, 2, 3, 4)  # frames by which the edge of foreign samples may be missed
OFFSETS: Final = (59, 97, 149, 211, 283, 367, 449, 541)  # of the controls, in frames: primes


@dataclass(frozen=True, slots=True)
class Side:
    """Both sides of a cut on one track, in steps of the word: the cut lies at ``frame``."""

    x: Floats
    frame: int
    whitening: Floats
    floor: float


def lost(sides: list[Side]) -> int | None:
    """How many frames are missing at a cut that all tracks share; None where not provable.

    Of all gaps that fit, the likeliest: small error, and a prediction that was sure of itself.
    """
    models = [_Ahead(side) for side in sides]
    controls = [o for o in OFFSETS if all(s.frame + o + ORDER <= len(s.x) for s in sides)]
    if len(controls) < 4:
        return None
    later = [np.array([s.x[s.frame + o :][:ORDER] for o in (0, *controls)]) for s in sides]
    worst = np.full(len(controls), np.inf)
    best, least = None, np.inf
    for count in range(1, MOST_LOST + 1):
        fits = [model.next() for model in models]
        scores = np.mean([fit(part) for fit, part in zip(fits, later, strict=True)], axis=0)
        worst = np.minimum(worst, scores[1:])
        if worst.min() < FAILS:
            break
        cost = ORDER * float(scores[0]) * len(sides) + sum(fit.doubt for fit in fits)
        if scores[0] <= FITS and cost < least:
            best, least = count, cost
    return best


class _Ahead:
    """Predicts one track on from its cut, one frame further at each call of ``next``."""

    def __init__(self, side: Side) -> None:
        self._side = side
        past = side.x[: side.frame]
        self._ahead = continued(past, side.whitening, MOST_LOST + ORDER)
        impulse = np.zeros(MOST_LOST + ORDER)
        impulse[0] = 1.0
        self._response = continued(np.zeros(ORDER), side.whitening, MOST_LOST + ORDER, impulse)
        lower = np.array(
            [[self._response[i - j] if i >= j else 0.0 for j in range(ORDER)] for i in range(ORDER)]
        )
        self._covariance = lower @ lower.T
        self._count = 0

    def next(self) -> _Fit:
        """The test for one more frame missing."""
        self._count += 1
        old = self._response[self._count : self._count + ORDER]
        self._covariance = self._covariance + np.outer(old, old)
        wanted = self._ahead[self._count : self._count + ORDER]
        return _Fit(wanted, self._covariance, self._side.floor)


@dataclass(frozen=True, slots=True)
class _Fit:
    wanted: Floats
    covariance: Floats
    floor: float

    @property
    def doubt(self) -> float:
        """How unsure the prediction is: logarithm of the covariance's determinant."""
        return float(np.linalg.slogdet(self.covariance)[1])

    def __call__(self, found: Floats) -> Floats:
        """Mean square of the error of each row over its expected covariance, (rows,)."""
        error = ((found - self.wanted) / self.floor).T
        worst = np.full(len(found), np.inf)
        if not np.isfinite(self.covariance).all() or not np.isfinite(error).all():
            return worst
        try:
            weighted = np.linalg.solve(self.covariance, error)
        except np.linalg.LinAlgError:
            return worst
        return np.asarray(np.sum(error * weighted, axis=0)) / ORDER


def inserted(sides: list[Side], *, near: int) -> tuple[int, int] | None:
    """Where foreign frames begin, against ``frame``, and how many they are.

    Behind them the past must go on, on all tracks. None where not provable.

    Args:
        near: how many there are by another look; places and counts far from it prove nothing.
    """
    best: tuple[float, int, int] | None = None
    for moved in _MOVED:
        for count in range(max(near - 3, 1), near + 4):
            if any(s.frame + moved + count + ORDER >= len(s.x) for s in sides):
                continue
            score = _all_joined(sides, moved, count)
            if score <= FITS and (best is None or score < best[0]):
                best = score, moved, count
    if best is None:
        return None
    score, moved, count = best
    for offset in OFFSETS[:4]:
        if any(s.frame - offset < ORDER or s.frame + count + offset + ORDER > len(s.x)
               for s in sides):  # fmt: skip
            break
        earlier = [_all_joined(sides, moved - offset + k, count) for k in _MOVED]
        later = [_all_joined(sides, moved, count + offset + k) for k in _MOVED]
        if min(*earlier, *later) < max(score + ODDS, LEAST_FAILS):
            return None
    return moved, count


def _all_joined(sides: list[Side], moved: int, count: int) -> float:
    return float(np.mean([_joined(s, s.frame + moved, count) for s in sides]))


def _joined(side: Side, cut: int, count: int) -> float:
    """Mean square residual where the past up to ``cut`` goes on ``count`` frames behind it."""
    return goes_on(side.x[cut - ORDER : cut], side.x[cut + count :], side.whitening, side.floor)


def each_goes_on(past: Floats, heads: Floats, whitening: Floats, floor: float) -> Floats:
    """``goes_on`` for many at once, (rows,); ``heads``: first samples of each, (rows, ORDER)."""
    rings = np.convolve(past[-ORDER:], whitening)[ORDER : 2 * ORDER]
    residual = (rings + heads @ _taken(whitening)) / floor
    return np.asarray(np.mean(residual**2, axis=1))


def _taken(whitening: Floats) -> Floats:
    """The filter as a matrix from ``ORDER`` samples to what it makes of them."""
    lag = np.subtract.outer(np.arange(ORDER), np.arange(ORDER)).T
    return np.where(lag >= 0, whitening[np.maximum(lag, 0)], 0.0)


def goes_on(past: Floats, later: Floats, whitening: Floats, floor: float) -> float:
    """Mean square residual, floor 1, of samples that follow the last ``ORDER`` of the past."""
    both = np.concatenate((past[-ORDER:], later[:ORDER]))
    residual = np.convolve(both, whitening)[ORDER : 2 * ORDER] / floor
    return float(np.mean(residual**2))


def wrong_word(found: Junction, *, towers: bool = False) -> bool:
    """Whether one sample deviates and all the rest fits, which no cut would explain as well.

    What one sample leaves must be next to nothing against what it explains: the floor itself may
    move where a note begins.

    Args:
        towers: it stands so high over those beside that it is no sound's beginning.
    """
    ratio = found.right / found.left
    clear = found.word_sigmas >= CLEAR_SIGMAS
    more = found.across * CLEAR_REST if clear else 0.0
    rest = WORD_REST + (more if towers else min(more, CLEAR_MOST))
    within = 4.0 if clear and towers else 1.4  # where a sound begins, the floor moves
    return bool(
        1 / within <= ratio <= within
        and found.noisy
        and abs(found.deviation) >= WORD_STEPS
        and found.word <= rest
        and (
            (clear and found.word <= found.sides and found.across >= WORD_MOST * found.word)
            or (
                found.sides >= found.word + WORD_GAIN
                and (found.word <= WORD_REST or found.sides >= 2 * found.word)
            )
        )
    )


def likely_word(found: Junction) -> bool:
    """Whether one sample explains nearly all, beside programme that is not steady itself."""
    return bool(
        found.noisy
        and found.word_sigmas >= LIKELY_SIGMAS
        and found.word <= LIKELY_REST
        and found.across >= LIKELY_MOST * found.word
        and found.sides >= LIKELY_CUT * found.word
    )


LIKELY_SIGMAS: Final = 40.0
LIKELY_REST: Final = 2.7
LIKELY_MOST: Final = 8.0
LIKELY_CUT: Final = 1.5
"""Least height, largest rest, and least that is left without the word and by a cut, each against
the rest. From own trials: a word of 45 beside a pluck leaves 2.3, 19 and 4.5."""

WORD_STEPS: Final = 32.0
"""Least deviation of a wrong word, in steps. From own trials: rounding and coding make less."""

WORD_REST: Final = 1.4
"""Largest mean square, floor 1, that a wrong word leaves. From own trials: 0.7 to 1.4."""

WORD_GAIN: Final = 0.3
"""How much less it must leave than a cut: 14 in log likelihood."""

WORD_MOST: Final = 10.0
"""How much of the disturbance a clear one must explain, where a cut would leave as much: a cut has
32 values to fit it with, a word one."""

CLEAR_SIGMAS: Final = 20.0
CLEAR_REST: Final = 0.01
CLEAR_MOST: Final = 0.8
"""From these standard deviations on so much more of the disturbance may be left, and so much at
most. A click before the converter leaves more: its filter spreads a tenth over the samples beside.
From own trials: wrong words leave up to 1.5 in all, sounds that begin there 3 to 6."""


def one_converter(tracks: tuple[int, ...], channels: int) -> bool:
    """Whether all tracks lie within one group of 8, nearly fill it, and others stay still."""
    groups = {track // CONVERTER_TRACKS for track in tracks}
    if channels < 2 * CONVERTER_TRACKS or len(groups) != 1:
        return False
    return len(tracks) >= CONVERTER_LEAST
