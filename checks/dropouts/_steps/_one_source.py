"""Whether what comes on several tracks at one sample is a single source that leaks into them all.

It then adds one and the same to what each would have gone on with, but for its level; of several
tracks that are cut, or taken over by something else, each turns in its own way, and two that change
places turn in opposite ones. So a sound that begins within one sample is no more of a witness on
eight tracks than on one.

What this cannot see: a fault of all tracks while a single source sounds on all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from checks.dropouts import _predict
from checks.dropouts._junction import ORDER
from checks.dropouts._predict import Floats

LEFT: Final = 2.0
MOST_LEFT: Final = 3.0
LEFT_SHARE: Final = 0.01
"""Most that may be left of a track where the source is taken out, mean square, over its own noise
and that of the source; and how much more of what comes, as its level and the filter are not known
to the last digit, as long as less is left than a step at the limit would leave. From own trials:
leaks 0.3 to 1.9, 2.6 where they are a hundred times the noise."""

TOLD: Final = 16.0
TOLD_SHARE: Final = 0.03
"""Least energy that the source must explain on the others behind the first few samples, floor 1
(four standard deviations), and as a share of all that comes on them: a jump and a bend at the same
frame are much alike on any two tracks that are cut. From own trials: leaks 0.04 to 0.9, tracks of
low programme that are cut 0.02."""

WITNESS: Final = 8.0
"""Standard deviations of the first sample from which on a track shows something by itself: the
limit of a step on several tracks."""

_FIRST: Final = 4  # samples in which a jump and a bend pass the filter
_COMES: Final = 24  # frames over which that is told: longer ones no prediction foretells


def one_source(tracks: Sequence[Floats], frame: int) -> bool:
    """Whether all that comes on top of what was before is one and the same on all tracks.

    Args:
        tracks: samples of each in steps of the word.
        frame: the first at which something comes.
    """
    comes = [_Coming(x, frame) for x in tracks]
    if not np.isfinite([one.height for one in comes]).all():  # a prediction ran away
        return False
    source = max(comes, key=lambda one: one.height)
    others = [one for one in comes if one is not source]
    left = [one.without(source) for one in others]
    if not all(one.drowns(rest, source) for one, rest in zip(others, left, strict=True)):
        return False
    witnesses = [k for k, one in enumerate(others) if abs(one.white[0]) >= WITNESS]
    told = sum(_energy(others[k].white[_FIRST:]) - _energy(left[k][_FIRST:]) for k in witnesses)
    height = sum(others[k].height for k in witnesses)
    return not witnesses or told >= max(TOLD, TOLD_SHARE * height)


class _Coming:
    """What comes on top of what a track would have gone on with.

    Attributes:
        white: what it adds, whitened, over the floor of the track, (_COMES,).
        height: the energy of that.
    """

    def __init__(self, x: Floats, frame: int) -> None:
        past = x[:frame]
        self._whitening, self._floor = _predict.known(past, ORDER)
        there = x[frame : frame + _COMES]
        ahead = _predict.continued(past, self._whitening, _COMES)
        self._added = there - ahead[: len(there)]
        self.white = self._whitened(self._added)
        self.height = _energy(self.white)

    def _whitened(self, samples: Floats) -> Floats:
        out: Floats = np.convolve(samples, self._whitening)[: len(samples)] / self._floor
        return out

    def without(self, source: _Coming) -> Floats:
        """What is left of ``white`` without a source, at whatever level of the same polarity."""
        white = self._whitened(source._added)
        level = max(float(self.white @ white), 0.0) / max(_energy(white), 1e-300)
        return self.white - level * white

    def drowns(self, left: Floats, source: _Coming) -> bool:
        """Whether what is left is no more than the noise of the track, and of the source."""
        noise = len(left) * (1 + self.height / max(source.height, 1e-300))
        most = min(LEFT * noise + LEFT_SHARE * self.height, MOST_LEFT * noise)
        return _energy(left) <= most


def _energy(x: Floats) -> float:
    return float(x @ x)
