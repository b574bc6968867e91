"""The walk over the frames of a FLAC stream: the true length, and every cut, gap and damage.

A frame does not say how long it is. Its end is where the next sound header begins such that the
CRC-16 over all between comes out right. While numbers and CRCs run on without a break, frames
are taken many at a time; at a break the walk looks for the next header that a right CRC-16
confirms, so that a sync code within damaged audio leads it nowhere.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.container._crc import PrefixCrc
from checks.container._flac_headers import LONGEST, Headers, find_headers

PIECE: Final = 2_097_152  # bytes read at a time; ours
_TENTATIVE: Final = 32  # unconfirmed headers held while the walk looks for the thread again
_BREAKS: Final = 200_000  # breaks of the thread after which a file is beyond repair; ours
# Zero bytes in front of a header that are filling: more than a frame of digital silence ends in
# (8 tracks x 5 bytes), less than the smallest block a storage device loses (512 bytes).
_ZEROS: Final = 256


@dataclass(slots=True)
class Place:
    """A stretch of trouble: samples of every track from ``start`` on, at a byte of the file."""

    kind: str  # damaged, missing, repeated, foreign, zeros
    start: int
    frames: int
    at: int


@dataclass(slots=True)
class FlacWalk:
    """What the walk found. Positions and counts are in samples of every track.

    Attributes:
        start: byte where the stream should begin.
        good: FLAC frames whose CRC-16 is right.
        frames: what they hold.
        first: position that the FLAC frame right at ``start`` gives itself, else 0.
        first_at: byte where the first good FLAC frame begins.
        last: position behind the last good FLAC frame, counted from ``first``.
        places: stretches of trouble, neighbours merged, the first of them.
        place_count: how many there are.
        cut_at: byte where the last, broken FLAC frame begins; None where the stream ends whole.
        cut_frames: what it would hold.
        gave_up_at: byte behind which nothing was looked at.
        forms: (tracks, bits, rate) of the good FLAC frames -> position where each first occurs;
            0 where STREAMINFO is to say.
        largest_block, smallest_block: of good FLAC frames; the last one does not count for the
            smallest.
    """

    start: int
    good: int = 0
    frames: int = 0
    first: int = 0
    first_at: int = 0
    last: int = 0
    places: list[Place] = field(default_factory=list)
    place_count: int = 0
    cut_at: int | None = None
    cut_frames: int = 0
    gave_up_at: int | None = None
    forms: dict[tuple[int, int, int], int] = field(default_factory=dict)
    largest_block: int = 0
    smallest_block: int = 0


@dataclass(frozen=True, slots=True)
class _Start:
    """A header, with the running CRC in front of it."""

    at: int
    crc: int
    variable: bool
    number: int
    block: int
    form: tuple[int, int, int]
    behind_zeros: bool

    def leads_to(self, other: _Start) -> bool:
        """Whether the other header carries the number that must follow this one."""
        step = self.block if self.variable else 1
        return self.variable is other.variable and other.number == self.number + step


def walk_frames(
    read: Callable[[int, int], bytes], start: int, stop: int, *, listed: int, gap_bytes: int
) -> FlacWalk:
    """Walk over the frames between two offsets of a file.

    Args:
        read: offset, count -> bytes.
        start: first byte behind the metadata.
        stop: byte behind the stream (the file's end, or a tag there).
        listed: places to keep one by one.
        gap_bytes: bytes without a good frame after which to give up.
    """
    walker = _Walker(read, start, listed)
    crc = PrefixCrc()
    at = start
    held = b""  # bytes read, not yet searched
    tails: list[tuple[int, int]] = []
    while at < stop:
        data = held + read(at + len(held), min(PIECE, stop - at - len(held)))
        ends = at + len(data) >= stop or len(data) <= LONGEST
        count = len(data) if ends else len(data) - LONGEST
        if count == 0:
            break
        piece = np.frombuffer(data, np.uint8)
        if piece.any():
            headers = find_headers(piece, count)
            # A header cut by the end of the file is none, but the frame before it is whole.
            near = max(0, count - LONGEST)
            edge = near + np.flatnonzero(piece[near:count] == 0xFF)
            values = crc.feed(piece[:count], np.concatenate((headers.at, edge)))
            walker.take(headers, values[: len(headers)], at, piece)
            tails = list(zip((at + edge).tolist(), values[len(headers) :].tolist(), strict=False))
        else:
            crc.skip_zeros(count)
            tails = []
        at += count
        held = data[count:]
        if at - walker.good_at > gap_bytes or walker.breaks > _BREAKS:
            walker.found.gave_up_at = at
            return walker.found
    walker.finish(at, crc.value, tails)
    return walker.found


class _Walker:
    """Follows the thread of frames through the headers of one piece after the other."""

    def __init__(self, read: Callable[[int, int], bytes], start: int, listed: int) -> None:
        self.found = FlacWalk(start)
        self.good_at = start  # byte behind the last good frame
        self.breaks = 0
        self._read = read
        self._listed = listed
        self._open: list[_Start] = []  # the frame under way, then headers not confirmed yet
        self._zeros: set[int] = set()  # rows of the piece at hand that stand behind zeros
        self._nominal = 0  # block size that numbers of fixed-size blocks count in

    def take(
        self, headers: Headers, crcs: NDArray[np.uint16], base: int, piece: NDArray[np.uint8]
    ) -> None:
        """Go on with the headers of the next piece, which begins at byte ``base``."""
        if not len(headers):
            return
        step = np.where(headers.variable, headers.block, 1)
        follows = np.zeros(len(headers), bool)
        follows[1:] = (
            (crcs[1:] == crcs[:-1])
            & (headers.number[1:] == headers.number[:-1] + step[:-1])
            & (headers.variable[1:] == headers.variable[:-1])
        )
        bounds = np.append(np.flatnonzero(~follows), len(headers))
        self._zeros = self._behind_zeros(headers, base, piece)
        for first, stop in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
            self._meet(self._row(headers, crcs, base, first), confirmed=stop - first > 1)
            if stop - first > 1:
                self._run(headers, crcs, base, first, stop)
            self.breaks += 1
            if self.breaks > _BREAKS:
                return

    def _meet(self, header: _Start, *, confirmed: bool) -> None:
        """Hold a header against the frame under way and the unconfirmed headers behind it.

        Only a right CRC-16 confirms: samples may spell out the very header that is to follow.
        """
        for number, start in enumerate(self._open):
            if start.crc == header.crc:
                if number:
                    self._damaged(self._open[0], start)
                self._good(start, header.at)
                if not start.leads_to(header):
                    self._jump(start, header)
                if header.behind_zeros:
                    self._place("zeros", self._position(header), 0, header.at)
                self._open = [header]
                return
        if not self._open:
            self._open = [header]
            if header.at == self.found.start:
                self.found.first = header.number * (1 if header.variable else header.block)
        elif confirmed:
            self._damaged(self._open[0], header)
            self._open = [header]
        else:
            self._open = [*self._open[:1], *self._open[1:][1 - _TENTATIVE :], header]

    def _run(
        self, headers: Headers, crcs: NDArray[np.uint16], base: int, first: int, stop: int
    ) -> None:
        """Take a run of good frames: each header but the last closes the one before it."""
        found = self.found
        last = stop - 1
        blocks = headers.block[first:last]
        self._good(self._open[0], base + int(headers.at[first + 1]))
        if last - first > 1:
            found.good += last - first - 1
            found.frames += int(blocks[1:].sum())
            self._blocks(int(blocks[1:].min()), int(blocks[1:].max()))
            forms = headers.channels * 2**40 + headers.bits * 2**32 + headers.rate_hz
            for row in np.unique(forms[first:last], return_index=True)[1].tolist():
                start = self._row(headers, crcs, base, first + row)
                found.forms.setdefault(start.form, self._position(start))
        for row in sorted(row for row in self._zeros if first < row <= last):
            start = self._row(headers, crcs, base, row)
            self._place("zeros", self._position(start), 0, start.at)
        self._open = [self._row(headers, crcs, base, last)]
        self.good_at = self._open[0].at
        found.last = self._position(self._open[0])

    def _good(self, start: _Start, stop: int) -> None:
        """Take one good frame that ends at byte ``stop``."""
        found = self.found
        if not found.good:
            self._first(start)
        found.good += 1
        found.frames += start.block
        self._blocks(start.block, start.block)
        found.forms.setdefault(start.form, self._position(start))
        found.last = self._position(start) + start.block
        self.good_at = stop

    def _first(self, start: _Start) -> None:
        """The first good frame: what stands in front of it is damaged or foreign."""
        self._nominal = start.block
        self.found.first_at = start.at
        position = self._position(start)
        if start.at != self.found.start and not self.found.places:
            kind = "damaged" if position else "foreign"
            self._place(kind, 0, position, self.found.start)

    def _blocks(self, smallest: int, largest: int) -> None:
        found = self.found
        found.largest_block = max(found.largest_block, largest)
        held = found.smallest_block or smallest
        found.smallest_block = min(held, smallest)

    def _position(self, start: _Start) -> int:
        """Where a frame begins, counted from the first good one."""
        unit = 1 if start.variable else self._nominal or start.block
        return max(0, start.number * unit - self.found.first)

    def _damaged(self, start: _Start, stop: _Start) -> None:
        """All from one header to another is damaged, or missing."""
        if not self.found.good and start.at != self.found.start:
            return  # a chance header in front of the stream
        position = self._position(start)
        frames = self._position(stop) - position
        self._place("damaged", position, frames if frames > 0 else start.block, start.at)

    def _jump(self, start: _Start, stop: _Start) -> None:
        """A good frame is followed by one that does not carry the next number."""
        expected = self._position(start) + start.block
        frames = self._position(stop) - expected
        kind = "missing" if frames > 0 else "repeated"
        self._place(kind, min(expected, expected + frames), abs(frames), stop.at)

    def _place(self, kind: str, start: int, frames: int, at: int) -> None:
        found = self.found
        if found.places and found.place_count == len(found.places):
            last = found.places[-1]
            if last.kind == kind and last.start + last.frames == start:
                last.frames += frames
                return
        found.place_count += 1
        if len(found.places) < self._listed:
            found.places.append(Place(kind, start, frames, at))

    def _behind_zeros(self, headers: Headers, base: int, piece: NDArray[np.uint8]) -> set[int]:
        """Rows of headers in front of which zeros stand: a CRC that begins at 0 skips those."""
        near = (piece[headers.at - 1] == 0) & (piece[headers.at - 2] == 0)
        rows = np.flatnonzero(near | (headers.at < 2)).tolist()
        places = {row: base + int(headers.at[row]) - _ZEROS for row in rows}
        start = self.found.start
        return {
            row for row, at in places.items() if at >= start and not any(self._read(at, _ZEROS))
        }

    def finish(self, stop: int, crc: int, tails: list[tuple[int, int]]) -> None:
        """The stream ends at byte ``stop``; ``tails``: where a cut header may begin, with CRC."""
        for end, value in ((stop, crc), *tails):
            for number, start in enumerate(self._open):
                if start.crc == value:
                    self._last(number, start, end)
                    if end != stop:
                        self.found.cut_at, self.found.cut_frames = end, self._nominal
                    return
        if self._open:
            cut = self._open[0]
            if self.found.good or cut.at == self.found.start:
                self.found.cut_at, self.found.cut_frames = cut.at, cut.block

    def _last(self, number: int, start: _Start, stop: int) -> None:
        if number:
            self._damaged(self._open[0], start)
        smallest = self.found.smallest_block
        self._good(start, stop)
        self.found.smallest_block = smallest  # the last block may be shorter

    def _row(self, headers: Headers, crcs: NDArray[np.uint16], base: int, row: int) -> _Start:
        return _Start(
            at=base + int(headers.at[row]),
            crc=int(crcs[row]),
            variable=bool(headers.variable[row]),
            number=int(headers.number[row]),
            block=int(headers.block[row]),
            form=(int(headers.channels[row]), int(headers.bits[row]), int(headers.rate_hz[row])),
            behind_zeros=row in self._zeros,
        )
