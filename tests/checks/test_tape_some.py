"""Signals lost on most tracks, or on all in tenths of a second, for a while or for good."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.dropouts._tape._at_once import Moment
from checks.dropouts._tape._stopped import _falling
from checks.model import Finding, Verdict

RATE = 48_000
SECONDS = 12.0
AT_S = 6.0
T = np.arange(round(SECONDS * RATE)) / RATE
Floats = NDArray[np.float64]


def _plays(tracks: int, *, rests: bool) -> Floats:
    """Strings that swell over hiss of -62 dBFS; around 1.5 s and 10.5 s they may rest."""
    rng = np.random.default_rng(6)
    f = np.fft.rfftfreq(len(T), 1 / RATE)
    x = np.fft.irfft(np.fft.rfft(rng.standard_normal((tracks, len(T)))) / (1 + f / 400), len(T))
    x *= 0.05 / x.std() * 10 ** (0.3 * np.sin(2 * np.pi * (T / 2.3 + rng.random((tracks, 1)))))
    if rests:
        for at_s in (1.5, 10.5):
            x *= np.clip(np.abs(T - at_s) / 0.1 - 6.0, 0.0, 1.0)
    return x


def _organ(tracks: int, *, rests: bool) -> Floats:
    """Tones under 4 kHz in place of the noise of strings: hiss is heard above them."""
    swells = _plays(tracks, rests=rests)
    power = np.array([np.convolve(row**2, np.ones(4096) / 4096, "same") for row in swells])
    tones = sum(np.sin(2 * np.pi * hz * T + hz) for hz in (220, 523, 880, 1318, 2093, 2637, 3520))
    return np.asarray(np.sqrt(power) * tones * 0.3)


def _lost(
    x: Floats, tracks: tuple[int, ...], fall_s: float, *, until_s: float = 99.0, left_db: float
) -> list[Finding]:
    """What is asked where tape and hiss of some tracks go, to a noise of ``left_db``."""
    rng = np.random.default_rng(8)
    y = x + rng.standard_normal(x.shape) * 10 ** (-62 / 20)
    gain = np.clip(1.0 - (T - AT_S) / fall_s, 0.0, 1.0)
    y[list(tracks)] *= np.maximum(gain, np.clip((T - until_s) / fall_s, 0.0, 1.0))
    y += rng.standard_normal(x.shape) * 10 ** (left_db / 20)
    words = (np.rint(y * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64) << 8).astype(np.int32)
    found = taped(words, RATE).findings
    near = [f for f in found if abs((f.start_frame or 0) / RATE - AT_S) < 0.5]
    return [f for f in near if f.verdict is not Verdict.CLEAR]


@pytest.mark.parametrize("tracks", [1, 2, 4])
@pytest.mark.parametrize("fall_s", [0.2, 0.3])
def test_all_that_falls_away_in_full_programme_to_less_than_any_tape_hisses(
    tracks: int, fall_s: float
) -> None:
    """Nobody fades so and lets the recorder run on; tapes hiss 50 to 80 dB down (common practice).

    Programme never rests, so that its hiss is not known.
    """
    x = _plays(tracks, rests=False)
    assert [(f.kind, f.tracks) for f in _lost(x, tuple(range(tracks)), fall_s, left_db=-110)] == [
        ("cut-end" if tracks > 1 else "signal-lost", tuple(range(tracks)))
    ]
    (found,) = _lost(x, tuple(range(tracks)), fall_s, until_s=8.0, left_db=-110)
    assert (found.kind, found.tracks) == ("signal-lost", tuple(range(tracks)))
    assert (found.frames or 0) / RATE == pytest.approx(2.0, abs=0.35)


@pytest.mark.parametrize("fall_s", [0.005, 0.25])
@pytest.mark.parametrize("left_db", [-74.0, -110.0])
def test_most_tracks_are_lost_for_a_while_where_another_plays_on(
    fall_s: float, left_db: float
) -> None:
    x = _plays(4, rests=True)
    (found,) = _lost(x, (0, 1, 2), fall_s, until_s=8.0, left_db=left_db)
    assert (found.kind, found.tracks) == ("signal-lost", (0, 1, 2))


@pytest.mark.parametrize("until_s", [8.0, 99.0])
def test_most_tracks_are_lost_where_another_only_hisses_on(until_s: float) -> None:
    """No machine stood still: it is not all tracks that are gone."""
    x = _plays(3, rests=True)
    x[2, (T > AT_S - 0.5) & (until_s + 0.5 > T)] = 0.0
    (found,) = _lost(x, (0, 1), 0.005, until_s=until_s, left_db=-74)
    assert (found.kind, found.tracks) == ("signal-lost", (0, 1))


def test_what_falls_slowly_and_comes_back_slowly_does_not_play_meanwhile() -> None:
    (found,) = _lost(_organ(2, rests=False), (0, 1), 0.3, until_s=8.0, left_db=-110)
    assert (found.kind, found.tracks) == ("signal-lost", (0, 1))


def test_what_goes_and_comes_back_with_a_lost_signal_is_no_treble_alone() -> None:
    x = np.concatenate((_plays(1, rests=True), 10 * _organ(2, rests=True)))
    (found,) = _lost(x, (0, 1), 0.25, until_s=8.0, left_db=-74)
    assert (found.kind, found.tracks) == ("signal-lost", (0, 1))


def test_a_track_without_a_rest_that_is_lost_as_well_shows_no_hiss() -> None:
    x = _plays(3, rests=False)
    x[0] = _plays(1, rests=True)[0]
    x[1] = np.random.default_rng(4).standard_normal(len(T)) * 0.05 * 4 ** np.sin(9 * T)
    (found,) = _lost(x, (0, 1), 0.25, until_s=8.0, left_db=-74)
    assert (found.kind, found.tracks) == ("signal-lost", (0,))


def test_a_track_that_rests_when_all_programme_stops_is_not_lost() -> None:
    levels = np.full((4, 40), -20.0)
    levels[:3, 20:] = -70.0
    levels[3] = -60.0
    moment = Moment(20 * 256 + 17, 37.0)
    assert _falling(levels, [0, 1, 4, 5], moment, 256) == [0, 1, 4]
    assert _falling(levels, [0, 1, 4, 5], Moment(30 * 256, 37.0), 256) == [0, 1, 4, 5]


@pytest.mark.parametrize("then_s", [0.5, 2.0])
def test_nobody_stops_a_recorder_as_soon_as_a_signal_is_lost(then_s: float) -> None:
    """Faded out within 0.2 s to the noise of the electronics, which is heard at first as well."""
    x = _plays(2, rests=True)
    x += np.random.default_rng(8).standard_normal(x.shape) * 10 ** (-62 / 20)
    x *= np.clip((T - 1.2) / 0.3, 0.0, 1.0)
    x *= np.clip((AT_S - T) / 0.2, 0.0, 1.0)
    x += np.random.default_rng(9).standard_normal(x.shape) * 10 ** (-74 / 20)
    x = x[:, : round((AT_S + then_s) * RATE)]
    words = (np.rint(x * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64) << 8).astype(np.int32)
    kinds = [f.kind for f in taped(words, RATE).findings if f.verdict is not Verdict.CLEAR]
    assert kinds == ([] if then_s < 1.0 else ["cut-end"])


def test_a_track_that_never_rested_goes_with_one_whose_hiss_is_known() -> None:
    x = _plays(3, rests=True)
    x[1] = _plays(2, rests=False)[1]
    (found,) = _lost(x, (0, 1), 0.005, until_s=8.0, left_db=-110)
    assert (found.kind, found.tracks) == ("signal-lost", (0, 1))
