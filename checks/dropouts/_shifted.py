"""Words put together from bytes of two: where a byte or more is lost, till others make it good.

Proven by the way back: a stretch whose words, put together again some bytes on or back, are as
smooth as what stood before it, while as they stand they are many times as rough. Roughness is the
magnitude of second differences, summed over the tracks that share a file.

Two bytes of three on, a word holds the lower two of its neighbour, 48 dB up and wrapped: smooth
most of the time at high rates, and no even noise (``_scrambled``).

Screened on every 16th frame of every track, by roughness that rises from 256 frames to the next
128; there each way back is tried, and the stretch runs from where the sum of what eight frames
after the other tell for it is least to where it is largest (a cumulative sum test: Page,
"Continuous inspection schemes", Biometrika 41, 1954).

Cannot be seen: fewer than some 24 frames; words whose lowest byte is always zero, as of shorter
words in wider ones; the first frames of a capture, with nothing before them; floating samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.block import Block
from checks.dropouts._history import History
from checks.model import CaptureFormat, Samples

Floats = NDArray[np.floating]

_EVERY: Final = 16  # frames
_PIECE: Final = 128  # frames whose roughness is held against that before
_BEFORE: Final = 2  # pieces
_ROUGHER: Final = (4.0, 10.0)
"""Times that a piece must be as rough as those before, where it is as rough as a tenth of even
values are, and where it is less so: a byte is worth 256, and a third of a piece will do."""

_BACK: Final = 192  # frames looked at before such a piece
_ON: Final = 384  # and from its first on
_FEW: Final = 8  # frames that tell for or against a way back, as a power of two
_MOST: Final = 4.0  # at most so much, whatever they are
_FOUND: Final = 10.0  # by 24 frames at least
_OVER: Final = 12.0
_FILES: Final = 2  # most tracks that are tried as files of their own at one place
_BOTH: Final = (True, False)
_RANDOM: Final = 1.14
"""Mean magnitude of the second difference of even values up to 1: more counts for no more, as of
what is at home up there."""

_LEVEL: Final = 3.0
"""Powers of two by which what is put together may be rougher or smoother than what stood before.
Words of 16 bits in 24 come out eight smoother."""


@dataclass(frozen=True, slots=True, order=True)
class Way:
    """A way back to words: their tracks, in the order of the file, and the bytes to go.

    Attributes:
        bits: how far up the lower bits of a word belong.
        own: whether the uppermost bits are those of the word itself, else of the next.
    """

    tracks: tuple[int, ...]
    bits: int
    own: bool


@dataclass(slots=True)
class Shifted:
    """A stretch of words put together from bytes of two.

    Attributes:
        varied: whether its lowest bytes vary, so far.
    """

    way: Way
    start: int
    stop: int = 0
    varied: bool = False


class Shifts:
    """Shifted stretches over one capture. ``history`` must have seen each block first.

    Attributes:
        seen: frame up to which all that is shifted is known.
        open: the stretch that still goes on.
    """

    def __init__(self, fmt: CaptureFormat, history: History) -> None:
        octets = -(-(fmt.container_bits or fmt.word_length) // 8)
        self._bits = 8 * octets
        self._blind = fmt.floating or not 2 <= octets <= 4
        self._channels = fmt.channels
        self._history = history
        self._rough = np.full((fmt.channels, _BEFORE), np.inf)  # of the last pieces
        self._places: list[tuple[int, tuple[int, ...]]] = []  # where it rises, on which tracks
        self._tried = 0  # up to here
        self.seen = 0
        self.open: Shifted | None = None

    def feed(self, block: Block) -> list[Shifted]:
        """The stretches that are over by now."""
        if self._blind:
            return []
        self._screen(block)
        return self._look(block.stop - _ON, block.stop)

    def finish(self) -> list[Shifted]:
        out = self._look(self._history.stop, self._history.stop)
        if self.open is not None:
            self.open.stop = self._history.stop
            out += [self.open] if self.open.varied else []
            self.open = None
        return out

    def _screen(self, block: Block) -> None:
        x = block.scaled_with_lead
        count = block.frames // _PIECE
        first, stop = block.lead, block.lead + count * _PIECE
        if not count:
            return
        middle = x[:, first + 2 : stop : _EVERY]
        size = middle + middle
        size -= x[:, first + 1 : stop : _EVERY]
        size -= x[:, first + 3 : stop : _EVERY]
        np.abs(size, out=size)
        pieces = size.reshape(len(x), count, -1).sum(axis=2, dtype=np.float64)
        line = np.concatenate((self._rough, pieces), axis=1)
        total = np.cumsum(np.where(np.isinf(line), 0.0, line), axis=1)
        before = (total[:, _BEFORE - 1 : -1] - _led(total)[:, :count]) / _BEFORE
        even = pieces > 0.1 * _RANDOM * (_PIECE // _EVERY)
        rises = pieces > np.where(even, *_ROUGHER) * before
        rises &= np.isfinite(line[:, :count])
        self._rough = line[:, -_BEFORE:]
        for k in np.flatnonzero(rises.any(axis=0)).tolist():
            tracks = tuple(np.flatnonzero(rises[:, k]).tolist())
            self._places.append((block.start + k * _PIECE, tracks))

    def _look(self, ripe: int, stop: int) -> list[Shifted]:
        """Go on with what is open, and try the places before ``ripe``."""
        out: list[Shifted] = []
        while True:
            if self.open is not None:
                over = self._goes_on(self.open, stop)
                if over is None:
                    break
                out += [over] if over.varied else []
                continue
            place = self._next(ripe)
            if place is None:
                self.seen = max(self.seen, ripe)
                break
            self._try(*place)
        return out

    def _next(self, ripe: int) -> tuple[int, tuple[int, ...]] | None:
        while self._places and self._places[0][0] < ripe:
            at, tracks = self._places.pop(0)
            if at + 2 * _PIECE > self._tried:
                return at, tracks
        return None

    def _try(self, at: int, tracks: Sequence[int], *, level: float | None = None) -> None:
        """Look for the beginning of a stretch near a frame.

        Args:
            tracks: where it is rougher.
            level: how rough what is put back was up to there; else what stands before tells.
        """
        start = max(at - _BACK, self.seen, self._history.start, 0)
        rows = self._history.rows(start, min(at + _ON, self._history.stop))
        self._tried = at + _ON
        files = [tuple(range(self._channels))]  # one of all tracks, or one each
        files += [(track,) for track in tracks if self._channels > 1 and len(tracks) <= _FILES]
        for file in files:
            words = rows[list(file)]
            stands = self._stands(words)
            ways = [Way(file, bits, own) for bits in range(8, self._bits, 8) for own in _BOTH]
            backs = _rough(self._put_back(words, ways))
            told = _told_for(_in_powers(stands), backs)
            rises = told - np.minimum.accumulate(told, axis=1)
            tried = [
                self._begun(stands, backs[k], told[k], int(np.argmax(rises[k])), ways[k], level)
                for k in np.flatnonzero(rises.max(axis=1) >= _FOUND).tolist()
            ]
            begun = [one for one in tried if one is not None]
            if begun:
                first, way = max(begun)[1:]
                self.open = Shifted(way, start + first)
                self.seen = start + first
                return

    def _begun(
        self, stands: Floats, back: Floats, told: Floats, most: int, way: Way, level: float | None
    ) -> tuple[float, int, Way] | None:
        """By how much words are smoother that way, and from which frame on, if they are.

        Args:
            back: how rough they are that way; ``told``: what that tells for it.
            most: up to where that tells most.
        """
        first = _edge(stands, back, int(np.argmin(told[: most + 1])) * _FEW)
        if level is None:
            before = slice(max(first - _PIECE, 0), first)
            if first < _FEW:
                return None
            level = _middle(stands[before])
        stop = most * _FEW
        smoother = np.log2((stands[first:stop] + 1.0) / (back[first:stop] + 1.0))
        inside = _middle(back[first : min(stop, first + _PIECE)])
        if abs(np.log2((inside + 1.0) / (level + 1.0))) > _LEVEL:
            return None
        return float(smoother.mean()), first, way

    def _goes_on(self, held: Shifted, stop: int) -> Shifted | None:
        """Follow what is open; the stretch if it ends."""
        first = max(held.start, self.seen - 4 * _PIECE)
        while first < stop:
            last = min(first + 32 * _PIECE, stop)
            words = self._history.rows(first, last)[list(held.way.tracks)]
            stands, back = self._stands(words), _rough(self._put_back(words, [held.way])[0])
            told = _told_for(_in_powers(stands), back)
            falls = np.maximum.accumulate(told) - told > _OVER
            held.varied = held.varied or self._varied(words)
            if falls.any():
                fallen = int(np.argmax(falls))
                top = int(np.argmax(told[: fallen + 1])) * _FEW
                held.stop = first + _edge(back, stands, top)
                level = _middle(back[max(top - _PIECE, 0) : top])
                self.open, self.seen, self._tried = None, held.stop, held.stop
                self._try(held.stop, held.way.tracks[:1], level=level)
                return held
            self.seen = last
            if last == stop:
                return None
            first = last - 4 * _PIECE
        return None

    def _varied(self, rows: Samples) -> bool:
        """Whether the lowest bytes vary."""
        lowest = rows >> (32 - self._bits) & 255
        return bool((lowest != lowest[:, :1]).any())

    def _stands(self, words: Samples) -> Floats:
        """How rough each frame is as it stands."""
        random = _RANDOM * 2.0 ** (self._bits - 1) * len(words)
        out: Floats = np.minimum(_rough(words >> (32 - self._bits)), random)
        return out

    def _put_back(self, words: Samples, ways: Sequence[Way]) -> Samples:
        """(ways, tracks, frames)."""
        here = words.view(np.uint32) >> np.uint32(32 - self._bits)
        last = np.empty_like(here)
        last[1:] = here[:-1]
        last[0, 1:] = here[-1, :-1]
        last[0, 0] = here[0, 0]
        joined = np.empty((len(ways), *here.shape), np.uint32)
        for out, way in zip(joined, ways, strict=True):
            high, low = (here, last) if way.own else (last, here)
            np.left_shift(high, np.uint32(32 - self._bits + way.bits), out=out)
            out |= (low >> np.uint32(self._bits - way.bits)) << np.uint32(32 - self._bits)
        return joined.view(np.int32) >> (32 - self._bits)


def _led(total: Floats) -> Floats:
    return np.concatenate((np.zeros((len(total), 1)), total), axis=1)


def _rough(x: Samples) -> Floats:
    """Magnitude of the second difference at each frame, summed over the tracks (last axis but
    one)."""
    out = np.zeros((*x.shape[:-2], x.shape[-1]), np.float32)
    moves = np.diff(x.astype(np.float32))
    bends = moves[..., 1:] - moves[..., :-1]
    np.abs(bends, out=bends)
    np.add.reduce(bends, axis=-2, out=out[..., 2:])
    return out


def _middle(rough: Floats) -> float:
    return float(median(rough)) if len(rough) else 0.0


def _in_powers(rough: Floats) -> Floats:
    """How rough each few frames are, as a power of two."""
    count = rough.shape[-1] // _FEW
    few = rough[..., : count * _FEW].reshape(*rough.shape[:-1], count, _FEW)
    out: Floats = np.log2(few.mean(axis=-1) + 1.0)
    return out


def _told_for(stands: Floats, back: Floats) -> Floats:
    """By how much each few frames are smoother the way back, all before them added; 0 first."""
    told = np.clip(stands - _in_powers(back), -_MOST, _MOST)
    return np.concatenate((np.zeros((*told.shape[:-1], 1)), np.cumsum(told, axis=-1)), axis=-1)


def _edge(before: Floats, behind: Floats, near: int) -> int:
    """The frame near which what is smooth in ``before`` turns to what is in ``behind``."""
    first, stop = max(near - 2 * _FEW, 0), near + 2 * _FEW
    told = np.log2((before[first:stop] + 1.0) / (behind[first:stop] + 1.0))
    told = np.concatenate(([0.0], np.cumsum(np.clip(told, -_MOST, _MOST))))
    return first + int(np.argmax(told <= told.min() + _MOST / 2))  # it itself is rough both ways
