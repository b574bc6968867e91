"""Stretches without tape: those that are in order, and those in which all tracks were lost."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from synth import programme
from taping import taped

from checks.dropouts._tape._at_once import HISS_DB, REACH_HOPS, Moments
from checks.dropouts._tape._bands import ABOVE, HISS
from checks.model import Finding, Verdict
from checks.sheet import NoiseReduction, Sheet, Tape
from sample_captures.noise import amplifier_curve, noise

RATE = 48_000
PLAIN = Sheet(tape=Tape(speed_cm_s=38.1, noise_reduction=NoiseReduction.NONE))
Gains = NDArray[np.float64]


def _plain(kind: str, seconds: float = 10.0, *, level_dbfs: float = -9.0) -> Gains:
    """What the tape gives, full scale 1.0: hiss of -62, and no electronics to speak of."""
    x = programme(kind, rate_hz=RATE, tracks=3, seconds=seconds, seed=3, hiss_dbfs=-62.0,
                  level_dbfs=level_dbfs, amplifier_db=-50.0)  # fmt: skip
    return x / 2.0**31


def _told(tape: Gains, gain: Gains) -> list[Finding]:
    """Findings where the tape is heard by ``gain``; the electronics go on at -72 dBFS."""
    rng = np.random.default_rng(8)
    floor = [noise(rng, tape.shape[1], RATE, amplifier_curve, -72.0) for _ in tape]
    words = np.rint((tape * gain + np.stack(floor)) * 2**23).clip(-(2**23), 2**23 - 1)
    found = taped((words.astype(np.int64) << 8).astype(np.int32), RATE, PLAIN).findings
    return [f for f in found if f.kind != "not-judged"]


def _gone(frames: int, first_s: float, last_s: float = 99.0, *, fall_s: float = 0.001) -> Gains:
    """A gain that goes down from ``first_s`` within ``fall_s``, and is up again at ``last_s``."""
    t = np.arange(frames) / RATE
    return np.clip(np.maximum((first_s - t) / fall_s + 1.0, (t - last_s) / fall_s), 0.0, 1.0)


def _rest(tape: Gains, first_s: float, last_s: float) -> Gains:
    """The same tape with nothing but hiss of -62 between two times."""
    rng = np.random.default_rng(9)
    hiss = np.stack([rng.standard_normal(tape.shape[1]) for _ in tape]) * 10 ** (-65 / 20)
    over = _gone(tape.shape[1], first_s, last_s, fall_s=0.05)
    return np.asarray(tape * over + hiss * (1.0 - over))


@pytest.mark.parametrize("level_dbfs", [-9.0, -34.0])
@pytest.mark.parametrize("length_s", [0.6, 1.5, 3.0])
def test_all_tracks_gone_for_a_while_in_the_midst_of_programme(
    level_dbfs: float, length_s: float
) -> None:
    tape = _plain("bowed", level_dbfs=level_dbfs)
    (found,) = _told(tape, _gone(tape.shape[1], 4.5, 4.5 + length_s))
    assert (found.kind, found.verdict, found.tracks) == ("signal-lost", Verdict.LISTEN, (0, 1, 2))
    assert found.start_frame == pytest.approx(4.5 * RATE, abs=0.01 * RATE)
    assert found.values["length_s"] == pytest.approx(length_s, abs=0.02)


def test_all_tracks_gone_for_a_third_of_a_second_are_a_dip_of_all() -> None:
    tape = _plain("bowed")
    (found,) = _told(tape, _gone(tape.shape[1], 4.5, 4.8))
    assert (found.kind, found.tracks) == ("level-dip", (0, 1, 2))


def _spun(tape: Gains, stop_s: float, down_s: float, stand_s: float, up_s: float) -> Gains:
    """The same tape stopped and started: pitch and level follow its speed, in straight ramps."""
    frames = tape.shape[1] + round((stand_s + 0.5 * (down_s + up_s)) * RATE)
    knots = np.cumsum([stop_s, down_s, stand_s, up_s]) * RATE
    speed = np.interp(np.arange(frames), knots, [1.0, 0.0, 0.0, 1.0])
    place = np.minimum(np.cumsum(speed), tape.shape[1] - 1)
    grid = np.arange(tape.shape[1])
    return np.stack([np.interp(place, grid, row) for row in tape]) * speed


@pytest.mark.parametrize("kind", ["bowed", "plucks", "organ"])
@pytest.mark.parametrize(("down_s", "up_s"), [(0.25, 0.7), (0.5, 1.2), (1.0, 0.5)])
def test_a_tape_that_stops_and_starts_in_the_midst_of_programme_is_listened_to(
    kind: str, down_s: float, up_s: float
) -> None:
    """A machine's ramps take tenths of a second and more (common practice)."""
    tape = np.pad(_plain(kind, 9.0), ((0, 0), (RATE, 0)))
    hiss = np.random.default_rng(4).standard_normal((3, RATE)) * 10 ** (-65 / 20)
    tape[:, :RATE] = hiss  # as before the first note
    spun = _spun(tape, 5.5, down_s, 3.0, up_s)
    (found,) = _told(spun, np.ones(spun.shape[1]))
    assert (found.kind, found.verdict, found.tracks) == ("signal-lost", Verdict.LISTEN, (0, 1, 2))
    assert 5.4 <= (found.start_frame or 0) / RATE <= 5.5 + down_s


@pytest.mark.parametrize("kind", ["bowed", "plucks", "organ"])
def test_a_tape_that_stops_for_a_moment_only_is_no_lift(kind: str) -> None:
    tape = np.pad(_plain(kind, 9.0), ((0, 0), (RATE, 0)))
    tape[:, :RATE] = np.random.default_rng(4).standard_normal((3, RATE)) * 10 ** (-65 / 20)
    spun = _spun(tape, 5.5, 0.3, 0.5, 0.3)
    (found,) = _told(spun, np.ones(spun.shape[1]))
    assert (found.kind, found.verdict, found.tracks) == ("signal-lost", Verdict.LISTEN, (0, 1, 2))
    assert 5.3 <= (found.start_frame or 0) / RATE <= 5.8
    assert "the tape stopped" in found.text


def test_so_short_a_gap_in_a_rest_is_no_leader() -> None:
    tape = _rest(_plain("bowed"), 4.0, 6.5)
    (found,) = _told(tape, _gone(tape.shape[1], 5.2, 5.9))
    assert (found.kind, found.verdict) == ("signal-lost", Verdict.LISTEN)


@pytest.mark.parametrize("times", [1, 2])
@pytest.mark.parametrize(
    ("gone_s", "back_s", "leader"),
    [
        (0.5, 2.5, True),
        (0.5, 2.9, False),  # the next note comes at once
        (0.25, 2.5, False),  # the last one has just ended
    ],
)
def test_what_goes_and_comes_back_in_one_moment_is_leader_in_a_rest_or_if_it_recurs(
    gone_s: float, back_s: float, leader: bool, times: int
) -> None:
    """Leader is cut in with some hiss before and behind it (common practice)."""
    tape = _plain("bowed", 16.0)
    gain = np.ones(tape.shape[1])
    for first_s in (4.0, 10.0)[:times]:
        tape = _rest(tape, first_s, first_s + 3.0)
        gain *= _gone(tape.shape[1], first_s + gone_s, first_s + back_s)
    kinds = [f.kind for f in _told(tape, gain)]
    assert kinds == (["no-tape"] * times if leader or times > 1 else ["signal-lost"])


def test_quiet_programme_that_breaks_off_for_good_is_listened_to() -> None:
    tape = _plain("bowed", level_dbfs=-34.0)
    found = _told(tape, _gone(tape.shape[1], 5.0))
    assert [(f.kind, f.verdict) for f in found] == [
        ("no-tape", Verdict.CLEAR),
        ("cut-end", Verdict.LISTEN),
    ]
    assert found[1].start_frame == pytest.approx(5.0 * RATE, abs=0.01 * RATE)


@pytest.mark.parametrize(
    ("rest_s", "how", "long_s", "asks"),
    [
        (0.35, "at once", 40.0, True),
        (0.6, "at once", 10.0, False),  # the recorder is stopped soon
        (0.6, "at once", 40.0, True),
        (2.0, "at once", 40.0, False),  # nobody leaves so much hiss in the midst of a piece
        (0.6, "one after the other", 40.0, False),  # 8 mm apart, cut at 45 degrees, 38 cm/s: 21 ms
        (0.6, "slowly", 40.0, False),  # a machine that stops
    ],
)
def test_all_tracks_that_go_behind_the_last_note(
    rest_s: float, how: str, long_s: float, asks: bool
) -> None:
    tape = _rest(_plain("bowed"), 5.0, 99.0)
    tape = np.pad(tape, ((0, 0), (0, round(long_s * RATE) - tape.shape[1])))
    at_s, frames = 5.0 + rest_s, tape.shape[1]
    gain = _gone(frames, at_s, fall_s=0.3 if how == "slowly" else 0.001)
    if how == "one after the other":
        gain = np.stack([_gone(frames, at_s + 0.021 * k, fall_s=0.006) for k in range(3)])
    asked = [f for f in _told(tape, gain) if f.verdict is not Verdict.CLEAR]
    assert [(f.kind, f.verdict) for f in asked] == [("signal-lost", Verdict.LISTEN)] * asks


@pytest.mark.parametrize("cuts", [(), (700,), (88, 128, 800)])
def test_moments_do_not_depend_on_how_the_hops_were_cut(cuts: tuple[int, ...]) -> None:
    energies = np.random.default_rng(1).gamma(1.0, 1e-6, (9, 2, 1024)).astype(np.float32)
    energies[:, :, 400:720] *= 0.03  # 15 dB
    moments = Moments([0, 1], slice(HISS, ABOVE), HISS_DB)
    for first, last in zip((0, *cuts), (*cuts, 1024), strict=True):
        begin, end = max(0, first - REACH_HOPS), min(1024, last + REACH_HOPS)
        moments.look(energies[:, :, begin:end], first - begin, last - begin, begin)
    gone, back = moments.near(400, 40), moments.near(720, 40, back=True)
    assert gone is not None
    assert back is not None
    assert (gone.hop, back.hop) == (pytest.approx(400, abs=2), pytest.approx(720, abs=2))
    assert gone.fall_db == pytest.approx(15.2, abs=2.0)
    assert moments.near(560, 100) is None


@pytest.mark.parametrize(("falling", "told"), [(8, True), (7, True), (6, False), (2, False)])
@pytest.mark.parametrize("left", [0.03, 0.0])  # 15 dB, zeros
def test_what_falls_on_some_tracks_alone_is_no_moment_of_all(
    falling: int, left: float, told: bool
) -> None:
    energies = np.random.default_rng(1).gamma(1.0, 1e-6, (9, 8, 1024)).astype(np.float32)
    energies[:, :falling, 400:] *= left
    moments = Moments(range(8), slice(HISS, ABOVE), HISS_DB)
    moments.look(energies, 0, 1024, 0)
    assert (moments.near(400, 40) is not None) is told


@pytest.mark.parametrize(("tracks", "dead"), [(2, 1), (4, 1), (8, 2), (24, 4)])
def test_a_dead_track_cannot_fall(tracks: int, dead: int) -> None:
    energies = np.random.default_rng(1).gamma(1.0, 1e-6, (9, tracks, 1024)).astype(np.float32)
    energies[:, dead:, 400:] *= 0.01
    energies[:, :dead] *= 0.005
    moments = Moments(range(tracks), slice(HISS, ABOVE), HISS_DB)
    moments.look(energies, 0, 1024, 0)
    assert moments.near(400, 40) is not None
