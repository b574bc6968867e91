"""What the clipping check must find: peaks held at full scale, flat tops below it, wraps."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import synth
from clipping_kit import asking, check, high_passed, lines, only, programme, tone, words
from numpy.typing import NDArray
from scipy import signal

from checks._clipping_report import _longest
from checks.block import BLOCK_FRAMES
from checks.model import CaptureFormat, Outcome, Remedy, Verdict
from checks.sheet import Sheet, TrackEntry, TrackKind

# -- full scale ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("rate_hz", "longest"), [(96_000, 23), (192_000, 47), (352_800, 89)])
def test_runs_of_a_tone_3_db_too_loud(rate_hz: int, longest: int) -> None:
    # computed: 2 acos(10**(-3/20)) / (2 pi 1000) s at full scale, twice a period
    outcome = check(words(tone(rate_hz, 1000, 10 ** (3 / 20))), rate_hz)
    assert asking(outcome) == [("full-scale", "redo", (0,))]
    found = only(outcome, "full-scale")
    assert found.remedy is Remedy.REPLAY
    assert found.values["count"] == pytest.approx(1000, abs=2)  # 2000 a second
    assert found.values["longest_samples"] == pytest.approx(longest, abs=1)
    assert found.values["peaks_share_percent"] == pytest.approx(100, abs=0.5)
    assert lines(outcome)[0].longest_run == found.values["longest_samples"]
    assert lines(outcome)[0].sample_peak_dbfs == 0.0


@pytest.mark.parametrize(
    ("rate_hz", "hz", "bits"),
    [(96_000, 20, 16), (352_800, 20, 16), (192_000, 50, 16), (352_800, 50, 16), (352_800, 1, 24),
     (384_000, 20, 24), (44_100, 1, 16), (96_000, 20, 8), (48_000, 997, 8)],
)  # fmt: skip
def test_a_clean_low_tone_holds_its_top_code_and_is_not_clipped(
    rate_hz: int, hz: float, bits: int
) -> None:
    # computed: at 16 bit and 20 Hz the top code stands for 9 samples at 96 kHz, 31 at 352.8 kHz
    x = words(tone(rate_hz, hz, 1 - 2.0 ** (1 - bits), 1.0), bits)
    assert asking(check(x, rate_hz, word_length=bits)) == []
    if bits == 16:
        assert asking(check(x, rate_hz, word_length=24)) == []  # the same in longer words


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize("bits", [8, 16, 20, 24, 32])
def test_full_scale_of_either_polarity_and_every_word(polarity: int, bits: int) -> None:
    x = tone(96_000, 440, 1.5)
    x = polarity * np.where(x > 0, x, x / 2)
    assert asking(check(words(x, bits), 96_000, word_length=bits)) == [("full-scale", "redo", (0,))]


def test_short_words_that_are_slightly_too_loud() -> None:
    x = words(tone(96_000, 440, 10 ** (1 / 20)), 8)
    assert asking(check(x, 96_000, word_length=8)) == [("full-scale", "redo", (0,))]


@pytest.mark.parametrize("left", [1, 2, 30, 63, 64, 65])
def test_a_run_just_before_the_end_counts(left: int) -> None:
    x = 0.5 * programme(1, 96_000, 0.2)
    x[-left - 60 : -left] = np.minimum(np.linspace(0.4, 1.6, 60), 1.0)
    assert only(check(words(x), 96_000), "full-scale").values["count"] == 1


def test_converters_that_clip_short_of_negative_full_scale() -> None:
    x = np.maximum(words(-tone(96_000, 440, 1.5)), -(2**31) + 256)
    x = np.minimum(x, 2**30)  # only the negative side reaches full scale
    assert asking(check(x, 96_000))[0] == ("full-scale", "redo", (0,))


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_float_clipped_at_one(dtype: Any) -> None:
    x = np.clip(np.atleast_2d(tone(96_000, 440, 1.4)), -1, 1).astype(dtype)
    assert asking(check(x, 96_000, word_length=32)) == [("full-scale", "redo", (0,))]


def test_float_beyond_one_is_not_clipped() -> None:
    x = np.atleast_2d(tone(96_000, 440, 1.5)).astype(np.float32)
    outcome = check(x, 96_000, word_length=32)
    assert asking(outcome) == []
    assert lines(outcome)[0].sample_peak_dbfs == pytest.approx(3.52, abs=0.01)  # 20 log10 1.5


def test_float_cut_off_beyond_one_is_a_flat_top() -> None:
    x = np.clip(np.atleast_2d(tone(96_000, 440, 1.8)), -1.2, 1.2).astype(np.float32)
    outcome = check(x, 96_000, word_length=32)
    assert asking(outcome) == [("flat-top", "listen", (0,))]
    found = only(outcome, "flat-top")
    assert found.values["level_dbfs"] == pytest.approx(1.58, abs=0.01)
    assert "flat beyond full scale, at 1.58 dBFS" in found.text
    assert "Samples reach +1.58 dBFS" in only(outcome, "headroom").text


def test_a_few_peaks_are_to_be_listened_to() -> None:
    x = words(0.5 * programme(1, 96_000))
    for at in (5_000, 20_000, 33_000):
        x[0, at - 40 : at + 40] = words(1.2 * np.sin(np.linspace(0, np.pi, 80)))
    outcome = check(x, 96_000)
    assert asking(outcome) == [("full-scale", "listen", (0,))]
    found = only(outcome, "full-scale")
    assert found.values["count"] == 3
    assert found.start_frame is not None
    assert abs(found.start_frame - 5_000) < 40
    assert "old recording" in found.text


@pytest.mark.parametrize(
    ("crests", "said"),
    # 1.2 sin x is over 1 for 0.3727 of its half turn; at 96 kHz
    [
        ((81,), "1 peak is held at full scale for 29 samples (302 us): the"),
        ((81, 801), "2 peaks are held at full scale, the longest for 299 samples (3.11 ms): the"),
    ],
)
def test_one_peak_is_told_as_one(crests: tuple[int, ...], said: str) -> None:
    x = words(0.2 * programme(1, 96_000))
    for k, count in enumerate(crests):
        crest = 1.2 * np.sin(np.linspace(0, np.pi, count))
        x[0, 5_000 + 9_000 * k :][:count] = words(crest)[0]
    found = only(check(x, 96_000), "full-scale")
    assert found.text.startswith(said)
    assert f"whether {'it' if len(crests) == 1 else 'they'} can be heard" in found.text


def test_two_samples_at_full_scale_are_none() -> None:
    x = words(0.5 * programme(1, 96_000))
    x[0, 5_000:5_002] = 2**31 - 256
    assert asking(check(x, 96_000)) == []


@pytest.mark.parametrize("held", [3, 50, 500, BLOCK_FRAMES + 3_000])
@pytest.mark.parametrize("before_border", [0, 1, 2, 40, 63, 64, 65, 127, 128, 129, 200])
def test_runs_across_the_borders_of_blocks(held: int, before_border: int) -> None:
    x = 0.5 * np.resize(programme(1, 96_000), 4 * BLOCK_FRAMES)
    at = BLOCK_FRAMES - before_border
    x[at - 300 : at] = np.linspace(0.2, 0.99, 300)
    x[at : at + held] = 1.0
    x[at + held : at + held + 300] = np.linspace(0.99, 0.2, 300)
    late = 3 * BLOCK_FRAMES
    for other in (at + held + 4_000, late):  # so that the next block is looked at in any case
        x[other - 5 : other + 8] = np.concatenate((np.linspace(0.5, 0.9, 5), [1.0] * 3, [0.7] * 5))
    found = only(check(words(x), 96_000), "full-scale")
    assert (found.values["count"], found.values["longest_samples"]) == (3, held)
    assert found.start_frame == at
    places = found.values["by_track"][0]["places"]
    assert sum(place["count"] for place in places) == 3


def test_tracks_that_are_no_programme_are_excused() -> None:
    x = words(np.stack((tone(96_000, 440, 1.5), tone(96_000, 440, 1.5))))
    sheet = Sheet(tracks=(TrackEntry(), TrackEntry(kind=TrackKind.TIMECODE)))
    outcome = check(x, 96_000, sheet=sheet)
    assert asking(outcome) == [("full-scale", "redo", (0,))]
    assert [f.tracks for f in outcome.findings if f.verdict is Verdict.CLEAR] == [(1,)]


def test_headroom_is_noted() -> None:
    outcome = check(words(np.stack((tone(96_000, 440, 0.95), tone(96_000, 440, 0.5)))), 96_000)
    assert asking(outcome) == []
    found = only(outcome, "headroom")
    assert (found.verdict, found.tracks) == (Verdict.CLEAR, (0,))
    assert "within 1 dB of full scale" in found.text


def test_peaks_between_the_samples_over_full_scale_are_called_so() -> None:
    # a quarter of the rate, sampled at 45 degrees: the peak is sqrt(2) of the samples, +2.6 dB
    x = 0.95 * np.sin(np.pi / 2 * np.arange(96_000) + np.pi / 4) / np.sin(np.pi / 4)
    found = only(check(words(x[None]), 96_000), "headroom")
    assert found.values["true_peak_dbtp"] == pytest.approx(20 * np.log10(0.95 * 2**0.5), abs=0.1)
    assert "over full scale" in found.text
    assert "within" not in found.text


# -- flat tops -----------------------------------------------------------------------------------


def test_clipping_below_full_scale() -> None:
    # the tone of the first test brought down to 0.8: 20 log10 0.8 = -1.94 dBFS
    x = words(0.8 * np.clip(tone(96_000, 1000, 10 ** (3 / 20)), -1, 1))
    outcome = check(x, 96_000)
    assert asking(outcome) == [("flat-top", "listen", (0,))]
    found = only(outcome, "flat-top")
    assert found.remedy is Remedy.LISTEN
    assert found.values["level_dbfs"] == pytest.approx(-1.94, abs=0.01)
    assert found.values["count"] == pytest.approx(1000, rel=0.02)
    assert found.values["longest_samples"] == pytest.approx(23, abs=2)
    assert "old recording" in found.text
    line = lines(outcome)[0]
    assert (line.flat_tops, line.flat_top_dbfs) == (found.values["count"], -1.94)


@pytest.mark.parametrize("block", range(4))
def test_tilted_tops_of_a_strike_are_found_in_whatever_block_it_falls(block: int) -> None:
    """A drum's strikes die away at once: one block may hold most of the tops that are cut."""
    rate_hz = 88_200
    x = np.random.default_rng(4).standard_normal(12 * BLOCK_FRAMES) * 1e-4
    u = np.arange(BLOCK_FRAMES // 2) / rate_hz
    strike = np.exp(-u / 0.03) * (np.sin(2 * np.pi * 190 * u) + 0.5 * np.sin(2 * np.pi * 870 * u))
    for k, power in ((block, 0.1), (block + 4, 0.4), (block + 8, 0.15)):
        at = k * BLOCK_FRAMES + 2_000
        x[at : at + len(strike)] += power * strike
    cut = high_passed(np.clip(x, -0.15, 0.15), 3.0, rate_hz)
    assert asking(check(words(cut), rate_hz)) == [("flat-top", "listen", (0,))]
    assert asking(check(words(high_passed(x, 3.0, rate_hz)), rate_hz)) == []


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize(
    "style", ["exact", "noisy", "tilted", "steeply tilted", "one side", "quiet", "16 bit"]
)
def test_flat_tops_of_every_style(rate_hz: int, style: str) -> None:
    rng = np.random.default_rng(5)
    x = programme(3, rate_hz, 0.7)
    top_db = -10 if style == "steeply tilted" else -6
    top = 10 ** (top_db / 20)
    x = np.minimum(x, top) if style == "one side" else np.clip(x, -top, top)
    if style == "noisy":
        x = x + top * 1e-3 * rng.standard_normal(len(x))  # 60 dB below the ceiling
    elif style == "tilted":
        x = high_passed(x, 4.0, rate_hz)
    elif style == "steeply tilted":
        x = high_passed(x, 8.0, rate_hz)
    elif style == "quiet":
        x = x * 10 ** (-40 / 20)
    bits = 16 if style == "16 bit" else 24
    outcome = check(words(0.8 * x, bits), rate_hz, word_length=bits)
    assert asking(outcome) == [("flat-top", "listen", (0,))]
    level = only(outcome, "flat-top").values["level_dbfs"]
    expected = top_db - 1.94 - (40 if style == "quiet" else 0)
    assert level == pytest.approx(expected, abs=2.0 if "tilted" in style else 0.02)


def test_tops_at_full_scale_are_no_flat_tops_below_it() -> None:
    x = tone(96_000, 440, 0.95, 1.0)
    x[:40_000] = np.where(x[:40_000] > 0, 1.5, 0.5) * x[:40_000]  # held at full scale
    x[60_000:] = np.minimum(x[60_000:], 0.8)
    outcome = check(words(x), 96_000)
    assert asking(outcome) == [("full-scale", "redo", (0,)), ("flat-top", "listen", (0,))]
    found = only(outcome, "flat-top")
    assert found.start_frame is not None
    assert found.start_frame >= 60_000
    assert found.values["level_dbfs"] == pytest.approx(-1.94, abs=0.01)
    # 440 Hz over the two blocks that hold nothing higher
    assert found.values["count"] == pytest.approx(440 * (96_000 - 4 * BLOCK_FRAMES) / 96_000, abs=2)


def shared(outcome: Outcome) -> tuple[int, ...]:
    return next((f.tracks for f in outcome.findings if f.verdict is Verdict.REDO), ())


def test_one_ceiling_on_several_tracks_stands_in_the_transfer() -> None:
    top = 10 ** (-4 / 20)
    rows = [np.clip(programme(seed, 96_000), -top, top) for seed in (1, 2, 3)]
    rows.append(0.7 * programme(4, 96_000))
    x = words(np.stack(rows))
    outcome = check(x, 96_000)
    assert asking(outcome) == [("flat-top", "redo", (0, 1, 2))]
    assert only(outcome, "flat-top").remedy is Remedy.REPLAY
    apart = words(np.stack((rows[0], rows[1] * 0.95, rows[2] * 0.9, rows[3])))  # 0.4 dB
    assert shared(check(apart, 96_000)) == ()


def test_one_signal_on_two_tracks_proves_no_common_ceiling() -> None:
    top = 10 ** (-4 / 20)
    rng = np.random.default_rng(8)
    row = np.clip(programme(1, 96_000), -top, top)
    pair = np.stack((row, row)) + 1e-5 * rng.standard_normal((2, len(row)))
    assert asking(check(words(pair), 96_000)) == [("flat-top", "listen", (0, 1))]
    rows = np.stack([np.clip(programme(s, 96_000), -top, top) for s in (1, 2)])
    assert shared(check(words(rows), 96_000)) == (0, 1)
    assert shared(check(words(rows), 96_000, sheet=Sheet(same=((1, 2),)))) == ()


# -- wraps ---------------------------------------------------------------------------------------


def wrapped(x: NDArray[np.float64]) -> NDArray[np.int32]:
    """24-bit words of (tracks, frames) that go on at the other end where they do not fit."""
    wide = np.rint(x * 2**23).astype(np.int64) << 8
    return wide.astype(np.uint64).astype(np.uint32).view(np.int32)


@pytest.mark.parametrize("rate_hz", [44_100, 352_800])
@pytest.mark.parametrize("bits", [16, 24])
def test_peaks_that_wrap_round(rate_hz: int, bits: int) -> None:
    t = np.arange(rate_hz // 2) / rate_hz
    x = 1.1 * np.sin(2 * np.pi * 100.3 * t) * np.clip(t * 8, 0, 1)
    wide = np.rint(x * 2 ** (bits - 1)).astype(np.int64) << (32 - bits)
    folded = np.atleast_2d(wide).astype(np.uint64).astype(np.uint32).view(np.int32)
    outcome = check(folded, rate_hz, word_length=bits)
    assert asking(outcome) == [("wrap", "redo", (0,))]
    assert [f.kind for f in outcome.findings] == ["wrap"]  # no note of headroom that there is not
    beyond = np.flatnonzero(np.diff((np.abs(wide) >= 2**31).astype(int)) == 1)
    assert only(outcome, "wrap").values["count"] == len(beyond)
    assert only(outcome, "wrap").start_frame == beyond[0] + 1


@pytest.mark.parametrize(("seed", "over_db"), [(6, 1), (5, 2)])
def test_what_is_left_of_wrapped_crests_is_no_ceiling(seed: int, over_db: int) -> None:
    x = synth.programme("organ", rate_hz=96_000, tracks=2, seconds=3.0, seed=seed) / 2.0**31
    x *= 10 ** (over_db / 20) / np.abs(x).max(axis=1, keepdims=True)
    assert asking(check(wrapped(x), 96_000)) == [("wrap", "redo", (0, 1))]


@pytest.mark.parametrize(
    ("kind", "rate_hz", "over_db"),
    [("castanets", 48_000, 1.5), ("castanets", 44_100, 3.0), ("band", 44_100, 3.0)],
)
def test_wraps_in_what_moves_by_half_the_range_a_sample(
    kind: str, rate_hz: int, over_db: float
) -> None:
    x = synth.programme(kind, rate_hz=rate_hz, tracks=1, seconds=4.0, seed=11) / 2.0**31
    assert asking(check(wrapped(x * 10 ** (over_db / 20) / np.abs(x).max()), rate_hz)) == [
        ("wrap", "redo", (0,))
    ]


def test_wraps_of_a_few_samples_on_the_ripples_of_a_slow_tone() -> None:
    t = np.arange(88_200) / 88_200
    x = 0.95 * np.sin(2 * np.pi * 30.2 * t) + 0.1 * np.sin(2 * np.pi * 12_111.0 * t)
    assert asking(check(wrapped(np.atleast_2d(x)), 88_200)) == [("wrap", "redo", (0,))]


def test_the_longest_wrap_is_a_crest_and_not_what_lies_between_two() -> None:
    # Pulses of one side, of 12 to 31 samples over full scale; every third rises so steeply that its
    # jump begins below 0.7, and is not told for a wrap by itself.
    x = []
    for n in range(120):
        over = 1.0 + 0.4 * np.sin(np.pi * (np.arange(12 + n % 20) + 0.5) / (12 + n % 20))
        rise = [0.1, 0.3, 0.45, 0.62] if n % 3 == 0 else [0.1, 0.4, 0.7, 0.95]
        dip = -0.5 * np.sin(np.pi * np.arange(150) / 149)
        x += [*dip, *rise, *over, 0.95, 0.7, 0.4, 0.1]
    found = only(check(wrapped(np.atleast_2d(x)), 48_000), "wrap")
    assert found.values["longest_samples"] == 31
    assert 70 <= found.values["count"] <= 120


def test_a_crest_that_comes_back_unseen_is_no_long_one() -> None:
    # every third crest leaps back by more than half the range: no jump of full scale is left
    x = []
    for n in range(120):
        over = 1.0 + 0.3 * np.sin(np.pi * (np.arange(14) + 0.5) / 14)
        fall = [-0.1, -0.4, -0.8, -0.9, -0.3] if n % 3 == 0 else [0.8, 0.4, 0.1]
        pulse = [*(-0.8 * np.sin(np.pi * np.arange(150) / 149)), 0.1, 0.4, 0.7, 0.95, *over, *fall]
        x += [sample * (-1) ** n for sample in pulse]
    found = only(check(wrapped(np.atleast_2d(x)), 48_000), "wrap")
    assert found.values["longest_samples"] == 14
    assert found.text.startswith("At least 79 peaks are beyond full scale")


def test_how_long_a_peak_lasts_is_told_in_plain_numbers() -> None:
    fmt = CaptureFormat(rate_hz=48_000, channels=1, word_length=24, floating=False, frames=None)
    told = [_longest(2, samples, fmt) for samples in (1, 48, 4_800, 70_298)]
    assert [text.partition("(")[2] for text in told] == ["20.8 us)", "1 ms)", "100 ms)", "1.46 s)"]


@pytest.mark.parametrize("noise", [0.0, 0.0005, 0.002])
@pytest.mark.parametrize(("kind", "rate_hz"), [("saturated", 88_200), ("brass", 44_100)])
def test_a_ceiling_just_below_full_scale_does_not_wrap(
    kind: str, rate_hz: int, noise: float
) -> None:
    x = synth.programme(kind, rate_hz=rate_hz, tracks=1, seconds=4.0, seed=1)[0] / 2.0**31
    cut = 0.99 * np.clip(x * 8 / np.abs(x).max(), -1, 1)
    cut += noise * np.random.default_rng(2).standard_normal(len(x))
    assert "wrap" not in {f.kind for f in check(words(cut), rate_hz).findings}


@pytest.mark.parametrize("colour", [0.0, 0.9, -0.9])
def test_noise_that_reaches_full_scale_does_not_wrap(colour: float) -> None:
    x = signal.lfilter([1.0], [1.0, -colour], np.random.default_rng(1).standard_normal(200_000))
    assert "wrap" not in {f.kind for f in check(words(x / np.abs(x).max()), 48_000).findings}


def test_clipped_programme_does_not_wrap() -> None:
    x = words(6 * programme(3, 44_100))
    assert asking(check(x, 44_100)) == [("full-scale", "redo", (0,))]
