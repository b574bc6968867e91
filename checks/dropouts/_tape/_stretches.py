"""Stretches of entries: where some flag holds, which of them are one, and which are several."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]

CLICKS: Final = 3
"""Entries in which a stopped machine may still be heard (from memory)."""


def spans(flags: Bools) -> list[tuple[int, int]]:
    """Runs of True: (first, behind the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def joined(flags: Bools, parted: Bools) -> list[tuple[int, int]]:
    """Runs of ``flags``, as one where nothing is ``parted`` between them."""
    out: list[tuple[int, int]] = []
    for first, last in spans(flags):
        if out and not parted[out[-1][1] : first].any():
            first = out.pop()[0]
        out.append((first, last))
    return out


def parted(
    stretches: Sequence[tuple[int, int]], below: Bools, bare: Bools, least: int
) -> list[tuple[int, int]]:
    """Stretches, parted where nothing is left of all tracks from where something was.

    Where one track was not down, it is the last to go or the first to come back. Where the hiss of
    all is down and the body of the sound is not, that may be a rest in the midst, but not to the
    end.

    Args:
        below: where the hiss is down, ``bare``: the body as well. Both (tracks, entries).
        least: entries; where some are down for less before the others, a machine may stop.
    """
    out: list[tuple[int, int]] = []
    for first, last in stretches:
        whole = np.asarray(bare[:, first:last].all(axis=0))
        all_down = below[:, first:last].all()
        for a, b in spans(~whole):
            whole[a:b] = b - a <= CLICKS if all_down else b - a < least
        runs = [run for run in spans(whole) if run[1] - run[0] > CLICKS]
        if all_down:
            runs = [run for run in runs if first + run[1] == below.shape[1]]
        edges = {0, *(edge for run in runs for edge in run), last - first}
        out += pairwise(first + edge for edge in sorted(edges))
    return out


def most_lie_under(near: Bools, below: Bools, least: int) -> Bools:
    """Entries in which most tracks lie under their hiss, those left out that were lost before.

    Args:
        near: where they lie under it, ``below``: clearly. Both (tracks, entries).
        least: entries for which a lost one is down already.
    """
    lost = np.zeros_like(below)
    for track, flags in enumerate(below):
        for first, last in spans(flags):
            lost[track, first + least : last] = True
    return np.asarray(2 * (near & ~lost).sum(axis=0) > (~lost).sum(axis=0))
