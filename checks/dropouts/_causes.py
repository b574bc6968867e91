"""Proof of a digital cause for a step: prediction from one side must meet the other side again.

- *shift*: samples were lost (the past, predicted on over n frames, meets what follows) or
  inserted (what follows n frames later continues the past).
- *swap*: what follows on one track continues the past of another.
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
from checks.dropouts._predict import Floats, fitted, forward, spread

FITS: Final = 1.7
"""Largest mean square that counts as a fit. From own trials: 32 values scatter by 0.25 about 1."""

FAILS: Final = 3.0
"""Least mean square of the best control, for a fit to prove anything. From own trials."""

MOST_LOST: Final = 96
"""Longest gap predicted over, in frames. From own trials: beyond it predictions from noisy
programme say nothing."""

MOST_INSERTED: Final = 512
_OFFSETS: Final = (59, 97, 149, 211, 283, 367, 449, 541)  # of the controls, in frames: primes


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
    worst = {o: np.inf for o in _OFFSETS if all(s.frame + o + ORDER <= len(s.x) for s in sides)}
    if len(worst) < 4:
        return None
    best, least = None, np.inf
    for count in range(1, MOST_LOST + 1):
        fits = [model.next() for model in models]
        for offset in worst:
            worst[offset] = min(worst[offset], _mean(fits, sides, offset))
        if min(worst.values()) < FAILS:
            break
        score = _mean(fits, sides, 0)
        cost = ORDER * score * len(sides) + sum(fit.doubt for fit in fits)
        if score <= FITS and cost < least:
            best, least = count, cost
    return best


def _mean(fits: list[_Fit], sides: list[Side], offset: int) -> float:
    """How well all tracks go on, on average, from so many frames behind the cut."""
    starts = [side.frame + offset for side in sides]
    return float(
        np.mean(
            [
                fit(side.x[start : start + ORDER])
                for fit, side, start in zip(fits, sides, starts, strict=True)
            ]
        )
    )


class _Ahead:
    """Predicts one track on from its cut, one frame further at each call of ``next``."""

    def __init__(self, side: Side) -> None:
        self._side = side
        past = side.x[: side.frame]
        self._ahead = _continued(past, side.whitening, MOST_LOST + ORDER)
        impulse = np.zeros(MOST_LOST + ORDER)
        impulse[0] = 1.0
        self._response = _continued(np.zeros(ORDER), side.whitening, MOST_LOST + ORDER, impulse)
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

    def __call__(self, found: Floats) -> float:
        """Mean square of the error over its expected covariance."""
        error = (found - self.wanted) / self.floor
        if not np.isfinite(self.covariance).all() or not np.isfinite(error).all():
            return float("inf")
        try:
            weighted = np.linalg.solve(self.covariance, error)
        except np.linalg.LinAlgError:
            return float("inf")
        return float(error @ weighted) / ORDER


def _continued(
    past: Floats, whitening: Floats, frames: int, innovations: Floats | None = None
) -> Floats:
    """The past predicted on over some frames."""
    order = len(whitening) - 1
    out = np.zeros(order + frames)
    out[:order] = past[-order:]
    weights = -whitening[:0:-1]
    with np.errstate(over="ignore", invalid="ignore"):
        for k in range(order, order + frames):
            out[k] = weights @ out[k - order : k]
            if innovations is not None:
                out[k] += innovations[k - order]
    return out[order:]


def inserted(
    sides: list[Side], *, near: int | None = None, most: int = MOST_INSERTED
) -> int | None:
    """After how many foreign frames the past goes on, on all tracks; None where not provable.

    Args:
        near: how many there are by another look; counts far from it prove nothing.
        most: largest count tried.
    """
    most = min(most, *(len(s.x) - s.frame - ORDER - 1 for s in sides))
    first = 1 if near is None else max(near - 2, 1)
    most = most if near is None else min(most, near + 2)
    if most < first:
        return None
    score = np.mean([_joined(s, s.frame, most) for s in sides], axis=0)[first - 1 :]
    fits = np.flatnonzero(score <= FITS)
    if not len(fits):
        return None
    count = first + int(fits[0])
    for offset in _OFFSETS[:4]:
        if any(s.frame - offset < ORDER for s in sides):
            break
        control = np.mean([_joined(s, s.frame - offset, count) for s in sides], axis=0)
        if float(control.min()) < FAILS:
            return None
    return count


def _joined(side: Side, cut: int, most: int) -> Floats:
    """Mean square residual where the past up to ``cut`` goes on n frames behind the place."""
    past = side.x[cut - ORDER : cut]
    known = np.convolve(np.concatenate((past, np.zeros(ORDER))), side.whitening)[ORDER : 2 * ORDER]
    lower = np.array(
        [[side.whitening[i - j] if i >= j else 0.0 for j in range(ORDER)] for i in range(ORDER)]
    )
    starts = side.frame + 1 + np.arange(most)
    later = side.x[starts[:, np.newaxis] + np.arange(ORDER)]
    residual = (later @ lower.T + known) / side.floor
    out: Floats = np.mean(residual**2, axis=1)
    return out


def swapped(tracks: list[Floats], frame: int) -> dict[int, int] | None:
    """Which track's past goes on where: {position in ``tracks``: position it went to}.

    Args:
        tracks: all tracks that jump, in steps of the word, the cut at ``frame`` in each.

    Returns:
        None where fewer than two tracks are proven to go on elsewhere.
    """
    count = len(tracks)
    if count < 2 or frame < 4 * ORDER:
        return None
    scores = np.empty((count, count))
    after = np.array([x[frame : frame + ORDER] for x in tracks])
    for i, x in enumerate(tracks):
        whitening = fitted(x[:frame], ORDER)
        floor = max(
            spread(forward(x[:frame], whitening)[ORDER:]), 0.29 * np.sqrt(whitening @ whitening)
        )
        known = np.convolve(np.concatenate((x[frame - ORDER : frame], np.zeros(ORDER))), whitening)
        lower = np.array(
            [[whitening[r - c] if r >= c else 0.0 for c in range(ORDER)] for r in range(ORDER)]
        )
        residual = (after @ lower.T + known[ORDER : 2 * ORDER]) / floor
        scores[i] = np.mean(residual**2, axis=1)
    goes = {}
    for i in range(count):
        best = int(np.argmin(scores[i]))
        rest = np.delete(scores[i], best)
        if best != i and scores[i, best] <= FITS and float(rest.min()) >= FAILS:
            goes[i] = best
    if len(goes) < 2 or len(set(goes.values())) < len(goes):
        return None
    return goes


def wrong_word(found: Junction) -> bool:
    """Whether one sample deviates and all the rest fits, which no cut would explain as well."""
    ratio = found.right / found.left
    return bool(
        0.7 <= ratio <= 1.4
        and found.noisy
        and abs(found.deviation) >= WORD_STEPS
        and found.word_sigmas >= WORD_SIGMAS
        and found.word <= 1.4
        and found.sides >= found.word + 0.3
    )


WORD_STEPS: Final = 32.0
"""Least deviation of a wrong word, in steps. From own trials: rounding and coding make less."""

WORD_SIGMAS: Final = 9.0
"""Least certainty of a wrong word: noise alone reaches it once in 1e19 samples."""
