"""Whether a disturbance comes again soon behind itself, as what goes round in a string does.

A pluck sends a wave along the string, which comes back in each period, a little weaker and duller.
In between the string may be as still as beside samples that were put in; those come but once.
Told by the correlation of what the past does not foretell: in the stretch, and anywhere behind it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.dropouts import _predict
from checks.dropouts._junction import ORDER
from checks.dropouts._predict import Floats

LONGEST_S: Final = 0.03
"""Longest period: 33 Hz, below the lowest string of most instruments."""

ALIKE: Final = 0.8
STRONG: Final = 0.25
"""Least correlation, and least share of the amplitude that comes again. From own trials: strings
0.85 to 1.0 and 0.3 to 1.0; foreign samples up to 0.9 but then at most 0.15."""


_FEW: Final = 8  # frames: of fewer nearly all must come again, for they agree by chance
_WHOLE: Final = 0.8
_SAME: Final = 0.95
_FEWEST: Final = 16  # frames compared, the ringing of the filter with them


def comes_again(x: Floats, start: int, stop: int, whitening: Floats, rate_hz: int) -> bool:
    """Whether what stands from ``start`` to before ``stop`` comes again within ``LONGEST_S``.

    Args:
        x: samples of one track.
        whitening: what foretells those before the stretch.
    """
    size, first = max(stop - start, _FEWEST), start - ORDER
    if first < 0:
        return False
    last = start + 2 * size + round(LONGEST_S * rate_hz)
    behind = _predict.forward(x[first:last], whitening)[ORDER:]
    once, later = behind[:size], behind[size + 2 * ORDER :]  # behind the ringing of the filter
    energy = float(once @ once)
    if len(later) < size or energy <= 0:
        return False
    common = np.abs(np.correlate(later, once, mode="valid"))
    total = np.concatenate(([0.0], np.cumsum(later**2)))
    there = total[size:] - total[:-size]
    strong, alike = (_WHOLE, _SAME) if stop - start < _FEW else (STRONG, ALIKE)
    return bool((common >= np.maximum(strong * energy, alike * np.sqrt(energy * there))).any())
