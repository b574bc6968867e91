"""Cuts that are steeper than anything on the tape.

What is on a tape has passed its heads and amplifiers, which end far below half of a high rate; so
does its hiss. A sound that begins on the tape, however sharply, has as little at the top of the
band beside what it has below as the hiss has; a cut behind the machine has there what a step has.
A generator that never met a tape begins its notes so, many of them: only where few jumps of a
capture are steep does that prove anything.

What this cannot see: at rates below ``LEAST_RATE_HZ`` the tape may reach up to half of them; where
the noise of a converter or of the electronics hides how far the hiss falls, nothing is known.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from checks.block import BLOCK_FRAMES, Block
from checks.dropouts._predict import Floats
from checks.model import CaptureFormat

LEAST_RATE_HZ: Final = 80_000

FALLS_DB: Final = 8.5
"""Least by which the noise of a track must lie lower at the top of the band than at 12 to 18 kHz.
From own trials: white noise 0, hiss over electronics 12 dB under it 9 to 14."""

STEEP: Final = 0.7
"""Least share of what a step of such a height has at the top of the band; as far as the tape falls
there, 0.38 at most. From own trials: cuts 0.8 to 1.2."""

STANDS_OUT: Final = 10.0  # times the noise at the top of the band

FEW: Final = 5
FEW_EACH_S: Final = 15.0
"""Most places of a capture that may be steep, and seconds for each more. From own trials: faults of
a capture 2 to 7, generators 6 to 150 in eight seconds."""

_LENGTH: Final = 2048  # frames of a spectrum
_BELOW_HZ: Final = (12_000, 18_000)
_TOP: Final = (0.8, 0.98)  # of half the rate
_EACH_S: Final = 0.2  # from spectrum to spectrum, or a block
_HEARD: Final = 16  # spectra before which nothing is known
_QUIETEST: Final = 0.1  # share of the spectra in which the noise is heard: sounds hide it
_LOWEST_DB: Final = -40
_MOST_DB: Final = 120

_EDGE: Final = 4  # frames on each side of a cut within which it has its height
_NEAR: Final = 16  # frames on each side within which a filter at the top rings
_BESIDE: Final = 256  # frames on each side from which the noise is known
_TAPS: Final = 33


def _high_pass() -> Floats:
    """Passes the top quarter of the band: a sinc under a Hamming window."""
    k = np.arange(_TAPS) - _TAPS // 2
    taps = -0.75 * np.sinc(0.75 * k) * np.hamming(_TAPS)
    taps[_TAPS // 2] += 1.0
    return np.asarray(taps)


_TOP_OF_BAND: Final = _high_pass()
_OF_A_STEP: Final = float(np.abs(np.cumsum(_TOP_OF_BAND)).max())


def steep(x: Floats, cut: int) -> bool:
    """Whether a cut has as much at the top of the band as a step between two samples.

    Args:
        x: samples of one track, cut between ``cut - 1`` and ``cut``.
    """
    first, last = max(cut - _BESIDE, 0), min(cut + _BESIDE, len(x))
    if cut - first <= 2 * _NEAR or last - cut <= 2 * _NEAR:
        return False
    top = np.abs(np.convolve(x[first:last], _TOP_OF_BAND, mode="same"))
    at, edge = cut - first, _TAPS // 2  # where the ends of the samples are a step, too
    height = float(np.ptp(x[cut - _EDGE : cut + _EDGE]))
    here = float(top[at - _EDGE // 2 : at + _EDGE // 2].max())
    beside = (top[edge : at - _NEAR], top[at + _NEAR : len(top) - edge])
    noise = max(float(np.sqrt(np.mean(part**2))) for part in beside)
    return here > STEEP * _OF_A_STEP * height and here > STANDS_OUT * noise


def steep_near(x: Floats, frame: int) -> bool:
    """Whether anything within a few frames is steep."""
    first = frame - _NEAR
    if first < _TAPS or frame + _NEAR + _TAPS > len(x):
        return False
    top = np.convolve(x[first - _TAPS : frame + _NEAR + _TAPS], _TOP_OF_BAND, mode="same")
    return steep(x, first + int(np.argmax(np.abs(top[_TAPS:-_TAPS]))))


class Tape:
    """Hears on which tracks the noise falls towards the top of the band, and counts what is steep
    all the same."""

    def __init__(self, fmt: CaptureFormat) -> None:
        self._rate_hz = fmt.rate_hz
        self._steep, self._last = 0, -_BESIDE  # places, and the frame of the last
        self._every = max(1, round(_EACH_S * fmt.rate_hz / BLOCK_FRAMES))  # blocks
        self._on = fmt.rate_hz >= LEAST_RATE_HZ
        hz = np.fft.rfftfreq(_LENGTH, 1 / fmt.rate_hz)
        self._below = (hz >= _BELOW_HZ[0]) & (hz <= _BELOW_HZ[1])
        self._top = (hz >= _TOP[0] * fmt.rate_hz / 2) & (hz <= _TOP[1] * fmt.rate_hz / 2)
        self._window = np.hanning(_LENGTH).astype(np.float32)
        self._falls = np.zeros((fmt.channels, _MOST_DB - _LOWEST_DB + 1), np.int64)

    def feed(self, block: Block) -> None:
        if block.start // BLOCK_FRAMES % self._every or block.frames < _LENGTH or not self._on:
            return
        power = np.abs(np.fft.rfft(block.scaled[:, :_LENGTH] * self._window, axis=1)) ** 2
        below, top = power[:, self._below].mean(axis=1), power[:, self._top].mean(axis=1)
        heard = np.flatnonzero((below > 0) & (top > 0))
        falls = np.rint(10 * np.log10(below[heard] / top[heard])).astype(np.int64)
        self._falls[heard, np.clip(falls, _LOWEST_DB, _MOST_DB) - _LOWEST_DB] += 1

    def look(self, rows: Iterable[Floats], peak: int, start: int) -> None:
        """Look at a place.

        Args:
            rows: samples of the tracks that jump there.
            peak: where, within them.
            start: frame of the first of them.
        """
        frame = start + peak
        if self._on and frame - self._last >= _BESIDE and any(steep_near(x, peak) for x in rows):
            self._steep, self._last = self._steep + 1, frame

    def falls_off(self, track: int) -> bool:
        """Whether what comes off the tape has little at the top of the band, but a few places."""
        if self._steep > FEW + self._last / self._rate_hz / FEW_EACH_S:
            return False
        counts = self._falls[track]
        quiet = int(np.searchsorted(np.cumsum(counts), _QUIETEST * counts.sum(), side="right"))
        return int(counts.sum()) >= _HEARD and quiet + _LOWEST_DB >= FALLS_DB
