"""All tracks that stop in one moment under programme that never rests."""

from __future__ import annotations

import numpy as np
import pytest
from dropouts_kit import run
from numpy.typing import NDArray

from checks.model import Finding, Samples, Verdict

RATE = 48_000
AT = 4 * RATE
Floats = NDArray[np.float64]


def _swelling(tracks: int, seconds: float = 8.0) -> Floats:
    """Noise as of strings, louder and softer, and no rest: full scale 1.0."""
    rng = np.random.default_rng(3)
    frames = round(seconds * RATE)
    x = rng.standard_normal((tracks, frames))
    f = np.fft.rfftfreq(frames, 1 / RATE)
    x = np.fft.irfft(np.fft.rfft(x) / (1 + (f / 800) ** 2), frames)
    turns = np.arange(frames) / RATE / 2.3 + rng.random((tracks, 1))
    return np.asarray(x / x.std() * 0.05 * 10 ** (0.3 * np.sin(2 * np.pi * turns)))


def _words(played: Floats, gain: Floats) -> Samples:
    """With hiss of -62 dBFS; what is left without the tape is electronics at -72 (10 dB less)."""
    rng = np.random.default_rng(4)
    hiss, bare = (rng.standard_normal(played.shape) * 10 ** (db / 20) for db in (-65, -75))
    words = np.rint(((played + hiss) * gain + bare) * 2**23).clip(-(2**23), 2**23 - 1)
    return (words.astype(np.int64) << 8).astype(np.int32)


def _gain(frames: int, first: int, last: int) -> Floats:
    gain = np.ones(frames)
    gain[first:last] = 0.0
    return np.convolve(gain, np.ones(48) / 48, "same")  # 1 ms


def _told(x: Samples) -> list[Finding]:
    kinds = ("cut-start", "cut-end", "not-judged", "step")
    return [f for f in run(x, RATE).findings if f.kind not in kinds]


@pytest.mark.parametrize("frames", [RATE // 10, RATE, 9 * RATE])
@pytest.mark.parametrize("tracks", [1, 2, 5])
def test_all_tracks_that_stop_in_one_moment(tracks: int, frames: int) -> None:
    played = _swelling(tracks)
    assert _told(_words(played, np.ones(played.shape[1]))) == []
    (found,) = _told(_words(played, _gain(played.shape[1], AT, AT + frames)))
    assert (found.kind, found.verdict) == ("signal-lost", Verdict.LISTEN)
    assert found.tracks == tuple(range(tracks))
    assert found.start_frame == pytest.approx(AT, abs=0.005 * RATE)
    assert found.frames == pytest.approx(min(frames, played.shape[1] - AT), abs=0.01 * RATE)


def test_zeros_are_told_as_zeros() -> None:
    played = _swelling(3)
    x = _words(played, np.ones(played.shape[1]))
    x[:, AT : AT + RATE] = 0
    assert [f.kind for f in _told(x)] == ["zero-run"]
    faded = _words(played, np.clip(1.0 - (np.arange(played.shape[1]) - AT) / RATE, 0.0, 1.0))
    faded[:, AT + RATE :] = 0
    assert not [f for f in _told(faded) if "programme_fall_db" in f.values]


def test_dry_claps_are_no_loss() -> None:
    """Sounds that stop within a millisecond on all tracks, but to the hiss of the rests."""
    played = _swelling(2)
    heard = np.zeros(played.shape[1])
    for first in (RATE, 3 * RATE, 5 * RATE):
        heard[first : first + RATE // 2] = 1.0
    played *= np.convolve(heard, np.ones(48) / 48, "same")
    assert "signal-lost" not in {f.kind for f in _told(_words(played, np.ones(played.shape[1])))}


@pytest.mark.parametrize("which", ["one track stops", "a tone stops", "it stops all the time"])
def test_what_is_played_so_is_no_loss_of_all_tracks(which: str) -> None:
    played = _swelling(3)
    gain = np.ones(played.shape)
    if which == "one track stops":
        gain[1] = _gain(played.shape[1], AT, AT + RATE)
    if which == "a tone stops":  # no generator's level moves
        played[:] = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(played.shape[1]) / RATE)
        played *= _gain(played.shape[1], AT, AT + RATE)
    if which == "it stops all the time":
        for first in range(RATE, 7 * RATE, RATE):
            played *= _gain(played.shape[1], first, first + RATE // 2)
    everything = [f for f in _told(_words(played, gain)) if len(f.tracks) == 3]
    assert "signal-lost" not in {f.kind for f in everything}


def test_players_who_stop_together_within_20_ms_have_lost_nothing() -> None:
    played = _swelling(4)
    stop = np.clip((AT - np.arange(played.shape[1])) / (0.02 * RATE) + 1.0, 0.0, 1.0)
    assert "signal-lost" not in {f.kind for f in _told(_words(played * stop, np.ones(len(stop))))}


@pytest.mark.parametrize(("stops", "told"), [((4.0,), 1), ((2.5, 5.5), 0)])
def test_a_single_player_who_stops_again_has_lost_nothing(
    stops: tuple[float, ...], told: int
) -> None:
    """One track to the hiss of its tape, for which no rest speaks, and back, within 1 ms."""
    played = 2.0 * _swelling(1)
    for at_s in stops:
        played *= _gain(played.shape[1], round(at_s * RATE), round((at_s + 1.2) * RATE))
    x = _words(played, np.ones(played.shape[1]))
    assert [f.kind for f in _told(x)] == ["signal-lost"] * told
