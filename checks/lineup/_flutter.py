"""Flutter of a tone: its frequency's deviation, weighted, as a two-sigma value.

AES6-2008, technically IEC 60386:1972 with A1:1988: demodulate the frequency, weight it, give the
value that is exceeded 5 % of the time. The weighting is the standard's Table 1, here as a filter of
three zeros at 0 Hz and poles at 0.580, 0.602, 0.691 and 11.814 Hz with 0 dB at 4 Hz, which keeps
within 0.8 dB of the table and inside every tolerance of it (own fit). The standard's tone is
3150 Hz; any from 1 kHz on serves.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import percentile
from checks.lineup._demod import droop

POLES_HZ: Final = (0.580, 0.602, 0.691, 11.814)
REFERENCE_HZ: Final = 4.0  # 0 dB here, Table 1
EXCEEDED: Final = 95.0  # percentile: exceeded 5 % of the time
LEAST_S: Final = 1.5  # the standard asks for 5 s: a shorter tone tells less of slow flutter
SETTLING_S: Final = 0.25  # of the filter, at both ends; its slowest parts need the tone's length


def weighting(hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """(frequencies,): the weighting's complex response, magnitude 1 at 4 Hz."""

    def raw(f: Any) -> Any:
        s = 1j * np.asarray(f, np.float64)
        below = np.ones_like(s)
        for pole in POLES_HZ:
            below = below * (s + pole)
        return s**3 / below

    return np.asarray(raw(hz) / np.abs(raw(REFERENCE_HZ)))


def deviation_percent(turned: NDArray[Any], step_s: float, tone_hz: float) -> NDArray[np.float64]:
    """(values - 1,): deviation of the momentary frequency from the mean, in percent of the tone.

    Args:
        turned: (values,) complex amplitudes of the tone against a phasor near it.
    """
    turns = np.angle(turned[1:] * turned[:-1].conj()) / (2 * np.pi * step_s)
    return np.asarray((turns - turns.mean()) * (100.0 / tone_hz), np.float64)


def two_sigma(values: NDArray[np.float64]) -> float:
    """What the magnitudes exceed 5 % of the time."""
    return float(percentile(np.abs(values), EXCEEDED)) if len(values) else 0.0


def weighted(deviation: NDArray[np.float64], step_s: float, window_s: float) -> (
    NDArray[np.float64]
):  # fmt: skip
    """The deviation after the weighting, without the ends in which its filter settles.

    What the demodulator's own window took from fast flutter is given back.

    Args:
        deviation: (values,), any unit.
        step_s: seconds between values.
        window_s: half the length of the demodulator's Hann window.
    """
    count = len(deviation)
    size = 1 << int(np.ceil(np.log2(max(2 * count, 2))))
    hz = np.fft.rfftfreq(size, step_s).astype(np.float64)
    response = weighting(hz)
    response /= np.maximum(droop(hz, window_s) * np.sinc(hz * step_s), 0.3)
    x = deviation - deviation.mean()
    mirrored = np.concatenate((x[::-1], x, x[::-1]))[count - count // 2 : 2 * count + count // 2]
    spectrum = np.fft.rfft(mirrored, size)
    out = np.fft.irfft(spectrum * response, size)[count // 2 : count // 2 + count]
    ends = min(int(SETTLING_S / step_s), count // 8)
    return np.asarray(out[ends : count - ends])
