"""FLAC frame headers (RFC 9639): every place in a piece of a file where one may begin.

The sync code of 15 bits also occurs within coded audio. What is given here has sound fields and
the right CRC-8, which one chance place in some million bytes has too; the frames' CRC-16 and
numbers settle the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.container._crc import crc8

LONGEST: Final = 16  # bytes: 4, number 7, block size 2, rate 2, CRC 1
_BATCH: Final = 65_536  # places decoded at a time: a hostile file may hold millions
# RFC 9639: codes of block size (6 and 7: written out behind the number), of rate (0: as in
# STREAMINFO, 12 to 14: written out), of tracks (8 to 10: two, as difference) and of bits.
_BLOCKS: Final = np.array([0, 192, 576, 1152, 2304, 4608, 0, 0, *(256 << n for n in range(8))])
_RATES: Final = np.array(
    [0, 88200, 176400, 192000, 8000, 16000, 22050, 24000, 32000, 44100, 48000, 96000, 0, 0, 0, 0]
)
_TRACKS: Final = np.array([1, 2, 3, 4, 5, 6, 7, 8, 2, 2, 2, 0, 0, 0, 0, 0])
_BITS: Final = np.array([0, 8, 12, -1, 16, 20, 24, 32])  # 0: as in STREAMINFO


def _number_bytes() -> NDArray[np.int64]:
    """Length of a coded number by its first byte; 0 where no number begins so."""
    table = np.zeros(256, np.int64)
    for length, first, stop in (
        (1, 0x00, 0x80),
        (2, 0xC0, 0xE0),
        (3, 0xE0, 0xF0),
        (4, 0xF0, 0xF8),
        (5, 0xF8, 0xFC),
        (6, 0xFC, 0xFE),
        (7, 0xFE, 0xFF),
    ):
        table[first:stop] = length
    return table


_NUMBER_BYTES: Final = _number_bytes()


@dataclass(frozen=True, slots=True, kw_only=True)
class Headers:
    """Columns of equal length, one row a frame header, in file order.

    Attributes:
        at: offset of the header, from the start of what was searched.
        size: bytes of the header with its CRC-8.
        variable: ``number`` counts samples, not frames.
        number: frame or sample number.
        block: frames (samples of every track) in it.
        rate_hz, bits: 0 where STREAMINFO is to say.
        channels: tracks.
    """

    at: NDArray[np.int64]
    size: NDArray[np.int64]
    variable: NDArray[np.bool_]
    number: NDArray[np.int64]
    block: NDArray[np.int64]
    rate_hz: NDArray[np.int64]
    channels: NDArray[np.int64]
    bits: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.at)


_COLUMNS: Final = tuple(column.name for column in fields(Headers))


def find_headers(data: NDArray[np.uint8], stop: int) -> Headers:
    """All sound frame headers that begin before ``stop``.

    Args:
        data: uint8; ``LONGEST`` bytes beyond ``stop`` where the file has them.
        stop: offsets from here on are left to the next piece.
    """
    at = np.flatnonzero(data[:stop] == 0xFF)
    inner = max(0, len(data) - LONGEST)  # up to here a header can be read without a look at the end
    edge = np.concatenate((data[inner:], np.zeros(LONGEST, np.uint8)))
    border = int(np.searchsorted(at, inner))
    parts = [
        _decode(data, at[first : min(first + _BATCH, border)], 0)
        for first in range(0, border, _BATCH)
    ]
    parts.append(_decode(edge, at[border:] - inner, inner))
    return Headers(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in _COLUMNS})


def _decode(data: NDArray[np.uint8], at: NDArray[np.int64], base: int) -> Headers:
    """The sound headers among the places ``at`` that hold 0xFF; offsets then count from -base."""
    at = at[data[at + 1] & 0xFE == 0xF8]
    codes, layout = data[at + 2], data[at + 3]
    sound = (codes >> 4 != 0) & (codes & 15 != 15) & (layout >> 4 <= 10) & (layout & 1 == 0)
    sound &= (layout >> 1 & 7) != 3
    sound &= _NUMBER_BYTES[data[at + 4]] > 0
    at = at[sound]
    rows = data[at[:, None] + np.arange(LONGEST)]
    wide = rows.astype(np.int64)
    length = _NUMBER_BYTES[rows[:, 4]]
    # The first byte of n holds 7 - n bits of the number, all 7 where it is the only one.
    number = np.where(length == 1, wide[:, 4], wide[:, 4] & ((1 << np.maximum(7 - length, 0)) - 1))
    sound = np.ones(len(rows), bool)
    for place in range(1, 7):
        more = length > place
        byte = wide[:, 4 + place]
        sound &= ~more | (byte & 0xC0 == 0x80)
        number = np.where(more, number << 6 | byte & 0x3F, number)
    end = 4 + length
    block_code, rate_code = wide[:, 2] >> 4, wide[:, 2] & 15
    one, two = _behind(wide, end)
    block = np.where(block_code == 6, one + 1, np.where(block_code == 7, two + 1, 0))
    block += _BLOCKS[block_code]
    end += (block_code == 6) + 2 * (block_code == 7)
    one, two = _behind(wide, end)
    rate = np.where(rate_code == 12, one * 1000, np.where(rate_code == 13, two, 0))
    rate += np.where(rate_code == 14, two * 10, 0) + _RATES[rate_code]
    end += (rate_code == 12) + 2 * (rate_code >= 13)
    sound &= crc8(rows, end) == rows[np.arange(len(rows)), end]
    return Headers(
        at=at[sound] + base,
        size=end[sound] + 1,
        variable=(rows[:, 1] & 1 == 1)[sound],
        number=number[sound],
        block=block[sound],
        rate_hz=rate[sound],
        channels=_TRACKS[wide[:, 3] >> 4][sound],
        bits=_BITS[wide[:, 3] >> 1 & 7][sound],
    )


def _behind(
    wide: NDArray[np.int64], at: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The byte, and the two bytes as one number, that begin at ``at`` in each row."""
    rows = np.arange(len(wide))
    first = wide[rows, np.minimum(at, LONGEST - 1)]
    return first, first << 8 | wide[rows, np.minimum(at + 1, LONGEST - 1)]
