"""Band levels of every track, hop by hop: the one look at every sample that the tape part takes.

A bank of short windowed cosines and sines, laid over every hop by one matrix product. Two
resolutions share it: windows of about 0.73 ms, half overlapping, from 1 to 14 kHz, and windows
of half that from 16 to 33 kHz. White noise of variance v reads v in every band, so that noise
in all bands can be weighed by its degrees of freedom.

Window: F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier
transform", Proc. IEEE 66 (1978), four-term 92 dB Blackman-Harris.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES, Block, Workspace

Floats = NDArray[np.float32]

WINDOW_S: Final = 0.00073  # own trials: 2 ms must hold some whole windows
BODY: Final = 0  # index of the band below 4 kHz, where the body of the programme is
EDGE: Final = 1  # around 5.5 kHz
HISS: Final = 2  # first of the bands from 8 kHz up, where hiss stands clear of most programme
ABOVE: Final = 6  # first of those from 19 kHz up, where heads give out and amplifiers do not, so
# that hiss may lie as low as these, though it is 8 to 12 dB over them below (common practice)
BAND_DOF: Final = 2  # degrees of freedom that one band has in one hop: a cosine and a sine

_TERMS: Final = (0.35875, 0.48829, 0.14128, 0.01168)
_LOW_BINS: Final = (1, 4, 6, 8, 10)  # times 1.38 kHz
_HIGH_BINS: Final = (6, 8, 10, 12)  # times 2.76 kHz
TILT: Final = np.array(_LOW_BINS) / _LOW_BINS[BODY]
"""Frequency of the lower bands over that of the body, (5,)."""

_CACHED: Final = 65_536  # values in scratch at a time: a quarter of an L2 cache
_TOP: Final = 0.4376  # of the rate; above it lies the slope of the converter's filter


class FilterBank:
    """Turns blocks into band energies; keeps the half window that reaches into the next block.

    Attributes:
        hop: frames a hop, a power of two that divides the block.
        frequencies_hz: middle of every band, rising, (bands,).
        bands: how many there are; BODY and EDGE first.
        swing: where the wave of each track stands in each hop of the last block: its mean there,
            (tracks, hops), in scratch memory.
    """

    def __init__(self, rate_hz: int, tracks: int) -> None:
        exponent = round(np.log2(max(rate_hz, 1) * WINDOW_S))
        window = 1 << int(np.clip(exponent, 4, int(np.log2(BLOCK_FRAMES))))
        self.rate_hz: Final = rate_hz
        self.hop: Final = window // 2
        low = [b for b in _LOW_BINS if b <= _TOP * window]
        wide = _HIGH_BINS if _HIGH_BINS[1] <= _TOP * self.hop else (6, 7)
        high = [b for b in wide if b <= _TOP * self.hop]
        centres = [b / window for b in low] + [b / self.hop for b in high]
        self.frequencies_hz: Final = np.array(centres) * rate_hz
        self.bands: Final = len(centres)
        self._low = len(low)
        long = _columns(window, low)
        short = _columns(self.hop, high)
        halves = (long[:, self.hop :], long[:, : self.hop], short)  # what ends here, what begins
        waves = np.concatenate(halves) / np.sqrt(BAND_DOF)
        mean = np.full((1, self.hop), 1.0 / self.hop)
        self._matrix = np.concatenate((waves, mean)).astype(np.float32)
        self.swing = np.zeros((tracks, 0), np.float32)
        self._begun = np.zeros((tracks, 2 * len(low)), np.float32)
        self._shapes = [long[k : k + 2] for k in range(0, len(long), 2)]
        self._shapes += [short[k : k + 2] for k in range(0, len(short), 2)]
        most = _CACHED // max(1, tracks * len(self._matrix))
        self._chunk = 1 << max(5, int(np.log2(max(most, 1))))

    def dof(self, bands: Sequence[int]) -> float:
        """Degrees of freedom of the mean of some bands in one hop of white noise.

        Neighbouring bands share some of their noise: (trace C)^2 / trace C^2 of the windows'
        products C, two for each band at most.
        """
        total = 0.0
        for length in {self._shapes[band].shape[1] for band in bands}:
            rows = [self._shapes[b] for b in bands if self._shapes[b].shape[1] == length]
            shapes = np.concatenate(rows)
            total += len(shapes) ** 2 / float(((shapes @ shapes.T) ** 2).sum())
        return total

    def energies(self, block: Block) -> Floats:
        """Mean square of each band in each whole hop of a block.

        Returns:
            (bands, tracks, hops), full scale 1.0, in scratch memory: valid until the next call.
            Frames behind the last whole hop are left out (only the end of a capture has any).
        """
        hops = block.frames // self.hop
        x = block.scaled[:, : hops * self.hop].reshape(block.tracks, hops, self.hop)
        shape = (self.bands, block.tracks, hops)
        energies = block.work.take("dropouts.energies", shape, np.float32)
        self.swing = block.work.take("dropouts.swing", shape[1:], np.float32)
        for start in range(0, hops, self._chunk):
            part = slice(start, min(start + self._chunk, hops))
            self._fill(x[:, part], energies[:, :, part], self.swing[:, part], block.work)
        if block.start == 0 and hops > 1:  # the first long window has no first half
            energies[: self._low, :, 0] = energies[: self._low, :, 1]
        return energies

    def _fill(self, x: Floats, energies: Floats, swing: Floats, work: Workspace) -> None:
        tracks, hops, _ = x.shape
        parts = 2 * self._low
        out = work.take("dropouts.bands", (tracks, len(self._matrix), hops), np.float32)
        whole = work.take("dropouts.windows", (tracks, parts, hops), np.float32)
        np.matmul(self._matrix, x.transpose(0, 2, 1), out=out)
        ending, beginning, short = out[:, :parts], out[:, parts : 2 * parts], out[:, 2 * parts : -1]
        swing[:] = out[:, -1]
        np.add(ending[:, :, 1:], beginning[:, :, :-1], out=whole[:, :, 1:])
        np.add(ending[:, :, 0], self._begun, out=whole[:, :, 0])
        self._begun[:] = beginning[:, :, -1]
        np.multiply(whole, whole, out=whole)
        np.multiply(short, short, out=short)
        low = energies[: self._low].transpose(1, 0, 2)
        np.add(whole[:, 0::2], whole[:, 1::2], out=low)
        high = energies[self._low :].transpose(1, 0, 2)
        np.add(short[:, 0::2], short[:, 1::2], out=high)


def _columns(length: int, bins: list[int]) -> NDArray[np.float64]:
    """Windowed cosine and sine of each bin, blind to DC, unit norm: (2 x bins, length)."""
    turn = (np.arange(length) + 0.5) * (2 * np.pi / length)
    window = np.sum([(-1) ** k * a * np.cos(k * turn) for k, a in enumerate(_TERMS)], axis=0)
    rows = []
    for number in bins:
        cosine = np.cos(number * (turn - np.pi))
        cosine -= (window * cosine).sum() / window.sum()
        for wave in (window * cosine, window * np.sin(number * (turn - np.pi))):
            rows.append(wave / np.linalg.norm(wave))
    return np.array(rows).reshape(-1, length)
