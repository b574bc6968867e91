"""How programme falls behind a gap between tape and head, and where the whole level falls.

A gap takes 54.6 dB times distance over wavelength (spacing loss, 20 log10 e^(2 pi): reference texts
on magnetic recording), so from 5.5 kHz four times as many decibels as from 1.4 kHz. The noise that
it leaves hides that only where the programme has come down to it.

What this cannot tell: a fall of what is heard in the body alone; players who change to a sound that
is duller by just as much.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts._tape._bands import BODY, EDGE, Floats

APART_DB: Final = 5.0
"""Over noise, which then hides less than 2 dB of a fall."""

_LEAK_DB: Final = 30.0  # by which the band of 5.5 kHz hears 2 to 3 kHz less (own trials)
_LEAK_TILT: Final = 1.8  # frequency of these over that of the body


def as_the_body(loss: Floats, left: Floats, tilt: NDArray[np.float64]) -> bool | None:
    """Whether programme above the body fell as the body did; None where that does not show.

    A gap takes as much more as the frequency is higher, down to noise at most. Told is which of
    the two is nearer, in every band in which they lie apart.

    Args:
        loss: how far programme fell, dB a band.
        left: what is left, dB over the noise that the hiss fell to.
        tilt: frequency over that of the body.
    """
    body = float(loss[BODY])
    over = loss + left  # before
    gap = np.minimum(tilt * body, over)
    leaks = over[BODY] - _LEAK_DB - _LEAK_TILT * body  # behind a gap, into the band of 5.5 kHz
    gap[EDGE] = min(gap[EDGE], over[EDGE] - leaks)
    shows = gap - body > APART_DB
    shows[EDGE] &= over[EDGE] > over[BODY] - _LEAK_DB
    shows = shows[EDGE:]
    if left[BODY] < APART_DB or not shows.any():
        return None
    return bool((loss < 0.5 * (body + gap))[EDGE:][shows].all())
