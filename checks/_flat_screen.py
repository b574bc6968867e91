"""Which tracks of a block are worth a close look for flat tops: a few reductions over all samples.

Looked at are the samples in the outer eighth of the range of each polarity, seen from the level
of rest; at high rates every second or fourth will do, since a flat top lasts. Two things point
to one:

- crowding: nearly half of the samples within some depth of the extreme lie within an eighth of
  that depth (a sine has 0.35; music, whose crests differ, has less);
- standing still: of those samples many hardly move to the next. Tilted tops lie at no one level,
  but move little. Strikes die away at once: one block may hold most tops of a drum.

Limits: own trials over clean and clipped programme of thirty kinds. About one row in a hundred of
clean programme is marked; of those with exact or noisy tops none was missed but for single short
ones, of those with tilted tops one in five.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks.block import Block

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

DEPTH: Final = 0.125  # of the range from rest to the extreme: 1.2 dB
CROWDED: Final = 0.45  # of the samples within a depth that may lie within an eighth of it
STANDING: Final = 0.33  # of the outer samples that may hardly move
_STILL: Final = 0.3  # of the mean movement: what counts as hardly moving
_FEWEST: Final = 3  # samples on which crowding may rest
_FEWEST_MOVES: Final = 8
_SHALLOWEST: Final = 3  # octave of DEPTH: 2**-3
_DEEPEST: Final = 11  # depths are told apart down to 2**-11 of the range
_SMALLEST_STEPS: Final = 120.0  # range in steps of the word below which crests are staircases
_RATE_LOOKED_AT_HZ: Final = 88_200  # three samples in 34 us


def stride(rate_hz: int) -> int:
    """Every how many samples the screen looks."""
    return max(1, rate_hz // _RATE_LOOKED_AT_HZ)


def marked(block: Block, step: int) -> NDArray[np.bool_]:
    """Rows that may hold flat tops.

    Args:
        step: every how many samples to look, from ``stride``.

    Returns:
        bool, (tracks, 2): positive and negative crests of every track.
    """
    rest = block.sums * (block.fmt.full_scale / block.frames)
    reach = np.empty((2, block.tracks))  # from the level of rest, native units
    np.subtract(block.peak, rest, out=reach[0])
    np.subtract(rest, block.trough, out=reach[1])
    usable = (reach > _SMALLEST_STEPS * block.fmt.lsb) & (reach < np.inf)
    rows = 2 * block.tracks
    found = np.zeros(rows, np.bool_)
    if usable.any():
        hits, key, depth = _outer(block, step, rest, reach, usable)
        if len(hits):
            found = _crowded(depth, key, rows) | _standing(hits, depth, key, rows)
    return found.reshape(2, block.tracks).T & usable.T


def _outer(
    block: Block, step: int, rest: Floats, reach: Floats, usable: NDArray[np.bool_]
) -> tuple[Indices, Indices, Floats]:
    """The samples in the outer part of the range.

    Returns:
        place among the samples looked at, all tracks in one sequence; row of ``reach``,
        flattened; depth below the extreme, as a share of the range.
    """
    x = block.samples
    if step > 1:
        few = block.work.take("clipping.few", (block.tracks, -(-block.frames // step)), x.dtype)
        np.copyto(few, x[:, ::step])
        x = few
    inner = (1 - DEPTH) * reach
    inner[~usable] = np.inf
    beyond = block.work.take("clipping.beyond", x.shape, np.bool_)
    below = block.work.take("clipping.below", x.shape, np.bool_)
    np.greater(x, _native(block, rest + inner[0]), out=beyond)
    np.less(x, _native(block, rest - inner[1]), out=below)
    beyond |= below
    hits = np.flatnonzero(beyond)
    track, col = np.divmod(hits, x.shape[1])
    value = x[track, col] - rest[track]
    key = track + block.tracks * (value < 0)
    per_reach = 1 / np.where(usable, reach, np.inf)
    per_reach[1] *= -1
    return hits, key, 1 - value * per_reach.ravel()[key]


def _native(block: Block, level: Floats) -> NDArray[Any]:
    """Levels in the samples' own type, so that the comparison stays in it."""
    if block.fmt.floating:
        return level.astype(block.samples.dtype)[:, None]
    return np.minimum(np.maximum(level, -(2.0**31)), 2.0**31 - 1).astype(np.int32)[:, None]


def _crowded(depth: Floats, key: Indices, rows: int) -> NDArray[np.bool_]:
    """(rows,): whether the outer samples crowd near the extreme; ``depth`` from 0 to 1."""
    octave = -np.frexp(np.maximum(depth, 2.0 ** -(_DEEPEST + 1)))[1]  # depth is below 2**-octave
    size = _DEEPEST + 1
    by_depth = np.bincount(key * size + octave, minlength=rows * size).reshape(rows, size)
    within = by_depth[:, _SHALLOWEST:][:, ::-1].cumsum(axis=1)  # from the deepest octave outwards
    near, wide = within[:, :-3], within[:, 3:]
    return np.asarray(((near >= _FEWEST) & (near >= CROWDED * wide)).any(axis=1))


def _standing(hits: Indices, depth: Floats, key: Indices, rows: int) -> NDArray[np.bool_]:
    """(rows,): whether many of the outer samples hardly move to the next one looked at."""
    count = np.bincount(key, minlength=rows)
    side = (np.diff(hits) == 1) & (np.diff(key) == 0)
    moves = np.abs(np.diff(depth))[side]
    of = key[1:][side]
    mean = np.bincount(of, moves, rows) / np.maximum(np.bincount(of, minlength=rows), 1)
    still = np.bincount(of, moves < _STILL * mean[of], rows)
    return np.asarray((count >= _FEWEST_MOVES) & (still >= STANDING * count))
