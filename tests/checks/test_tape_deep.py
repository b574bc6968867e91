"""Hiss that falls to the electronics: in a slow tape's treble they lie close under it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.signal import lfilter
from synth import programme
from taping import taped

from checks.dropouts._tape._bands import HISS
from checks.dropouts._tape._drops import floors, steepest
from checks.dropouts._tape._lasting import Fall, is_flat, rises
from checks.model import Finding, Samples, Verdict
from checks.sheet import NoiseReduction, Sheet, Tape

RATE = 48_000
SLOW = Sheet(tape=Tape(speed_cm_s=19.05, noise_reduction=NoiseReduction.NONE))


def _told(x: Samples) -> list[Finding]:
    return [f for f in taped(x, RATE, SLOW).findings if f.verdict is not Verdict.CLEAR]


def _slow_tape(kind: str, um: float, ramp_s: float, tracks: int) -> Samples:
    """The last track clogs at 4 s behind a head that passes 17 kHz; -71 dBFS of noise behind it.

    Spacing loss: 54.6 dB x distance / wavelength (20 log10 e^(2 pi); reference texts on
    magnetic recording).
    """
    x = programme(kind, rate_hz=RATE, tracks=tracks, seconds=9.0, seed=5, hiss_dbfs=-60.0) / 2.0**31
    f = np.fft.rfftfreq(x.shape[1], 1 / RATE)
    x = np.fft.irfft(np.fft.rfft(x) / np.sqrt(1 + (f / 17_000) ** 6), x.shape[1])
    loss_db = 54.6 * um * 1e-6 * f / 0.1905
    clogged = np.fft.irfft(np.fft.rfft(x[-1]) * 10 ** (-loss_db / 20), x.shape[1])
    share = np.clip((np.arange(x.shape[1]) / RATE - 4.0) / max(ramp_s, 1e-3), 0, 1)
    x[-1] += share * (clogged - x[-1])
    x += np.random.default_rng(8).normal(0, 10 ** (-74 / 20), x.shape)
    return (np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32)


@pytest.mark.parametrize("kind", ["drums", "plucks", "piano"])
@pytest.mark.parametrize(("um", "ramp_s"), [(6.0, 0.0), (10.0, 0.0), (10.0, 3.0)])
@pytest.mark.parametrize("tracks", [1, 2])
def test_a_head_that_clogs_at_19_cm_s_is_found(
    kind: str, um: float, ramp_s: float, tracks: int
) -> None:
    (found,) = _told(_slow_tape(kind, um, ramp_s, tracks))
    assert (found.kind, found.tracks) == ("hf-loss", (tracks - 1,))
    assert 3.8 * RATE <= (found.start_frame or 0) <= 7.0 * RATE


# Expected values: what the sentences of ``_drops`` and ``_lasting`` say, levels made by hand.
def _rests_and_noise(body_db: float) -> tuple[np.ndarray, np.ndarray]:
    """Steady noise for 24 windows that falls by 9 dB, and by 1 dB in the two highest bands."""
    low = np.full((HISS + 6, 96), -65.0, np.float32)
    low[-2:] = -74.0
    low[:HISS] = body_db
    low[:HISS, 40:44] = -64.0
    low[HISS:, 48:] -= 9.0
    low[-2:, 48:] += 8.0
    return low, low + 1.2


def test_hiss_falls_under_the_electronics_which_leave_as_much_noise_above_it() -> None:
    found = steepest(floors(*_rests_and_noise(-20.0)), 0, 4.0)
    assert found is not None
    assert found.rested
    assert found.fall[HISS:-2] == pytest.approx(9.0)
    assert np.isnan(found.fall[-2:]).all()
    low, mean = _rests_and_noise(-20.0)
    low[:HISS, 42:44] = mean[:HISS, 42:44] = -20.0  # two entries are no proof of a rest
    found = steepest(floors(low, mean), 0, 4.0)
    assert found is not None
    assert not found.rested
    low[-2:], mean[-2:] = low[-2:] - 4.0, mean[-2:] - 4.0  # hiss that goes on above what stops
    assert steepest(floors(low, mean), 0, 4.0) is None


def test_a_fader_takes_as_much_of_what_plays_as_of_the_hiss() -> None:
    fell = np.array([7.0, 9.0, 10.4, 9.6, 8.1, 6.2, 3.9], np.float32)
    fall = Fall(track=1, first=41, last=105, seen=105, since=41, full=41, slides=False,
                open_end=True, fall_db=fell,
                after=np.full(7, -77.7, np.float32), before_db=-70.0, after_db=-77.7, mean_db=7.7,
                plays=0.5, quieter_db=2.0, steady=0.5, slow=False, fades=False,
                faded=False, rested=True)  # fmt: skip
    bands = np.array([2_000.0, 6_000, 9_000, 12_000, 15_000, 18_000, 21_000])
    assert not is_flat(fall)
    assert rises(fall, bands)
    assert is_flat(dataclasses.replace(fall, quieter_db=9.0))
    resting = np.append(np.float32(2.0), fell[1:])  # the body rests, or plays, as before
    assert not is_flat(dataclasses.replace(fall, quieter_db=9.0, fall_db=resting))
    assert not rises(dataclasses.replace(fall, fall_db=np.append(10.0, fell[1:])), bands)
    # Music may fall so; and bulk-erased tape hisses 3 to 4 dB less (common practice).
    assert not rises(dataclasses.replace(fall, rested=False), bands)
    assert not rises(dataclasses.replace(fall, mean_db=4.0), bands)


def test_a_lift_that_leaves_nothing_of_the_treble_is_no_digital_silence() -> None:
    x = programme("plucks", rate_hz=RATE, tracks=1, seconds=9.0, seed=5, hiss_dbfs=-60.0) / 2.0**31
    f = np.fft.rfftfreq(x.shape[1], 1 / RATE)
    lifted = np.fft.irfft(np.fft.rfft(x[0]) * 10 ** (-54.6 * 50e-6 * f / 0.381 / 20), x.shape[1])
    t = (np.arange(x.shape[1]) / RATE - 0.2) / 0.06
    share = np.clip(np.minimum(t, 1 - t) * 10, 0, 1)  # 60 ms, before anybody plays
    x[0] += share * (lifted - x[0])
    (found,) = _told((np.rint(x * 2**23).astype(np.int64) << 8).astype(np.int32))
    assert found.kind == "contact-loss"
    assert (found.start_frame or 0) / RATE == pytest.approx(0.2, abs=0.02)


@pytest.mark.parametrize(("um", "told"), [(20.0, ["hf-loss"]), (0.0, [])])
def test_no_decoder_takes_the_treble_so_far(um: float, told: list[str]) -> None:
    """Pink noise that swells and never rests, and no word of noise reduction in the sheet.

    Decoders take up to 24 dB (common practice). Hiss of -76 dBFS stands alone at either end.
    """
    rng = np.random.default_rng([3, 27])
    t = np.arange(20 * RATE) / RATE
    f = np.fft.rfftfreq(len(t), 1 / RATE)
    pink = lfilter([0.05, -0.096, 0.0506, -0.0044], [1, -2.495, 2.0173, -0.5222],
                   rng.standard_normal(len(t)))  # fmt: skip
    swells = 0.6 + 0.4 * np.sin(2 * np.pi * rng.uniform(0.1, 0.5) * t)
    played = 0.05 * pink / pink.std() * swells
    played *= np.clip(np.minimum(t - 1.0, 18.7 - t) / 0.1, 0, 1)
    x = played + rng.standard_normal(len(t)) * 10 ** (-76 / 20)
    clogged = np.fft.irfft(np.fft.rfft(x) * 10 ** (-54.6 * um * f / 381_000 / 20), len(t))
    x[9 * RATE :] = clogged[9 * RATE :]
    words = (np.rint(x[None] * 2**23).astype(np.int64) << 8).astype(np.int32)
    found = [f for f in taped(words, RATE).findings if f.verdict is not Verdict.CLEAR]
    assert [f.kind for f in found] == told
