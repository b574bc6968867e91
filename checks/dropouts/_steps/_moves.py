"""Tracks that change places: what follows on one goes on from the past of another.

Each track's past is held against what follows on every track, sample by sample behind the place,
by likelihood (a loud floor fits much and says little). That two tracks have exchanged their levels
is no proof: one falls silent as another begins. So the fit must also be the work of the very
sample: the same pasts, and the same that follows, taken from some frames beside must fit worse.

What this cannot see: tracks whose programme is all noise, which goes on from anything.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.dropouts._junction import ORDER
from checks.dropouts._predict import Floats, each_known, known
from checks.dropouts._steps._causes import FAILS, FITS, OFFSETS, each_goes_on, goes_on

Ints = NDArray[np.int64]

SURE: Final = 40.0
"""Least gain of another track's past over the own, as twice a log likelihood. Chance among 64
tracks makes 20."""

APART: Final = 12.0
"""The same over the next best track: e^6 times as likely."""

ONE_FITS: Final = 2.5
"""Largest mean square for one move among several that fit on average."""

MANY_MOVED: Final = 3  # moves that are trusted though they do not close

ALL_MOVED: Final = 0.8
"""Share of the tracks broken that the moves must explain, or"""

ALL_BROKEN: Final = 0.99
"""share of all that is broken, as twice a log likelihood: others play as well, and a strike among
many that go on does not hide those that have moved."""

FAR: Final = 1000.0
"""Times as much as another's past that the own must leave on each track that moves, for the moves
to be seen whatever they leave: the floor moves where a note begins."""

IN_PLACE: Final = 20.0
"""Least gain of a proven move over the same moves a few frames beside. From own trials: sounds
that begin and end together leave -60 to 10, exchanged programme 24 to 2000."""

_LEAST_LEFT: Final = 0.15
"""Least mean square that a past may leave of what goes on from it: it has the noise that it had.
From own trials: 0.01 to 0.08 where a loud noise dies away, and a quiet one begins on a track."""

LEAST_OFFSETS: Final = 4
_DEAR: Final = 1e12  # costs that are no number; more would leave no digits for others


@dataclass(frozen=True, slots=True)
class Moves:
    """Where tracks go on behind a place.

    Attributes:
        goes: {from: to}.
        least, mostly: how much worse the same moves fit some frames beside, twice log likelihoods.
        broken: those of the tracks that do not go on by themselves.
    """

    goes: dict[int, int]
    least: float
    mostly: float
    broken: tuple[int, ...]

    @property
    def sure(self) -> bool:
        """Whether they fit at this very place only."""
        return self.least >= IN_PLACE

    @property
    def likely(self) -> bool:
        """Whether they mostly do."""
        return self.mostly >= IN_PLACE

    @property
    def breaks(self) -> bool:
        """Whether none of the tracks would go on by itself as well."""
        return len(self.broken) == len(self.goes)


def seen(tracks: list[Floats], frame: int, codes: Set[int]) -> Moves | None:
    """The moves that are seen, see ``swapped``: those that are sure, or the first.

    Args:
        codes: tracks of timecode, at whose edges nothing goes on: they may hide what others do.
    """
    every = range(len(tracks))
    found = None
    for some in ([*every], [t for t in every if t not in codes])[: 2 if codes else 1]:
        rows = [tracks[t] for t in some]
        if (goes := swapped(rows, frame)) is None:
            continue
        least, mostly = _in_place(rows, frame, goes)
        broken = tuple(some[i] for i in goes if _breaks(rows[i], frame))
        moves = Moves({some[i]: some[k] for i, k in goes.items()}, least, mostly, broken)
        if moves.sure:
            return moves
        found = found or moves
    return found


def swapped(tracks: list[Floats], frame: int) -> dict[int, int] | None:
    """Which track's past goes on where: {position in ``tracks``: position it went to}.

    The moves must explain nearly every track that does not go on by itself, and either close, as
    an exchange or a rotation does, or each be sure by itself and most gone from where they were.
    Of an exchange both tracks must tell: a pluck on one goes on from anything louder.

    Args:
        tracks: all tracks, in steps of the word, the cut at ``frame`` in each.

    Returns:
        None where no such moves are proven.
    """
    count = len(tracks)
    if count < 2 or frame < 4 * ORDER or any(len(x) < frame + 4 * ORDER for x in tracks):
        return None
    scores, costs = np.empty((count, count)), np.empty((count, count))
    heads = np.array([x[frame : frame + ORDER] for x in tracks])
    models = each_known(np.array([x[:frame] for x in tracks]), ORDER)
    for i, (x, (whitening, floor)) in enumerate(zip(tracks, models, strict=True)):
        scores[i] = each_goes_on(x[:frame], heads, whitening, floor)
        costs[i] = ORDER * (scores[i] + 2 * np.log(floor))
    own = np.diag(scores)
    broken = np.flatnonzero(own >= FAILS)
    of_others = _fits(scores, own) & ~np.eye(count, dtype=np.bool_)
    if not len(broken) or not _explains(broken[of_others[:, broken].any(axis=0)], own, broken):
        return None
    closed = _closed(costs, scores, broken)
    least, second = np.partition(costs, 1, axis=0)[:2]
    alone = (np.diag(costs) - least >= SURE) & (second - least >= APART)
    fits = _fitting(np.argmin(costs, axis=0), scores, broken)
    sure = {k: i for k, i in fits.items() if alone[k]}
    gone = set(sure.values()) & set(broken.tolist())
    many = len(sure) >= MANY_MOVED and 2 * len(gone) >= len(sure)
    moved = {**sure, **closed} if closed or many else {}
    to, past = [*moved], [*moved.values()]
    left = scores[past, to]
    far = bool((left * FAR <= own[to]).all())
    if (
        len(moved) < 2
        or len(set(past)) < len(past)
        or not _explains(np.array([k for k in to if k in broken], np.intp), own, broken)
        or not (far or (left.max() <= ONE_FITS and left.mean() <= FITS))
    ):
        return None
    return {i: k for k, i in moved.items()}


def _fits(scores: Floats, own: Floats) -> NDArray[np.bool_]:
    """Which scores, (..., tracks), are those of a past that may be a track's."""
    fits: NDArray[np.bool_] = (scores <= ONE_FITS) | (scores * FAR <= own)
    return fits


def _explains(moved: Ints, own: Floats, broken: Ints) -> bool:
    """Whether the tracks that have moved are nearly all that is broken."""
    much = float(own[moved].sum()) >= ALL_BROKEN * float(own[broken].sum())
    return len(moved) >= ALL_MOVED * len(broken) or much


def _closed(costs: Floats, scores: Floats, broken: Ints) -> dict[int, int]:
    """The moves that close and explain enough, {where to: where from}."""
    stay = np.where(np.diag(scores) < FAILS, APART, 0.0)  # what goes on by itself stays
    closed = _fitting(assigned(costs - np.diag(stay)), scores, broken)
    while closed and set(closed) != set(closed.values()):
        ends = set(closed) & set(closed.values())
        closed = {k: i for k, i in closed.items() if k in ends and i in ends}
    gains = {k: float(costs[k, k] - costs[i, k]) for k, i in closed.items()}
    if not _sure([*gains.values()]):
        return {}
    for ring in _rings(closed):  # beside others that change places, some that stay may seem to
        stays = not set(ring) <= set(broken.tolist())
        if stays and not _sure([gains[k] for k in ring]):
            closed = {k: i for k, i in closed.items() if k not in ring}
    return closed


def _fitting(source: Ints, scores: Floats, broken: Ints) -> dict[int, int]:
    """Those of some moves that fit: {where to: where from}; ``source``: from where to each."""
    fits = {}
    may = _fits(scores, np.diag(scores))
    for k, i in enumerate(source.tolist()):
        least = _LEAST_LEFT if k in broken else 1 / (2 * FITS)  # a loud floor fits much
        if i != k and least <= scores[i, k] and may[i, k]:
            fits[k] = i
    return fits


def assigned(costs: Floats) -> Ints:
    """The row of each column, each row once, at the least sum of the costs of (count, count).

    Quiet tracks go on from many a past, each from one of them. Shortest augmenting paths (Jonker &
    Volgenant, "A shortest augmenting path algorithm for dense and sparse linear assignment
    problems", 1987; from memory).
    """
    count = len(costs)
    costs = np.nan_to_num(costs, nan=_DEAR, posinf=_DEAR, neginf=-_DEAR)
    of_row, of_column = np.zeros(count + 1), np.zeros(count)  # the duals; row `count` is none
    row = np.full(count, count)
    for new in range(count):
        least, before = np.full(count, np.inf), np.full(count, -1)
        done = np.zeros(count, np.bool_)
        at, i, reached = -1, new, 0.0
        while i < count:  # until a column without a row
            through = reached + costs[i] - of_row[i] - of_column
            nearer = ~done & (through < least)
            least[nearer], before[nearer] = through[nearer], at
            at = int(np.argmin(np.where(done, np.inf, least)))
            reached, done[at], i = float(least[at]), True, int(row[at])
        of_row[new] += reached
        others = done.copy()
        others[at] = False
        of_row[row[others]] += reached - least[others]
        of_column[others] -= reached - least[others]
        while at >= 0:
            back = int(before[at])
            row[at] = row[back] if back >= 0 else new
            at = back
    return row


def _sure(gained: list[float]) -> bool:
    """Whether moves that close explain enough; of an exchange, on both tracks."""
    return sum(gained) >= SURE and (len(gained) != 2 or min(gained) >= SURE)


def _rings(moves: Mapping[int, int]) -> list[list[int]]:
    """Those that change places with one another."""
    rings: list[list[int]] = []
    for start in moves:
        if not any(start in ring for ring in rings):
            rings.append([start])
            while (after := moves[rings[-1][-1]]) != start:
                rings[-1].append(after)
    return rings


def _in_place(tracks: list[Floats], frame: int, goes: dict[int, int]) -> tuple[float, float]:
    """How much worse moves fit a few frames beside their place: at least, and mostly.

    Twice log likelihoods over all moves. Small where what follows is not of this very sample.
    """
    offsets = [o for o in OFFSETS if frame - o >= ORDER and frame + o + ORDER <= len(tracks[0])]
    if len(offsets) < LEAST_OFFSETS:
        return 0.0, 0.0
    here, beside = 0.0, np.zeros(2 * len(offsets))
    for i, k in goes.items():
        past, later = tracks[i][:frame], tracks[k][frame:]
        whitening, floor = known(past, ORDER)
        here += goes_on(past, later, whitening, floor)
        beside += [goes_on(past[: frame - o], later, whitening, floor) for o in offsets] + [
            goes_on(past, later[o:], whitening, floor) for o in offsets
        ]
    gains = ORDER * (beside - here)
    return float(gains.min()), float(median(gains))


def _breaks(x: Floats, frame: int) -> bool:
    """Whether a track does not go on by itself."""
    return goes_on(x[:frame], x[frame:], *known(x[:frame], ORDER)) >= FAILS
