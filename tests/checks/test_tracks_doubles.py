"""One signal on two tracks: bit for bit, louder, turned over, late, or with hiss of its own."""

from __future__ import annotations

import damage
import numpy as np
import pytest
from bench_lineup.signals import hiss, ints
from tracks_kit import FULL, PROGRAMME, TIMECODE, UNUSED, asking, made, named, of_kind, played, run

from checks.model import Remedy, Verdict
from checks.sheet import Sheet

# -- identical ---------------------------------------------------------------------------------


def test_identical_tracks_ask_for_another_playing() -> None:
    x = damage.copy_track(played(4), source=0, target=2).samples
    outcome = run(x, 48_000)
    (found,) = outcome.findings
    assert (found.kind, found.tracks) == ("identical", (0, 2))
    assert (found.verdict, found.remedy) == (Verdict.REDO, Remedy.REPLAY)
    assert (found.start_frame, found.frames) == (0, x.shape[1])
    pair = next(p for p in outcome.measures.pairs if p.tracks == (1, 3))
    assert (pair.correlation, pair.gain_db, pair.delay_us, pair.residual_db) == (1, 0, 0, None)


@pytest.mark.parametrize(
    ("at", "frames"),
    [(0, 256), (16_384 - 100, 256), (50_001, 256), (16_383, 40_000), (100_000, 1_000)],
)
def test_identical_stretch_is_found_where_it_is(at: int, frames: int) -> None:
    x = damage.copy_track(played(4, tracks=4), source=3, target=1, at=at, frames=frames).samples
    (found,) = of_kind(run(x, 48_000), "identical")
    assert (found.tracks, found.start_frame, found.frames) == ((1, 3), at, frames)
    assert (found.verdict, found.values["whole"]) == (Verdict.REDO, False)


def test_shared_digital_silence_is_not_identical() -> None:
    x = played(4)
    x[:2, 60_000:120_000] = 0
    x[:, :20_000] = 0
    assert of_kind(run(x, 48_000), "identical") == []


def test_a_double_begins_where_the_shared_silence_ends() -> None:
    x = damage.copy_track(played(4), source=0, target=1, at=50_000, frames=30_000).samples
    x[:2, 40_000:60_000] = 0
    (found,) = of_kind(run(x, 48_000), "identical")
    assert found.start_frame == pytest.approx(60_000, abs=2)
    assert found.start_frame + found.frames == 80_000


def test_quiet_16_bit_tracks_agree_by_chance_only() -> None:
    rng = np.random.default_rng(5)
    slow = np.repeat(rng.integers(-1, 2, (4, 4_000)), 60, axis=1)  # hiss far below one step
    assert of_kind(run((slow << 16).astype(np.int32), 352_800, word_length=16), "identical") == []


@pytest.mark.parametrize(
    ("sheet", "expected"),
    [
        (Sheet(), Verdict.REDO),
        (Sheet(same=((1, 2),)), Verdict.CLEAR),
        (Sheet(tracks=named(PROGRAMME, PROGRAMME)), Verdict.REDO),
        (Sheet(tracks=named(TIMECODE, TIMECODE)), Verdict.CLEAR),
        (Sheet(tracks=named(TIMECODE, PROGRAMME)), Verdict.REDO),
        (Sheet(tracks=named(UNUSED, UNUSED)), Verdict.CLEAR),
    ],
)
def test_identical_follows_the_sheet(sheet: Sheet, expected: Verdict) -> None:
    x = damage.copy_track(played(3), source=0, target=1).samples
    (found,) = of_kind(run(x, 48_000, sheet=sheet), "identical")
    assert found.verdict is expected
    assert (found.remedy is Remedy.NONE) == (expected is Verdict.CLEAR)


def test_groups_of_identical_tracks_are_one_finding() -> None:
    x = played(3, tracks=5)
    x[2] = x[0]
    x[4] = x[0]
    (found,) = of_kind(run(x, 48_000), "identical")
    assert found.tracks == (0, 2, 4)


# -- one signal on two tracks ------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize(
    ("kind", "gain_db", "inverted", "delay"),
    [
        ("same-signal", -4.3, False, 0),
        ("same-signal", 0.02, False, 0),
        ("inverted", 0.0, True, 0),
        ("inverted", 3.0, True, 0),
        ("delayed", -1.0, False, 1),
        ("delayed", -6.0, False, 300),
    ],
)
def test_one_signal_twice_is_told_with_gain_and_delay(
    rate_hz: int, kind: str, gain_db: float, inverted: bool, delay: int
) -> None:
    x = played(3, rate_hz=rate_hz, tracks=2)
    x = damage.gain_copy(
        x, source=0, target=1, gain_db=gain_db, inverted=inverted, delay=delay
    ).samples
    outcome = run(x, rate_hz)
    assert asking(outcome) == [(kind, (0, 1))]
    (found,) = of_kind(outcome, kind)
    assert (found.verdict, found.remedy) == (Verdict.LISTEN, Remedy.LISTEN)
    assert found.values["gain_db"] == pytest.approx(gain_db, abs=0.02)
    assert found.values["inverted"] is inverted
    assert found.values["delay_us"] == pytest.approx(1e6 * delay / rate_hz, abs=0.05)
    assert found.values["residual_db"] < -50  # own noise -110 dBFS under programme
    (pair,) = outcome.measures.pairs
    assert pair.gain_db == pytest.approx(gain_db, abs=0.02)
    assert pair.delay_us == pytest.approx(1e6 * delay / rate_hz, abs=0.05)
    assert pair.correlation == pytest.approx(-1.0 if inverted else 1.0, abs=0.001)


def test_the_earlier_track_second_gives_a_negative_delay() -> None:
    x = damage.gain_copy(played(5, tracks=2), source=1, target=0, gain_db=0, delay=96).samples
    (found,) = of_kind(run(x, 48_000), "delayed")
    assert found.values["delay_us"] == pytest.approx(-2000, abs=0.1)
    assert found.values["delay_samples"] == pytest.approx(-96, abs=0.01)


def test_a_delay_of_a_fraction_of_a_sample_is_measured() -> None:
    # an outside way to delay: the shift theorem on the whole signal
    x = played(6, tracks=2).astype(np.float64)
    f = np.fft.rfftfreq(x.shape[1])
    x[1] = np.fft.irfft(np.fft.rfft(x[0]) * np.exp(-2j * np.pi * f * 0.37), x.shape[1])
    (found,) = of_kind(run((x / 256).astype(np.int32) * 256, 48_000), "delayed")
    assert found.values["delay_us"] == pytest.approx(0.37 / 48_000 * 1e6, abs=0.02)


def test_a_track_that_is_reversed_against_several_is_told_once() -> None:
    # mono material on all tracks of a tape, each with a hiss of its own, and one lead reversed
    x = played(4, tracks=5).astype(np.float64)
    rng = np.random.default_rng(2)
    x[1:] = x[0] * np.array([[1.0], [-1.0], [1.0], [1.0]])
    x[4] = played(4, tracks=6)[5]  # that one is another player's
    hissing = x * 0.5 + rng.standard_normal(x.shape) * 2**31 * 1e-3
    outcome = run((hissing / 256).astype(np.int32) * 256, 48_000)
    (found,) = of_kind(outcome, "inverted")
    assert found.tracks == (2, 0, 1, 3)
    assert found.text.startswith("Track 3 carries")
    assert (found.values["pairs"], found.values["count"]) == (3, 1)


def test_an_exact_reversal_of_polarity_is_inverted() -> None:
    # correlation -1.000, "reversed", not azimuth: phase 180 degrees at all frequencies
    x = played(4, tracks=2)
    x[1] = -x[0]
    (found,) = of_kind(run(x, 48_000), "inverted")
    assert found.values["correlation"] == pytest.approx(-1.0, abs=1e-4)
    assert found.values["gain_db"] == pytest.approx(0.0, abs=1e-3)
    assert "(at the same level, polarity reversed;" in found.text


@pytest.mark.parametrize("kind", ["piano", "band", "drums", "organ", "brass", "saturated"])
@pytest.mark.parametrize("floor", [-55.0, -80.0])
def test_mono_material_on_two_tracks_is_usual(kind: str, floor: float) -> None:
    """One programme panned to two tape tracks, each with hiss of its own: never to listen to."""
    rng = np.random.default_rng(8)
    mono = made(kind, 44_100, 1, 8, 2, -110.0)[0] / FULL
    two = [g * mono + hiss(rng, len(mono), floor) for g in (1.0, 0.7)]
    outcome = run(ints(two), 44_100)
    assert asking(outcome) == []
    assert outcome.measures.pairs[0].correlation > 0.9


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("others", [True, False])
def test_where_programme_never_rests_the_hiss_of_the_others_tells(sign: int, others: bool) -> None:
    # what differs lies 24 dB under the hiss of -62 dBFS: it is one signal, however loud it is
    rng = np.random.default_rng(4)
    x = hiss(rng, (2, 400_000), -62)
    x[0] *= 10 ** (np.linspace(12, 52, 400_000) / 20)
    y = np.stack((x[0], sign * 0.7 * x[0] + hiss(rng, 400_000, -86), x[1]))
    (found,) = [
        f for f in run(ints(y[: 3 if others else 2]), 48_000).findings if f.tracks == (0, 1)
    ]
    assert found.kind == ("same-signal" if sign > 0 else "inverted")
    assert found.verdict is (Verdict.LISTEN if others or sign < 0 else Verdict.CLEAR)
    assert ("hiss included" in found.text) is others
    assert ("whether each has a hiss of its own" in found.text) is not others


def test_reversed_mono_with_hiss_of_its_own_is_worth_a_look() -> None:
    rng = np.random.default_rng(8)
    mono = played(6, tracks=1, hiss_dbfs=-110.0)[0] / FULL
    two = [g * mono + hiss(rng, len(mono), -62) for g in (1.0, -0.9)]
    (found,) = of_kind(run(ints(two), 48_000), "inverted")
    assert (found.verdict, "hiss of its own" in found.text) == (Verdict.LISTEN, True)


@pytest.mark.parametrize(
    "sheet", [Sheet(same=((1, 2),)), Sheet(tracks=named(TIMECODE, TIMECODE))], ids=["same", "kind"]
)
@pytest.mark.parametrize(("inverted", "delay"), [(False, 0), (True, 0), (False, 40)])
def test_declared_doubles_are_notes(sheet: Sheet, inverted: bool, delay: int) -> None:
    x = damage.gain_copy(
        played(4, tracks=2), source=0, target=1, gain_db=-2, inverted=inverted, delay=delay
    ).samples
    outcome = run(x, 48_000, sheet=sheet)
    assert asking(outcome) == []
    assert {"same-signal", "inverted", "delayed"} & {f.kind for f in outcome.findings}


@pytest.mark.parametrize("inverted", [False, True])
def test_what_to_do_about_doubles_is_told(inverted: bool) -> None:
    x = damage.gain_copy(played(4, tracks=2), source=0, target=1, gain_db=-2, inverted=inverted)
    (found,) = [f for f in run(x.samples, 48_000).findings if f.verdict is Verdict.LISTEN]
    assert "look whether the right tracks were patched" in found.text
    assert ("which lead is reversed" in found.text) is inverted


def test_the_correlation_of_two_tones_is_the_cosine_between_them() -> None:
    # correlation of one tone in two tracks is the cosine of the phase between them: 60 degrees
    # give 0.500; a steady tone tells no delay, so none may be "found"
    t = np.arange(48_000 * 2) / 48_000
    x = [0.5 * np.sin(2 * np.pi * 1000 * t + p) for p in (0.0, np.pi / 3)]
    outcome = run(ints(x), 48_000)
    (pair,) = outcome.measures.pairs
    assert pair.correlation == pytest.approx(0.500, abs=0.005)
    assert pair.delay_us is None
    assert asking(outcome) == []


def test_no_pair_is_told_for_tracks_of_their_own() -> None:
    rng = np.random.default_rng(1)
    x = [hiss(rng, 200_000, -30) for _ in range(6)]
    assert run(ints(x), 96_000).measures.pairs == ()


def test_the_list_of_pairs_is_capped() -> None:
    rng = np.random.default_rng(1)
    one = hiss(rng, 40_000, -20)
    x = [one + hiss(rng, 40_000, -22) for _ in range(20)]
    outcome = run(ints(x), 48_000)
    assert len(outcome.measures.pairs) == 64
    sizes = [abs(p.correlation) for p in outcome.measures.pairs]
    assert sizes == sorted(sizes, reverse=True)


# -- with a second fault on one of the two -----------------------------------------------------


def _twice(late: int, sign: int, rate_hz: int = 44_100) -> np.ndarray:
    """Two tracks of one signal, 14 s, each with a converter's noise of its own; float."""
    rng = np.random.default_rng(12)
    x = made("band", rate_hz, 1, 14, 23)[0] / FULL
    x = np.stack([x, sign * np.roll(x, late)])
    return x + rng.standard_normal(x.shape) * 10 ** (-92 / 20)


@pytest.mark.parametrize("late", [0, 36])
def test_a_double_with_a_hold_on_one_of_the_two_is_told_with_its_stretches(late: int) -> None:
    x = _twice(late, 1)
    x[0, 196_500:200_616] = x[0, 196_500]  # 93 ms
    (found,) = [f for f in run(ints(x), 44_100).findings if f.verdict is not Verdict.CLEAR]
    assert (found.kind, found.tracks) == ("delayed" if late else "same-signal", (0, 1))
    assert found.values["delay_samples"] == pytest.approx(late, abs=0.01)
    stretches = found.values["stretches"]
    assert all(at + frames <= 200_616 or at >= 196_500 - 8_192 for at, frames in stretches)
    assert not any(at < 196_500 and at + frames > 200_616 for at, frames in stretches)
    assert [found.start_frame, found.frames] == max(stretches, key=lambda s: s[1])
    assert "something else parts them" in found.text


@pytest.mark.parametrize(("late", "sign"), [(0, 1), (0, -1), (36, 1)])
@pytest.mark.parametrize("more", [28, -150])
def test_a_double_of_which_one_lost_or_gained_samples_is_told(
    late: int, sign: int, more: int
) -> None:
    x = _twice(late, sign)
    at = 400_000  # 9 of 14 s
    x[1, at:] = np.roll(x[1], more)[at:]
    (found,) = [f for f in run(ints(x), 44_100).findings if f.verdict is not Verdict.CLEAR]
    assert found.kind == ("delayed" if late else "same-signal" if sign > 0 else "inverted")
    assert found.values["delay_samples"] == pytest.approx(late, abs=0.01)
    assert found.values["elsewhere_us"] == pytest.approx((late + more) / 0.0441, abs=1)
    assert found.start_frame + found.frames <= at + 8_192
    assert "samples were lost or put in" in found.text


def test_mono_with_hiss_of_its_own_on_each_track_is_no_double_in_any_stretch() -> None:
    rng = np.random.default_rng(3)
    x = made("band", 44_100, 1, 14, 23, hiss_dbfs=-100.0)[0] / FULL
    x = np.stack([x, x]) + hiss(rng, 2 * len(x), -62).reshape(2, -1)
    x[1, 400_000:] = np.roll(x[1], 28)[400_000:]
    assert asking(run(ints(x), 44_100)) == []
