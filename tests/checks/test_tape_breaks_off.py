"""Signals that are lost in full programme, while some of what others play leaks into them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from taping import taped

from checks.dropouts._tape._cut_off import CutOffs
from checks.dropouts._tape._cuts import cut_ends
from checks.dropouts._tape._fades import faded
from checks.dropouts._tape._floors import ENTRY_HOPS, PARTS, LevelHistory
from checks.dropouts._tape._motion import course
from checks.model import Finding, Samples, Verdict

RATE = 48_000
AT = 6 * RATE
Floats = NDArray[np.float64]


def _plays(tracks: int, *, rests: bool, seconds: float = 12.0) -> Floats:
    """Noise as of strings that swells, on each track by itself; around 1.25 s they may rest."""
    rng = np.random.default_rng(6)
    frames = round(seconds * RATE)
    f = np.fft.rfftfreq(frames, 1 / RATE)
    x = np.fft.irfft(np.fft.rfft(rng.standard_normal((tracks, frames))) / (1 + f / 400), frames)
    turns = np.arange(frames) / RATE / 2.3 + rng.random((tracks, 1))
    x *= 0.05 / x.std() * 10 ** (0.3 * np.sin(2 * np.pi * turns))
    if rests:
        t = np.arange(frames) / RATE
        x *= np.clip(np.abs(t - 1.25) / 0.15 - 4.0, 0.0, 1.0)
    return np.asarray(x + rng.standard_normal(x.shape) * 10 ** (-62 / 20))


def _lost(x: Floats, tracks: tuple[int, ...], fall_s: float = 0.005) -> Samples:
    """Down by 60 dB, to a sixtieth of what leaks in (common practice: wires lie that far apart)."""
    y = x.copy()
    gain = 10 ** (-3 * np.clip((np.arange(x.shape[1]) - AT) / (fall_s * RATE), 0.0, 1.0))
    y[list(tracks)] *= gain
    y += np.random.default_rng(7).standard_normal(y.shape) * 10 ** (-110 / 20)
    return (np.rint(y * 2**23).clip(-(2**23), 2**23 - 1).astype(np.int64) << 8).astype(np.int32)


def _asked(x: Samples) -> list[Finding]:
    return [f for f in taped(x, RATE).findings if f.verdict is not Verdict.CLEAR]


@pytest.mark.parametrize("tracks", [1, 2, 4])
@pytest.mark.parametrize("rests", [False, True])
@pytest.mark.parametrize("fall_s", [0.005, 0.2])
def test_all_tracks_lost_in_full_programme(tracks: int, rests: bool, fall_s: float) -> None:
    """Hiss heard before shows slower losses, too; nor is one of 0.2 s drawn by hand."""
    if not rests and fall_s > 0.01:
        return
    x = _plays(tracks, rests=rests)
    assert not [f for f in _asked(_lost(x, ())) if f.kind not in ("cut-start", "cut-end")]
    lost = [f for f in _asked(_lost(x, tuple(range(tracks)), fall_s)) if f.kind != "cut-start"]
    (found,) = lost
    assert found.kind == ("cut-end" if rests else "signal-lost")
    assert found.verdict is Verdict.LISTEN
    assert found.tracks == tuple(range(tracks))
    assert found.start_frame == pytest.approx(AT, abs=0.01 * RATE + fall_s * RATE)


@pytest.mark.parametrize("rests", [False, True])
def test_one_track_that_is_lost_is_told_where_it_goes(rests: bool) -> None:
    """Not later, where what leaks in is less."""
    x = _plays(3, rests=rests)
    x[1] *= np.where(np.arange(x.shape[1]) < 9 * RATE, 1.0, 0.03)
    found = [f for f in _asked(_lost(x, (1,))) if not f.kind.startswith("cut")]
    assert [(f.kind, f.tracks) for f in found] == [("signal-lost", (1,))]
    assert found[0].start_frame == pytest.approx(AT, abs=0.15 * RATE)
    assert found[0].verdict is (Verdict.REDO if rests else Verdict.LISTEN)


@pytest.mark.parametrize("tracks", [(0,), (0, 1, 2)])
def test_what_is_lost_later_tells_no_rest_before_the_capture_begins(
    tracks: tuple[int, ...],
) -> None:
    """So programme that never rests is known by no more than that no hiss is as loud."""
    for rests, over in ((False, "the hiss of any tape"), (True, "the quiet of the tape")):
        x = _plays(3, rests=rests)
        (found,) = [f for f in _asked(_lost(x, tracks)) if f.kind == "cut-start"]
        assert found.tracks == (0, 1, 2)
        assert over in found.text


@pytest.mark.parametrize(
    ("way_down_db", "then", "deep"),
    [
        ([38.0, 32.0, 26.0, 20.0, 14.0, 9.0, 4.0], 30, True),
        ([25.0, 6.0, 1.0], 10, False),  # within 0.2 s
        ([25.0, 6.0, 1.0], 30, None),  # and then for seconds nobody stops the recorder
        ([5.0, 7.0, 5.0, 6.0, 4.0, 7.0], 30, False),  # at once, but for what leaks in
    ],
)
def test_somebody_who_fades_takes_his_time(
    way_down_db: list[float], then: int, deep: bool | None
) -> None:
    hiss = np.concatenate((np.full(60, 40.0), way_down_db, np.zeros(then)))
    body = np.concatenate((np.full(60, 70.0), np.linspace(50, 4, len(way_down_db)), np.zeros(then)))
    fade = faded(np.stack((body, hiss)).astype(np.float32)[:, None], 0.093)
    assert (fade.deep if fade else None) is deep


@pytest.mark.parametrize("lost", [True, False])
def test_nor_does_what_is_lost_on_a_track_of_which_nothing_is_told(lost: bool) -> None:
    """As timecode, where it goes with all others; what only stops leaves its hiss, and a rest."""
    level_db = np.concatenate((-25.0 + 5.0 * np.sin(np.arange(60)), np.full(30, -85.0)))
    history = LevelHistory(9, 1)
    parts = np.tile(10 ** (np.repeat(level_db, PARTS) / 10), (9, 1, 1)).astype(np.float32)
    history.append(parts)
    cut_offs = CutOffs(1)
    if lost:
        hops = np.repeat(parts[:, :, : 61 * PARTS], ENTRY_HOPS // PARTS, axis=2)
        cut_offs.look(hops, 0, hops.shape[2], 0)
    edges = (parts[:, :, :1].repeat(64, axis=2), parts[:, :, -1:].repeat(64, axis=2))
    way = course(history, [0], 0.093)
    told = cut_ends(
        history, way, [0], *edges, entry=1, frames=90, fade=90, cut_offs=cut_offs, told=[]
    )
    assert [f.kind for f in told] == ["cut-start"]
    assert ("the quiet of the tape" in told[0].text) is not lost
