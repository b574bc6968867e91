"""Above 20 kHz: material of a lower rate is found, however it was brought up."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from ultrasonic_kit import ABOVE, look, noise, one, raised, shaped, tape, words

from checks.model import Remedy, Verdict

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
    assert 0.86 * source / 2 <= track.brickwall_hz <= 1.03 * source / 2
    assert track.information_hz <= track.brickwall_hz
    assert not [f for f in outcome.findings if f.kind == "no-evidence"]


@pytest.mark.parametrize(
    ("source", "rate", "beta"),
    [
        (32_000, 96_000, 9.0),
        (44_100, 96_000, 5.0),
        (44_100, 96_000, 9.0),
        (48_000, 192_000, 5.0),
        (48_000, 96_000, 9.0),
    ],
)
def test_the_wall_is_told_at_half_of_the_rate_and_not_at_its_foot(source, rate, beta):
    # AES5 rates; SciPy's filter is 6 dB down at half the lower rate, once on each way, and comes
    # down a quarter higher
    high = tape(384_000, 5)
    low = signal.resample_poly(high, source // 100, 3_840, window=("kaiser", beta))
    y = signal.resample_poly(low, rate // 100, source // 100, window=("kaiser", beta))
    outcome = look(words(y), rate)
    found = one(outcome, "brickwall")
    assert (found.verdict, found.values["likely_rate_hz"]) == (Verdict.REDO, source)
    assert outcome.measures.tracks[0].brickwall_hz == pytest.approx(source / 2, rel=0.04)


@pytest.mark.parametrize("share", [0.0, 0.04, 0.06, 0.08, 0.2])
@pytest.mark.parametrize(("source", "rate"), [(44_100, 352_800), (32_000, 96_000)])
def test_a_wall_is_told_however_long_the_machine_stands_at_first(source, rate, share):
    # an amplifier 12 dB under the hiss, for a share of the capture: two noises, both end there
    y = tape(source, 7, seconds=4.0)
    still = noise(np.random.default_rng(7), round(share * len(y)), source, -117)
    y = raised(np.concatenate((still, y[len(still) :])), source, rate, "steep")
    y += noise(np.random.default_rng(8), len(y), rate, -172)
    found = one(look(words(y), rate), "brickwall")
    assert (found.verdict, found.values["likely_rate_hz"]) == (Verdict.REDO, source)


@pytest.mark.parametrize(("source", "fit"), [(44_100, [44_100, 48_000]), (48_000, [48_000])])
def test_a_wall_above_half_of_a_rate_is_of_the_next_one(source, fit):
    # 6 dB down at 0.94 of half the rate: at 20.7 kHz, where 48 kHz with a filter that begins
    # earlier may end as well; at 22.5 kHz, where 44.1 kHz holds nothing
    found = one(look(words(raised(tape(source, 3), source, 96_000, "steep")), 96_000), "brickwall")
    assert found.values["mirror_likeness"] is None
    assert (found.values["near_half_of_hz"], found.values["likely_rate_hz"]) == (fit, source)


def test_what_ends_below_any_converter_s_noise_must_be_replayed_though_no_rate_fits():
    # 28 kHz through a steep filter; above 14 kHz there are -187 dBFS/Hz of dither, while the best
    # converters reach -173 (130 dB)
    y = raised(tape(28_000, 5), 28_000, 88_200, "steep")
    found = one(look(words(y), 88_200), "brickwall")
    assert found.values["near_half_of_hz"] == []
    assert (found.verdict, found.remedy) == (Verdict.REDO, Remedy.REPLAY)


@pytest.mark.parametrize("how", ["half-band", "as SciPy does", "held", "joined"])
@pytest.mark.parametrize(
    ("source", "rate"), [(22_050, 88_200), (24_000, 96_000), (32_000, 96_000), (32_000, 192_000)]
)
def test_half_of_the_usual_rates_and_32_khz_are_known_by_their_images(how, source, rate):
    y = raised(tape(source, 3), source, rate, how)
    outcome = look(words(y), rate)
    found = one(outcome, "brickwall")
    assert (found.verdict, found.values["likely_rate_hz"]) == (Verdict.REDO, source)
    assert outcome.measures.tracks[0].information_hz <= 1.15 * source / 2


@pytest.mark.parametrize("later_dbfs", [-118.0, -105.0, -95.0])
@pytest.mark.parametrize("source", [22_050, 24_000, 32_000])
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_material_of_32_khz_and_less_under_a_converter_s_noise_must_be_replayed(
    rate, source, later_dbfs
):
    # hiss of -62 dBFS falls by more than a replay amplifier lies under it: 8 to 12 dB
    y = raised(tape(source, 6), source, rate, "steep")
    y += noise(np.random.default_rng(6), len(y), rate, later_dbfs - 10 * np.log10(20_000))
    outcome = look(words(y), rate)
    found = one(outcome, "brickwall")
    assert (found.verdict, found.values["likely_rate_hz"]) == (Verdict.REDO, source)
    assert not [f for f in outcome.findings if f.kind == "no-evidence"]


@pytest.mark.parametrize("noise_dbfs", [-100.0, -120.0])
@pytest.mark.parametrize("hz", [10_500, 15_500])
@pytest.mark.parametrize("rate", [48_000, 96_000])
def test_an_end_at_16_khz_or_less_over_a_converter_s_noise_asks_for_no_replay(rate, hz, noise_dbfs):
    # slow tape and worn heads, 144 dB an octave; what a converter adds stands above it
    y = shaped(tape(rate, 4), rate, lambda f: 1 / np.sqrt(1 + (f / hz) ** 48))
    y += noise(np.random.default_rng(4), len(y), rate, noise_dbfs - 10 * np.log10(rate / 2))
    assert not [f for f in look(words(y), rate).findings if f.verdict is Verdict.REDO]


@pytest.mark.parametrize("source", [22_050, 32_000])
def test_where_the_floor_falls_too_little_to_tell_the_note_says_so(source):
    # hiss of -62 dBFS over a later stage 14 dB under it; dull programme shows nothing above
    high = shaped(tape(96_000, 9), 96_000, lambda f: 1 / (1 + (f / 2e3) ** 2))
    high += noise(np.random.default_rng(9), len(high), 96_000, -105)
    y = raised(signal.resample_poly(high, source // 50, 1_920), source, 96_000, "steep")
    y += noise(np.random.default_rng(6), len(y), 96_000, -119)
    outcome = look(words(y), 96_000)
    note = one(outcome, "no-evidence")
    assert 0.86 * source / 2 <= note.values["floor_falls_hz"][0] <= 1.03 * source / 2
    assert "the noise floor itself falls by 1" in note.text
    assert "bright" not in note.text
    assert not [f for f in outcome.findings if f.kind == "brickwall"]


def test_the_gap_of_a_head_on_slow_tape_is_no_wall():
    # sin x / x (any text on recording): its first null at 12.5 kHz, an amplifier 10 dB under hiss
    rng = np.random.default_rng(8)
    y = shaped(tape(96_000, 8), 96_000, lambda f: np.sinc(f / 12_500))
    y += noise(rng, len(y), 96_000, -115)
    assert not [f for f in look(words(y), 96_000).findings if f.kind == "brickwall"]


@pytest.mark.parametrize("hz", [12_000.0, 16_000.0])
def test_a_tone_with_its_modulation_noise_is_no_mirror(hz):
    # what a tape adds around a tone is alike on both sides of it
    rng = np.random.default_rng(16)
    slow = noise(rng, 8 * 96_000, 96_000, -70)
    y = (0.2 + shaped(slow, 96_000, lambda f: 1 / (1 + (f / 300) ** 2))) * np.sin(
        np.arange(len(slow)) * 2 * np.pi * hz / 96_000
    )
    y += noise(rng, len(y), 96_000, -117)
    assert not [f for f in look(words(y), 96_000).findings if f.kind == "brickwall"]


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
