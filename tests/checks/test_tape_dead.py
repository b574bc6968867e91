"""A track that dies where no hiss was ever heard of it: programme covers it on all tracks."""

from __future__ import annotations

import numpy as np
import pytest
from dropouts_kit import of, run
from numpy.typing import NDArray
from scipy import signal

from checks.dropouts._tape._dead import _is_told
from checks.dropouts._tape._findings import made
from checks.model import Remedy, Verdict


def talk(rate_hz: int, tracks: int, seconds: float) -> NDArray[np.float64]:
    """Noise in the band of speech, that swells a few times a second, over hiss of -55 dBFS."""
    rng, frames = np.random.default_rng(1), int(rate_hz * seconds)
    band = signal.butter(2, [200, 3_500], "bandpass", output="sos", fs=rate_hz)
    slow = signal.butter(2, 4, output="sos", fs=rate_hz)
    out = np.empty((tracks, frames))
    for row in out:
        voice = signal.sosfilt(band, rng.standard_normal(frames))
        swell = np.abs(signal.sosfilt(slow, rng.standard_normal(frames)))
        row[:] = 0.3 * voice / np.abs(voice).max() * swell / swell.max()
        row += 10 ** (-55 / 20) * rng.standard_normal(frames)
    return out


@pytest.mark.parametrize(("rate_hz", "tracks"), [(48_000, 2), (96_000, 3), (192_000, 2)])
@pytest.mark.parametrize("noise_db", [-105.0, -112.0])
def test_a_track_that_dies_down_to_converter_noise_is_lost(
    rate_hz: int, tracks: int, noise_db: float
) -> None:
    x = talk(rate_hz, tracks, 6.0)
    start, ramp = 4 * rate_hz, rate_hz // 33
    x[0, start : start + ramp] *= np.linspace(1, 0, ramp)
    x[0, start + ramp :] = 0
    x[0] += 10 ** (noise_db / 20) * np.random.default_rng(2).standard_normal(x.shape[1])
    (found,) = of(run(np.rint(x * 2**23).astype(np.int32) << 8, rate_hz), "signal-lost")
    assert (found.verdict, found.tracks) == (Verdict.REDO, (0,))
    assert abs((found.start_frame or 0) - start) <= 0.3 * rate_hz


def test_a_track_that_was_as_quiet_before_has_not_died() -> None:
    x = talk(48_000, 2, 8.0)
    for first in (1, 3, 5):
        x[0, first * 48_000 : (first + 1) * 48_000] = 0
    x[0, 7 * 48_000 :] = 0
    x[0] += 10 ** (-105 / 20) * np.random.default_rng(2).standard_normal(x.shape[1])
    outcome = run(np.rint(x * 2**23).astype(np.int32) << 8, 48_000)
    assert not [
        f for f in of(outcome, "signal-lost") if f.start_frame and f.start_frame > 6 * 48_000
    ]


@pytest.mark.parametrize("power", [1.0, 2.0, 4.0])
@pytest.mark.parametrize("tracks", [(0,), (0, 1, 2)])
def test_what_is_faded_out_has_not_died(power: float, tracks: tuple[int, ...]) -> None:
    """On a copy, down to a converter's noise: a drone, or all tracks, loud ones the latest."""
    rate_hz = 48_000
    x = talk(rate_hz, 3, 9.0) * np.array([[0.03], [0.3], [3.0]])
    if tracks == (0,):
        x[0] = 0.05 * np.sin(2 * np.pi * 440 * np.arange(x.shape[1]) / rate_hz)
    x[list(tracks)] *= np.clip((8.0 - np.arange(x.shape[1]) / rate_hz) / 3.0, 0, 1) ** power
    x += 10 ** (-110 / 20) * np.random.default_rng(2).standard_normal(x.shape)
    findings = run(np.rint(x * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int32) << 8, rate_hz)
    assert not of(findings, "signal-lost")
    # nor does hiss before the fade begin in full programme because it lies over what is left
    assert not of(findings, "cut-start") or tracks == (0,)


def test_several_tracks_that_die_together_are_told_once() -> None:
    x = talk(48_000, 6, 8.0)
    x[[1, 2, 5], 5 * 48_000 :] = 0
    x[5, 240_000:252_000] = x[0, 240_000:252_000]  # a quarter of a second later than the others
    x[3, 7 * 48_000 :] = 0
    x += 10 ** (-110 / 20) * np.random.default_rng(2).standard_normal(x.shape)
    found = of(run(np.rint(x * 2**23).astype(np.int32) << 8, 48_000), "signal-lost")
    assert [f.tracks for f in found] == [(1, 2, 5), (3,)]
    assert found[0].frames == pytest.approx(3 * 48_000, abs=0.3 * 48_000)


@pytest.mark.parametrize(("track", "frame", "told"), [(1, 663_552, True), (0, 663_552, False)])
def test_a_loss_that_is_known_but_not_to_the_very_end_is_told_once(
    track: int, frame: int, told: bool
) -> None:
    lost = made("signal-lost", Verdict.REDO, Remedy.REPLAY, (1, 2), 655_360, 1_302_528, "lost", {})
    assert _is_told([lost], track, frame, near=48_000) is told
    assert not _is_told([lost], track, frame + 48_000, near=48_000)


def _strings(tracks: int, seconds: float, rate_hz: int) -> NDArray[np.float64]:
    """Notes that decay and follow closely: no tape, so that only a converter is heard over them."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    out = np.zeros((tracks, len(t)))
    for k, row in enumerate(out):
        for at_s in np.arange(0.1 * k, seconds, 0.6 + 0.07 * k):
            s = np.maximum(t - at_s, 0.0)
            tone = sum(np.sin(2 * np.pi * (150 + 70 * k) * h * s) / h**2 for h in range(1, 9))
            row += 0.1 * tone * np.exp(-4 * s) * np.minimum(s / 0.004, 1.0)
    return out


@pytest.mark.parametrize(("tracks", "noise_db"), [(2, -120.0), (4, -108.0)])
def test_a_track_that_rests_where_no_tape_hisses_has_not_died(tracks: int, noise_db: float) -> None:
    """What is left was heard above 8 kHz all along, on it and on the others."""
    x = _strings(tracks, 9.0, 48_000)
    x[-1] *= np.clip((7.0 - np.arange(x.shape[1]) / 48_000) / 0.2, 0.0, 1.0)
    x += 10 ** (noise_db / 20) * np.random.default_rng(2).standard_normal(x.shape)
    assert not of(run(np.rint(x * 2**23).astype(np.int32) << 8, 48_000), "signal-lost")


def test_where_no_hiss_tells_a_person_decides_whether_a_track_has_died() -> None:
    """Breath that never rests covers whatever lies under it on both tracks."""
    rng, frames = np.random.default_rng(3), 9 * 48_000
    t = np.arange(frames) / 48_000
    x = 0.02 * rng.standard_normal((2, frames)) * (1.2 + np.sin(9 * t + np.array([[0.0], [2.0]])))
    x[1] *= np.clip((6.0 - t) / 0.03, 0.0, 1.0)
    x += 10 ** (-112 / 20) * rng.standard_normal(x.shape)
    (found,) = of(run(np.rint(x * 2**23).astype(np.int32) << 8, 48_000), "signal-lost")
    assert (found.verdict, found.tracks) == (Verdict.LISTEN, (1,))
    assert "no hiss is heard that would tell" in found.text
