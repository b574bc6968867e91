"""What is left of the hiss where a wave stands at its crests.

A limiter, or an amplifier that is overdriven softly, lets hardly anything through at the crests of
a loud wave: treble and hiss go down there for some milliseconds, as in a lift of the tape. But they
do so at every crest as high, and a lift asks after no wave.

What this cannot tell: a limiter's work at the one crest that is higher than all others near it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.dropouts._tape._bands import Floats

PRESSED: Final = 0.5
"""Of the hiss, in the quieter half of other crests. Own trials: lifts from 0.65 on, most limiters
less than 0.4."""

_OUT: Final = 0.25  # of the furthest near it: there a limiter may be at work (own trials)
_PASSES: Final = 4  # part of a place in which the wave may pass from crest to crest
_AS_HIGH: Final = 0.95  # noise lies over the tops of one level
_LEAST: Final = 4  # hops as far out as this
_FURTHEST: Final = 0.8  # tops that are cut stand at one level, or sag a little behind a coupling


def at_other_crests(
    energies: Floats, quiet: Floats, swing: Floats, first: int, last: int, apart: int
) -> Floats | None:
    """Mean of each band in the quieter half of the hops in which the wave is as far out.

    None where it stands at no crest between two hops, or at none as high near it.

    Args:
        energies: of one track near a place, (bands, hops).
        quiet: how loud its treble is, (hops,).
        swing: where its wave stands, (hops,).
        first, last: hops of the place; ``apart``: hops beside it that say nothing of others.
    """
    out = np.abs(swing)
    least = np.sort(out[first:last])[(last - first) // _PASSES]
    up, down = (bool((side * swing[first:last] >= least).any()) for side in (1, -1))
    others = ((swing > 0) & up) | ((swing < 0) & down)  # it may be that one side alone is limited
    if least < _OUT * out[others].max(initial=0.0):
        return None
    others &= out >= _AS_HIGH * least
    others[max(0, first - apart) : last + apart] = False
    hops = np.flatnonzero(others)
    if len(hops) < _LEAST:
        return None
    half = hops[np.argsort(quiet[hops])[: (len(hops) + 1) // 2]]
    return np.asarray(energies[:, half].mean(axis=1), np.float32)


def is_furthest(swing: Floats, first: int, last: int) -> bool:
    """Whether a wave stands as far out between two hops as anywhere near it on that side."""
    side = np.float32(np.sign(swing[first:last].sum()))
    return bool((side * swing[first:last]).min() >= _FURTHEST * (side * swing).max())
