"""One frequency followed through the blocks for as long as it may be a tone.

Kept: the complex amplitude of every track, hop by hop, in bounded memory (a run longer than
``MOST_VALUES`` hops is thinned out by two, and again), and at every look a spectrum of the block:
what else there is beside the tone.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks._spectra import BLACKMAN_HARRIS, Window, cosine_window, squared_bins
from checks.block import BLOCK_FRAMES, Block
from checks.lineup._demod import Demodulator, hop_frames, image_hops, smoothed

MOST_VALUES: Final = 1 << 15  # hops kept of a track: 70 to 130 s before they are thinned out
REACH: Final = 5  # bins of a peak to either side: the window's own four, and flutter
MOST_LOOKS: Final = 64  # spectra kept of a run
PARTIAL_S: Final = 0.3
YOUNG_S: Final = 0.2  # most runs end before anybody asks for their partials
MEDIAN_OF_NOISE: Final = 0.693  # of a chi-square distribution of two degrees: ln 2 of its mean


class Run:
    """A tone as it goes on.

    Attributes:
        hz: frequency of the phasor, near the tone's.
        step: frames from one value to the next.
        first: frame on which the first value's window is centred.
        begin, stop: frames looked at.
        to_the_end: the capture ended while it went on.
    """

    def __init__(self, hz: float, rate_hz: int, history: list[NDArray[np.float32]],
                 watched: list[int], tracks: int, start: int) -> None:  # fmt: skip
        """``history``: blocks before frame ``start``, (watched, frames) each."""
        self.hz = hz
        self.rate_hz = rate_hz
        self.step = hop_frames(rate_hz, hz)
        self._hop = self.step
        self._tracks = tracks
        self._demod = Demodulator(hz, rate_hz)
        self._fold = 1
        self._offset_hz = 0.0  # taken out of what is kept once it is thinned out
        self._parts: list[NDArray[np.complex64]] = []
        self._rest: NDArray[np.complex64] = np.empty((tracks, 0), np.complex64)
        self._kept = 0
        self._looks: list[tuple[int, NDArray[np.float32]]] = []
        self._look_every = 1
        self._look_number = 0
        self.stop = start
        self.begin = start - sum(part.shape[1] for part in history)
        self.to_the_end = False
        self.first = self.begin + self._hop
        self._history = history  # demodulated when it is needed: most runs come to nothing
        self._watched = watched
        self._kept = self._seen = max((start - self.begin) // self._hop - 1, 0)
        self._begun = False
        low = hz * BLOCK_FRAMES / rate_hz < 2 * REACH  # a block's spectrum parts no harmonics
        self._partials_from = start + int(YOUNG_S * rate_hz)
        self._partials = [_Partial(n * hz, hz, rate_hz) for n in (2, 3)] if low else []

    @property
    def count(self) -> int:
        """Values kept of a track."""
        return self._kept

    @property
    def hop_s(self) -> float:
        """Seconds of a hop, half the length of the demodulator's window."""
        return self._hop / self.rate_hz

    @property
    def image(self) -> int:
        """Values to smooth over, see ``image_hops``; odd."""
        count = image_hops(self.hz, self.hop_s) // self._fold
        return count | 1 if count > 1 else 1

    def feed(self, block: Block) -> None:
        """Takes the next block, all tracks."""
        values = self._demod.feed(block.scaled, block.start)
        if not self._begun:
            self._begun = True
            if self._history:  # the window across the border is known of no track
                gap = np.full((self._tracks, 1), np.nan + 0j, np.complex64)
                values = np.concatenate((gap, values), axis=1)
        if block.start >= self._partials_from:
            for partial in self._partials:
                partial.feed(block)
        self.stop = block.stop
        self._take(values)
        if self._kept > MOST_VALUES and block.frames == BLOCK_FRAMES:
            self._thin_out()

    def _take(self, values: NDArray[np.complex64]) -> None:
        if self._fold > 1:
            turned = self._turned(values, self._seen)
            joined = np.concatenate((self._rest, turned), axis=1)
            whole = joined.shape[1] // self._fold * self._fold
            self._rest = joined[:, whole:]
            self._keep(_folded(joined[:, :whole], self._fold))
        else:
            self._keep(values)
        self._seen += values.shape[1]

    def _keep(self, values: NDArray[np.complex64]) -> None:
        self._parts.append(values)
        self._kept += values.shape[1]

    def _turned(self, values: NDArray[np.complex64], number: int) -> NDArray[np.complex64]:
        """Hops, the first of them the ``number``-th, with the offset taken out."""
        at = (number + np.arange(values.shape[1])) * (self._hop / self.rate_hz)
        turn = np.exp(-2j * np.pi * (self._offset_hz * at % 1.0))
        return np.asarray(values * turn, np.complex64)

    def _thin_out(self) -> None:
        values = self.values()
        if self._fold == 1:
            self._offset_hz = offset_hz(values, self._hop / self.rate_hz)
            values = self._turned(values, 0)
        odd = values.shape[1] % 2
        values = values[:, odd:]
        self.first += odd * self.step + self.step // 2
        self._parts = [_folded(values, 2)]
        self._kept = values.shape[1] // 2
        self._fold *= 2
        self.step *= 2

    def values(self) -> NDArray[np.complex64]:
        """(tracks, values), NaN where a track was not yet followed."""
        joined = np.concatenate((*self._past(), *self._parts), axis=1)
        self._parts = [joined]
        return joined

    def _past(self) -> list[NDArray[np.complex64]]:
        """What the watched tracks did before, NaN in the others; once."""
        history, self._history = self._history, []
        demod = Demodulator(self.hz, self.rate_hz)
        at = self.begin
        out = []
        for block in history:
            values = demod.feed(block, at)
            whole = np.full((self._tracks, values.shape[1]), np.nan + 0j, np.complex64)
            whole[self._watched] = values
            out.append(whole)
            at += block.shape[1]
        return out

    @property
    def phasor_hz(self) -> float:
        """Frequency against which the phases of ``values`` are counted."""
        return self.hz + self._offset_hz

    def off_hz(self) -> float:
        """How far the tone lies from the phasor, over what was last taken."""
        return offset_hz(self._parts[-1], self.step / self.rate_hz)

    def power(self, frames: int) -> NDArray[np.float64]:
        """(tracks,): mean square of the tone over the last ``frames`` frames."""
        wanted = max(frames // self.step, 1)
        recent = np.nan_to_num(self._recent(wanted + self.image // 2))
        calm = smoothed(recent, self.image)[:, -wanted:]
        if not calm.shape[1]:
            return np.zeros(self._tracks)
        size: NDArray[np.float64] = np.square(np.abs(calm)).mean(axis=1, dtype=np.float64) / 2
        return size

    def _recent(self, count: int) -> NDArray[np.complex64]:
        parts: list[NDArray[np.complex64]] = []
        have = 0
        for part in reversed(self._parts):
            parts.append(part)
            have += part.shape[1]
            if have >= count:
                break
        joined = np.concatenate(parts[::-1], axis=1)
        recent: NDArray[np.complex64] = joined[:, -count:]
        return recent

    def look(self, block: Block) -> None:
        """Keeps what stands beside the tone: noise, second and third harmonic, against it."""
        if block.frames != BLOCK_FRAMES:
            return
        self._look_number += 1
        if self._look_number % self._look_every:
            return
        if len(self._looks) >= MOST_LOOKS:
            self._looks = self._looks[::2]
            self._look_every *= 2
        powers = beside(block.scaled, self.hz, self.rate_hz)
        for column, partial in enumerate(self._partials, 1):
            powers[:, column] = partial.power()
        self._looks.append((block.start, powers))

    @property
    def seen_beside(self) -> bool:
        """Whether anything is known of what stands beside the tone."""
        return bool(self._looks)

    def looks(self, start: int, stop: int) -> NDArray[np.float32]:
        """(looks, tracks, 4) of the blocks that lie within; see ``beside``."""
        inside = [v for at, v in self._looks if at >= start and at + BLOCK_FRAMES <= stop]
        if not inside:
            return np.empty((0, self._tracks, 4), np.float32)
        return np.stack(inside)


class _Partial:
    """Power of a low tone's second or third harmonic over the last half second.

    The tone itself lies its own frequency off; the running window's first zero lies nearer.
    """

    def __init__(self, hz: float, tone_hz: float, rate_hz: int) -> None:
        self._demod = Demodulator(hz, rate_hz)
        hop_s = self._demod.hop / rate_hz
        self._count = int(np.ceil(3.0 / (tone_hz * hop_s))) | 1  # 3 / T: Harris 1978, Blackman
        self._wanted = 2 * self._count + int(PARTIAL_S / hop_s)
        self._values = np.empty((0, 0), np.complex64)

    def feed(self, block: Block) -> None:
        values = self._demod.feed(block.scaled, block.start)
        if self._values.size:
            values = np.concatenate((self._values, values), axis=1)
        self._values = values[:, -self._wanted :]

    def power(self) -> NDArray[np.float64]:
        """(tracks,): mean squares."""
        half = self._count // 2
        calm = smoothed(self._values, self._count)
        if calm.shape[1] > 2 * half:
            calm = calm[:, half : calm.shape[1] - half]
        size: NDArray[np.float64] = np.square(np.abs(calm)).mean(axis=1, dtype=np.float64) / 2
        return size


def _folded(values: NDArray[np.complex64], by: int) -> NDArray[np.complex64]:
    """Means of ``by`` neighbours."""
    shape = (values.shape[0], values.shape[1] // by, by)
    return np.asarray(values.reshape(shape).mean(axis=2), np.complex64)


def offset_hz(values: NDArray[np.complex64], step_s: float) -> float:
    """How far the tone lies from the phasor: mean turn from value to value over all tracks."""
    good = np.nan_to_num(values[:, 1:] * values[:, :-1].conj())
    turned = complex(good.sum(dtype=np.complex128))
    return float(np.angle(turned)) / (2 * np.pi * step_s)


@cache
def _window(length: int) -> Window:
    return cosine_window(BLACKMAN_HARRIS, length)


def beside(samples: NDArray[np.float32], hz: float, rate_hz: int) -> NDArray[np.float32]:
    """Powers in one block: tone, second harmonic, third harmonic, all else but the offset.

    4-term Blackman-Harris window (Harris 1978), double precision: its sidelobes lie 92 dB down.

    Args:
        samples: (tracks, frames), full scale 1.0.

    Returns:
        float32, (tracks, 4): mean squares; NaN where a harmonic has no room beside the tone or
        under half the rate.
    """
    frames = samples.shape[1]
    window = _window(frames)
    bin_hz = rate_hz / frames
    reach = max(REACH, int(np.ceil(0.004 * hz / bin_hz)) + 4)
    out = np.full((len(samples), 4), np.nan, np.float32)
    for k, row in enumerate(samples):
        power = squared_bins(row, window.values) * (2.0 / (frames * window.s2))
        power[:REACH] = 0.0  # the offset, as wide as the window makes it
        for column, number in enumerate((1, 2, 3)):
            middle = round(number * hz / bin_hz)
            wide = max(reach, int(np.ceil(0.004 * number * hz / bin_hz)) + 4)
            if middle + wide >= len(power) or (number > 1 and hz / bin_hz < 2 * reach):
                continue
            part = power[max(middle - wide, 0) : middle + wide + 1]
            noise = median(power[max(middle - 3 * wide, 0) : middle + 3 * wide + 1])
            over = len(part) * float(noise) / MEDIAN_OF_NOISE if number > 1 else 0.0
            out[k, column] = max(float(part.sum()) - over, 0.0)
            part[:] = over / len(part)
        out[k, 3] = power.sum()
    return out
