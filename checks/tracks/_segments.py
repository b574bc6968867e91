"""An evenly spread share of the capture, all tracks, brought down to some 44 to 88 kHz.

Kept in fixed memory for what looks at tracks in pairs. The stretches are 8,192 samples long
after the rate has been divided by 1, 2, 4 or 8 behind a linear-phase low-pass of some 130 taps
(Kaiser window, 60 dB; J. F. Kaiser 1974, as in any text on signal processing). When too many are
held every second one is given up, so they stay evenly spread however long the capture is.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Block
from checks.model import CaptureFormat

LENGTH: Final = 8192
_BASE_RATE_HZ: Final = 44_100
_STOP_DB: Final = 60.0
_BETA: Final = 0.1102 * (_STOP_DB - 8.7)  # Kaiser's formula for more than 50 dB
_MOST: Final = 24
_LEAST: Final = 12
_TRACK_STRETCHES: Final = 512  # stretches times tracks; 32 kB each


class Segments:
    """Keeps the stretches.

    Attributes:
        rate_hz: rate of what is kept.
        frames: of the capture, a stretch.
        low_hz, high_hz: between these the low-pass lets everything through as it was.
    """

    def __init__(self, fmt: CaptureFormat) -> None:
        factor = 1
        while factor < 8 and fmt.rate_hz / (2 * factor) >= _BASE_RATE_HZ:
            factor *= 2
        self._factor = factor
        self.rate_hz = fmt.rate_hz / factor
        self._taps = _low_pass(factor)
        fall = (_STOP_DB - 8) / (2.285 * (LEAD_FRAMES + factor)) / (2 * np.pi) * fmt.rate_hz
        top = self.rate_hz / 2 - fall / 2 if factor > 1 else 0.45 * self.rate_hz
        self.high_hz = min(top, 20_000.0, 0.45 * self.rate_hz)
        self.low_hz = min(1_000.0, 0.025 * fmt.rate_hz)
        self.frames = LENGTH * factor
        self._most = min(max(_TRACK_STRETCHES // fmt.channels, _LEAST), _MOST)
        blocks = max(self.frames // BLOCK_FRAMES, 1)
        self._step = blocks * BLOCK_FRAMES  # from the beginning of one to that of the next
        known = (fmt.frames or 0) // self._step
        self._stride = max(1, -(-known // self._most))
        self._store = np.zeros((min(self._most, max(known, 1)), fmt.channels, LENGTH), np.float32)
        self._starts: list[int] = []
        self._filled = 0  # of the last stretch

    def feed(self, block: Block) -> None:
        """Take the part of a block that a stretch wants, if any."""
        number, inside = divmod(block.start, self._step)
        if number % self._stride or inside >= self.frames:
            return
        if inside == 0:
            self._begin(block.start, number)
            if number % self._stride:
                return
        count = min(block.frames, self.frames - inside) // self._factor
        at = inside // self._factor
        out = self._store[len(self._starts) - 1, :, at : at + count]
        self._reduce(block, out)
        self._filled = at + count

    def _begin(self, start: int, number: int) -> None:
        if len(self._starts) == len(self._store):
            if len(self._store) < self._most:  # longer than promised
                more = np.zeros((self._most - len(self._store), *self._store.shape[1:]), np.float32)
                self._store = np.concatenate((self._store, more))
            else:
                half = self._store[::2].copy()
                self._store[: len(half)] = half
                self._store[len(half) :] = 0
                self._starts = self._starts[::2]
                self._stride *= 2
                if number % self._stride:
                    return
        self._starts.append(start)
        self._filled = 0

    def _reduce(self, block: Block, out: NDArray[np.float32]) -> None:
        """Low-pass a block's tracks and keep every ``factor``-th sample, (tracks, count)."""
        count, factor = out.shape[1], self._factor
        if factor == 1:
            out[:] = block.scaled[:, :count]
            return
        pairs = -(-count * factor // (2 * LEAD_FRAMES))
        size = (2 * pairs + 1) * LEAD_FRAMES
        x = block.scaled_with_lead
        if block.lead < LEAD_FRAMES or x.shape[1] < size:  # silence before it, and behind
            there = x[:, : size - LEAD_FRAMES + block.lead]
            x = np.zeros((block.tracks, size), np.float32)
            x[:, LEAD_FRAMES - block.lead :][:, : there.shape[1]] = there
        step = x.itemsize
        shape = (block.tracks, 2, pairs, 2 * LEAD_FRAMES)
        strides = (x.strides[0], LEAD_FRAMES * step, 2 * LEAD_FRAMES * step, step)
        found = as_strided(x, shape, strides, writeable=False) @ self._taps
        out[:] = found.swapaxes(1, 2).reshape(block.tracks, -1)[:, :count]

    def kept(self) -> tuple[NDArray[np.float32], list[int]]:
        """(stretches, tracks, LENGTH) and the frame at which each begins.

        A last stretch that the end of the capture cut short is left out, unless it is the only
        one and an eighth of it is there: then it is filled up with zeros.
        """
        count = len(self._starts) - (self._filled < LENGTH)
        if count == 0 and self._filled >= LENGTH // 8:
            count = 1
        return self._store[:count], self._starts[:count]


def _low_pass(factor: int) -> NDArray[np.float32]:
    """(2 * LEAD_FRAMES, LEAD_FRAMES // factor): what makes of two rows of samples one of results.

    Rows overlap, so those of even and those of odd number are two matrices, which needs no copy.
    """
    count = LEAD_FRAMES + factor
    n = np.arange(count) - (count - 1) / 2
    taps = np.sinc(n / factor) / factor * np.kaiser(count, _BETA)
    taps /= taps.sum()
    out = np.zeros((LEAD_FRAMES // factor, 2 * LEAD_FRAMES), np.float32)
    for k, row in enumerate(out):
        row[k * factor : k * factor + count] = taps
    return out.T
