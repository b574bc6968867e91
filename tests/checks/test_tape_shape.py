"""A dip of the whole level and a gap between tape and head, over an amplifier's noise.

Gap: 54.6 dB x distance / wavelength (reference texts on magnetic recording), so four times as much
at 5.5 as at 1.4 kHz. The amplifier's noise lies 8 to 12 dB under the hiss (common practice): the
hiss falls no further than to it, whatever befell the tape.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from damage_tape import contact_loss
from dropouts_kit import run
from numpy.typing import NDArray

from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._tape._bands import FilterBank
from checks.dropouts._tape._contact import Candidate
from checks.dropouts._tape._judge import Judge
from checks.dropouts._tape._spacing import as_the_body
from checks.model import Samples, Verdict
from checks.sheet import NoiseReduction, Sheet, Tape

RATE = 96_000
SECONDS = 8
AT = 5 * RATE  # in the midst of a note


def _played(top_hz: float, seed: int) -> NDArray[np.float64]:
    """Noise up to a frequency, -20 dB, in notes of 1.5 s between rests of half a second."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal(SECONDS * RATE))
    f = np.fft.rfftfreq(SECONDS * RATE, 1 / RATE)
    x = np.fft.irfft(spectrum / (1 + (f / top_hz) ** 16))
    t = np.arange(len(x)) / RATE
    return np.asarray(x / np.std(x) * 0.1 * np.clip(20 * (0.75 - np.abs(t % 2 - 1)), 0, 1))


def _noise(level_db: float, seed: int) -> NDArray[np.float64]:
    rng = np.random.default_rng([9, seed])
    return np.asarray(rng.standard_normal(SECONDS * RATE) * 10 ** (level_db / 20))


def _words(x: NDArray[np.float64]) -> Samples:
    return (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)


def _found(x: Samples) -> list[tuple[str, tuple[int, ...]]]:
    return [(f.kind, f.tracks) for f in run(x, RATE).findings if f.verdict is not Verdict.CLEAR]


@pytest.mark.parametrize("amplifier_db", [-70.0, -73.0, -76.0])
@pytest.mark.parametrize("db", [15.0, 25.0])
def test_a_dip_is_told_from_a_gap_by_what_it_takes_from_the_sound(
    db: float, amplifier_db: float
) -> None:
    tape = np.stack([_played(7000.0, k) + _noise(-62.0, k) for k in range(2)])
    floor = np.stack([_noise(amplifier_db, 5 + k) for k in range(2)])
    frames = RATE // 15
    shape = np.sin(np.linspace(0, np.pi, frames)) ** 0.5
    dipped = tape.copy()
    dipped[1, AT : AT + frames] *= 1 - (1 - 10 ** (-db / 20)) * shape
    assert _found(_words(dipped + floor)) == [("level-dip", (1,))]
    gap = contact_loss(
        _words(tape), rate_hz=RATE, at=AT, frames=frames, distance_um=4 * db, tracks=(1,),
        floor_dbfs=amplifier_db + 3.0,
    ).samples  # fmt: skip
    assert _found(gap) == [("contact-loss", (1,))]


@pytest.mark.parametrize("ms", [20, 60])
def test_where_the_body_alone_is_heard_a_fall_too_far_for_a_gap_is_a_dip(ms: int) -> None:
    """20 dB of 1.5 kHz would be a gap of 100 um at 38 cm/s (54.6 dB x distance / wavelength)."""
    tape = np.stack([_played(2000.0, k) + _noise(-62.0, k) for k in range(2)])
    floor = np.stack([_noise(-72.0, 5 + k) for k in range(2)])
    frames = ms * RATE // 1000
    shape = np.sin(np.linspace(0, np.pi, frames)) ** 0.5
    dipped = tape.copy()
    dipped[1, AT : AT + frames] *= 1 - 0.9 * shape
    assert _found(_words(dipped + floor)) == [("level-dip", (1,))]
    gap = contact_loss(
        _words(tape), rate_hz=RATE, at=AT, frames=frames, distance_um=50.0, tracks=(1,),
        floor_dbfs=-69.0,
    ).samples  # fmt: skip
    assert _found(gap) == [("contact-loss", (1,))]


def test_where_no_programme_shows_above_the_body_its_fall_says_nothing() -> None:
    tilt = np.array([1.0, 4.0, 6.0, 8.0])
    loss = np.array([12.0, 12.0, 11.0, 11.0])
    assert as_the_body(loss, np.array([40.0, 2.0, 0.0, 0.0]), tilt) is None  # all but noise
    assert as_the_body(loss, np.array([40.0, 12.0, 0.0, 0.0]), tilt) is True
    gone = np.array([12.0, 26.0, 11.0, 11.0])  # what would be left of a dip, is not
    assert as_the_body(gone, np.array([40.0, 0.0, 0.0, 0.0]), tilt) is False
    assert as_the_body(loss, np.array([3.0, 12.0, 0.0, 0.0]), tilt) is None  # the body as well


def test_whether_hiss_is_a_tapes_is_not_asked_where_electronics_may_cover_it() -> None:
    """Above 25 kHz: there a machine that stands for a moment may be the lowest that is heard."""
    asked: list[list[int]] = []

    def of_tape(*told: Any) -> bool:
        asked.append(list(told[-1]))
        return True

    bank = FilterBank(RATE, 1)
    hiss = SimpleNamespace(
        level=lambda *_: np.full(bank.bands, -65.0, np.float32),
        of_tape=of_tape,
        like_others=lambda *_: True,
    )
    way = SimpleNamespace(running=np.ones(20, np.bool_), quiet_db=np.full((2, 1), -60.0))
    fakes: Any = (SimpleNamespace(entry_hops=256), way, NoiseReduction.NONE, DropoutsLimits(), hiss)
    beside, down = (np.full((1, bank.bands), 10**level, np.float32) for level in (-6.5, -8.0))
    place = Candidate(
        track=0, start=1000, hops=200, inner=180, level=down, before=beside, after=beside,
        midst=down[0], crests=None, silent=False,
    )  # fmt: skip
    assert Judge(bank, *fakes, [0]).lift(place) is not None
    ((*bands,),) = asked
    assert bands == [2, 3, 4, 5, 6]  # 9 to 24 kHz


@pytest.mark.parametrize("left_db", [5.0, 3.0, 0.0, -3.0])
def test_programme_that_hides_most_of_a_fall_does_not_make_it_less(left_db: float) -> None:
    """A gap that takes 9 dB of the hiss at 24 kHz, where programme is left below 18 kHz."""
    bank = FilterBank(RATE, 1)
    fall_db = np.array([0.0, 0.0, -10.0, left_db, left_db, 7.0, 9.5, 6.5, 4.5])
    hiss = SimpleNamespace(
        level=lambda *_: np.full(bank.bands, -55.0, np.float32),
        of_tape=lambda *_: True,
        like_others=lambda *_: True,
    )
    way = SimpleNamespace(running=np.ones(20, np.bool_), quiet_db=np.full((2, 1), -60.0))
    fakes: Any = (SimpleNamespace(entry_hops=256), way, NoiseReduction.NONE, DropoutsLimits(), hiss)
    down = (10 ** ((-55.0 - fall_db[None]) / 10)).astype(np.float32)
    down[:, :2] = 10**-2.2, 10**-3.6
    beside = np.full((1, bank.bands), 10**-5.5, np.float32)
    beside[:, :6] = 10**-2.0, 10**-2.6, 10**-3.0, 10**-3.2, 10**-3.6, 10**-4.2
    place = Candidate(
        track=0, start=1000, hops=180, inner=160, level=down, before=beside, after=beside,
        midst=down[0], crests=None, silent=False,
    )  # fmt: skip
    lift = Judge(bank, *fakes, [0]).lift(place)
    assert lift is not None
    assert lift.fall_db >= 6.0
    assert not lift.flat


@pytest.mark.parametrize("ms", [20, 100])
def test_a_gap_takes_more_from_the_treble_and_a_dip_as_much_from_all(ms: int) -> None:
    """In a rest, of hiss 10 dB over the amplifier's noise: 8 um take 9 dB of 8 kHz, 1.6 of 1.4."""
    tape, floor = (np.stack([_noise(db, k) for k in range(2)]) for db in (-62.0, -72.0))
    frames = ms * RATE // 1000
    gap = contact_loss(
        _words(tape), rate_hz=RATE, at=AT, frames=frames, distance_um=8.0, tracks=(1,),
        floor_dbfs=-140.0,
    ).samples  # fmt: skip
    dipped = tape.copy()
    dipped[1, AT : AT + frames] *= 10 ** (-12 / 20)
    for x, rises in ((gap + _words(floor), True), (_words(dipped + floor), False)):
        (found,) = [f for f in run(x, RATE).findings if f.verdict is not Verdict.CLEAR]
        assert ("the treble goes first" in found.text) is rises
        assert rises or "thin place in the coat" in found.text


@pytest.mark.parametrize(("ms", "um"), [(3, 10.0), (10, 20.0), (60, 40.0)])
def test_of_a_gap_no_more_is_told_than_the_hiss_shows(ms: int, um: float) -> None:
    """54.6 dB times distance over wavelength (reference texts): 1.43 dB a um at 10 kHz and 38 cm/s.

    What is played sinks by itself in the same moment, by 26 dB in its treble, as a wave may.
    """
    frames = ms * RATE // 1000
    body = np.stack([_played(2000.0, k) for k in range(2)])
    treble = 0.1 * np.stack([_played(6500.0, 3 + k) for k in range(2)])
    treble[1, AT - RATE // 500 : AT + frames + RATE // 500] *= 0.05  # some 2 ms wider
    tape = body + treble + np.stack([_noise(-62.0, k) for k in range(2)])
    x = contact_loss(
        _words(tape), rate_hz=RATE, at=AT, frames=frames, distance_um=um, tracks=(1,),
        floor_dbfs=-72.0,
    ).samples  # fmt: skip
    sheet = Sheet(tape=Tape(speed_cm_s=38.1))
    (found,) = [f for f in run(x, RATE, sheet=sheet).findings if f.kind == "contact-loss"]
    told_um, told_db = (found.values[k] for k in ("distance_um", "loss_at_10_khz_db"))
    assert found.values["distance_at_least"]
    assert found.values["loss_at_least"]
    assert isinstance(told_um, float)
    assert isinstance(told_db, float)
    assert 0.1 * um <= told_um <= 1.05 * um
    assert told_db == pytest.approx(1.43 * told_um, abs=0.1)
    assert f"at least {told_db:.0f} dB at 10 kHz" in found.text
