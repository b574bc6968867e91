"""The clipping check as a whole: what it must find, what it must leave alone, its laws."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import damage
import numpy as np
import pytest
import soundfile
import synth
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from checks.block import BLOCK_FRAMES
from checks.clipping import ClippingLimits, ClippingPass
from checks.measures import ClippingLine
from checks.model import CaptureFormat, Finding, Outcome, Remedy, Verdict
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import Sheet, TrackEntry, TrackKind

Floats = NDArray[np.float64]


def check(
    x: NDArray[Any],
    rate_hz: int,
    *,
    word_length: int = 24,
    sheet: Sheet | None = None,
    limits: ClippingLimits | None = None,
    cuts: Sequence[int] = (),
) -> Outcome:
    """The outcome for (tracks, frames) samples, int32 or float, fed in pieces."""
    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=len(x),
        word_length=word_length,
        floating=x.dtype.kind == "f",
        frames=x.shape[1],
    )

    def start(context: Context) -> ClippingPass:
        return ClippingPass(context.fmt, context.sheet, limits or ClippingLimits())

    run = SamplePass(Context(fmt=fmt, sheet=sheet or Sheet()), checks=[Check("clipping", start)])
    for piece in np.split(x, sorted(min(c, x.shape[1]) for c in cuts), axis=1):
        run.feed(piece)
    return run.finish()["clipping"]


def words(x: Floats, bits: int = 24) -> NDArray[np.int32]:
    """Left-justified words of ``bits`` bits; clips at +max and at negative full scale."""
    steps = np.clip(np.rint(np.atleast_2d(x) * 2.0 ** (bits - 1)), -(2.0 ** (bits - 1)), None)
    steps = np.minimum(steps, 2.0 ** (bits - 1) - 1).astype(np.int64)
    return (steps << (32 - bits)).astype(np.int32)


def asking(outcome: Outcome) -> list[tuple[str, str, tuple[int, ...]]]:
    """Kind, verdict and tracks of what asks for something."""
    return [
        (f.kind, str(f.verdict), f.tracks)
        for f in outcome.findings
        if f.verdict is not Verdict.CLEAR
    ]


def only(outcome: Outcome, kind: str) -> Finding:
    (found,) = [f for f in outcome.findings if f.kind == kind]
    return found


def lines(outcome: Outcome) -> Sequence[ClippingLine]:
    return tuple(outcome.measures.tracks)


def tone(rate_hz: int, hz: float, amplitude: float, seconds: float = 0.5) -> Floats:
    # frequencies a little off, as a tape plays them: no sample repeats another period's
    return amplitude * np.sin(2 * np.pi * hz * np.arange(round(rate_hz * seconds)) / rate_hz + 0.1)


def high_passed(x: Floats, hz: float, rate_hz: int) -> Floats:
    """A coupling capacitor: first order, by its impulse response in the frequency domain."""
    size = 1 << (2 * len(x)).bit_length()
    f = np.fft.rfftfreq(size, 1 / rate_hz)
    response = 1j * f / (1j * f + hz)
    return np.asarray(np.fft.irfft(np.fft.rfft(x, size) * response, size)[: len(x)])


def low_passed(x: Floats, hz: float, rate_hz: int) -> Floats:
    size = 1 << (2 * len(x)).bit_length()
    f = np.fft.rfftfreq(size, 1 / rate_hz)
    return np.asarray(np.fft.irfft(np.fft.rfft(x, size) / (1 + 1j * f / hz), size)[: len(x)])


def programme(seed: int, rate_hz: int, seconds: float = 0.5) -> Floats:
    """Plucked partials with noise, peak 1.0."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(rate_hz * seconds)) / rate_hz
    x = np.zeros(len(t))
    for start in np.arange(0, seconds, 0.11):
        f = rng.uniform(80, 900)
        late = np.clip(t - start, 0, None)
        for partial in range(1, 9):
            x += (
                rng.uniform(0.3, 1) / partial * (late > 0) * np.exp(-late * 6 * partial**0.5)
                * np.sin(2 * np.pi * f * partial * late)
            )  # fmt: skip
    x += 3e-4 * rng.standard_normal(len(t))
    return x / np.abs(x).max()


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
    outcome = check(words(x), 96_000)
    found = only(outcome, "full-scale")
    assert (found.values["count"], found.values["longest_samples"]) == (1, held)
    assert (found.start_frame, found.frames) == (at, held)


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


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize("style", ["exact", "noisy", "tilted", "one side", "quiet", "16 bit"])
def test_flat_tops_of_every_style(rate_hz: int, style: str) -> None:
    rng = np.random.default_rng(5)
    x = programme(3, rate_hz, 0.7)
    top = 10 ** (-6 / 20)
    x = np.minimum(x, top) if style == "one side" else np.clip(x, -top, top)
    if style == "noisy":
        x = x + top * 1e-3 * rng.standard_normal(len(x))  # 60 dB below the ceiling
    elif style == "tilted":
        x = high_passed(x, 4.0, rate_hz)
    elif style == "quiet":
        x = x * 10 ** (-40 / 20)
    bits = 16 if style == "16 bit" else 24
    outcome = check(words(0.8 * x, bits), rate_hz, word_length=bits)
    assert asking(outcome) == [("flat-top", "listen", (0,))]
    level = only(outcome, "flat-top").values["level_dbfs"]
    expected = -6 - 1.94 - (40 if style == "quiet" else 0)
    assert level == pytest.approx(expected, abs=2.0 if style == "tilted" else 0.02)


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


# -- what is flat, loud or crowded by nature ------------------------------------------------------


def square(rate_hz: int, hz: float) -> Floats:
    return np.sign(tone(rate_hz, hz, 1.0))


def biphase(rate_hz: int, bits_a_second: float = 2000.0) -> Floats:
    """Biphase-mark code of random bits (SMPTE ST 12-1): an edge at every bit, one within a 1."""
    rng = np.random.default_rng(2)
    ones = rng.integers(0, 2, round(0.6 * bits_a_second)).astype(bool)
    begin = np.arange(len(ones)) / bits_a_second
    edges = np.sort(np.concatenate((begin, begin[ones] + 0.5 / bits_a_second)))
    t = np.arange(round(0.5 * rate_hz)) / rate_hz
    return np.where(np.searchsorted(edges, t, "right") % 2, 1.0, -1.0)


def smoothed(x: Floats, us: float, rate_hz: int) -> Floats:
    n = max(1, round(us * 1e-6 * rate_hz))
    return np.convolve(x, np.ones(n) / n, "same")


def clicks(rate_hz: int, ms: float) -> Floats:
    t = np.arange(round(0.5 * rate_hz)) / rate_hz
    return (np.mod(t, 0.06) < ms * 1e-3).astype(np.float64)


def limited(x: Floats, rate_hz: int) -> Floats:
    """A look-ahead limiter: the peaks crowd at one level, but each stays round."""
    n = round(0.003 * rate_hz)
    largest = np.array([np.abs(x[max(k - n, 0) : k + n]).max() for k in range(0, len(x), n)])
    gain = np.minimum(1, 0.4 / np.repeat(largest, n)[: len(x)])
    return x * smoothed(gain, 2e6 * n / rate_hz, rate_hz)


def flattest(sine: Floats) -> Floats:
    """A tone and a ninth of its third partial: the crest of fourth order."""
    return sine + (3 * sine - 4 * sine**3) / 9


INNOCENT = {
    "sine": lambda r: 0.5 * tone(r, 997, 1.0),
    "sine, an eighth of the rate": lambda r: 0.5 * np.sin(np.pi / 4 * np.arange(r // 2) + 1.178),
    "sine, a twelfth of the rate": lambda r: 0.5 * np.sin(np.pi / 6 * np.arange(r // 2) + 1.309),
    "square": lambda r: 0.5 * square(r, 441),
    "square at full scale": lambda r: square(r, 441),
    "square, filtered": lambda r: 0.5 * low_passed(square(r, 1000), 15_000, r),
    "square, coupled": lambda r: 0.4 * high_passed(low_passed(square(r, 100), 30_000, r), 6, r),
    "square, coupled, at full scale": lambda r: 0.99 * high_passed(square(r, 25), 0.5, r),
    "pulses": lambda r: 0.5 * (np.mod(np.arange(r // 2) / r * 300, 1) < 0.1),
    "sawtooth at full scale": lambda r: 2 * np.mod(np.arange(r // 2) / r * 220.3, 1) - 1,
    "triangle": lambda r: 0.6 * np.arcsin(np.sin(2 * np.pi * 331 * np.arange(r // 2) / r)),
    "biphase": lambda r: 0.3 * biphase(r),
    "biphase, slow edges": lambda r: 0.3 * smoothed(biphase(r), 50, r),
    "biphase, slow edges, full scale": lambda r: smoothed(biphase(r), 40, r),
    "biphase off tape": lambda r: 0.3 * high_passed(low_passed(biphase(r), 9_000, r), 25, r),
    "clicks": lambda r: 0.5 * clicks(r, 1.0),
    "clicks, filtered": lambda r: 0.5 * smoothed(clicks(r, 0.5), 40, r),
    "saturated": lambda r: 0.7 * np.tanh(2 * programme(3, r)),
    "saturated hard": lambda r: 0.7 * np.tanh(4 * programme(3, r)),
    "saturated tone": lambda r: 0.7 * np.tanh(3 * tone(r, 440, 1.0)),
    "limited": lambda r: limited(programme(3, r), r),
    "flattest crest": lambda r: 0.4 * flattest(tone(r, 150, 1.0)),
    "odd partials": lambda r: sum(0.4 / h * tone(r, 120 * h, 1.0) for h in (1, 3, 5, 7, 9)),
    "noise": lambda r: 0.1 * np.random.default_rng(1).standard_normal(r // 2),
    "even noise at full scale": lambda r: np.random.default_rng(1).uniform(-1, 1, r // 2),
    "two-level noise": lambda r: 0.5 * np.sign(np.random.default_rng(1).standard_normal(r // 2)),
    "a constant": lambda r: np.full(r // 2, 0.5),
    "silence": lambda r: np.zeros(r // 2),
}  # fmt: skip


@pytest.mark.parametrize("rate_hz", [44_100, 192_000])
@pytest.mark.parametrize("name", INNOCENT)
def test_what_is_no_clipping(name: str, rate_hz: int) -> None:
    x = INNOCENT[name](rate_hz)
    assert asking(check(words(x), rate_hz)) == []
    noisy = x + 3e-5 * np.random.default_rng(4).standard_normal(len(x))
    if np.abs(x).max() < 0.95:
        assert asking(check(words(noisy), rate_hz)) == []


def test_quiet_words_of_sixteen_bits_are_staircases_by_nature() -> None:
    x = words(10 ** (-58 / 20) * programme(3, 352_800), 16)
    assert asking(check(x, 352_800, word_length=16)) == []


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize("kind", ["plucks", "drums", "organ", "saturated", "timecode", "speech"])
def test_clean_programme_and_the_same_clipped(kind: str, rate_hz: int) -> None:
    x = synth.programme(kind, rate_hz=rate_hz, tracks=2, seconds=1.5, seed=3)
    assert asking(check(x, rate_hz)) == []
    peak = 20 * np.log10(float(np.abs(x[0].astype(np.float64)).max()) / 2**31)
    clipped = damage.clip_hard(x, dbfs=peak - 8, tracks=(0,)).samples
    assert [f[0::2] for f in asking(check(clipped, rate_hz))] == [("flat-top", (0,))]


# -- wraps ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [44_100, 352_800])
@pytest.mark.parametrize("bits", [16, 24])
def test_peaks_that_wrap_round(rate_hz: int, bits: int) -> None:
    t = np.arange(rate_hz // 2) / rate_hz
    x = 1.1 * np.sin(2 * np.pi * 100.3 * t) * np.clip(t * 8, 0, 1)
    wide = np.rint(x * 2 ** (bits - 1)).astype(np.int64) << (32 - bits)
    wrapped = np.atleast_2d(wide).astype(np.uint64).astype(np.uint32).view(np.int32)
    outcome = check(wrapped, rate_hz, word_length=bits)
    assert asking(outcome) == [("wrap", "redo", (0,))]
    beyond = np.flatnonzero(np.diff((np.abs(wide) >= 2**31).astype(int)) == 1)
    assert only(outcome, "wrap").values["count"] == len(beyond)
    assert only(outcome, "wrap").start_frame == beyond[0] + 1


def test_clipped_programme_does_not_wrap() -> None:
    x = words(6 * programme(3, 44_100))
    assert asking(check(x, 44_100)) == [("full-scale", "redo", (0,))]


# -- laws ----------------------------------------------------------------------------------------


def mixed(seed: int) -> NDArray[np.int32]:
    """Four tracks: clipped, cut below full scale, wrapped, and as it should be; 2.2 blocks."""
    rng = np.random.default_rng(seed)
    frames = 36_000
    rows = np.stack([programme(seed + k, 96_000, 0.375)[:frames] for k in range(4)])
    rows += 1e-5 * rng.standard_normal(rows.shape)
    x = words(rows * [[1.5], [0.7], [0.7], [0.7]])
    x[1] = words(np.clip(rows[1], -0.3, 0.35))[0]
    x[2] = damage.wrap(words(0.9 * rows[2:3]), gain_db=3).samples[0]
    return x


@settings(deadline=None, max_examples=8)
@given(st.integers(0, 5), st.lists(st.integers(0, 36_000), max_size=5))
def test_cuts_change_nothing(seed: int, cuts: list[int]) -> None:
    x = mixed(seed)
    assert check(x, 96_000, cuts=cuts) == check(x, 96_000)


def by_track(outcome: Outcome) -> dict[int, Any]:
    return {line.track: (line.sample_peak_dbfs, line.true_peak_dbtp, line.full_scale_runs,
                         line.longest_run, line.flat_tops, line.flat_top_dbfs)
            for line in lines(outcome)}  # fmt: skip


def test_the_order_of_tracks_does_not_matter() -> None:
    x = mixed(0)
    assert {k for k, *_ in asking(check(x, 96_000))} == {"full-scale", "flat-top", "wrap"}
    order = [2, 0, 3, 1]
    straight, turned = by_track(check(x, 96_000)), by_track(check(x[order], 96_000))
    assert turned == {new + 1: straight[old + 1] for new, old in enumerate(order)}


def test_polarity_does_not_matter() -> None:
    x = np.maximum(mixed(0), -(2**31) + 256)
    straight, turned = check(x, 96_000), check(-x, 96_000)
    assert by_track(straight) == by_track(turned)
    assert asking(straight) == asking(turned)


def test_added_silence_does_not_matter() -> None:
    x = mixed(0)
    silence = np.zeros((4, 2 * BLOCK_FRAMES), np.int32)  # whole blocks: the rest stays aligned
    straight, late = check(x, 96_000), check(np.concatenate((silence, x, silence), 1), 96_000)
    assert by_track(straight) == by_track(late)
    for a, b in zip(straight.findings, late.findings, strict=True):
        assert (a.kind, a.tracks, a.frames) == (b.kind, b.tracks, b.frames)
        assert a.values.get("count") == b.values.get("count")
        if a.start_frame is not None:
            assert b.start_frame == a.start_frame + silence.shape[1]


# -- odd captures ----------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [1, 1234, 48_000, 3_000_000])
@pytest.mark.parametrize("shape", [(1, 0), (1, 1), (2, 3), (64, 300), (1, BLOCK_FRAMES + 1)])
@pytest.mark.parametrize("value", [0, 1, 2**31 - 1, -(2**31)])
def test_constant_captures_are_no_accident(
    rate_hz: int, shape: tuple[int, int], value: int
) -> None:
    outcome = check(np.full(shape, value, np.int32), rate_hz)
    assert asking(outcome) == []
    line = lines(outcome)[0]
    assert (line.why is None) == (line.sample_peak_dbfs is not None)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_float_captures_may_hold_anything(dtype: Any) -> None:
    rng = np.random.default_rng(0)
    with np.errstate(over="ignore"):
        x = (rng.standard_normal((3, 40_000)) * 10 ** rng.uniform(-300, 300, (3, 40_000))).astype(
            dtype
        )
    x[0, ::7], x[0, 1::7], x[0, 2::7] = np.nan, np.inf, -np.inf
    x[1] = np.nan
    for rate_hz in (44_100, 352_800):
        outcome = check(x, rate_hz, word_length=32)
        assert [f.kind for f in outcome.findings if f.kind == "not-run"] == []
        assert lines(outcome)[1].sample_peak_dbfs is None


def test_memory_does_not_grow_with_the_number_of_places() -> None:
    x = np.zeros((1, 700_000), np.int32)
    peak = words(1.3 * np.sin(np.linspace(0, np.pi, 40)))[0]
    for at in range(500, 699_000, 4_000):  # at a rate of 1 kHz each is a place of its own
        x[0, at : at + 40] = peak
    found = only(check(x, 1_000), "full-scale")
    assert found.values["count"] == 175
    assert isinstance(found.values["listed"], int)
    assert found.values["listed"] <= 32
    places = found.values["by_track"][0]["places"]
    assert sum(p["count"] for p in places) == 175


# -- recordings ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "expected", "least"),
    # the public recordings' index: 1105 runs of three, and 8019 runs of three and more
    [("ultrasonic/bat_pteronotus_clipped_375k.wav", "redo", 1000),
     ("ultrasonic/mouse_rec_4_clipped_250k.wav", "redo", 7500),
     ("multichannel/field_array_5ch_192k.wav", None, 0), ("tones/sweep_log.wav", None, 0),
     ("tones/testtone_24bit.wav", None, 0), ("wordlength/percussion_24bit.wav", None, 0),
     ("hires/upsampled_88k2.flac", None, 0), ("ultrasonic/bat_myotis_500k.wav", None, 0)],
)  # fmt: skip
def test_recordings(corpus: Path, name: str, expected: str | None, least: int) -> None:
    with soundfile.SoundFile(corpus / name) as file:
        x = np.ascontiguousarray(file.read(dtype="int32", always_2d=True).T)
        bits = 24 if "24" in file.subtype else 16
        outcome = check(x, file.samplerate, word_length=bits)
    found = [f for f in asking(outcome) if f[0] == "full-scale"]
    assert [f[1] for f in found] == ([expected] if expected else [])
    if expected:
        assert lines(outcome)[0].full_scale_runs >= least
    else:
        assert asking(outcome) == []
