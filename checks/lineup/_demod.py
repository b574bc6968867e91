"""A tone's complex amplitude, hop by hop: the samples times a turning phasor, under short windows.

A hop is 2 to 4 ms (a power of two of frames, so that blocks hold whole hops), and a quarter of that
for tones below 300 Hz. Each value looks
through a Hann window of two hops whose middle lies between them: windows of neighbours add up to
one, so that sums over many hops lose nothing of the signal, and what lies more than 1 / hop from
the tone is kept out by 31 dB and more (Harris 1978). A value is the amplitude times e^(j phase),
phase counted from the capture's first frame.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES

HOP_S: Final = 0.004  # at most: flutter is weighted up to 200 Hz, a jump of the tone lasts 15 ms
LOW_HZ: Final = 300.0  # below, the phasor's image would come near a multiple of the hops' rate
LOW_SHARE: Final = 0.25


def hop_frames(rate_hz: float, hz: float) -> int:
    """Frames of a hop: the power of two that lasts 2 to 4 ms, a quarter of it for low tones."""
    most = rate_hz * HOP_S * (LOW_SHARE if hz < LOW_HZ else 1.0)
    length = 1
    while length * 2 <= most and length * 2 <= BLOCK_FRAMES:
        length *= 2
    return length


class Demodulator:
    """Samples in, complex amplitudes out, for one frequency."""

    def __init__(self, hz: float, rate_hz: float) -> None:
        self.hop = hop_frames(rate_hz, hz)
        self._turn = hz / rate_hz  # turns a frame
        n = np.arange(self.hop)
        phasor = np.exp(-2j * np.pi * (n * self._turn % 1.0)) * (2.0 / self.hop)
        rise = np.sin(0.5 * np.pi * (n + 0.5) / self.hop) ** 2
        columns = []
        for window in (rise, rise[::-1]):
            columns += [phasor.real * window, phasor.imag * window]
        self._table = np.stack(columns, axis=1).astype(np.float32)
        self._rise: NDArray[np.complex128] | None = None  # (tracks, 1) of the last hop

    def feed(self, samples: NDArray[np.float32], start: int) -> NDArray[np.complex64]:
        """The next values.

        Args:
            samples: (tracks, frames) full scale 1.0, following those of the call before.
            start: frame number of the first.

        Returns:
            complex64, (tracks, hops): one value a whole hop; the first call gives one less. The
            k-th value's window is centred where the k-th hop of this call begins (first call:
            the k + 1-st).
        """
        tracks, frames = samples.shape
        hops = frames // self.hop
        parts = samples[:, : hops * self.hop].reshape(tracks, hops, self.hop)
        sums = np.matmul(parts, self._table).astype(np.float64)  # (tracks, hops, 4)
        begins = start + self.hop * np.arange(hops, dtype=np.float64)
        turned = np.exp(-2j * np.pi * (begins * self._turn % 1.0))
        rise = (sums[..., 0] + 1j * sums[..., 1]) * turned
        fall = (sums[..., 2] + 1j * sums[..., 3]) * turned
        if not hops:
            return np.empty((tracks, 0), np.complex64)
        held = rise[:, :-1]
        if self._rise is not None:
            held = np.concatenate((self._rise, held), axis=1)
            values = held + fall
        else:
            values = held + fall[:, 1:]
        self._rise = rise[:, -1:]
        return np.asarray(values, np.complex64)


def droop(offset_hz: Any, hop_s: float) -> Any:
    """What the window leaves of a tone ``offset_hz`` off the phasor's frequency, 0 to 1.

    The transform of a Hann window of length 2 hops at x = offset * 2 hops bins:
    sinc(x) / (1 - x**2) (Harris 1978).
    """
    x = np.minimum(np.abs(np.asarray(offset_hz, np.float64)) * 2.0 * hop_s, 0.999)
    return np.sinc(x) / (1.0 - x * x)


def smoothed(values: NDArray[Any], count: int) -> NDArray[Any]:
    """Running mean under a Blackman-like window of ``count`` values (odd), weights adding to one.

    At the ends the window is cut and its weights scaled up.

    Args:
        values: (tracks, values), real or complex.
    """
    if count <= 1 or not values.size:
        return values
    n = np.arange(1, count + 1) / (count + 1)
    window = 0.42 - 0.5 * np.cos(2 * np.pi * n) + 0.08 * np.cos(4 * np.pi * n)
    weight = np.convolve(np.ones(values.shape[-1]), window, "full")
    half = count // 2
    kept = slice(half, half + values.shape[-1])
    out = np.stack([np.convolve(row, window, "full")[kept] for row in values])
    return out / weight[kept]


def image_hops(hz: float, hop_s: float) -> int:
    """Values to smooth over so that the phasor's image at twice the tone's frequency is gone.

    A Blackman window of length T has its first zero at 3 / T (Harris 1978); odd. 1: none needed.
    """
    if hz * hop_s >= 4.0:
        return 1
    count = int(np.ceil(1.5 / (hz * hop_s)))
    return count | 1 if count > 1 else 1
