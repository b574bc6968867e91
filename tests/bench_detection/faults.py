"""What a fault of the bench is, and what the makers of faults share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from bench_detection.beds import Bed
from damage import Ints, Planted

Plant = Callable[[Ints, Bed, np.random.Generator, int], Planted]
"""Clean samples, their bed, chance, and the frame where to plant (0 for what has no place)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault at one size.

    Attributes:
        part: which part of the bench it belongs to.
        name, size: for the table.
        kinds: findings that name it rightly.
        plant: does it.
        must: whether the size is above the stated limit, so that every plant must be found.
        redo: whether it must be a ``redo`` (True), must not be one (False), or either (None).
        enough: how strong a plant must have come out to count as a must (see ``strength``).
        strength: what became of it in the samples, e.g. how many tops were cut.
        everywhere: a fault of the whole capture, one to a capture, no place to hold to.
        last: everything behind it is changed, so it comes last among several in a capture.
        slack_s: how far off the place may be.
        step: the jump over the whitened residual decides whether it must be found.
        fits: beds it can be planted in.
    """

    part: str
    name: str
    size: str
    kinds: tuple[str, ...]
    plant: Plant
    must: bool = True
    redo: bool | None = None
    enough: int = 0
    strength: Callable[[Ints, Planted], int] = lambda clean, planted: 0
    everywhere: bool = False
    last: bool = False
    slack_s: float = 0.0005
    step: bool = False
    fits: Callable[[Bed], bool] = lambda bed: True

    @property
    def check(self) -> str:
        return _CHECK_OF.get(self.part, self.part)

    @property
    def label(self) -> str:
        return f"{self.name} {self.size}"


_CHECK_OF: Final = {"digital": "dropouts", "steps": "dropouts", "tape": "dropouts"}


def who_of(x: Ints, rng: np.random.Generator, how: str) -> tuple[int, ...]:
    """Tracks: ``one``, ``all``, ``two`` neighbours, ``group`` (the first or second half)."""
    count = len(x)
    if how == "one":
        return (int(rng.integers(count)),)
    if how == "two":
        first = int(rng.integers(max(count - 1, 1)))
        return tuple(range(first, min(first + 2, count)))
    if how == "group":
        half = max(count // 2, 1)
        return tuple(range(half)) if rng.random() < 0.5 else tuple(range(count - half, count))
    return tuple(range(count))


def many(bed: Bed) -> bool:
    return bed.tracks >= 4


def pairs(bed: Bed) -> bool:
    return bed.tracks >= 2


def wide(bed: Bed) -> bool:
    return not bed.floating and bed.word_length >= 24


def plain_tracks(bed: Bed) -> bool:
    """All tracks carry programme, and no noise reduction moves the hiss."""
    return bed.kind not in ("timecode", "clicktrack", "idle-track") and "decoded" not in bed.kind


def plain_pairs(bed: Bed) -> bool:
    return pairs(bed) and plain_tracks(bed)
