"""CRC-8 and CRC-16 of FLAC frames (RFC 9639), over many places at once.

A CRC with initial value 0 is the remainder of the bytes, taken as a polynomial, so it is linear.
``PrefixCrc`` keeps the remainder of everything fed so far, divided by x once for every bit: of two
such values, one at either end of a stretch, equality means that the stretch's own CRC comes out as
0, and it does just that over a whole frame with its CRC behind it. So one pass over a stream
serves any number of frames, whatever pieces it is read in, and frames need not be held.

The remainders of many rows of bytes are computed side by side, two bytes a step.
"""

from __future__ import annotations

from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

POLY16: Final = 0x8005  # RFC 9639: x^16 + x^15 + x^2 + x^0
POLY8: Final = 0x07  # RFC 9639: x^8 + x^2 + x^1 + x^0
ORDER: Final = 32_767  # x^32767 = 1 modulo POLY16 = (x + 1)(x^15 + x + 1)
# Bytes of a row: even, and no power of two, whose columns would fall into the same cache lines.
_ROW: Final = 510
_STRIP: Final = 16  # columns brought together at a time


def _times_x(values: NDArray[np.uint32], steps: int, poly: int, bits: int) -> NDArray[np.uint32]:
    top, mask = 1 << (bits - 1), (1 << bits) - 1
    for _ in range(steps):
        carry = (values & top) != 0
        values = ((values << 1) & mask) ^ (carry * np.uint32(poly))
    return values


@cache
def word_table() -> NDArray[np.uint16]:
    """65,536 entries: the register after two more bytes, by register xor the two bytes."""
    return _times_x(np.arange(65_536, dtype=np.uint32), 16, POLY16, 16).astype(np.uint16)


@cache
def _swapped_table() -> NDArray[np.uint16]:
    """``word_table`` for words and registers whose bytes are swapped, as they lie in memory."""
    table = word_table()[np.arange(65_536, dtype=np.uint16).byteswap()]
    return table.byteswap()


@cache
def crc8_table() -> NDArray[np.uint8]:
    """256 entries: the register after one more byte, by register xor the byte."""
    return _times_x(np.arange(256, dtype=np.uint32), 8, POLY8, 8).astype(np.uint8)


@cache
def _powers() -> NDArray[np.uint32]:
    """x^n modulo POLY16 for n below ORDER."""
    powers = np.empty(ORDER, np.uint32)
    value = 1
    for n in range(ORDER):
        powers[n] = value
        value = ((value << 1) & 0xFFFF) ^ (POLY16 if value & 0x8000 else 0)
    return powers


def _divided(values: NDArray[np.uint16], bytes_before: NDArray[np.int64]) -> NDArray[np.uint16]:
    """``values`` divided by x^8 once for each byte that stands in front of them."""
    factor = _powers()[(-8 * bytes_before) % ORDER]
    result = np.zeros(len(values), np.uint32)
    left = values.astype(np.uint32)
    for _ in range(16):  # schoolbook product, one bit of the factor a step
        result ^= np.where(factor & 1, left, np.uint32(0))
        left = _times_x(left, 1, POLY16, 16)
        factor >>= 1
    return result.astype(np.uint16)


def crc8(rows: NDArray[np.uint8], lengths: NDArray[np.int64]) -> NDArray[np.uint8]:
    """CRC-8 of the first ``lengths[i]`` bytes of each row, shape (rows,)."""
    table = crc8_table()
    register = np.zeros(len(rows), np.uint8)
    for column in range(int(lengths.max(initial=0))):
        register = np.where(column < lengths, table[register ^ rows[:, column]], register)
    return register


class PrefixCrc:
    """The running remainder of a stream, divided as the module's docstring says."""

    def __init__(self) -> None:
        self.value = 0
        self._fed = 0

    def skip_zeros(self, count: int) -> None:
        """Take in that many zero bytes, which do not change the value."""
        self._fed += count

    def feed(self, piece: NDArray[np.uint8], marks: NDArray[np.int64]) -> NDArray[np.uint16]:
        """Take the next bytes in.

        Args:
            piece: uint8, any length.
            marks: ascending offsets into ``piece``, each at most its length.

        Returns:
            uint16, the value in front of each mark.
        """
        rows = -(-len(piece) // _ROW)
        padded = np.zeros(rows * _ROW, np.uint8)  # zeros behind the end do not change the value
        padded[: len(piece)] = piece
        words = padded.view("<u2").reshape(rows, _ROW // 2).T
        row, offset = np.divmod(marks, _ROW)
        inside, registers = self._registers(words, row, offset)
        starts = self._fed + _ROW * np.arange(1, rows + 1)
        before = np.empty(rows + 1, np.uint16)
        before[0] = self.value
        before[1:] = _divided(registers, starts)
        np.bitwise_xor.accumulate(before, out=before)
        odd = (offset & 1).astype(bool)
        if odd.any():
            last = piece[marks[odd] - 1]
            held = inside[odd]
            inside[odd] = (held << 8) ^ word_table()[(held >> 8) ^ last]
        self.value = int(before[-1])
        at = self._fed + marks
        self._fed += len(piece)
        return before[row] ^ _divided(inside, at)

    @staticmethod
    def _registers(
        words: NDArray[Any], row: NDArray[np.int64], offset: NDArray[np.int64]
    ) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
        """Registers inside each row at the marks (whole words), and at the rows' ends."""
        table = _swapped_table()
        columns, rows = words.shape
        inside = np.zeros(len(row), np.uint16)
        column = offset // 2
        order = np.argsort(column, kind="stable")
        turns = np.searchsorted(column[order], np.arange(columns + 1))
        register = np.zeros(rows, np.uint16)
        mixed = np.empty(rows, np.uint16)
        for step in range(columns):
            if step % _STRIP == 0:
                strip = words[step : step + _STRIP].astype(np.uint16, order="C")
            here = order[turns[step] : turns[step + 1]]
            if len(here) and step:
                inside[here] = register[row[here]]
            np.bitwise_xor(register, strip[step % _STRIP], out=mixed)
            table.take(mixed, out=register, mode="clip")
        return inside.byteswap(), register.byteswap()
