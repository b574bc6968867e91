"""Two cuts of one track with one and the same programme on both sides, and uneven edges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal
from stepping import steps

from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._steps import _foreign
from checks.dropouts._steps._between import AS_LOUD, SAME, as_before
from checks.dropouts._steps._doubts import Doubts
from checks.dropouts._steps._goes_on import GoesOn
from checks.dropouts._steps._place import Place
from checks.dropouts._steps._put_in import PutIn
from checks.dropouts._steps._telling import Telling
from checks.model import CaptureFormat, Samples, Verdict

RATE_HZ = 96_000
FMT = CaptureFormat(rate_hz=RATE_HZ, channels=1, word_length=24)
AT, FRAMES = 100_000, 2_000


def _programme(seed: int) -> NDArray[np.float64]:
    """A rest on one track, louder programme on the other; noise of a tape on both, full scale 1."""
    rng = np.random.default_rng(seed)
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    x = 2e-4 * rng.standard_normal((2, len(t)))
    for hz in rng.uniform(200, 4_000, 6):
        x[1] += 0.05 * np.sin(2 * np.pi * (hz * t + rng.random()))
    return x


def _words(x: NDArray[np.float64]) -> Samples:
    return (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_piece_of_other_programme_in_a_rest_asks_to_listen(seed: int) -> None:
    x = _programme(seed)
    assert steps(_words(x), RATE_HZ) == []
    x[0, AT : AT + FRAMES] = x[1, 5_000 : 5_000 + FRAMES]
    (found,) = steps(_words(x), RATE_HZ)
    assert (found.verdict, found.tracks) == (Verdict.LISTEN, (0,))
    assert abs(found.start_frame - AT) <= 1
    assert "all is then as it was before" in found.text


def test_a_sound_that_begins_and_one_that_ends_leave_something_else_behind() -> None:
    rng = np.random.default_rng(5)
    noise = rng.standard_normal(12_000)
    low = signal.sosfilt(signal.butter(2, 500, output="sos", fs=RATE_HZ), noise) * 4
    piece = rng.standard_normal(2_000)
    x = np.concatenate((noise[:5_000], piece, noise[5_000:]))
    assert as_before(x, 5_000, 7_000)
    x = np.concatenate((noise[:5_000], piece, 1.1 * AS_LOUD * noise[5_000:]))
    assert not as_before(x, 5_000, 7_000)
    low *= float(np.std(np.diff(noise)) / np.std(np.diff(low)))
    x = np.concatenate((noise[:5_000], piece, low[5_000:]))
    assert not as_before(x, 5_000, 7_000)
    assert SAME < 1.6


def test_sides_too_short_tell_nothing() -> None:
    noise = np.random.default_rng(6).standard_normal(6_000)
    assert as_before(noise, 2_500, 3_500)
    assert not as_before(noise, 500, 3_500)
    assert not as_before(noise, 2_500, 5_500)


def test_the_higher_of_two_edges_is_known_as_well() -> None:
    """Residual 40 at the first sample and 15 at the last, floor 1."""
    rng = np.random.default_rng(7)
    rows = rng.standard_normal((1, 3_000))
    rows[0, 1_500:1_516] += np.linspace(40, 15, 16) * rng.choice([-1, 1], 16)
    found = _foreign.Stretches(rows, 1_500).shared([0])
    assert found is not None
    (trace,) = found.traces
    assert 30 < trace.high < 50
    assert trace.jump <= trace.high
    assert trace.edge < 25


@pytest.mark.parametrize(
    ("edge", "high", "power", "told"),
    [(7.3, 46.0, 106.0, True), (3.0, 40.0, 106.0, False), (5.2, 121.0, 339.0, False),
     (7.3, 46.0, 15.0, False), (7.3, 11.0, 106.0, False)],
)  # fmt: skip
def test_one_high_edge_is_enough_where_the_other_is_no_chance(
    edge: float, high: float, power: float, told: bool
) -> None:
    limits = DropoutsLimits()
    put_in = PutIn(FMT, limits, Telling(Doubts(FMT, listed=limits.listed_digital)), GoesOn(RATE_HZ))
    rng = np.random.default_rng(8)
    native = rng.integers(-(2**15), 2**15, (1, 4_000)).astype(np.int32) << 8
    place = Place(FMT, native, peak=2_000, start=0)
    trace = _foreign.Trace(
        edge=edge,
        jump=edge,
        high=high,
        power=power,
        sharp=True,
        even=True,
        alike=True,
        bounds=edge,
    )
    found = _foreign.Stretch(2_000, 2_016, [trace])
    assert put_in._uneven(place, found, 0, trace) is told
    short = _foreign.Stretch(2_000, 2_007, [trace])
    assert not put_in._uneven(place, short, 0, trace)
    other = replace(trace, alike=False)
    assert not put_in._uneven(place, found, 0, other)
