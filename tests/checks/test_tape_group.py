"""What several tracks of a tape lose together, and what somebody turns down on all of them."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from damage_tape import clog, signal_lost
from dropouts_kit import run
from synth import programme

from checks.dropouts._tape._decoded import as_loud
from checks.dropouts._tape._lasting import Fall
from checks.model import Finding, Samples, Verdict

RATE = 48_000
REST, PLAYS = RATE, 6 * RATE  # a rest, what is played, a rest


def _tape(kind: str, seed: int, tracks: int) -> Samples:
    """Programme that is faded in half a second, between rests of 1 s; hiss goes on throughout."""
    x = programme(kind, rate_hz=RATE, tracks=tracks, seconds=6.0, seed=seed, hiss_dbfs=-130.0)
    fade = np.clip((PLAYS - np.arange(PLAYS)) / (0.5 * RATE), 0.0, 1.0)
    sound = np.pad(x[:, :PLAYS] * fade, ((0, 0), (REST, REST)))
    hiss = np.random.default_rng(seed).standard_normal(sound.shape) * 10 ** (-62 / 20) * 2**31
    return (np.rint((sound + hiss) / 256).astype(np.int64) << 8).astype(np.int32)


def _asked(x: Samples) -> list[Finding]:
    kinds = ("hf-loss", "signal-lost")
    found = [f for f in run(x, RATE).findings if f.kind in kinds]
    return [f for f in found if f.verdict is not Verdict.CLEAR]


@pytest.mark.parametrize("kind", ["drums", "plucks"])
@pytest.mark.parametrize(("tracks", "lost"), [(2, (1,)), (4, (0, 2)), (6, (1, 4, 5))])
def test_half_of_the_tracks_gone_before_the_others_end(
    kind: str, tracks: int, lost: tuple[int, ...]
) -> None:
    x = _tape(kind, 3, tracks)
    assert _asked(x) == []
    for late_s in (0.8, 2.0):  # that the others play on
        at = REST + PLAYS - round(late_s * RATE)
        gone = signal_lost(x, rate_hz=RATE, at=at, tracks=lost, floor_dbfs=-73.0).samples
        (found,) = _asked(gone)
        assert (found.kind, found.tracks) == ("signal-lost", lost)
        assert found.start_frame == pytest.approx(at, abs=0.3 * RATE)


@pytest.mark.parametrize("kind", ["plucks"])
def test_treble_lost_on_half_of_the_tracks_two_seconds_before_the_end(kind: str) -> None:
    x = _tape(kind, 3, 2)
    at = REST + PLAYS - 2 * RATE
    dirty = clog(x, rate_hz=RATE, at=at, ramp=RATE // 2, distance_um=8.0, tracks=(1,),
                 floor_dbfs=-74.0)  # fmt: skip
    (found,) = _asked(dirty.samples)
    assert (found.kind, found.tracks) == ("hf-loss", (1,))


@pytest.mark.parametrize("kind", ["drums", "plucks"])
@pytest.mark.parametrize("fade_s", [0.3, 1.0, 4.0])
def test_what_somebody_fades_on_all_tracks_is_no_loss(kind: str, fade_s: float) -> None:
    x = _tape(kind, 3, 4)[:, : REST + PLAYS].astype(np.float64)
    t = np.arange(x.shape[1]) / RATE
    x *= np.clip((t[-1] - 0.7 - t) / fade_s, 0.0, 1.0)
    x += np.random.default_rng(1).standard_normal(x.shape) * 10 ** (-85 / 20) * 2**31
    assert _asked((np.rint(x / 256).astype(np.int64) << 8).astype(np.int32)) == []


@pytest.mark.parametrize(("lost", "how"), [((0, 1), "at once"), ((1,), "within")])
def test_what_is_played_may_cover_the_moment_in_which_the_treble_falls(
    lost: tuple[int, ...], how: str
) -> None:
    """Noise of -30 dBFS is played on one track while two heads clog: one event of both."""
    at = 5 * RATE // 2
    x = _tape("plucks", 3, 3).astype(np.float64)
    played = np.random.default_rng(5).standard_normal(5 * RATE // 2) * 10 ** (-30 / 20) * 2**31
    x[1, 3 * RATE // 2 : 4 * RATE] += played
    dirty = clog((np.rint(x / 256).astype(np.int64) << 8).astype(np.int32), rate_hz=RATE, at=at,
                 ramp=RATE // 100, distance_um=8.0, tracks=lost, floor_dbfs=-74.0)  # fmt: skip
    (found,) = _asked(dirty.samples)
    assert (found.kind, found.tracks) == ("hf-loss", lost)
    assert f"The treble falls {how}" in found.text
    assert not found.values["slow"]
    latest = at if 0 in lost else 4 * RATE
    assert at - 0.3 * RATE <= (found.start_frame or 0) <= latest + 0.4 * RATE


@pytest.mark.parametrize(("kind", "tracks", "seed"), [("plucks", 2, 3), ("drums", 2, 5)])
def test_treble_lost_on_all_tracks_while_they_play_on_is_no_decoder(
    kind: str, tracks: int, seed: int
) -> None:
    """A decoder follows the programme: it lets the hiss up again where that is loud."""
    x = _tape(kind, seed, tracks)
    clean = clog(x, rate_hz=RATE, at=REST + 3 * RATE, ramp=RATE // 100, distance_um=8.0,
                 floor_dbfs=-74.0).samples  # fmt: skip
    for back in (x.shape[1], REST + 6 * RATE):  # to the end, and for three seconds
        (found,) = _asked(np.concatenate((clean[:, :back], x[:, back:]), axis=1))
        assert (found.kind, found.tracks) == ("hf-loss", tuple(range(tracks)))
        assert found.verdict is Verdict.LISTEN


@pytest.mark.parametrize(
    ("plays", "quieter_db", "loud"),
    [(0.3, 2.0, True), (0.3, -3.0, True), (0.3, 8.0, False), (0.0, np.nan, False)],
)
def test_softer_programme_or_none_may_let_a_decoder_take_the_hiss_down(
    plays: float, quieter_db: float, loud: bool
) -> None:
    """Two decibels of hiss for one of programme: expanders of 1:2 (common practice)."""
    fall = SimpleNamespace(plays=plays, quieter_db=quieter_db, mean_db=12.0)
    assert as_loud(cast(Fall, fall)) is loud


@pytest.mark.parametrize(("seed", "at_s"), [(1, 3.3), (2, 2.5)])
def test_treble_that_falls_under_the_ring_of_what_is_played_falls_at_once(
    seed: int, at_s: float
) -> None:
    """The hiss is heard until it falls, in 10 ms; but not plainly how low it is by then.

    So it may be told as within the time of that, but not as slow.
    """
    dirty = clog(_tape("drums", seed, 2), rate_hz=RATE, at=round(at_s * RATE), ramp=RATE // 100,
                 distance_um=8.0, tracks=(1,), floor_dbfs=-74.0)  # fmt: skip
    (found,) = _asked(dirty.samples)
    assert re.search(r"The treble falls (at once|within [01]\.\d s),", found.text)
    assert not found.values["slow"]


@pytest.mark.parametrize(("ramp_s", "slow"), [(0.01, (False, None)), (1.5, (None, True))])
@pytest.mark.parametrize("um", [5.0, 15.0])
def test_a_slow_fall_is_not_told_as_at_once_nor_a_quick_one_as_slow(
    ramp_s: float, slow: tuple[bool | None, ...], um: float
) -> None:
    """The amplifier's noise, 10 dB under the hiss (common practice), hides most of the ramp."""
    hiss = np.random.default_rng(8).standard_normal((2, 9 * RATE)) * 10 ** (-62 / 20) * 2**31
    t = np.arange(9 * RATE) / RATE
    hiss += 0.02 * 2**31 * np.sin(2 * np.pi * 500 * t) * (np.sin(2 * np.pi * 0.5 * t) > 0)
    x = (np.rint(hiss / 256).astype(np.int64) << 8).astype(np.int32)
    dirty = clog(x, rate_hz=RATE, at=4 * RATE, ramp=round(ramp_s * RATE), distance_um=um,
                 tracks=(1,), floor_dbfs=-72.0)  # fmt: skip
    (found,) = _asked(dirty.samples)
    assert found.values["slow"] in slow
    assert ("at once" in found.text) == (ramp_s < 1.0)
    assert ("slowly" in found.text) == (found.values["slow"] is True)
