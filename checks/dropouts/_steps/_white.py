"""Noise up to half the rate that sets in at one sample: words that a converter has lost.

What came through a converter's filter has next to nothing right below half the rate, and so is
foretold in part by a predictor, however noisy it sounds: a filter that leaves out the last tenth of
the band, 60 dB down, leaves half of the amplitude (the innovation of a stationary process is the
geometric mean of its spectrum: Kolmogorov, 1941, from memory). Words without a clock, shifted or
taken from another stream are foretold by nothing. A struck cymbal that a generator made of random
numbers is as white, but dies away, and not on several tracks at the very same sample.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts import _junction, _predict
from checks.dropouts._junction import ORDER, SHARP, Junction
from checks.dropouts._predict import Floats
from checks.dropouts._steps._place import Place

LOUDER: Final = 4.0
"""How many times as much must move behind the sample, energy of the first differences."""

WITHIN_S: Final = 0.018
WITHIN: Final = 2048
WHITE: Final = 0.9
STEADY: Final = 6.0
"""Time looked at, and least frames, as few tell too little of what dies away; least share of its
amplitude that a predictor of order 32 leaves, 0.98 of random words in the shortest; and most by
which its quarters may differ, in standard deviations of the rms of as much noise."""

AT_ONCE: Final = 2  # frames by which tracks may differ
INDEPENDENT: Final = 0.5  # most correlation of two tracks


@dataclass(frozen=True, slots=True)
class White:
    """Noise that sets in at ``frame`` of the capture; ``jump`` in standard deviations."""

    tracks: tuple[int, ...]
    frame: int
    jump: float


def sets_in(place: Place, found: Mapping[int, Junction], *, limit: float) -> White | None:
    """What sets in at a place, on the tracks that agree on its first sample.

    Args:
        limit: standard deviations that a jump must reach.
    """
    rows: dict[int, Floats] = {}
    jumps: dict[int, float] = {}
    at = place.first
    likely = [t for t, junction in found.items() if junction.levels >= LOUDER]
    for track in likely:
        if (here := _set_in(place, track, at, limit)) is not None:
            at, jumps[track], rows[track] = here
            break
    for track in (t for t in place.tracks if rows and t not in rows):  # whose peak lies elsewhere
        here = _set_in(place, track, at, limit)
        if here is not None and abs(here[0] - at) <= AT_ONCE:
            _, jumps[track], rows[track] = here
    if not rows:
        return None
    tracks = sorted(rows)
    if len(tracks) == 1 and max(jumps.values()) < SHARP:
        return None
    if len(tracks) > 1 and not _independent([rows[t] for t in tracks]):
        return None  # one source
    return White(tuple(tracks), place.start + at, max(jumps.values()))


def _set_in(place: Place, track: int, near: int, limit: float) -> tuple[int, float, Floats] | None:
    """Where noise sets in on a track near a frame, how high, and the noise itself."""
    own = _junction.shared_break([place.steps[track]], near)
    if own is None or own.jumps[0] < limit or not own.clean[0]:
        return None
    if not np.ptp(place.steps[track, own.frame - ORDER : own.frame]):
        return None  # behind digital silence or a held value, told elsewhere, all sets in so
    noise = _noise(place, track, own.frame)
    return None if noise is None else (own.frame, own.jumps[0], noise)


def _noise(place: Place, track: int, frame: int) -> Floats | None:
    count = max(round(WITHIN_S * place.rate_hz), WITHIN)
    x, at = place.around(track, frame, count + ORDER)
    x = x[at + AT_ONCE : at + count]
    return x if len(x) >= count - ORDER and is_white(x) else None


def is_white(x: Floats) -> bool:
    """Whether nothing in a stretch foretells anything else, and it stays as loud as it is."""
    quarter = len(x) // 4
    levels = [float(np.std(part)) for part in np.split(x[: 4 * quarter], 4)]
    if max(levels) > (1 + STEADY / float(np.sqrt(2 * quarter))) * min(levels):
        return False
    left = _predict.forward(x, _predict.fitted(x, ORDER))[ORDER:]
    return float(np.std(left)) >= WHITE * float(np.std(x))


def _independent(rows: list[Floats]) -> bool:
    size = min(map(len, rows))
    moves: NDArray[np.float64] = np.corrcoef([row[:size] for row in rows])
    return bool((np.abs(moves) < INDEPENDENT).any())
