"""Short-time level of every track: whole, of each block, and in three bands of the hiss.

For the bands each block (above 200 kHz, where it lasts 50 ms, one in two to four of a long
capture) is cut into windows of three quarters of a millisecond; each window is multiplied with
three complex band vectors about 5.5, 11 and 16.5 kHz (an eighth, a quarter and three eighths of
the rate below 44.1 kHz). The window is Blackman's (F. J. Harris, Proc. IEEE 66, 1978; side lobes
58 dB down and falling), so what lies 4.1 kHz off a band's centre and further is not in it.
Mean powers over parts of about 50 ms are noise densities; weighted with their share of 20 Hz to
20 kHz they are the level of a noise in that range. Steady hiss scatters by half a decibel from
part to part. (Periodogram averaging as in P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15,
1967, without overlap.)

Does not prove that what is steady is hiss: a held noise-like sound looks the same.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES, Block
from checks.model import CaptureFormat

_WINDOW_S: Final = 7.4e-4  # own choice: half a main lobe of 4.1 kHz
_TERMS: Final = (0.42, -0.5, 0.08)  # F. J. Harris, 1978
_ORDER: Final = 5  # own choice: 100 Hz at full scale ends below -120 dBFS
_PART_S: Final = 0.05  # common practice: shorter than a rest between two notes
_STORED: Final = 1024  # parts kept for looking at all tracks together; 64 tracks: 0.8 MB
_FLOOR_DB: Final = -200.0  # below anything a 32-bit word can hold
_STEPS: Final = 4  # histogram steps a decibel
_BINS: Final = 220 * _STEPS
_WAITING: Final = 128  # values that wait to be counted together; a block gives up to 64
_ENOUGH: Final = 256  # blocks whose bands are looked at, at least
_MOST_APART: Final = 4


def power_of_two(value: float, low: int, high: int) -> int:
    """The largest power of two up to ``value``, within ``low`` and ``high``."""
    return int(min(max(1 << max(int(value), 1).bit_length() - 1, low), high))


class _Histogram:
    """Levels of every track in quarter decibels; digital silence is left out."""

    def __init__(self, tracks: int) -> None:
        self._counts = np.zeros((tracks, _BINS), np.int64)
        self._waiting = np.zeros((tracks, _WAITING))
        self._held = 0

    def add(self, mean_squares: NDArray[np.float64]) -> None:
        """Take (tracks, values) mean squares, full scale 1.0; few at a time."""
        count = mean_squares.shape[1]
        if self._held + count > _WAITING:
            self._flush()
        self._waiting[:, self._held : self._held + count] = mean_squares
        self._held += count

    def _flush(self) -> None:
        values = self._waiting[:, : self._held]
        track, place = np.nonzero(values > 0)
        db = 10 * np.log10(np.maximum(2 * values[track, place], 1e-20))
        index = np.clip((db - _FLOOR_DB) * _STEPS, 0, _BINS - 1).astype(np.int64)
        np.add.at(self._counts, (track, index), 1)
        self._held = 0

    def percentile(self, track: int, percent: float) -> float | None:
        """A level in dBFS; None where there was digital silence only."""
        self._flush()
        total = int(self._counts[track].sum())
        if not total:
            return None
        sums = np.cumsum(self._counts[track])
        return _FLOOR_DB + (int(np.searchsorted(sums, percent / 100 * total)) + 0.5) / _STEPS


class Levels:
    """Histograms of the short-time level of every track, and parts kept for comparing.

    Attributes:
        bands_hz: centres of the three bands.
        parts: parts seen.
    """

    def __init__(self, fmt: CaptureFormat) -> None:
        rate = fmt.rate_hz
        self._window = power_of_two(rate * _WINDOW_S, 32, 2048)
        self._part = power_of_two(rate * _PART_S, 8 * self._window, BLOCK_FRAMES)
        wanted = np.array([5_500.0, 11_000.0, 16_500.0]) * min(1.0, rate / 44_000.0)
        k = np.rint(wanted * self._window / rate)
        self.bands_hz: tuple[float, ...] = tuple(float(v) for v in k * rate / self._window)
        n = np.arange(self._window)
        turn = 2 * np.pi * (n + 0.5) / self._window
        window = np.cos(np.outer(turn, np.arange(len(_TERMS)))) @ np.array(_TERMS)
        turns = 2 * np.pi * np.outer(n, k) / self._window
        vectors = np.concatenate((np.cos(turns), np.sin(turns)), axis=1) * window[:, None]
        # Less what a slow curve has in common with them: loud bass leaves nothing in the bands.
        slow, _ = np.linalg.qr(np.vander(np.linspace(-1, 1, self._window), _ORDER + 1))
        vectors -= slow @ (slow.T @ vectors)
        self._vectors = vectors.astype(np.float32)
        top = min(20_000.0, 0.4535 * rate)
        edges = np.array([0.0, *(np.diff(self.bands_hz) / 2 + self.bands_hz[:2]), top])
        # White noise of mean square m gives m times this energy, and a density of 2 m / rate.
        energy = (vectors**2).sum(axis=0).reshape(2, 3).sum(axis=0)
        self._to_mean_square = np.diff(edges) * 2.0 / rate / energy
        self._heard = _Histogram(fmt.channels)
        self._whole = _Histogram(fmt.channels)
        self._stored = np.zeros((_STORED, fmt.channels, 3), np.float32)
        self._starts = np.zeros(_STORED, np.int64)
        self._held = 0
        self._stride = 1
        known = (fmt.frames or 0) // BLOCK_FRAMES if self._part == BLOCK_FRAMES else 0
        self._apart = min(max(known // _ENOUGH, 1), _MOST_APART)
        self.parts = 0

    def feed(self, block: Block, means: NDArray[np.float64]) -> None:
        """Take the whole parts of a block; what is over at the end of a capture is left.

        ``means``: of the block's tracks, full scale 1.0.
        """
        tracks, parts = block.tracks, block.frames // self._part
        if not parts:
            return
        about_mean = block.square_sums / block.frames - means**2
        self._whole.add(np.maximum(about_mean, 0.0)[:, None])
        if block.start // BLOCK_FRAMES % self._apart:
            return
        windows = parts * self._part // self._window
        x = block.scaled[:, : parts * self._part].reshape(tracks, windows, self._window)
        out = block.work.take("tracks.bands", (tracks, windows, 6), np.float32)
        np.matmul(x, self._vectors, out=out)
        np.square(out, out=out)
        power = out.reshape(tracks, parts, -1, 6).mean(axis=2, dtype=np.float64)
        bands = (power[:, :, :3] + power[:, :, 3:]) * self._to_mean_square
        self._heard.add(bands.sum(axis=2))
        for part in range(parts):
            if self.parts % self._stride == 0:
                self._store(bands[:, part], block.start + part * self._part)
            self.parts += 1

    def _store(self, bands: NDArray[np.float64], start: int) -> None:
        if self._held == _STORED:
            half = _STORED // 2
            self._stored[:half] = self._stored[::2].copy()
            self._starts[:half] = self._starts[::2].copy()
            self._held = half
            self._stride *= 2
            if self.parts % self._stride:
                return
        self._stored[self._held] = 10 * np.log10(np.maximum(2 * bands, 1e-20))
        self._starts[self._held] = start
        self._held += 1

    @property
    def stored(self) -> NDArray[np.float32]:
        """(parts, tracks, 3): levels in dBFS of the parts kept, evenly spread over the capture."""
        return self._stored[: self._held]

    @property
    def starts(self) -> NDArray[np.int64]:
        """(parts,): first frame of each part kept."""
        return self._starts[: self._held]

    @property
    def part_frames(self) -> int:
        return self._part

    def level_dbfs(self, track: int, percent: float) -> float | None:
        """A percentile of a track's short-time level; digital silence is passed over.

        Returns:
            dBFS of a noise from 20 Hz to 20 kHz; None where there is no part with a signal.
        """
        return self._heard.percentile(track, percent)

    def whole_dbfs(self, track: int, percent: float) -> float | None:
        """The same of the level at all frequencies but zero, block by block."""
        return self._whole.percentile(track, percent)
