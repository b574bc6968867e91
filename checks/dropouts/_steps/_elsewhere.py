"""Whether a disturbance on one track is a sound that another microphone heard before.

Sound takes 3 ms a metre: what one track shows weakly, its source's own track shows strongly, some
milliseconds earlier. A recorder's fault is on all its tracks in the same frame, if on several.
Told by the correlation of what the past does not foretell.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from checks.dropouts import _predict
from checks.dropouts._junction import ORDER
from checks.dropouts._predict import Floats

FARTHEST_S: Final = 0.025  # 8 m: across a studio (common practice)
_NEAREST_S: Final = 0.0005  # 17 cm
_ALIKE: Final = 0.8
"""Least correlation. From own trials: sounds behind air and screens 0.8 to 0.9; others, and strings
that play the same, 0.6 at most over so many frames."""

_WEAKER: Final = 2.0  # least ratio: what is as strong is a copy, and no sound behind air

_FEWEST: Final = 96  # frames compared
_MOST: Final = 512


def heard(
    x: Floats, others: Iterable[Floats], start: int, stop: int, whitening: Floats, rate_hz: int
) -> bool:
    """Whether what stands from ``start`` to before ``stop`` is louder before on another track.

    Args:
        x: samples of the track; ``others``: of others, the same frames.
        whitening: what foretells those before the stretch.
    """
    size = min(max(stop - start, _FEWEST), _MOST)
    far, near = round(FARTHEST_S * rate_hz), round(_NEAREST_S * rate_hz)
    first = start - far - ORDER
    once = _predict.forward(x[start - ORDER : start + size], whitening)[ORDER:]
    energy = float(once @ once)
    if first < 0 or len(once) < size or energy <= 0:
        return False
    for other in others:
        before = _predict.forward(other[first : start - near + size], whitening)[ORDER:]
        common = np.abs(np.correlate(before, once, mode="valid"))
        total = np.concatenate(([0.0], np.cumsum(before**2)))
        there = total[size:] - total[:-size]
        if ((common >= _WEAKER * energy) & (common >= _ALIKE * np.sqrt(energy * there))).any():
            return True
    return False
