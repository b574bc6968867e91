"""Hum of the mains: found to a tenth of a hertz, told from notes and beats, excused where it is."""

from __future__ import annotations

from collections.abc import Callable

import damage
import numpy as np
import pytest
from bench_lineup.signals import hiss, ints
from tracks_kit import PROGRAMME, asking, made, named, of_kind, played, run

from checks.sheet import Reel, ReelKind, Sheet, TrackKind


def test_lines_of_hum_are_told_to_a_tenth_of_a_hertz() -> None:
    # 50 Hz at -60 dBFS with 100 and 150 Hz, 10 s: lines found to 0.1 Hz
    t = np.arange(480_000) / 48_000
    lines = sum(
        10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * t)
        for hz, dbfs in ((50, -60), (100, -66), (150, -72))
    )
    rng = np.random.default_rng(1)
    outcome = run(ints((lines + hiss(rng, len(t), -75))[None]), 48_000)
    line = outcome.measures.tracks[0]
    assert line.hum_hz == pytest.approx(50.0, abs=0.1)
    # powers add: 10 log10(1 + 1/4 + 1/16) = 1.18 dB
    assert line.hum_dbfs == pytest.approx(-60 + 1.18, abs=0.5)
    (found,) = of_kind(outcome, "hum")
    assert found.values["harmonics"] == [[1, 2, 3]]


@pytest.mark.parametrize("hz", [49.97, 50.0, 60.02, 59.9])
@pytest.mark.parametrize("kind", ["plucks", "piano", "speech", "band", "session"])
def test_hum_is_found_under_programme(kind: str, hz: float) -> None:
    x = damage.hum(made(kind, 44_100, 2, 20, 21), rate_hz=44_100, track=1, hz=hz, dbfs=-60).samples
    outcome = run(x, 44_100)
    assert asking(outcome) == [("hum", (1,))]
    assert outcome.measures.tracks[1].hum_hz == pytest.approx(hz, abs=0.05)


@pytest.mark.parametrize(
    "hz", [49.00, 51.91, 55.0, 58.27, 61.74, 98.0, 103.83]
)  # G1, G#1, A1, A#1, B1, G2, G#2: equal temperament at 440 Hz
@pytest.mark.parametrize("held", [True, False])
def test_bass_note_is_no_hum(hz: float, held: bool) -> None:
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 24) / 48_000
    note = sum(0.1 / n * np.sin(2 * np.pi * hz * n * t + n) for n in range(1, 7))
    if not held:  # plucked twice in three seconds
        note = note * np.exp(-(t % 1.5) * 2.0)
    outcome = run(ints((note + hiss(rng, len(t), -65))[None]), 48_000)
    assert of_kind(outcome, "hum") == []


def test_mains_notes_that_pause_are_no_hum() -> None:
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 30) / 48_000
    note = sum(0.1 / n * np.sin(2 * np.pi * 50 * n * t) for n in range(1, 5))
    outcome = run(ints((note * (t % 10 < 6) + hiss(rng, len(t), -65))[None]), 48_000)
    assert of_kind(outcome, "hum") == []


@pytest.mark.parametrize(("bpm", "hz"), [(120, 1_000), (133.3, 210), (600, 300)])
def test_lines_of_a_beat_are_no_hum(bpm: float, hz: float) -> None:
    # what repeats f times a second has lines at the multiples of f (Fourier series): 50 or 60 Hz
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 12) / 48_000
    since = t % (60 / bpm)
    stroke = 0.5 * np.exp(-since * 60) * np.sin(2 * np.pi * hz * since)
    outcome = run(ints((stroke + hiss(rng, len(t), -65))[None]), 48_000)
    assert of_kind(outcome, "hum") == []


@pytest.mark.parametrize("hz", [50.0, 60.0])
def test_a_note_that_stops_before_the_end_is_no_hum(hz: float) -> None:
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 11) / 48_000
    note = sum(0.1 / n * np.sin(2 * np.pi * hz * n * t) for n in range(1, 5))
    x = note * ((t > 1) & (t < 10)) + hiss(rng, len(t), -62)
    assert of_kind(run(ints(x[None]), 48_000), "hum") == []


@pytest.mark.parametrize("hz", [50.0, 60.0])
@pytest.mark.parametrize("dbfs", [-50, -42])
def test_hum_is_found_in_the_rests_of_a_bass(hz: float, dbfs: float) -> None:
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 11) / 48_000
    x = hiss(rng, len(t), -62)
    for start, note in zip(
        np.arange(1.0, 9.5, 0.9), np.resize([49.0, 98.0, 55.0, 110.0], 10), strict=True
    ):
        tau = t[: round(0.87 * 48_000)]
        shape = np.minimum(tau / 0.01, 1) * np.exp(-tau * 0.6) * np.minimum((0.87 - tau) / 0.03, 1)
        at = round(start * 48_000)
        x[at : at + len(tau)] += shape * sum(
            0.1 / k * np.sin(2 * np.pi * note * k * tau + k) for k in range(1, 7)
        )
    hummed = damage.hum(ints(x[None]), rate_hz=48_000, track=0, hz=hz, dbfs=dbfs).samples
    outcome = run(hummed, 48_000)
    assert asking(outcome) == [("hum", (0,))]
    line = outcome.measures.tracks[0]
    assert line.hum_hz == pytest.approx(hz, abs=0.1)
    # five lines that fall by 4 dB each: 10 log10(sum of 10^(-0.4 n), n = 0 to 4) = 2.16 dB
    assert line.hum_dbfs == pytest.approx(dbfs + 2.16, abs=0.5)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200])
@pytest.mark.parametrize("rests", [True, False])
def test_six_seconds_tell_hum_where_the_programme_rests(rate_hz: int, rests: bool) -> None:
    rng = np.random.default_rng(11)
    t = np.arange(6 * rate_hz) / rate_hz
    lines = sum(
        10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * t)
        for hz, dbfs in ((50, -55), (100, -65), (150, -61))
    )
    tune = 0.2 * np.sin(2 * np.pi * (180 + 15 * np.floor(2 * t)) * t) * (t > 1.2) * (t < 4.8)
    if not rests:  # it may be a note that is held throughout
        tune *= 0.0
    found = of_kind(run(ints((tune + lines + hiss(rng, len(t), -65))[None]), rate_hz), "hum")
    assert [f.tracks for f in found] == ([(0,)] if rests else [])


def test_hum_is_excused_where_it_belongs() -> None:
    x = damage.hum(played(12, tracks=2), rate_hz=48_000, track=0, hz=50, dbfs=-50).samples
    assert asking(run(x, 48_000)) == [("hum", (0,))]
    pilot = Sheet(tracks=named(TrackKind.PILOT, PROGRAMME))
    assert asking(run(x, 48_000, sheet=pilot)) == []
    assert asking(run(x, 48_000, sheet=Sheet(reel=Reel(kind=ReelKind.LINEUP)))) == []


def test_why_no_hum_is_told() -> None:
    short = run(played(1, tracks=1), 48_000).measures.tracks[0]
    assert short.hum_hz is None
    assert "hum: no 5.5 s" in short.why
    rng = np.random.default_rng(1)
    held = damage.hum(
        ints(hiss(rng, 6 * 48_000, -62)[None]), rate_hz=48_000, track=0, hz=50, dbfs=-50
    )
    outcome = run(held.samples, 48_000)
    assert asking(outcome) == []
    assert "too short to tell" in outcome.measures.tracks[0].why
    low = run(ints(hiss(np.random.default_rng(1), 4_000, -40)[None]), 200).measures.tracks[0]
    assert "too low" in low.why


def _struck(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """A kick at 50 Hz and a snare, twice a second, with some looseness of a hand."""
    t = np.arange(round(seconds * 48_000)) / 48_000
    out = np.zeros_like(t)
    tau = t[: round(0.4 * 48_000)]
    kick = np.sin(2 * np.pi * (50 * tau + 1 - np.exp(-tau * 30))) * np.exp(-tau / 0.09)
    snare = rng.standard_normal(len(tau)) * np.exp(-tau / 0.06)
    for n, start in enumerate(np.arange(0.2, seconds - 0.5, 0.5)):
        at = round((start + rng.normal(0, 0.004)) * 48_000)
        out[at : at + len(tau)] += 0.3 * (snare if n % 2 else kick) * np.minimum(tau / 0.002, 1)
    return out


def _bassed(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Bass notes about the mains without a rest between them."""
    out = np.zeros(round(seconds * 48_000))
    at = 0
    while at < len(out):
        tau = np.arange(min(round(rng.choice([0.3, 0.6, 1.2]) * 48_000), len(out) - at)) / 48_000
        hz = rng.choice([41.2, 49.0, 51.91, 55.0, 58.27, 61.74])
        shape = np.minimum(tau / 0.006, 1) * np.exp(-tau) * np.minimum((tau[-1] - tau) / 0.05, 1)
        for k in range(1, 12):
            out[at : at + len(tau)] += 0.2 / k * shape * np.sin(2 * np.pi * hz * k * tau + k)
        at += len(tau)
    return out


@pytest.mark.parametrize("hz", [50.0, 60.0, 49.9])
@pytest.mark.parametrize(("bed", "dbfs"), [(_struck, -50), (_bassed, -34)])
def test_hum_is_found_in_the_gaps_of_beats_and_between_partials(
    bed: Callable[[np.random.Generator, float], np.ndarray], dbfs: float, hz: float
) -> None:
    rng = np.random.default_rng(17)
    clean = bed(rng, 12) + hiss(rng, 12 * 48_000, -62)
    x = damage.hum(ints(clean[None]), rate_hz=48_000, track=0, hz=hz, dbfs=dbfs).samples
    assert of_kind(run(ints(clean[None]), 48_000), "hum") == []
    (found,) = of_kind(run(x, 48_000), "hum")
    assert found.values["hum_hz"] == [pytest.approx(hz, abs=0.05)]
    # five lines that fall by 4 dB each: 2.16 dB more than the first; without it, 1.8 dB less
    assert dbfs - 1.8 - 4 < found.values["hum_dbfs"][0] < dbfs + 2.16 + 1


@pytest.mark.parametrize("hz", [110.0, 196.0, 220.0])
@pytest.mark.parametrize("hissing", [True, False])
def test_partials_of_a_steady_tone_do_not_fold_onto_the_mains(hz: float, hissing: bool) -> None:
    # 15 partials of 220 Hz are 300 Hz more than 3 kHz, 27 are 60 Hz less than 6 kHz
    t = np.arange(12 * 48_000) / 48_000
    x = sum(0.2 / k * np.sin(2 * np.pi * hz * k * t) for k in range(1, int(20_000 / hz), 2))
    x = x + hissing * hiss(np.random.default_rng(3), len(t), -64)
    outcome = run(ints(x[None]), 48_000)
    assert of_kind(outcome, "hum") == []
    assert outcome.measures.tracks[0].hum_dbfs is None


@pytest.mark.parametrize("tones_hz", [(250.1, 300.1), (300.4, 480.6), (240.3, 300.4, 420.6)])
@pytest.mark.parametrize("bent", [True, False])
def test_a_held_chord_above_the_mains_is_no_hum(tones_hz: tuple[float, ...], bent: bool) -> None:
    # 5 and 6 times 50.02 Hz, 5 and 8, 4 and 5 and 7 times 60.08 Hz; bent by the tape, which has
    # third-order products (twice the lower less the higher), the second has a line at 120.2 Hz
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 12) / 48_000
    x = sum(0.07 / n * np.sin(2 * np.pi * hz * t + n) for n, hz in enumerate(tones_hz, 1))
    x = (np.tanh(x) if bent else x) + hiss(rng, len(t), -76)
    outcome = run(ints(x[None]), 48_000)
    assert of_kind(outcome, "hum") == []
    assert outcome.measures.tracks[0].hum_dbfs is None


@pytest.mark.parametrize("lines", [{2: -58, 4: -64, 6: -70}, {1: -80, 3: -58, 5: -60}])
def test_hum_of_a_rectifier_or_with_a_weak_first_line_is_told(lines: dict[int, int]) -> None:
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 12) / 48_000
    hum = sum(10 ** (db / 20) * np.sin(2 * np.pi * 50 * n * t) for n, db in lines.items())
    (found,) = of_kind(run(ints((hum + hiss(rng, len(t), -66))[None]), 48_000), "hum")
    assert found.values["harmonics"] == [list(lines)]


@pytest.mark.parametrize("hz", [50.0, 59.9])
def test_hum_is_told_whose_first_lines_a_held_bass_covers(hz: float) -> None:
    rng = np.random.default_rng(9)
    t = np.arange(48_000 * 12) / 48_000
    bass = sum(0.1 / n**2 * np.sin(2 * np.pi * (hz - 1) * n * t + n) for n in range(1, 4))
    hum = sum(1e-3 * np.sin(2 * np.pi * hz * n * t) for n in (1, 2, 3, 5, 7))
    x = bass * np.clip(t - 1, 0, 1) * np.clip(11 - t, 0, 1) + hum + hiss(rng, len(t), -66)
    (found,) = of_kind(run(ints(x[None]), 48_000), "hum")
    assert found.values["hum_hz"] == [pytest.approx(hz, abs=0.05)]
    assert found.values["harmonics"] == [[5, 7]]
