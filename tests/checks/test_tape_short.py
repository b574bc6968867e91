"""Contact losses of 2 ms, the shortest that are looked for.

What can be told: between 7 and 36 kHz noise has 2 x 29 kHz x 1.5 ms = 87 degrees of freedom in the
1.5 ms in which such a lift is deep, up to 23 kHz 48. By the chi-square law the mean of 48 squares
is 10 dB low by chance once in some e^33 times, 6 dB once in e^16; an hour holds e^16 such moments.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.model import Samples

SECONDS = 13
EVERY_S = 0.55
SPEED_UM_S = 381_000.0


def _noise(level_db: float, seed: int, rate_hz: int) -> NDArray[np.float64]:
    rng = np.random.default_rng([88, seed])
    return np.asarray(rng.standard_normal(SECONDS * rate_hz) * 10 ** (level_db / 20))


def _words(*tracks: NDArray[np.float64]) -> Samples:
    return (np.rint(np.stack(tracks) * 2**23).astype(np.int64) << 8).astype(np.int32)


def _lift(x: NDArray[np.float64], at: int, um: float, rate_hz: int) -> None:
    """Half a millisecond up and down. 54.6 dB x distance / wavelength (reference texts)."""
    piece = x[at - rate_hz // 20 : at + rate_hz // 500 + rate_hz // 20]
    f = np.fft.rfftfreq(len(piece), 1 / rate_hz)
    gap = np.fft.irfft(np.fft.rfft(piece) * 10 ** (-54.6 * um * f / SPEED_UM_S / 20), len(piece))
    up = np.clip((np.arange(len(piece)) - rate_hz // 20) / (rate_hz / 2000), 0, 1)
    shape = np.minimum(up, up[::-1])
    piece += shape * (gap - piece)


@pytest.mark.parametrize(
    ("rate_hz", "over_db", "um", "floor_db", "least"),
    [
        (48_000, None, 60.0, -74.0, 13),
        (96_000, None, 20.0, -74.0, 19),
        (96_000, 12.0, 60.0, -74.0, 19),
        (44_100, None, 60.0, -120.0, 19),
        (48_000, 9.0, 60.0, -90.0, 19),
        (96_000, 6.0, 20.0, -90.0, 19),
    ],
)
def test_lifts_of_two_milliseconds_are_found(
    rate_hz: int, over_db: float | None, um: float, floor_db: float, least: int
) -> None:
    """Twenty, in hiss or under sound so much over it, down to the amplifier's noise."""
    tape = _noise(-62.0, 1, rate_hz)
    if over_db is not None:
        plays = np.arange(len(tape)) % round(EVERY_S * rate_hz) < 0.25 * rate_hz
        tape += plays * _noise(-62.0 + over_db, 2, rate_hz)
    at = [round((k * EVERY_S + 0.12) * rate_hz) + 37 * k for k in range(1, 21)]
    for place in at:
        _lift(tape, place, um, rate_hz)
    other = _noise(-62.0, 4, rate_hz)
    out = taped(_words(tape + _noise(floor_db, 3, rate_hz), other), rate_hz)
    found = [f for f in out.findings if f.kind == "contact-loss"]
    starts = [s for f in found for s in f.values.get("start_frames", [f.start_frame])]
    near = np.abs(np.array(starts)[:, None] - at) < 0.003 * rate_hz
    assert all(f.tracks == (0,) for f in found)
    assert near.any(axis=1).all()
    assert near.any(axis=0).sum() >= least


def test_hiss_is_not_told_as_lifts_by_chance() -> None:
    x = _words(*(_noise(-62.0, k, 48_000) for k in range(10, 34)))
    assert taped(x, 48_000).findings == ()


@pytest.mark.parametrize("floor_db", [-150.0, -85.0])
def test_flat_tops_of_a_millisecond_are_no_lifts(floor_db: float) -> None:
    """In notes of 90 Hz, rests between: the highest peaks are cut on one side, noise behind."""
    rate_hz = 96_000
    t = np.arange(SECONDS * rate_hz) / rate_hz
    swells = 0.4 * np.sin(np.pi * np.clip(t % 1.0 / 0.6, 0, 1)) ** 8
    cut = _noise(-62.0, 5, rate_hz) + swells * np.sin(2 * np.pi * 90.3 * t)
    cut = np.clip(cut, -1.0, 0.34) + _noise(floor_db, 7, rate_hz)
    out = taped(_words(cut, _noise(-62.0, 6, rate_hz)), rate_hz)
    assert [f for f in out.findings if f.kind in ("contact-loss", "level-dip")] == []
