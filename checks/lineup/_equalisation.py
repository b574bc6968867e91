"""Replay equalisation: the curves of IEC 60094-1, and which mistake a measured response fits.

Flux over frequency (IEC 60094-1:1981, clause 15): L(f) = 10 log10((1 + 1 / (2 pi f t2)**2) /
(1 + (2 pi f t1)**2)), without the t2 term where a curve has none. A tape recorded to one curve and
replayed through another shows the difference of the two; the fit is judged from 3 kHz on, for below
250 Hz fringing and the head's own bumps change levels as much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations
from math import inf, log10, pi, sqrt
from typing import Final

import numpy as np

FITS_DB: Final = 0.7  # rms left at high frequencies (common practice: lines up within 1 dB)
EXPLAINS: Final = 0.5  # share of the deviation that may be left at most
FROM_HZ: Final = 3_000.0
LOW_WEIGHT: Final = 0.3
ALIKE_DB: Final = 0.15  # two pairs that fit this nearly alike are both named
SPEED_NEAR: Final = 0.05


@dataclass(frozen=True, slots=True)
class Curve:
    """A curve by its time constants in microseconds; ``low_us`` inf: no correction below."""

    name: str
    speed_cm_s: float
    high_us: float
    low_us: float = inf


CURVES: Final = (  # IEC 60094-1:1981, Table 1; older constants of 9.5 cm/s are not told apart
    Curve("IEC1", 76.2, 35.0),
    Curve("AES", 76.2, 17.5),
    Curve("IEC1", 38.1, 35.0),
    Curve("NAB", 38.1, 50.0, 3180.0),
    Curve("IEC1", 19.05, 70.0),
    Curve("NAB", 19.05, 50.0, 3180.0),
)


def level_db(curve: Curve, hz: float) -> float:
    """Flux level of a curve at a frequency."""
    omega = 2.0 * pi * hz
    low = 1.0 + (1.0 / (omega * curve.low_us * 1e-6)) ** 2
    return 10.0 * log10(low / (1.0 + (omega * curve.high_us * 1e-6) ** 2))


def mismatch_db(tape: Curve, replay: Curve, hz: float, reference_hz: float = 1000.0) -> float:
    """What a tape recorded to one curve shows when replayed through another, 0 at 1 kHz."""

    def difference(f: float) -> float:
        return level_db(tape, f) - level_db(replay, f)

    return difference(hz) - difference(reference_hz)


def likely_mistakes(
    response: Sequence[tuple[float, float]], reference_hz: float, speed_cm_s: float | None
) -> tuple[tuple[Curve, Curve], ...]:
    """(tape, replay) pairs that a response fits, the best first; none where nothing fits.

    Args:
        response: (frequency in hertz, level in dB against the reference tone).
        speed_cm_s: tape speed; None: any.
    """
    high = [(hz, db) for hz, db in response if hz >= FROM_HZ]
    if not high:
        return ()
    raw = sqrt(float(np.mean([db * db for _, db in high])))
    found = []
    for tape, replay in permutations(CURVES, 2):
        if tape.speed_cm_s != replay.speed_cm_s:
            continue
        if speed_cm_s is not None and abs(speed_cm_s / tape.speed_cm_s - 1) > SPEED_NEAR:
            continue
        left = [(hz, db - mismatch_db(tape, replay, hz, reference_hz)) for hz, db in response]
        top = sqrt(float(np.mean([db * db for hz, db in left if hz >= FROM_HZ])))
        if top > FITS_DB or top > EXPLAINS * raw:
            continue
        weights = [1.0 if hz >= FROM_HZ else LOW_WEIGHT for hz, _ in left]
        square = np.average([db * db for _, db in left], weights=weights)
        found.append((sqrt(float(square)), tape, replay))
    found.sort(key=lambda one: one[0])
    return tuple((tape, replay) for left_db, tape, replay in found
                 if left_db <= found[0][0] + ALIKE_DB)  # fmt: skip
