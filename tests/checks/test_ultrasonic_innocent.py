"""Above 20 kHz: ends that are no walls. Filters of converters, dull tapes, steady overtones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import synth
from scipy import signal
from ultrasonic_kit import ABOVE, bursts, falls, kinds, look, noise, shaped, tape, words

from checks.model import Verdict

# Converters at four and eight times the base rate that pass only 50 to 100 kHz (common practice),
# 110 dB down at the second frequency; what ends at half of no lower rate is of no lower rate.
SLOPES = [
    (352_800, 46e3, 60e3),
    (352_800, 50e3, 75e3),
    (384_000, 60e3, 80e3),
    (192_000, 60e3, 90e3),
    (352_800, 80e3, 100e3),
    (352_800, 90e3, 150e3),
]


@pytest.mark.parametrize(("rate", "from_hz", "to_hz"), SLOPES)
@pytest.mark.parametrize(
    ("before_dbfs_hz", "after_dbfs"), [(None, -140.0), (-112.0, -112.0), (-132.0, -140.0)]
)
def test_a_converter_s_own_filter_is_at_most_noted(
    rate, from_hz, to_hz, before_dbfs_hz, after_dbfs
):
    rng = np.random.default_rng(61)
    # a tape's hiss before the filter, or an amplifier's even noise
    if before_dbfs_hz is None:
        y = tape(rate, 61, 1.5)
    else:
        y = bursts(rng, rate, rate) + noise(rng, rate, rate, before_dbfs_hz)
    y = shaped(
        y, rate, lambda f: 10 ** (-110 / 20 * np.clip((f - from_hz) / (to_hz - from_hz), 0, 1))
    )
    y += noise(rng, len(y), rate, after_dbfs - 10 * np.log10(rate / 2))
    outcome = look(words(y), rate, sheet=ABOVE)
    for found in outcome.findings:
        assert (found.kind, found.verdict) == ("own-filter", Verdict.CLEAR)
        assert 0.97 * from_hz <= found.values["from_hz"] <= to_hz
        assert "converter's own filter" in found.text
    assert outcome.measures.tracks[0].brickwall_hz is None


def own_filter(from_share: float, depth_db: float) -> Any:
    def gain(f: Any) -> Any:
        part = np.clip((f / f[-1] / 2 - from_share) / (0.5 - from_share), 0, 1)
        return 10 ** (-part * depth_db / 20)

    return gain


HARMLESS = {
    # the file's own filter: converters end at 0.45 of the rate, older ones at 0.40
    "own filter": (96_000, own_filter(0.45, 80)),
    "own filter that begins early": (192_000, own_filter(0.40, 60)),
    # converters at eight times the base rate that pass only 50 to 100 kHz
    "passes 50 kHz": (352_800, falls(50e3, 24)),
    "passes 90 kHz": (352_800, falls(90e3, 48)),
    # a head's gap: nothing at the frequency whose wavelength it is, IEC 60094 gap loss
    "gap of 27 kHz": (192_000, lambda f: np.abs(np.sinc(f / 27e3))),
    # an old tape on a slow machine
    "dull tape": (96_000, falls(12e3, 30)),
}


@pytest.mark.parametrize("name", HARMLESS)
def test_gentle_ends_are_no_walls(name):
    rate, gain = HARMLESS[name]
    rng = np.random.default_rng(8)
    y = shaped(tape(rate, 8, 2.0), rate, gain)
    y += noise(rng, len(y), rate, -150 if "gap" in name else -170)
    outcome = look(words(y), rate)
    assert not [f for f in outcome.findings if f.verdict is not Verdict.CLEAR]
    assert outcome.measures.tracks[0].brickwall_hz is None


@pytest.mark.parametrize("order", [4, 8])
def test_programme_that_rolls_off_above_a_noise_that_goes_on_is_no_wall(order):
    rate = 192_000
    rng = np.random.default_rng(9)
    low = signal.butter(order, 20_000, fs=rate, output="sos")
    y = signal.sosfilt(low, bursts(rng, 3 * rate, rate)) + noise(rng, 3 * rate, rate, -112)
    assert kinds(look(words(y), rate)) == []


def test_an_analog_filter_as_steep_as_a_digital_one_below_19_khz_is_no_wall():
    # 15 kHz line filter before the amplifier, whose noise goes on
    rate = 96_000
    rng = np.random.default_rng(10)
    line = signal.ellip(9, 0.1, 60, 15_000, fs=rate, output="sos")
    y = signal.sosfilt(line, tape(rate, 10)) + noise(rng, int(2.5 * rate), rate, -116)
    assert kinds(look(words(y), rate)) == [("absent", "clear", "none")]


@pytest.mark.parametrize("f0", [100.0, 250.0, 440.0])
def test_overtones_alike_on_both_sides_are_no_mirror(f0):
    # a saw tooth's overtones lie symmetrically about every multiple of half its frequency
    rate = 96_000
    t = np.arange(3 * rate) / rate
    rng = np.random.default_rng(11)
    wave = 0.1 * signal.sawtooth(2 * np.pi * f0 * t) * (0.5 + 0.5 * np.sin(2 * np.pi * t)) ** 4
    assert kinds(look(words(wave + noise(rng, len(t), rate, -120)), rate)) == []


@pytest.mark.parametrize(
    ("rate", "clock"),
    [(96_000, 2_400), (192_000, 4_800), (88_200, 4_410), (192_000, 12_000), (192_000, 16_000)],
)
def test_a_code_with_a_clock_of_its_own_is_mirrored_by_that_clock(rate, clock):
    # what steps at a clock is mirrored at all multiples of half of it (Oppenheim and Schafer,
    # sampling): at half of 48 or 44.1 kHz too, though it was recorded so
    rng = np.random.default_rng(clock)
    code = np.repeat(rng.choice([-1.0, 1.0], 4 * clock), rate // clock)
    soft = signal.sosfilt(signal.butter(2, 8_000, fs=rate, output="sos"), code)
    level = 0.5 + 0.5 * np.sin(2 * np.pi * 3 * np.arange(len(code)) / rate)
    y = np.stack((code * level, soft * level)) * 0.25
    y += noise(rng, y.size, rate, -118).reshape(y.shape)
    assert not [f for f in look(words(y), rate).findings if f.kind == "brickwall"]


@pytest.mark.parametrize(
    ("rate", "clock"), [(96_000, 12_000), (96_000, 4_410), (192_000, 12_000), (192_000, 7_350)]
)
def test_the_gap_in_a_code_s_spectrum_at_each_multiple_of_its_clock_is_no_wall(rate, clock):
    # two halves of opposite sign a bit: sin**2(x) / x, with gaps at 22.05 and 24 kHz
    rng = np.random.default_rng(clock)
    bits = rng.choice([-1.0, 1.0], 2 * clock)
    halves = np.stack((bits, -bits), axis=1).ravel()
    edges = np.arange(len(halves) + 1) / (2 * clock)
    area = np.append(0.0, np.cumsum(halves)) / (2 * clock)
    y = np.diff(np.interp(np.arange(2 * rate + 1) / rate, edges, area)) * rate * 0.25
    y += noise(rng, len(y), rate, -118)
    assert not [f for f in look(words(y), rate).findings if f.kind == "brickwall"]


def test_a_mirror_of_a_clock_is_known_though_its_next_one_lies_in_a_gap():
    # biphase (IEC 60461) of 9600 bit/s: mirrored at multiples of 4.8 kHz, nothing about 19.2 kHz
    rate = 192_000
    rng = np.random.default_rng(1)
    turns = np.ones(4 * 9_600, np.intp)
    turns[1::2] = rng.integers(0, 2, len(turns) // 2)
    code = np.repeat(1.0 - 2.0 * (np.cumsum(turns) % 2), 10)
    soft = signal.sosfilt(signal.butter(2, 8_000, fs=rate, output="sos"), code)
    soft *= 0.5 + 0.5 * np.sin(2 * np.pi * 3 * np.arange(len(code)) / rate)
    y = 0.25 * soft + 2 * tape(rate, 1)[: len(soft)]
    assert not [f for f in look(words(y), rate).findings if f.kind == "brickwall"]


def test_steady_overtones_to_just_below_20_khz_are_no_floor_that_falls():
    rate = 96_000
    t = np.arange(2 * rate) / rate
    rng = np.random.default_rng(57)
    organ = sum(0.02 / k * np.sin(2 * np.pi * 220 * k * t + k * k) for k in range(1, 91))
    outcome = look(words(organ + noise(rng, len(t), rate, -110)), rate)
    assert not [f for f in outcome.findings if f.kind == "brickwall"]


@pytest.mark.parametrize("rate", [96_000, 192_000])
@pytest.mark.parametrize("level", [0.9, 0.31, 0.012])
def test_a_table_read_again_and_again_has_no_floor_to_fall(rate, level):
    # one period of 1 kHz, rounded to 24 bits without dither: overtones of the rounding, no noise
    period = np.rint(level * 2**23 * np.sin(2 * np.pi * np.arange(rate // 1_000) / (rate // 1_000)))
    x = np.tile(period.astype(np.int32) << 8, 3_000)[None]
    assert not [f for f in look(x, rate).findings if f.kind in ("brickwall", "absent")]


def test_impulses_are_nothing():
    rate = 96_000
    rng = np.random.default_rng(58)
    pulses = noise(rng, 3 * rate, rate, -130)
    pulses[:: rate // 3] += 0.5
    assert kinds(look(words(pulses), rate)) == []


QUIET_KINDS = ["plucks", "bowed", "organ", "speech", "session", "saturated", "rising-noise"]


@pytest.mark.parametrize("kind", [*QUIET_KINDS, "worn-tape", "splices-butt", "hiss-only"])
@pytest.mark.parametrize(("rate", "bits"), [(88_200, 16), (192_000, 24)])
def test_clean_programme_asks_for_nothing(kind, rate, bits):
    x = synth.programme(kind, rate_hz=rate, tracks=2, seconds=2.0, seed=59, word_length=bits)
    outcome = look(x, rate, bits=bits)
    assert [f for f in outcome.findings if f.verdict is not Verdict.CLEAR] == []
    assert all(t.brickwall_hz is None for t in outcome.measures.tracks)
