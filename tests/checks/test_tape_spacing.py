"""A gap takes the more the higher, a fader alike: so a far clog is told from a level that falls.

54.6 dB times distance over wavelength (spacing loss: reference texts on magnetic recording).
"""

from __future__ import annotations

import damage_tape
import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.dropouts._tape._bands import TILT, FilterBank
from checks.dropouts._tape._spacing import as_the_body
from checks.model import Finding, Verdict

RATE, SECONDS = 48_000, 14
AT = 7 * RATE


def _low_notes(seed: int) -> NDArray[np.float64]:
    """Two tracks of low notes with overtones up to 8 kHz, rests, and hiss; (tracks, frames)."""
    rng = np.random.default_rng(seed)
    x = np.zeros((2, SECONDS * RATE))
    for row in x:
        at = RATE
        while at < (SECONDS - 1.5) * RATE:
            count = round(rng.uniform(0.3, 0.7) * RATE)
            t = np.arange(count) / RATE
            hz = rng.uniform(100, 200)
            note = sum(np.sin(2 * np.pi * k * hz * t) / k for k in range(1, int(8000 / hz)))
            row[at : at + count] += 0.12 * note * np.clip(np.minimum(t, t[-1] - t) / 0.02, 0, 1)
            at += count + round(float(rng.choice([0.1, 0.8, 1.2])) * RATE)
    return x + 10 ** (-66 / 20) * rng.standard_normal(x.shape)


def _found(x: NDArray[np.float64]) -> list[Finding]:
    rng = np.random.default_rng(9)
    x = x + 10 ** (-76 / 20) * rng.standard_normal(x.shape)
    words = (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)
    return [f for f in taped(words, RATE).findings if f.verdict is not Verdict.CLEAR]


@pytest.mark.parametrize(("um", "ramp_s"), [(40.0, 2.0), (60.0, 0.0), (100.0, 0.0)])
def test_a_head_that_clogs_far_is_no_signal_that_is_lost(um: float, ramp_s: float) -> None:
    words = (np.rint(_low_notes(1) * 2**23).astype(np.int64) << 8).astype(np.int32)
    clogged = damage_tape.clog(
        words, rate_hz=RATE, at=AT, ramp=round(ramp_s * RATE), distance_um=um, tracks=(0,),
        floor_dbfs=-120.0,
    ).samples  # fmt: skip
    (found,) = _found(clogged / 2.0**31)
    assert (found.kind, found.tracks) == ("hf-loss", (0,))


@pytest.mark.parametrize("db", [12.0, 20.0])
def test_a_level_that_falls_for_good_is_no_clog(db: float) -> None:
    x = _low_notes(2)
    x[0, AT:] *= 10 ** (-db / 20)
    (found,) = _found(x)
    assert (found.kind, found.tracks) == ("signal-lost", (0,))


def test_tilt_is_that_of_the_bands() -> None:
    hz = FilterBank(RATE, 1).frequencies_hz
    assert hz[: len(TILT)] / hz[0] == pytest.approx(TILT)


def test_what_leaks_from_below_into_a_band_is_not_taken_for_a_fall_of_its_own() -> None:
    """40 um at 38 cm/s under percussion: 8.6 dB at 1.4 kHz, 35 at 5.5 kHz, but 20 are seen."""
    loss = np.array([8.6, 20.1, 12.1, 12.0, 12.3], np.float32)
    left = np.array([46.4, 14.5, 0, 0.6, 0.1], np.float32)
    assert as_the_body(loss, left, TILT) is False
    left[1] += 11.5  # as bright before
    assert as_the_body(np.full(5, 8.6, np.float32), left, TILT) is True
