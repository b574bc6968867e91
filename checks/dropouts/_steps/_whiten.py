"""The screen for steps: every sample of every track, less what its recent past predicts.

A predictor of order 8 a track, fitted to the block's own products (``_predict``), is run over the
whole block as a product of matrices: rows of 16 samples, with the 8 before them, times a band of
coefficients, which a matrix library does several times faster than one pass a coefficient. Where a
block is long in time, up to 96 kHz, each quarter has a predictor of its own; else one is kept until
it fits no more.
What stands out is held against the mean magnitude of the residual around it: of its 1,024 frames,
and of the nearest 128s beside, because the floor moves with each note and a stretch of foreign
samples would hide behind itself.
Trials on synthetic programme at 44.1 to 352.8 kHz: order 8 leaves within 0.5 dB of what order 64
leaves where converter, amplifier and hiss make the floor, flat or rising; plain differences leave
10 dB more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES, Block
from checks.dropouts import _edges, _predict
from checks.model import CaptureFormat, Samples

ORDER: Final = 8
ROW: Final = 16
_PIECE: Final = 256  # rows in one product: larger ones make a matrix library start threads
SEGMENT: Final = 1024
PART: Final = 128
_PARTS: Final = SEGMENT // PART

SIGMAS: Final = 6.0
"""What is looked at again. Noise alone reaches it once in 5e8 samples; half of the lowest limit,
because the screen's own floor may lie up to 6 dB above that of the dear look."""

_MEAN: Final = 1.2533  # standard deviation over mean magnitude, normal distribution
_OF_A_PART: Final = np.float64(_MEAN / PART)
_TRACKS: Final = 2  # at once: more leave the second cache, fewer cost calls
_STRETCHES: Final = 4  # stretches of a block that a predictor is fitted to
_STRETCH: Final = 256
_FINE_HZ: Final = 100_000
"""Up to this rate a block lasts longer than a note's attack, and one predictor does not fit it all:
single samples wrong behind a castanet's strike hid in what it left, 60 sigma high."""

_QUARTER: Final = _PIECE * ROW  # frames
_OLD_BLOCKS: Final = 16  # age at which a predictor is fitted again in any case
_DRIFT: Final = 1.3  # change of the residual's level that asks for a new one
_ONES: Final = np.ones(PART, np.float32)  # a product with it sums faster than sum()
_LAG: Final = np.arange(ORDER, ORDER + ROW) - np.arange(ORDER + ROW)[:, np.newaxis]
_INSIDE: Final = (_LAG >= 0) & (_LAG <= ORDER)
_TAPS: Final = np.clip(_LAG, 0, ORDER)
_BESIDE: Final = 2  # parts on each side that tell the floor
_LATE: Final = 4  # parts behind which foreign samples are over
_TURNS: Final = 2.0
"""Height over the floor before alone, in that over both: what a track turns to may be louder."""

_SEEN: Final = 4  # parts of the block before that tell of a rise
_RISES: Final = 2.0  # times as much
_APART: Final = 32  # peaks nearer than this are one
_MOST: Final = 8  # peaks kept of a segment, the largest


@dataclass(frozen=True, slots=True)
class Peak:
    """A sample that its past does not predict.

    Attributes:
        sigmas: magnitude over the standard deviation around.
        first: first sample of the disturbance it is the largest of.
    """

    track: int
    frame: int
    sigmas: float
    first: int


class Rise(NamedTuple):
    """A frame from which on a track's residual is more for a while."""

    track: int
    frame: int


class Screen:
    """Whitens blocks in order and gives what stands out."""

    def __init__(self, fmt: CaptureFormat) -> None:
        tracks = fmt.channels
        self._fmt = fmt
        self._unit = 1.0 if fmt.floating else 2.0**-31  # of what is whitened; full scale is 1.0
        self._whitening = np.zeros((tracks, ORDER + 1))
        self._fine = fmt.rate_hz <= _FINE_HZ
        self._pieces = BLOCK_FRAMES // _QUARTER if self._fine else 1
        columns = np.zeros((tracks, self._pieces, ROW, ORDER + ROW), np.float32)
        self._bands = columns.transpose(0, 1, 3, 2)  # columns in one piece: a faster product
        self._floors = np.zeros((tracks, self._pieces))  # least deviation of the residual: rounding
        self._levels = np.full(tracks, -1.0)  # mean magnitude when the predictor was fitted
        self._ages = np.zeros(tracks, np.int64)
        self._before = np.full((tracks, _BESIDE), np.inf)  # the last parts of the block before
        self._last = np.full((tracks, _SEEN), np.inf)

    def feed(self, block: Block) -> tuple[list[Peak], list[Rise]]:
        """The peaks of a block, in order of track, then of place; where the residual rises."""
        if not block.frames or not block.tracks:
            return [], []
        if self._fine:
            self._fit_each(block)
        look = _Look(block)
        for first in range(0, block.tracks, _TRACKS):
            look.at(slice(first, first + _TRACKS), self._bands)
        if not self._fine:
            self._renew(block, look)
        if self._nothing_stands_out(look):
            self._last = look.sums[:, -_SEEN:] * _OF_A_PART
            return [], []
        rises = self._risen(look, block.start)
        least = np.repeat(self._floors, BLOCK_FRAMES // SEGMENT // self._pieces, axis=1)
        floors = self._around(look)
        np.maximum(floors, least[:, : floors.shape[1], np.newaxis], out=floors)
        marked = look.tops > SIGMAS * np.minimum.reduce(floors, axis=2)
        peaks: list[Peak] = []
        for track in np.flatnonzero(np.logical_or.reduce(marked, axis=1)).tolist():
            size = look.at(slice(track, track + 1), self._bands)[0]
            for k in np.flatnonzero(marked[track]).tolist():
                sigmas = size[k].reshape(_PARTS, PART) / floors[track, k, :, np.newaxis]
                peaks += _apart(track, sigmas.reshape(-1), block.start + k * SEGMENT)
        return peaks, rises

    def _nothing_stands_out(self, look: _Look) -> bool:
        """Whether no sample reaches what is looked at again, be the floor that of any part."""
        if look.sums.shape[1] * PART != look.frames:
            return False
        low = np.minimum.reduce(look.sums, axis=1) * _OF_A_PART
        np.minimum(low, np.minimum.reduce(self._before, axis=1), out=low)
        np.maximum(low, np.minimum.reduce(self._floors, axis=1), out=low)
        if (np.maximum.reduce(look.tops, axis=1) > SIGMAS * low).any():
            return False
        self._before = look.sums[:, -_BESIDE:] * _OF_A_PART
        return True

    def _risen(self, look: _Look, start: int) -> list[Rise]:
        """Where the residual is for two parts more than in the two before the last of them."""
        means = np.concatenate((self._last, look.sums * _OF_A_PART), axis=1)
        self._last = means[:, -_SEEN:]
        pairs = np.minimum(means[:, 1:], means[:, :-1])
        high = np.maximum(means[:, 1:], means[:, :-1])
        rises = pairs[:, 3:] > _RISES * high[:, :-3]
        rises[:, 1:] &= ~rises[:, :-1]
        found = []
        for track, k in zip(*np.nonzero(rises), strict=True):
            found.append(Rise(int(track), start + (int(k) + 2 - _SEEN) * PART))
        return found

    def _around(self, look: _Look) -> NDArray[np.float64]:
        """The floor that each part is held against, (tracks, segments, parts): least of three."""
        tracks, parts = look.sums.shape
        means = look.sums * (_MEAN / np.maximum(look.counts, 1))
        whole = np.add.reduce(look.sums.reshape(tracks, -1, _PARTS), axis=2) * _MEAN
        whole /= np.maximum(np.add.reduce(look.counts.reshape(-1, _PARTS), axis=1), 1)
        last = max(int(np.count_nonzero(look.counts >= PART)) - 1, 0)
        line = np.empty((tracks, _BESIDE + parts + _LATE + 2))
        line[:, :_BESIDE] = self._before
        line[:, _BESIDE : _BESIDE + parts] = means
        line[:, _BESIDE + last + 1 :] = means[:, last : last + 1]
        self._before = means[:, -_BESIDE:].copy()
        pairs = (line[:, :-1] + line[:, 1:]) / 2
        before = pairs[:, :parts]
        after = pairs[:, _BESIDE + 1 : _BESIDE + 1 + parts]
        late = pairs[:, _BESIDE + 1 + _LATE : _BESIDE + 1 + _LATE + parts]
        out: NDArray[np.float64] = np.maximum(before, np.minimum(after, late))
        np.minimum(out, _TURNS * before, out=out)
        out = out.reshape(tracks, -1, _PARTS)
        np.minimum(out, whole[:, :, np.newaxis], out=out)
        return out

    def whitening(self, track: int) -> NDArray[np.float64]:
        """The filter last used on a track, (ORDER + 1,)."""
        out: NDArray[np.float64] = self._whitening[track]
        return out

    def _renew(self, block: Block, look: _Look) -> None:
        """Fit anew where a predictor has drifted or grown old, and keep what leaves less."""
        now = np.add.reduce(look.sums, axis=1) / block.frames
        self._ages += 1
        drifted = (self._levels > now * _DRIFT) | (now > self._levels * _DRIFT)
        old = self._ages >= _OLD_BLOCKS
        for track in np.flatnonzero(drifted | old).tolist():
            x = block.samples[track] if not self._fmt.floating else block.scaled[track]
            if x.max() == x.min():
                continue  # nothing is to be fitted to a constant
            fresh = self._levels[track] < 0
            before = self._whitening[track].copy(), float(self._floors[track, 0])
            self._fit(block, track)
            look.at(slice(track, track + 1), self._bands)
            level = look.sums[track].sum() / block.frames
            if not fresh and level > now[track]:
                self._set(track, *before)
                look.at(slice(track, track + 1), self._bands)
                level = now[track]
            self._levels[track], self._ages[track] = level, 0

    def _set(self, track: int, whitening: NDArray[np.float64], floor: float) -> None:
        self._whitening[track], self._floors[track, 0] = whitening, floor
        self._bands[track, 0] = whitening.take(_TAPS) * (_INSIDE * self._unit)

    def _fit(self, block: Block, track: int) -> None:
        x = block.with_lead[track]
        held = block.scaled_with_lead[track] if self._fmt.floating else x
        step = self._step(x)
        whitening = _fitted(held[np.newaxis], self._unit / step)[0]
        self._set(track, whitening, float(step * _rounding(whitening)))

    def _fit_each(self, block: Block) -> None:
        """Fit each quarter of a block of its own."""
        held = block.scaled_with_lead if self._fmt.floating else block.with_lead
        whole = block.frames // _QUARTER
        for track in range(block.tracks):
            step = self._step(block.with_lead[track])
            row = held[track, block.lead :]
            quarters = row[: whole * _QUARTER].reshape(whole, _QUARTER)
            for first, some in ((0, quarters), (whole, row[np.newaxis, whole * _QUARTER :])):
                if not some.size:
                    continue
                at = slice(first, first + len(some))
                whitening = _fitted(some, self._unit / step)
                self._whitening[track] = whitening[-1]
                self._floors[track, at] = step * _rounding(whitening)
                self._bands[track, at] = whitening.take(_TAPS, axis=1) * (_INSIDE * self._unit)

    def _step(self, x: Samples) -> float:
        return _edges.in_steps(x[:: max(len(x) // SEGMENT, 1)], self._fmt)[1]


def _fitted(pieces: Samples, scale: float) -> NDArray[np.float64]:
    """The filter that whitens each piece, (pieces, ORDER + 1), from a few stretches of it."""
    count, length = pieces.shape
    span = min(_STRETCH + ORDER, length)
    if span <= ORDER:
        return np.eye(1, ORDER + 1).repeat(count, axis=0)
    starts = [(length - span) * k // (_STRETCHES - 1) for k in range(_STRETCHES)]
    near = np.stack([pieces[:, start : start + span] for start in starts], axis=1) * scale
    shape = (count, _STRETCHES, span - ORDER, ORDER + 1)
    rows = as_strided(near, shape, (*near.strides, near.itemsize)).reshape(count, -1, ORDER + 1)
    grams = np.matmul(rows.transpose(0, 2, 1), rows)[:, ::-1, ::-1]  # by lag: the newest is last
    return _predict.solved(grams, rows.shape[1])


def _rounding(whitening: NDArray[np.float64]) -> NDArray[np.float64]:
    """What rounding to a step of 1 leaves of each filter, as a standard deviation."""
    out: NDArray[np.float64] = np.sqrt(_predict.ROUNDING * np.sum(whitening**2, axis=-1))
    return out


class _Look:
    """The residual of a block, some tracks at a time.

    Attributes:
        frames: of the block.
        sums: (tracks, parts) sums of the residual's magnitudes.
        tops: (tracks, segments) the largest of them.
    """

    def __init__(self, block: Block) -> None:
        self._rows, self._lead, self.frames = _rows(block), block.lead, block.frames
        self._work = block.work
        size = self._rows.shape[1] * _PIECE * ROW
        self.sums = np.empty((block.tracks, size // PART), np.float32)
        self.tops = np.empty((block.tracks, size // SEGMENT), np.float32)

    @property
    def counts(self) -> NDArray[np.int64]:
        """(parts,) samples that each part really has."""
        left: NDArray[np.int64] = self.frames - PART * np.arange(self.sums.shape[1])
        return left.clip(0, PART)

    def at(self, tracks: slice, bands: NDArray[np.float32]) -> NDArray[np.float32]:
        """The magnitudes of the residual, (tracks, segments, SEGMENT), until the next call."""
        rows = self._rows[tracks]
        bands = bands[tracks, : rows.shape[1]]
        held = self._work.take("dropouts.rows", rows.shape, np.float32)
        np.copyto(held, rows, casting="unsafe")
        out = self._work.take("dropouts.residual", (*rows.shape[:3], ROW), np.float32)
        np.matmul(held, bands, out=out)
        flat = out.reshape(len(rows), -1)
        np.abs(flat, out=flat)
        flat[:, self.frames :] = 0
        if not self._lead:
            flat[:, :ORDER] = 0  # nothing is known yet to predict these from
        np.matmul(flat.reshape(len(rows), -1, PART), _ONES, out=self.sums[tracks])
        size = flat.reshape(len(rows), -1, SEGMENT)
        np.maximum.reduce(size, axis=2, out=self.tops[tracks])
        return size


def _apart(track: int, sigmas: NDArray[np.float64], start: int) -> list[Peak]:
    """The peaks of a segment, one of each cluster."""
    over = np.flatnonzero(sigmas > SIGMAS)
    if not len(over):
        return []
    clusters = np.split(over, np.flatnonzero(np.diff(over) >= _APART) + 1)
    tops = [(int(c[np.argmax(sigmas[c])]), int(c[0])) for c in clusters]
    tops = sorted(sorted(tops, key=lambda t: -float(sigmas[t[0]]))[:_MOST])
    return [Peak(track, start + t, float(sigmas[t]), start + first) for t, first in tops]


def _rows(block: Block) -> Samples:
    """(tracks, pieces, _PIECE, ORDER + ROW): the samples, each row with those before it; a view.

    Integers as they are, floats scaled. Zeros stand before the capture and behind the block.
    """
    pieces = -(-block.frames // (ROW * _PIECE))
    size = ORDER + pieces * _PIECE * ROW
    x = block.scaled_with_lead if block.fmt.floating else block.with_lead
    if block.lead >= ORDER and block.frames == size - ORDER:
        x = x[:, block.lead - ORDER :]
    else:
        lead = min(block.lead, ORDER)
        padded = np.zeros((block.tracks, size), x.dtype)
        padded[:, ORDER - lead : ORDER + block.frames] = x[:, block.lead - lead :]
        x = padded
    step = x.itemsize
    shape = (block.tracks, pieces, _PIECE, ORDER + ROW)
    strides = (x.strides[0], _PIECE * ROW * step, ROW * step, step)
    return as_strided(x, shape, strides, writeable=False)
