"""Heads that clog under programme that never rests, so that its hiss is never heard alone."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.dropouts._tape._drops import _by_electronics
from checks.dropouts._tape._floors import PARTS, LevelHistory
from checks.dropouts._tape._gap import behind_a_gap
from checks.dropouts._tape._lasting import Fall
from checks.model import Finding, Verdict
from checks.sheet import NoiseReduction, Sheet, Tape

RATE = 48_000
SECONDS, AT_S = 8.0, 4.0
Floats = NDArray[np.float64]


def _noise(shape: tuple[int, int], level_db: float, seed: int) -> Floats:
    return np.asarray(np.random.default_rng(seed).standard_normal(shape) * 10 ** (level_db / 20))


def _time(rate_hz: int) -> Floats:
    return np.asarray(np.arange(round(SECONDS * rate_hz)) / rate_hz)


@lru_cache(maxsize=4)
def _held(rate_hz: int) -> Floats:
    """A chord of reeds that is held: tones up to 6 kHz, each 3 dB an octave less."""
    t = _time(rate_hz)
    hz = np.concatenate([f0 * np.arange(1, int(6000 / f0)) for f0 in (164.8, 220.0)])
    lines = np.zeros(len(t) // 2 + 1, np.complex128)
    lines[np.rint(hz * SECONDS).astype(int)] = np.exp(1j * hz) / np.sqrt(hz)
    x = np.fft.irfft(lines, len(t))
    return np.asarray(x / np.std(x) * 0.1)


@lru_cache(maxsize=4)
def _strings(rate_hz: int) -> Floats:
    """Noise that swells and covers the hiss everywhere."""
    t = _time(rate_hz)
    f = np.fft.rfftfreq(len(t), 1 / rate_hz)
    x = np.fft.rfft(_noise((1, len(t)), 0.0, 3)[0]) / (1 + f / 800)
    row = np.fft.irfft(x, len(t)) * 10 ** (0.3 * np.sin(2 * np.pi * t / 2.3))
    return np.asarray(row / row.std() * 0.1)


@lru_cache(maxsize=4)
def _hiss(rate_hz: int) -> Floats:
    """-62 dBFS, from 20 kHz on less and less, as heads give out (common practice)."""
    count = round(SECONDS * rate_hz)
    f = np.fft.rfftfreq(count, 1 / rate_hz)
    x = np.fft.rfft(_noise((1, count), -62.0, 5)[0]) / (1 + (f / 22_000) ** 8)
    return np.asarray(np.fft.irfft(x, count))


def _clogged(row: Floats, rate_hz: int, um: float) -> Floats:
    """54.6 dB times distance over wavelength at 38 cm/s (reference texts), at once."""
    loss_db = 54.6 * um * 1e-6 * np.fft.rfftfreq(len(row), 1 / rate_hz) / 0.381
    dull = np.fft.irfft(np.fft.rfft(row) * 10 ** (-loss_db / 20), len(row))
    return np.where(_time(rate_hz) < AT_S, row, dull)


def _asked(row: Floats, rate_hz: int) -> list[Finding]:
    x = row + _noise((1, len(row)), -76.0, 6)
    words = (np.rint(x * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64) << 8).astype(np.int32)
    sheet = Sheet(tape=Tape(noise_reduction=NoiseReduction.NONE))
    found = taped(words, rate_hz, sheet).findings
    return [
        f
        for f in found
        if f.verdict is not Verdict.CLEAR and f.kind not in ("cut-start", "cut-end")
    ]


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
@pytest.mark.parametrize("um", [10.0, 20.0])
@pytest.mark.parametrize("sound", [_held, _strings])
def test_a_head_that_clogs_under_what_never_rests(
    sound: Callable[[int], Floats], um: float, rate_hz: int
) -> None:
    (found,) = _asked(_clogged(sound(rate_hz) + _hiss(rate_hz), rate_hz, um), rate_hz)
    assert (found.kind, found.verdict) == ("hf-loss", Verdict.LISTEN)
    assert (found.start_frame or 0) / rate_hz == pytest.approx(AT_S, abs=1.2)


def test_a_clog_that_takes_as_much_of_the_body_as_of_the_hiss_takes_more_between() -> None:
    """Further off, 12 dB at 1.4 kHz: a fader would have left the balance with 5.5 kHz."""
    (found,) = _asked(_clogged(_held(RATE) + _hiss(RATE), RATE, 60.0), RATE)
    assert found.kind == "hf-loss"


FREQUENCIES_HZ = np.array([1378.0, 5512.0, 8269.0, 11025.0, 13781.0, 16538.0])


@pytest.mark.parametrize(
    ("bright_db", "noise_db", "gap"),
    [
        ([-34.0] * 30, -62.0, True),
        ([-34.0] * 20 + [-20.0] * 10, -62.0, False),  # as bright as before for a while
        ([-21.0] * 30, -62.0, False),  # hardly less bright
        ([-34.0] * 30, -40.0, False),  # no hiss: somebody plays it (50 dB down, common practice)
    ],
)
def test_behind_a_gap_programme_is_never_as_bright_again(
    bright_db: list[float], noise_db: float, gap: bool
) -> None:
    """Noise falls by 12 dB; the body plays on at -10, and until then as much less at 5.5 kHz."""
    levels = np.full((6, 60), noise_db)
    levels[2:, 30:] = noise_db - 12.0
    levels[0] = -10.0 + np.tile([-3.0, 0.0, 3.0], 20)
    levels[1, :30] = levels[0, :30] - 10.0
    levels[1, 30:] = levels[0, 30:] + 10.0 + np.array(bright_db)
    history = LevelHistory(6, 1)
    history.append(np.repeat(10 ** (levels / 10), PARTS, axis=1)[:, None].astype(np.float32))
    nan, fall_db = np.nan, [0.0, np.nan, 12.0, 12.0, 12.0, 12.0]
    fall = Fall(
        track=0, first=30, last=60, seen=60, since=30, full=30, slides=False, open_end=True,
        fall_db=np.array(fall_db, np.float32), after=np.full(6, noise_db - 12.0, np.float32),
        before_db=noise_db, after_db=noise_db - 12.0, mean_db=12.0, plays=1.0, quieter_db=nan,
        steady=1.0, slow=False, fades=False, faded=False, rested=False,
    )  # fmt: skip
    assert behind_a_gap(fall, history, np.ones(60, np.bool_), FREQUENCIES_HZ) is gap


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_noise_that_stops_under_a_chord_that_goes_on_is_none(rate_hz: int) -> None:
    """Somebody turns a noisy source off: the chord is as bright as before."""
    noise = np.where(_time(rate_hz) < AT_S, _hiss(rate_hz), 0.0)
    assert _asked(_held(rate_hz) + noise, rate_hz) == []


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_nor_is_a_fade_or_a_player_who_leaves(rate_hz: int) -> None:
    t = _time(rate_hz)
    gain = np.clip((AT_S + 0.5 - t) / 0.5, 0.0, 1.0)
    both = _held(rate_hz) + _strings(rate_hz) * gain + _hiss(rate_hz)
    assert _asked(both, rate_hz) == []
    faded = (_strings(rate_hz) + _hiss(rate_hz)) * np.clip((7.0 - t) / 2.0, 0.0, 1.0)
    assert _asked(faded, rate_hz) == []


def test_hiss_that_goes_on_above_what_stops_is_less_there_than_electronics_would_be() -> None:
    """Levels after a place in nine bands, dB: of white noise, and of hiss from 19 kHz on."""
    white, hiss = np.full((9, 1), -76.0, np.float32), np.full((9, 1), -64.0, np.float32)
    hiss[6:, 0] = -67.0, -70.0, -74.0
    assert _by_electronics(white, 2, 6).all()
    assert not _by_electronics(hiss, 2, 6).any()
    assert _by_electronics(hiss, 2, 9).all()
