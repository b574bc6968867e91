"""Above 20 kHz: what must be found, what must stay quiet, and laws of the outcome.

Signals are made here from noise of known density, so that what must come out follows from how
they were made; SciPy's filters and rate changers stand for the world outside.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
import synth
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from checks.model import CaptureFormat, Finding, Outcome, Remedy, Verdict
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import Expect, Reel, ReelKind, Sheet, Tape, TrackEntry, TrackKind
from checks.ultrasonic import UltrasonicLimits, UltrasonicPass
from checks.ultrasonic._quiet import EPOCHS, QuietSpectra

CHECK = Check("ultrasonic", lambda c: UltrasonicPass(c.fmt, c.sheet, UltrasonicLimits()))
ABOVE = Sheet(expect=Expect(above_20_khz=True))


def look(
    x: np.ndarray[Any, Any],
    rate: int,
    *,
    bits: int = 24,
    sheet: Sheet | None = None,
    cuts: Sequence[int] = (),
    known: bool = True,
) -> Outcome:
    """The outcome for (tracks, frames), fed in pieces."""
    fmt = CaptureFormat(
        rate_hz=rate,
        channels=len(x),
        word_length=bits,
        floating=x.dtype.kind == "f",
        frames=x.shape[1] if known else None,
    )
    run = SamplePass(Context(fmt=fmt, sheet=sheet or Sheet()), [CHECK])
    for piece in np.split(x, sorted(min(c, x.shape[1]) for c in cuts), axis=1):
        run.feed(piece)
    outcome = run.finish()["ultrasonic"]
    assert not [f for f in outcome.findings if f.kind == "not-run"], outcome.findings
    json.dumps(
        [dataclasses.asdict(f) for f in outcome.findings] + [dataclasses.asdict(outcome.measures)],
        allow_nan=False,
    )
    return outcome


def kinds(outcome: Outcome) -> list[tuple[str, str, str]]:
    return [(f.kind, f.verdict.value, f.remedy.value) for f in outcome.findings]


def one(outcome: Outcome, kind: str) -> Finding:
    (found,) = [f for f in outcome.findings if f.kind == kind]
    return found


def words(y: np.ndarray[Any, Any], bits: int = 24, seed: int = 99) -> np.ndarray[Any, Any]:
    """(frames,) or (tracks, frames) of full scale 1.0, with triangular dither, left-justified."""
    y = np.atleast_2d(y)
    rng = np.random.default_rng(seed)
    top = 2.0 ** (bits - 1)
    steps = np.rint(y * top + rng.random(y.shape) - rng.random(y.shape))
    return (np.clip(steps, -top, top - 1).astype(np.int64) << (32 - bits)).astype(np.int32)


def noise(rng: np.random.Generator, frames: int, rate: int, dbfs_hz: float) -> Any:
    """White noise of a density in AES17 dBFS a hertz."""
    return rng.standard_normal(frames) * np.sqrt(10 ** (dbfs_hz / 10) / 2 * rate / 2)


def shaped(y: Any, rate: int, gain: Any) -> Any:
    return np.fft.irfft(np.fft.rfft(y) * gain(np.fft.rfftfreq(len(y), 1 / rate)), len(y))


def bursts(rng: np.random.Generator, frames: int, rate: int) -> Any:
    """Bright programme that comes and goes: bursts of noise, 6 dB an octave down from 1 kHz."""
    y = shaped(rng.standard_normal(frames), rate, lambda f: 1e3 / np.maximum(f, 1e3) * (f > 40))
    envelope = np.zeros(frames)
    for at in range(0, frames, rate // 4):
        count = min(rate // 4, frames - at)
        t = np.arange(count) / rate
        loud = 10 ** (-rng.uniform(0, 24) / 20)
        envelope[at : at + count] += loud * (1 - np.exp(-t / 0.002)) * np.exp(-t / 0.05)
    return 0.2 * y * envelope / y.std()


def tape(rate: int, seed: int, seconds: float = 2.5) -> Any:
    """Bursts, hiss of -62 dBFS that falls gently above 26 kHz, amplifier and converter noise."""
    rng = np.random.default_rng(seed)
    frames = int(seconds * rate)
    hiss = shaped(noise(rng, frames, rate, -105), rate, lambda f: 1 / np.sqrt(1 + (f / 26e3) ** 4))
    amplifier, converter = noise(rng, frames, rate, -116), noise(rng, frames, rate, -161)
    return bursts(rng, frames, rate) + hiss + amplifier + converter


def raised(y: Any, source: int, rate: int, how: str) -> Any:
    """``y`` brought from one rate to another as the word says."""
    common = int(np.gcd(source, rate))
    up, down = rate // common, source // common
    if how == "held":
        return np.repeat(y, up)[::down]
    if how == "joined":
        return np.interp(np.arange(len(y) * up // down) * down / up, np.arange(len(y)), y)
    wide = max(up, down)
    taps = {
        "steep": lambda: signal.firwin(128 * wide + 1, 0.94 / wide, window=("kaiser", 12.0)),
        "half-band": lambda: signal.firwin(24 * wide + 1, 1.0 / wide, window=("kaiser", 9.0)),
        "gentle": lambda: signal.firwin(10 * wide + 1, 0.9 / wide, window=("kaiser", 6.0)),
        "minimum phase": lambda: signal.minimum_phase(
            signal.firwin(64 * wide + 1, 0.92 / wide, window=("kaiser", 10.0)), half=False
        ),
    }
    if how == "as SciPy does":
        return signal.resample_poly(y, up, down)
    kernel = taps[how]()
    return signal.resample_poly(y, up, down, window=kernel / kernel.sum())


# -- brickwall -----------------------------------------------------------------------------------

WAYS = ("steep", "half-band", "gentle", "minimum phase", "as SciPy does", "held", "joined")


@pytest.mark.parametrize("how", WAYS)
@pytest.mark.parametrize(("source", "rate"), [(48_000, 96_000), (44_100, 176_400)])
def test_material_of_a_lower_rate_must_be_replayed(how, source, rate):
    # how it was made says what is true: nothing above half of the source's rate is recorded
    y = raised(tape(source, 1), source, rate, how)
    outcome = look(words(y), rate)
    found = one(outcome, "brickwall")
    assert (found.verdict, found.remedy) == (Verdict.REDO, Remedy.REPLAY)
    assert found.tracks == (0,)
    assert source in found.values["near_half_of_hz"]
    (track,) = outcome.measures.tracks
    assert 0.86 * source / 2 <= track.brickwall_hz <= 1.2 * source / 2
    assert track.information_hz <= track.brickwall_hz
    assert not [f for f in outcome.findings if f.kind == "no-evidence"]


@pytest.mark.parametrize("how", ["steep", "held"])
@pytest.mark.parametrize(("source", "rate"), [(88_200, 352_800), (96_000, 192_000)])
def test_material_above_30_khz_is_to_be_looked_into(how, source, rate):
    y = raised(tape(source, 2, 1.5), source, rate, how)
    found = one(look(words(y), rate), "brickwall")
    assert (found.verdict, found.remedy) == (Verdict.LISTEN, Remedy.REPLAY)
    assert source in found.values["near_half_of_hz"]
    assert one(look(words(y), rate, sheet=ABOVE), "brickwall").verdict is Verdict.REDO


@pytest.mark.parametrize("how", ["half-band", "minimum phase", "as SciPy does", "joined"])
@pytest.mark.parametrize(("source", "rate"), [(88_200, 352_800), (96_000, 192_000)])
@pytest.mark.parametrize("later_dbfs", [-100.0, -80.0])
def test_the_noise_of_later_stages_hides_no_wall_above_30_khz(how, source, rate, later_dbfs):
    # half of the source's rate, and nothing but mirror images above it, whatever the filter
    rng = np.random.default_rng(60)
    y = raised(tape(source, 2, 1.5), source, rate, how)
    y += noise(rng, len(y), rate, later_dbfs - 10 * np.log10(rate / 2))
    found = one(look(words(y), rate), "brickwall")
    assert (found.verdict, found.remedy) == (Verdict.LISTEN, Remedy.REPLAY)
    assert source in found.values["near_half_of_hz"]


def test_material_of_192_khz_is_told_by_a_filter_as_steep_as_no_converter_s():
    found = one(look(words(raised(tape(192_000, 2, 1.5), 192_000, 384_000, "steep")), 384_000),
                "brickwall")  # fmt: skip
    assert found.verdict is Verdict.LISTEN
    assert 192_000 in found.values["near_half_of_hz"]


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


def test_48_khz_noise_brought_up_fourfold_with_a_long_kaiser_filter():
    # 1025-tap Kaiser-12 sinc: 24.5 to 96 kHz below -120 dBFS; the dither alone fills it
    rng = np.random.default_rng(39)
    y = 0.1 * rng.standard_normal(4 * 48_000)
    kernel = signal.firwin(1025, 1 / 4, window=("kaiser", 12.0))
    y = signal.resample_poly(y, 4, 1, window=kernel)
    outcome = look(words(y), 192_000)
    assert one(outcome, "brickwall").verdict is Verdict.REDO
    (track,) = outcome.measures.tracks
    assert track.brickwall_hz == pytest.approx(24_000, rel=0.03)
    above = [band for band in track.bands if band.from_hz >= 25_000]
    power = sum(10 ** (band.level_dbfs / 10) for band in above)
    assert 10 * np.log10(power) < -120


@pytest.mark.parametrize("seed", [3, 4])
def test_hiss_alone_shows_the_wall(seed):
    rng = np.random.default_rng(seed)
    hiss = noise(rng, 3 * 44_100, 44_100, -105)
    outcome = look(words(raised(hiss, 44_100, 88_200, "steep")), 88_200)
    assert one(outcome, "brickwall").verdict is Verdict.REDO


def test_the_wall_of_a_float_capture_without_dither():
    y = raised(tape(48_000, 5), 48_000, 96_000, "steep").astype(np.float32)
    outcome = look(y[None], 96_000)
    assert one(outcome, "brickwall").verdict is Verdict.REDO


def test_one_track_of_a_lower_rate_is_told_by_itself():
    true = tape(96_000, 6)
    false = raised(tape(48_000, 7), 48_000, 96_000, "steep")
    count = min(len(true), len(false))
    outcome = look(words(np.stack((true[:count], false[:count], true[:count] * 0.5))), 96_000)
    assert one(outcome, "brickwall").tracks == (1,)


def own_filter(from_share: float, depth_db: float) -> Any:
    def gain(f: Any) -> Any:
        part = np.clip((f / f[-1] / 2 - from_share) / (0.5 - from_share), 0, 1)
        return 10 ** (-part * depth_db / 20)

    return gain


def falls(from_hz: float, octave_db: float) -> Any:
    return lambda f: np.minimum(1.0, (np.maximum(f, 1.0) / from_hz) ** (-octave_db / 6.02))


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
    assert [f.kind for f in look(words(y), rate).findings] == ["no-evidence"]


@pytest.mark.parametrize("f0", [100.0, 250.0, 440.0])
def test_overtones_alike_on_both_sides_are_no_mirror(f0):
    # a saw tooth's overtones lie symmetrically about every multiple of half its frequency
    rate = 96_000
    t = np.arange(3 * rate) / rate
    rng = np.random.default_rng(11)
    wave = 0.1 * signal.sawtooth(2 * np.pi * f0 * t) * (0.5 + 0.5 * np.sin(2 * np.pi * t)) ** 4
    assert kinds(look(words(wave + noise(rng, len(t), rate, -120)), rate)) == []


# -- absent, no-evidence -------------------------------------------------------------------------


def cut_programme(rate: int, seed: int, at_hz: float) -> Any:
    """Bright programme cut off by a steep filter, in noise that goes on."""
    rng = np.random.default_rng(seed)
    kernel = signal.firwin(2001, at_hz, fs=rate, window=("kaiser", 8.0))
    y = signal.fftconvolve(bursts(rng, 3 * rate, rate), kernel, "same")
    return y + noise(rng, 3 * rate, rate, -120)


@pytest.mark.parametrize("at_hz", [19_800.0, 21_500.0])
@pytest.mark.parametrize("rate", [96_000, 192_000])
def test_programme_cut_off_near_20_khz_is_to_be_listened_to(rate, at_hz):
    x = words(cut_programme(rate, 12, at_hz))
    outcome = look(x, rate)
    assert kinds(outcome) == [("absent", "listen", "listen")]
    assert outcome.findings[0].values["expected_over_floor_db"] > 10
    assert outcome.findings[0].values["seen_over_floor_db"] < 1
    assert kinds(look(x, rate, sheet=ABOVE)) == [("absent", "redo", "replay")]


def test_programme_that_ends_early_and_gently_proves_nothing():
    rate = 96_000
    rng = np.random.default_rng(13)
    low = signal.butter(6, 9_000, fs=rate, output="sos")
    y = signal.sosfilt(low, bursts(rng, 3 * rate, rate)) + noise(rng, 3 * rate, rate, -105)
    outcome = look(words(y), rate)
    assert kinds(outcome) == [("no-evidence", "clear", "none")]
    assert outcome.measures.tracks[0].information_hz < 20_000


@pytest.mark.parametrize(
    ("speed_cm_s", "kind"),
    # some 25 dB over the noise at 17 kHz: 12 dB may have gone at 38 cm/s, 24 dB at 19 and less
    [(None, "absent"), (38.1, "absent"), (19.05, "no-evidence"), (9.53, "no-evidence")],
)
def test_a_slow_tape_gets_the_benefit_of_the_doubt(speed_cm_s, kind):
    rate = 96_000
    rng = np.random.default_rng(14)
    kernel = signal.firwin(2001, 18_600, fs=rate, window=("kaiser", 8.0))
    y = signal.fftconvolve(bursts(rng, 3 * rate, rate), kernel, "same")
    sheet = Sheet(tape=Tape(speed_cm_s=speed_cm_s))
    x = words(y + noise(rng, 3 * rate, rate, -101))
    assert [f.kind for f in look(x, rate, sheet=sheet).findings] == [kind]


def test_genuine_programme_has_no_finding_and_its_bands_move():
    rate = 192_000
    outcome = look(words(tape(rate, 15)), rate)
    assert outcome.findings == ()
    (track,) = outcome.measures.tracks
    assert track.information_hz > 60_000
    # bursts of -30 to -6 dBFS stand far above the noise up to 50 kHz and rise and fall as one
    for band in track.bands[:4]:
        assert band.correlation > 0.9
        assert band.movement_db > 10


def test_what_is_quieter_than_any_converter_is_no_information():
    # 60 dB an octave from 20 kHz, from some -78 dBFS/Hz: -176 dBFS/Hz is reached near 62 kHz;
    # converters reach 120 to 130 dB, -173 dBFS/Hz
    rate = 192_000
    rng = np.random.default_rng(61)
    y = shaped(bursts(rng, 2 * rate, rate), rate, falls(20e3, 60)).astype(np.float32)
    assert 50_000 < look(y[None], rate).measures.tracks[0].information_hz < 68_000


def test_noise_that_stands_still_neither_moves_nor_correlates():
    rate = 192_000
    rng = np.random.default_rng(16)
    y = bursts(rng, 3 * rate, rate)
    low = signal.butter(8, 9_000, fs=rate, output="sos")
    outcome = look(words(signal.sosfilt(low, y) + noise(rng, 3 * rate, rate, -100)), rate)
    for band in outcome.measures.tracks[0].bands[1:]:
        assert abs(band.correlation) < 0.4
        # 5 kHz and 12 ms segments: 71 degrees of freedom a band, sigma 0.52 dB (chi-squared)
        assert band.movement_db < 3.0


def test_tape_that_starts_and_stops_is_no_movement():
    # hiss that comes with the tape: a quarter of the time it stands
    rate = 96_000
    rng = np.random.default_rng(17)
    hiss = noise(rng, 4 * rate, rate, -105)
    hiss[: rate // 2] = hiss[-rate // 2 :] = 0
    outcome = look(words(hiss + noise(rng, 4 * rate, rate, -125)), rate)
    assert kinds(outcome) == [("no-evidence", "clear", "none")]
    assert outcome.measures.tracks[0].information_hz is None


@pytest.mark.parametrize("kind", ["unused", "timecode", "pilot", "click"])
def test_tracks_that_carry_no_programme_are_excused(kind):
    y = raised(tape(48_000, 18), 48_000, 96_000, "steep")
    sheet = Sheet(tracks=(TrackEntry(kind=TrackKind(kind)), TrackEntry()))
    outcome = look(words(np.stack((y, y))), 96_000, sheet=sheet)
    assert one(outcome, "brickwall").tracks == (1,)
    assert outcome.measures.tracks[0].brickwall_hz is not None


def test_a_reel_of_line_up_tones_is_not_asked_for_programme():
    rate = 96_000
    t = np.arange(rate) / rate
    tones = np.concatenate([0.1 * np.sin(2 * np.pi * f * t) for f in (1e3, 1e4, 1.6e4, 100.0)])
    rng = np.random.default_rng(19)
    y = tones + noise(rng, len(tones), rate, -110)
    assert kinds(look(words(y), rate, sheet=Sheet(reel=Reel(kind=ReelKind.LINEUP)))) == []


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_rates_without_room_give_measures_and_no_finding(rate):
    rng = np.random.default_rng(20)
    bright = tape(rate, 20)
    low = signal.butter(6, 6_000, fs=rate, output="sos")
    dull = signal.sosfilt(low, bright) + noise(rng, len(bright), rate, -105)
    outcome = look(words(np.stack((bright, dull))), rate)
    assert outcome.findings == ()
    track, other = outcome.measures.tracks
    assert "no room" in track.why
    assert other.information_hz < 20_000
    assert [(b.from_hz, b.to_hz) for b in track.bands] == [(20_000, rate / 2)]


def test_a_rate_with_nothing_above_20_khz():
    outcome = look(words(tape(32_000, 21)), 32_000)
    assert outcome.findings == ()
    assert outcome.measures.spectra_share is None
    assert outcome.measures.tracks[0].bands == ()


# -- lines ---------------------------------------------------------------------------------------


def test_bias_residue_is_one_line_and_no_programme():
    # noise of -100 dBFS in all, 105 kHz at -90 dBFS, 384 kHz: one line within 50 Hz
    rate = 384_000
    rng = np.random.default_rng(40)
    frames = 2 * rate
    line = 10 ** (-90 / 20) * np.sin(2 * np.pi * 105_000 * np.arange(frames) / rate)
    y = rng.standard_normal(frames) * 1e-5 / np.sqrt(2) + line
    outcome = look(words(y), rate)
    (track,) = outcome.measures.tracks
    (found,) = track.lines
    assert found.hz == pytest.approx(105_000, abs=50)
    assert found.dbfs == pytest.approx(-90, abs=0.2)
    assert "bias" in found.likely
    assert track.information_hz is None
    (band,) = [b for b in track.bands if b.from_hz <= 105_000 < b.to_hz]
    # the noise's share alone: 25 of 192 kHz
    assert band.level_dbfs == pytest.approx(-100 + 10 * np.log10(25 / 192), abs=0.3)
    assert ("line", "clear", "none") in kinds(outcome)


@pytest.mark.parametrize(
    ("hz", "system"),
    # 625 lines x 25 a second; 4.5 MHz / 286
    [(15_625.0, "625-line"), (15_734.266, "525-line")],
)
@pytest.mark.parametrize("rate", [48_000, 96_000])
def test_line_whistle_is_named_to_a_hertz(hz, system, rate):
    rng = np.random.default_rng(42)
    frames = 2 * rate
    y = 10 ** (-90 / 20) * np.sin(2 * np.pi * hz * np.arange(frames) / rate)
    (track,) = look(words(y + noise(rng, frames, rate, -150)), rate).measures.tracks
    (found,) = track.lines
    assert found.hz == pytest.approx(hz, abs=1)
    assert found.dbfs == pytest.approx(-90, abs=0.1)
    assert system in found.likely


def test_line_whistle_does_not_hide_or_fake_the_programme():
    rate = 96_000
    t = np.arange(int(2.5 * rate)) / rate
    whistle = 0.02 * np.sin(2 * np.pi * 15_625 * t) * (1 + 0.9 * np.sin(2 * np.pi * 0.7 * t))
    plain, whistled = (look(words(tape(rate, 22) + w), rate) for w in (0 * t, whistle))
    for a, b in zip(*(o.measures.tracks[0].bands for o in (plain, whistled)), strict=True):
        assert b.correlation == pytest.approx(a.correlation, abs=0.05)


@pytest.mark.parametrize(("dbfs", "verdict"), [(-80.0, "clear"), (-45.0, "listen")])
def test_a_strong_line_is_to_be_listened_to(dbfs, verdict):
    rate = 96_000
    y = tape(rate, 23, 3.2)
    y += 10 ** (dbfs / 20) * np.sin(2 * np.pi * 31_250 * np.arange(len(y)) / rate)
    found = one(look(words(np.stack((y, y))), rate), "line")
    assert found.verdict.value == verdict
    assert found.tracks == (0, 1)
    (listed,) = found.values["lines"]
    assert listed["hz"] == pytest.approx(31_250, abs=10)
    assert listed["dbfs"] == pytest.approx(dbfs, abs=1.0)  # in hiss of -77 dBFS beside it
    assert listed["likely"] == "625-line line whistle, 2 times"
    assert listed["tracks"] == [1, 2]


def test_a_note_above_20_khz_is_no_line():
    # a triangle's overtone that rings for a third of the time
    rate = 96_000
    t = np.arange(3 * rate) / rate
    rng = np.random.default_rng(24)
    ring = 0.01 * np.sin(2 * np.pi * 23_117 * t) * np.exp(-(t % 1.0) / 0.05)
    outcome = look(words(ring + noise(rng, len(t), rate, -115)), rate)
    assert not [f for f in outcome.findings if f.kind == "line"]


@pytest.mark.parametrize(("rate", "hz"), [(192_000, 60_000), (384_000, 105_000)])
def test_a_line_that_flutter_has_spread_is_one_line(rate, hz):
    # bias residue with 0.1 % of flutter at 7 Hz
    t = np.arange(3 * rate) / rate
    rng = np.random.default_rng(25)
    phase = 2 * np.pi * hz * t + 0.001 * hz / 7 * np.sin(2 * np.pi * 7 * t)
    y = 10 ** (-80 / 20) * np.sin(phase) + noise(rng, len(t), rate, -140)
    (found,) = look(words(y), rate).measures.tracks[0].lines
    assert found.hz == pytest.approx(hz, abs=0.001 * hz)
    assert found.dbfs == pytest.approx(-80, abs=0.5)


def test_more_lines_than_are_listed_are_counted():
    rate = 192_000
    t = np.arange(2 * rate) / rate
    rng = np.random.default_rng(26)
    hz = 21_300 + 3_400 * np.arange(20) + rng.uniform(-1_200, 1_200, 20)
    y = sum(1e-4 * np.sin(2 * np.pi * f * t + f) for f in hz)
    found = one(look(words(y + noise(rng, len(t), rate, -140)), rate), "line")
    assert found.values["count"] == 20
    assert found.values["listed"] == len(found.values["lines"]) == 16


def test_overtones_of_a_note_held_from_end_to_end_are_no_lines():
    rate = 192_000
    t = np.arange(2 * rate) / rate
    rng = np.random.default_rng(60)
    note = sum(0.05 / k * np.sin(2 * np.pi * 1_244.5 * k * t + k * k) for k in range(1, 60))
    supply = 1e-4 * np.sin(2 * np.pi * 34_223 * t)
    y = note + supply + noise(rng, len(t), rate, -140)
    (found,) = look(words(y), rate).measures.tracks[0].lines
    assert found.hz == pytest.approx(34_223, abs=2)


# -- measures ------------------------------------------------------------------------------------


def test_a_band_of_white_noise_holds_its_share():
    # N(0, 0.1) at 192 kHz: 76/96 of -16.99 dBFS lie above 20 kHz, which is -18.00 dBFS
    rng = np.random.default_rng(35)
    x = words(0.1 * rng.standard_normal((2, 2 * 192_000)))
    for track in look(x, 192_000).measures.tracks:
        power = sum(10 ** (b.level_dbfs / 10) for b in track.bands)
        assert 10 * np.log10(power) == pytest.approx(-18.00, abs=0.1)
        assert track.information_hz is None


def test_bands_are_those_of_scipy_welch():
    rate = 96_000
    x = words(tape(rate, 27, 1.5))
    (track,) = look(x, rate).measures.tracks
    f, density = signal.welch(
        x[0] * 2.0**-31, rate, "hann", nperseg=2048, noverlap=1024, detrend=False
    )
    for band in track.bands:
        inside = (f >= band.from_hz) & (f < band.to_hz)
        expected = 10 * np.log10(2 * density[inside].mean() * (band.to_hz - band.from_hz))
        assert band.level_dbfs == pytest.approx(expected, abs=0.3)


def test_bands_begin_at_preferred_numbers_and_end_at_half_the_rate():
    # series R10 of ISO 3:1973
    rng = np.random.default_rng(28)
    x = words(0.01 * rng.standard_normal(352_800))
    (track,) = look(x, 352_800).measures.tracks
    edges = [b.from_hz for b in track.bands] + [track.bands[-1].to_hz]
    assert edges == [20e3, 25e3, 31.5e3, 40e3, 50e3, 63e3, 80e3, 100e3, 125e3, 160e3, 176.4e3]


def test_of_two_joined_epochs_the_quieter_is_kept():
    kept = QuietSpectra(1, 2)
    heard = [5.0, 1.0, 2.0, 7.0] * (EPOCHS // 4)  # one block an epoch, until they are joined
    for loudness in [*heard, 9.0]:
        kept.next_block()
        kept.offer(slice(0, 1), np.full((1, 1, 2), loudness), np.array([[loudness]]), 1.0)
    spectra, segments = kept.of(0)
    assert spectra[:, 0].tolist() == [1.0, 2.0] * (EPOCHS // 4) + [9.0]
    assert segments.tolist() == [1] * (EPOCHS // 2 + 1)


# -- laws ----------------------------------------------------------------------------------------


def _case(seed: int) -> np.ndarray[Any, Any]:
    rng = np.random.default_rng(seed)
    source, true = tape(48_000, seed, 0.9), tape(96_000, seed + 1, 0.9)
    false = raised(source, 48_000, 96_000, rng.choice(["steep", "held"]))
    line = 1e-4 * np.sin(2 * np.pi * 30_100 * np.arange(len(true)) / 96_000)
    return words(np.stack((true + line, false[: len(true)])))


CASE = _case(50)
WHOLE = look(CASE, 96_000)


@settings(max_examples=20, deadline=None)
@given(cuts=st.lists(st.integers(0, CASE.shape[1]), max_size=6))
def test_no_cut_of_the_stream_changes_anything(cuts):
    assert look(CASE, 96_000, cuts=cuts) == WHOLE


def test_no_cut_changes_what_is_chosen_of_a_long_capture():
    rng = np.random.default_rng(51)
    x = rng.integers(-(2**24), 2**24, (1, 16_384 * 90), dtype=np.int32) * 64
    whole = look(x, 192_000)
    assert whole.measures.spectra_share < 1
    assert look(x, 192_000, cuts=[1, 16_383, 700_000, 1_000_001]) == whole


def test_the_other_way_up_and_the_other_order_are_the_same():
    assert look(np.negative(CASE), 96_000).measures == WHOLE.measures
    swapped = look(CASE[::-1].copy(), 96_000)
    for here, there in ((0, 1), (1, 0)):
        a, b = WHOLE.measures.tracks[here], swapped.measures.tracks[there]
        assert dataclasses.replace(a, track=0) == dataclasses.replace(b, track=0)
    assert one(swapped, "brickwall").tracks == (0,)
    assert one(WHOLE, "brickwall").tracks == (1,)


def test_digital_silence_before_and_after_changes_no_finding():
    quiet = np.zeros((2, 16_384 * 4), np.int32)
    padded = look(np.concatenate((quiet, CASE, quiet), axis=1), 96_000)
    assert kinds(padded) == kinds(WHOLE)
    for a, b in zip(padded.measures.tracks, WHOLE.measures.tracks, strict=True):
        assert a.brickwall_hz == pytest.approx(b.brickwall_hz or 0.0, rel=0.02) or (
            a.brickwall_hz is b.brickwall_hz is None
        )


@pytest.mark.parametrize("known", [True, False])
def test_the_share_of_a_long_capture_is_bounded(known):
    blocks = 2_000
    fmt = CaptureFormat(
        rate_hz=352_800, channels=1, word_length=24, frames=blocks * 16_384 if known else None
    )
    run = SamplePass(Context(fmt=fmt), [CHECK])
    rng = np.random.default_rng(52)
    x = rng.integers(-(2**20), 2**20, (1, 16_384), dtype=np.int32)
    for _ in range(blocks):
        run.feed(x)
    share = run.finish()["ultrasonic"].measures.spectra_share
    assert 0.05 <= share <= 0.09


# -- what must not hurt --------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [1, 1_234, 40_500, 96_000, 384_000, 3_000_000])
@pytest.mark.parametrize("frames", [0, 1, 255, 16_384, 40_000])
def test_any_rate_and_length_goes_through(rate, frames):
    rng = np.random.default_rng(53)
    x = rng.integers(-(2**31), 2**31, (1, frames), dtype=np.int32)
    outcome = look(x, rate)
    assert not [f for f in outcome.findings if f.verdict is Verdict.REDO]


@pytest.mark.parametrize("value", [0, 1, -1, 2**31 - 1, -(2**31)])
def test_a_constant_is_no_signal(value):
    outcome = look(np.full((2, 100_000), value, np.int32), 96_000)
    assert outcome.findings == ()
    assert outcome.measures.tracks[0].why == "no signal was seen"


ODD = {
    "NaN": lambda x: np.where(np.arange(x.shape[1]) % 50_000 == 77, np.nan, x),
    "infinite": lambda x: np.where(np.arange(x.shape[1]) < 30_000, np.inf, x),
    "all NaN": lambda x: x * np.nan,
    "denormal": lambda x: x * 1e-40,
    "huge": lambda x: x * 1e37,
}


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("name", ODD)
def test_odd_floats_go_through(name, dtype):
    rng = np.random.default_rng(54)
    x = ODD[name](0.1 * rng.standard_normal((2, 150_000))).astype(dtype)
    outcome = look(x, 96_000)
    assert not [f for f in outcome.findings if f.verdict is Verdict.REDO]


def test_segments_with_a_nan_are_left_out():
    y = tape(96_000, 55, 1.5) + 0.4  # an offset, so that a hole taken for 0 would be a click
    holed = y.copy()
    holed[20_000:50_000:500] = np.nan
    for a, b in zip(
        *(look(v[None], 96_000).measures.tracks[0].bands for v in (y, holed)), strict=True
    ):
        assert b.level_dbfs == pytest.approx(a.level_dbfs, abs=1.5)


@pytest.mark.parametrize("tracks", [24, 64])
def test_many_tracks(tracks):
    rng = np.random.default_rng(56)
    x = rng.integers(-(2**20), 2**20, (tracks, 80_000), dtype=np.int32) * 256
    outcome = look(x, 192_000)
    assert len(outcome.measures.tracks) == tracks
    assert kinds(outcome) in ([], [("no-evidence", "clear", "none")])


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
