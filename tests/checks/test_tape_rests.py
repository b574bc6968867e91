"""Contact losses in rests: however deep they are, and whatever was played before.

Spacing loss: 54.6 dB x distance / wavelength (20 log10 e^(2 pi); reference texts on magnetic
recording).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.model import Samples

RATE = 48_000
SPEED_UM_S = 381_000.0


def _noise(level_db: float, seconds: float, seed: int) -> NDArray[np.float64]:
    rng = np.random.default_rng([91, seed])
    return np.asarray(rng.standard_normal(round(seconds * RATE)) * 10 ** (level_db / 20))


def _words(*tracks: NDArray[np.float64]) -> Samples:
    return (np.rint(np.stack(tracks) * 2**23).astype(np.int64) << 8).astype(np.int32)


def _lift(x: NDArray[np.float64], at_s: float, long_s: float, um: float) -> None:
    start, stop = (round(s * RATE) for s in (at_s - 0.1, at_s + long_s + 0.1))
    f = np.fft.rfftfreq(stop - start, 1 / RATE)
    loss_db = 54.6 * um * f / SPEED_UM_S
    gap = np.fft.irfft(np.fft.rfft(x[start:stop]) * 10 ** (-loss_db / 20), stop - start)
    up = np.clip((np.arange(stop - start) / RATE - 0.1) / 5e-4, 0, 1)
    x[start:stop] += np.minimum(up, up[::-1]) * (gap - x[start:stop])


@pytest.mark.parametrize("level_db", [-79.0, -70.0, -58.0])
def test_a_loss_is_told_though_no_amplifier_is_heard_behind_the_hiss(level_db: float) -> None:
    """Down to the rounding of 24 bits, some -146 dB: that is no word that stands still."""
    tape = _noise(level_db, 9.0, 1)
    tape[: 5 * RATE] += _noise(-30.0, 5.0, 2)
    _lift(tape, 7.0, 0.005, 60.0)
    found = [f for f in taped(_words(tape), RATE).findings if f.kind == "contact-loss"]
    assert [f.start_frame for f in found] == [pytest.approx(7.0 * RATE, abs=0.002 * RATE)]


@pytest.mark.parametrize("sounds_s", [9.0, 12.3])
def test_a_loss_is_told_in_the_first_rest_behind_programme_that_had_none(sounds_s: float) -> None:
    """The amplifier lies 11 dB under the hiss (common practice: 8 to 12)."""
    tape = _noise(-72.0, sounds_s + 2.0, 3)
    tape[: round(sounds_s * RATE)] += _noise(-30.0, sounds_s, 4)
    _lift(tape, sounds_s + 0.9, 0.05, 60.0)
    x = _words(tape + _noise(-83.0, sounds_s + 2.0, 5))
    found = [f for f in taped(x, RATE).findings if f.kind == "contact-loss"]
    assert [f.start_frame for f in found] == [
        pytest.approx((sounds_s + 0.9) * RATE, abs=0.002 * RATE)
    ]
