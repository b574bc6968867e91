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


def parted(stretches: Sequence[tuple[int, int]], whole: Bools, least: int) -> list[tuple[int, int]]:
    """Stretches, parted where all tracks are down from where some were so before or after.

    Args:
        whole: entries in which all are down.
        least: entries; where some are down for less before the others, a machine may stop.
    """
    out: list[tuple[int, int]] = []
    for first, last in stretches:
        all_down = whole[first:last].copy()
        for a, b in spans(~all_down):
            all_down[a:b] = b - a < least
        edges = [edge for run in spans(all_down) if run[1] - run[0] > CLICKS for edge in run]
        out += pairwise(first + edge for edge in sorted({0, *edges, last - first}))
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
