"""Whether tracks carry one and the same pure tone, as a generator gives it to all of them.

Below some 4 kHz one band holds all that is played: that little is heard in the others says nothing
of chords. Looked at is therefore the mean of the wave in every hop, which is the wave itself at a
low rate. What lies above half of that rate is folded into it, weaker the higher it is and not at
all at multiples of the rate: a pure tone is one line there or nothing, a note its overtones.

What this cannot see: whether two tracks that hold one pure tone hold it from one generator.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.dropouts._tape._bands import Floats

_PURE: Final = 0.01
"""Of the tone's power, all else together: tape distorts a tone by 3 % in amplitude at the level
that it is rated by (common practice), a tenth of that; overtones of pipes and strings are more."""

_WIDE_HZ: Final = 60.0  # own choice: flutter of 0.1 % moves 10 kHz by 10 Hz, some 50 times a second
_TERMS: Final = (0.42, -0.5, 0.08)  # Blackman's window (F. J. Harris, Proc. IEEE 66, 1978)
_APART_BINS: Final = 1  # by which one and the same line may be read


def line(swing: Floats, power: float, hop_rate_hz: float) -> int | None:
    """Where the line of a pure tone lies in a stretch, in bins of its spectrum.

    Args:
        swing: means of the wave in each hop, (hops,).
        power: mean square of the tone by its band; at the edges of a band it is more than that.

    Returns:
        -1 where the tone is pure but folded to next to nothing; None where something else is heard.
    """
    turn = (np.arange(len(swing)) + 0.5) * (2 * np.pi / len(swing))
    window = np.sum([term * np.cos(k * turn) for k, term in enumerate(_TERMS)], axis=0)
    spectrum = np.abs(np.fft.rfft((swing - swing.mean()) * window)) ** 2
    spectrum *= 2.0 / (len(swing) * float((window**2).sum()))
    at = int(spectrum.argmax())
    reach = max(3, round(_WIDE_HZ * len(swing) / hop_rate_hz))
    own = float(spectrum[max(0, at - reach) : at + reach + 1].sum())
    rest = float(spectrum.sum()) - own
    if rest > _PURE * max(power, own):
        return None
    return at if own > _PURE * power else -1


def same(one: int | None, other: int | None) -> bool:
    """Whether two lines are of one tone, as far as they show."""
    if one is None or other is None:
        return False
    return min(one, other) < 0 or abs(one - other) <= _APART_BINS
