"""Parts of the lineup check against published values: azimuth, replay curves, flutter weighting."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.lineup._azimuth import (
    Delay,
    Tilt,
    angle_arcmin,
    delay_of,
    delay_of_angle_s,
    sum_loss_db,
    tilt_of,
    track_loss_db,
)
from checks.lineup._demod import Demodulator, droop, hop_frames
from checks.lineup._equalisation import CURVES, likely_mistakes, mismatch_db
from checks.lineup._flutter import two_sigma, weighted, weighting
from checks.lineup._lineup import cents
from checks.lineup._nominal import nominal_hz, step_db
from checks.lineup._stretches import steady_stretches
from checks.sheet import LineupSheet, SheetTone


def curve(name: str, speed_cm_s: float) -> Any:
    return next(c for c in CURVES if c.name == name and c.speed_cm_s == speed_cm_s)


# -- azimuth -----------------------------------------------------------------------------------


def test_angle_of_a_delay() -> None:
    # dt = d tan(a) / v worked: 38.1 cm/s, 4.2 mm, 30 degrees at 10 kHz: 8.33 us, 2.60 minutes
    assert angle_arcmin(30 / 360 / 10_000, 4.2, 38.1) == pytest.approx(2.60, abs=0.01)


def test_the_published_tape_weave() -> None:
    # 300 urad at 10 kHz, 9.5 cm/s, 4.0 mm: 45 degrees by a published table, 44.0 by the formula
    delay = 4.0e-3 * math.tan(300e-6) / 0.095
    assert 360 * 10_000 * delay == pytest.approx(45, abs=1)
    assert angle_arcmin(delay, 4.0, 9.5) == pytest.approx(300 / 290.9, abs=0.001)  # urad a minute


@pytest.mark.parametrize(
    ("arcmin", "speed_cm_s", "width_mm", "loss_db"),
    [
        # 20 log10 |sin x / x| at 15 kHz, worked by hand for the table of losses
        (10, 19.05, 2.1, -3.60),
        (6, 19.05, 2.1, -1.22),
        (3, 38.1, 2.1, -0.08),
        (10, 38.1, 6.3, -9.41),
        (3, 38.1, 6.3, -0.68),
    ],
)
def test_loss_within_a_track(
    arcmin: float, speed_cm_s: float, width_mm: float, loss_db: float
) -> None:
    assert track_loss_db(arcmin, 15_000, width_mm, speed_cm_s) == pytest.approx(loss_db, abs=0.02)


@pytest.mark.parametrize(
    ("degrees", "loss_db"),
    [(10, -0.03), (30, -0.30), (45, -0.69), (60, -1.25), (90, -3.01)],  # 20 log10 |cos(phase / 2)|
)
def test_loss_of_a_sum(degrees: float, loss_db: float) -> None:
    assert sum_loss_db(degrees / 360 / 10_000, 10_000) == pytest.approx(loss_db, abs=0.005)


def test_a_null_is_no_deeper_than_tracks_are_equal() -> None:
    # 0.3 dB apart, the tolerance of level: 20 log10 |(1 - g) / (1 + g)| = -35 dB
    assert sum_loss_db(50e-6, 10_000) == pytest.approx(-30.0)
    assert track_loss_db(60.0, 381 / (2.1 * math.tan(math.pi / 180)), 2.1, 38.1) == pytest.approx(
        -30.0
    )


def test_phase_that_wraps_is_unwrapped_over_the_tones() -> None:
    # 40 us at 1, 10 and 15 kHz: 14.4, 144 and 216 degrees, which reads -144
    late = delay_of([1e3, 1e4, 1.5e4], np.radians([-14.4, -144.0, 144.0]), [1e-3] * 3)
    assert late is not None
    assert late.seconds * 1e6 == pytest.approx(40.0, abs=0.2)
    assert not late.inverted


@given(
    delay_us=st.floats(-90, 90),
    inverted=st.booleans(),
    noise=st.lists(st.floats(-0.05, 0.05), min_size=4, max_size=4),
)
def test_delay_and_polarity_are_told_apart(
    delay_us: float, inverted: bool, noise: list[float]
) -> None:
    hz = [100.0, 1e3, 6.3e3, 1.6e4]
    phases = [
        (-2 * math.pi * f * delay_us * 1e-6 + math.pi * inverted + n + math.pi) % (2 * math.pi)
        - math.pi
        for f, n in zip(hz, noise, strict=True)
    ]
    found = delay_of(hz, phases, [0.01] * 4)
    assert found is not None
    assert found.inverted == inverted
    assert found.seconds * 1e6 == pytest.approx(delay_us, abs=1.0)  # 0.05 rad at 16 kHz: 0.5 us


def test_a_single_low_tone_half_a_turn_off_is_polarity() -> None:
    found = delay_of([1000.0], [math.pi - 0.01], [1e-3])
    assert found is not None
    assert found.inverted
    assert found.seconds == pytest.approx(0.01 / (2 * math.pi * 1000), rel=1e-6)
    high = delay_of([10_000.0], [2.0], [1e-3])
    assert high is not None
    assert (high.inverted, high.ambiguous) == (False, True)
    assert delay_of([], [], []) is None


ALLOWED_S = 2.29e-6  # a minute of arc over 3 mm at 38.1 cm/s: 3e-3 tan(1/60 degree) / 0.381


def head(delays_us: Sequence[float | None], sigma_us: float = 0.01) -> Tilt:
    tilt = tilt_of(
        [
            None
            if us is None
            else Delay(seconds=us * 1e-6, sigma_s=sigma_us * 1e-6, inverted=False, ambiguous=False)
            for us in delays_us
        ],
        ALLOWED_S,
    )
    assert tilt is not None
    return tilt


def test_the_delay_of_an_angle() -> None:
    assert delay_of_angle_s(1.0, 3.0, 38.1) == pytest.approx(ALLOWED_S, rel=1e-3)
    assert angle_arcmin(delay_of_angle_s(2.5, 4.2, 19.05), 4.2, 19.05) == pytest.approx(2.5)


def test_no_line_without_two_delays() -> None:
    assert tilt_of([None, Delay(seconds=1.0, sigma_s=0.0, inverted=False, ambiguous=False)], 1) is (
        None
    )


@pytest.mark.parametrize("count", [4, 5, 8, 16, 24])
@pytest.mark.parametrize("arcmin", [0.0, 0.3, 1.5, -3.0])
@pytest.mark.parametrize("places", [(), (0,), (-1,), (2,), (0, -1), (1, 4)])
def test_a_tilt_is_told_from_strays(count: int, arcmin: float, places: tuple[int, ...]) -> None:
    if len(places) > max(1, count // 4):
        return
    # gaps and phases scatter by 0.05 us; strays of 15 us late and 20 early
    rng = np.random.default_rng([count, len(places)])
    slope = arcmin * ALLOWED_S * 1e6
    delays = slope * np.arange(count) + rng.normal(0, 0.05, count)
    strays = sorted(k % count for k in places)
    for k, us in zip(strays, (15, -20), strict=False):
        delays[k] += us
    tilt = head([float(us) for us in delays - delays[0]])
    assert (tilt.fits, tilt.strays, tilt.proven) == (True, tuple(strays), True)
    assert tilt.seconds_a_track * 1e6 == pytest.approx(slope, abs=0.1)
    for k, us in zip(strays, (15, -20), strict=False):
        assert tilt.left_s[k] * 1e6 == pytest.approx(us, abs=0.4)


def test_a_quarter_of_many_tracks_may_be_strays() -> None:
    delays = 3.0 * np.arange(24)
    delays[[0, 1, 7, 12, 22, 23]] += [30, 20, -15, 40, 25, 35]
    tilt = head(list(delays))
    assert (tilt.fits, tilt.strays) == (True, (0, 1, 7, 12, 22, 23))
    assert tilt.seconds_a_track == pytest.approx(3e-6)


def test_a_late_track_that_a_line_would_hide_is_a_stray() -> None:
    # least squares through all: 1.5 us a track, and no track more than 2 us off
    tilt = head([0, 0, 0, 5])
    assert (tilt.strays, tilt.seconds_a_track) == ((3,), pytest.approx(0.0, abs=1e-12))
    # where the tracks scatter by nearly as much, nothing is said
    assert head([0, 1.5, -1.2, 2.6]).strays == ()
    assert head([0, 0, 0, 12], sigma_us=2).strays == ()


@pytest.mark.parametrize(
    "delays_us",
    [
        [0, 0, 15],
        [0, 0, 15, 15],
        [0, 15, 0, 15],
        [0, 2.4, 0, -15],  # the first three are 1.6 us off their line: by chance on one, if at all
        [0, 1.5, 0, 9],  # without the first as well as without the last
        [0, 0, 40, 15, 0],
        [0, 15, 0, 15, 0, 15, 0, 15],
    ],
)
def test_what_two_explanations_fit_is_not_told(delays_us: list[float]) -> None:
    tilt = head(delays_us)
    assert (tilt.fits, tilt.strays, tilt.proven) == (False, (), False)


def test_missing_delays_keep_the_places() -> None:
    tilt = head([0, None, 10, 15, None, 25, 60])
    assert (tilt.strays, tilt.tracks) == ((6,), 5)
    assert tilt.seconds_a_track == pytest.approx(5e-6)
    assert tilt.left_s[6] == pytest.approx(30e-6)
    assert np.isnan(tilt.left_s[[1, 4]]).all()
    assert not head([0, None, 5, 10, None]).proven


# -- replay curves -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tape", "replay", "speed_cm_s", "expected"),
    [
        # IEC 60094-1:1981 clause 15, dB against 1 kHz at 50, 100, 10k, 15k, 20k Hz
        ("IEC1", "NAB", 38.1, (-3.21, -1.16, 2.51, 2.71, 2.79)),
        ("IEC1", "NAB", 19.05, (-2.65, -0.60, -2.35, -2.46, -2.50)),
        ("AES", "IEC1", 76.2, (-0.15, -0.15, 4.07, 4.89, 5.27)),
    ],
)
def test_what_a_wrong_curve_does(
    tape: str, replay: str, speed_cm_s: float, expected: tuple[float, ...]
) -> None:
    a, b = curve(tape, speed_cm_s), curve(replay, speed_cm_s)
    for hz, db in zip((50, 100, 10_000, 15_000, 20_000), expected, strict=True):
        assert mismatch_db(a, b, hz) == pytest.approx(db, abs=0.01)
        assert mismatch_db(b, a, hz) == pytest.approx(-db, abs=0.01)


def test_a_wrong_curve_is_named() -> None:
    # 100 Hz, 10 kHz at -1.16 and +2.51 dB: an IEC1 tape replayed NAB at 38 cm/s
    found = likely_mistakes([(100, -1.16), (10_000, 2.51)], 1000, None)
    assert [(t.name, r.name, t.speed_cm_s) for t, r in found] == [("IEC1", "NAB", 38.1)]


def test_a_flat_or_odd_response_names_no_curve() -> None:
    assert likely_mistakes([(10_000, 0.1), (15_000, -0.2)], 1000, None) == ()
    assert likely_mistakes([(5_000, 3.0), (10_000, -3.0)], 1000, None) == ()
    assert likely_mistakes([(100, -1.16)], 1000, None) == ()  # low frequencies alone tell nothing
    assert likely_mistakes([(10_000, 2.51), (15_000, 2.71)], 1000, 76.2) == ()


# -- flutter -----------------------------------------------------------------------------------

# AES6-2008 / IEC 60386 Table 1: Hz, dB, tolerance either way
WEIGHTING = [
    (0.1, -48, 10, 4), (0.2, -30.6, 10, 4), (0.315, -19.7, 4, 4), (0.4, -15, 4, 4),
    (0.63, -8.4, 2, 2), (0.8, -6, 2, 2), (1, -4.2, 2, 2), (1.6, -1.8, 2, 2), (2, -0.9, 2, 2),
    (4, 0, 0.01, 0.01), (6.3, -0.9, 2, 2), (10, -2.1, 2, 2), (20, -5.9, 2, 2), (40, -10.4, 2, 2),
    (63, -14.2, 4, 4), (100, -17.3, 4, 4), (200, -23, 4, 4),
]  # fmt: skip


@pytest.mark.parametrize(("hz", "db", "above", "below"), WEIGHTING)
def test_weighting_keeps_to_the_table(hz: float, db: float, above: float, below: float) -> None:
    got = 20 * np.log10(abs(weighting(np.array([hz]))[0]))
    assert -below <= got - db <= above


def test_weighting_by_an_independent_filter() -> None:
    # the same zeros and poles as an analog filter of SciPy's
    poles = [-2 * np.pi * p for p in (0.580, 0.602, 0.691, 11.814)]
    hz = np.array([0.3, 1.0, 4.0, 20.0])
    _, response = scipy.signal.freqs_zpk([0, 0, 0], poles, 1.0, 2 * np.pi * hz)
    _, four = scipy.signal.freqs_zpk([0, 0, 0], poles, 1.0, [2 * np.pi * 4.0])
    assert np.abs(weighting(hz)) == pytest.approx(np.abs(response) / abs(four[0]), rel=1e-9)


def test_two_sigma_of_a_sine() -> None:
    # exceeded 5 % of the time: a sine of peak P reads sin(0.475 pi) P = 0.9969 P
    t = np.arange(100_000) / 1000
    assert two_sigma(np.sin(2 * np.pi * 4.0 * t)) == pytest.approx(0.9969, abs=1e-3)


@pytest.mark.parametrize("hz", [1.0, 4.0, 20.0])
def test_weighted_in_time_agrees_with_the_response(hz: float) -> None:
    step = 0.0029
    t = np.arange(4096) * step
    out = weighted(np.sin(2 * np.pi * hz * t), step, 0.0)
    expected = abs(weighting(np.array([hz]))[0]) / np.sinc(hz * step)
    assert two_sigma(out) == pytest.approx(0.9969 * expected, rel=0.01)


# -- small ones --------------------------------------------------------------------------------


def test_cents() -> None:
    # 3153.15 Hz for 3150: +0.1 %, 1200 log2(1.001) = 1.73 cents
    assert cents(3153.15 / 3150) == pytest.approx(1.73, abs=0.005)


def test_nominal_frequencies() -> None:
    sheet = LineupSheet(tones=(SheetTone(hz=997.0), SheetTone(hz=8500.0)))
    assert nominal_hz(1009.0, LineupSheet()) == 1000.0
    assert nominal_hz(1009.0, sheet) == 997.0
    assert nominal_hz(8400.0, sheet) == 8500.0
    assert nominal_hz(3060.0, LineupSheet()) == 3000.0  # nearer than 3150
    assert nominal_hz(440.0, LineupSheet()) is None
    assert [step_db(x) for x in (-9.2, 0.4, -22.0, -15.0, 6.0)] == [-10, 0, -20, 0, 0]


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
@pytest.mark.parametrize("hz", [31.5, 997.0, 15_000.0])
def test_the_demodulator_gives_amplitude_and_phase(rate_hz: int, hz: float) -> None:
    n = np.arange(3 * 16_384)
    x = (0.25 * np.cos(2 * np.pi * hz * n / rate_hz + 1.0))[None].astype(np.float32)
    values = Demodulator(hz, rate_hz).feed(x, 0)[0]
    mean = values.mean()
    assert len(values) == 3 * 16_384 // hop_frames(rate_hz, hz) - 1
    allowed = 0.04 if hz < 100 else 2e-5  # the image of a low tone is smoothed away later
    assert abs(mean) == pytest.approx(0.25, rel=allowed)
    assert np.angle(mean) == pytest.approx(1.0, abs=allowed)


def test_droop_is_the_hann_windows() -> None:
    # Harris 1978: a Hann window loses 1.42 dB half a bin off (bin: one over its length)
    assert 20 * math.log10(droop(0.25 / 0.004, 0.004)) == pytest.approx(-1.42, abs=0.01)


@settings(max_examples=30)
@given(
    begins=st.integers(100, 400),
    length=st.integers(400, 900),
    step=st.sampled_from([-20.0, -10.0, -1.0, 1.0, 6.0]),
)
def test_stretches_end_where_the_level_steps(begins: int, length: int, step: float) -> None:
    level = np.full(begins + 2 * length + 200, -35.0)
    level[begins : begins + length] = 0.0
    level[begins + length : begins + 2 * length] = step
    rng = np.random.default_rng(begins)
    level += rng.normal(0, 0.05, len(level))
    found = steady_stretches(level, 0.003, 1000.0)
    edges = {s.start for s in found} | {s.stop for s in found}
    for place in (begins, begins + length, begins + 2 * length):
        assert min(abs(place - edge) for edge in edges) <= 3
