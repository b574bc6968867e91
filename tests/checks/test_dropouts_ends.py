"""What goes on to the end of a capture, and what one fault explains of another's findings."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import damage
import numpy as np
import pytest
from dropouts_kit import run
from synth import programme

from checks.dropouts import explained
from checks.dropouts._edges import Meeting, described
from checks.model import CaptureFormat, Finding, Remedy, Samples, Verdict
from checks.sheet import Sheet, TrackEntry, TrackKind

RATE = 48_000


def _found(x: Samples, sheet: Sheet | None = None) -> list[Finding]:
    return [f for f in run(x, RATE, sheet=sheet).findings if f.verdict is not Verdict.CLEAR]


def _made(
    kind: str, start: int, frames: int, tracks: tuple[int, ...], times: int = 1, **values: Any
) -> Finding:
    return Finding(
        check="dropouts", kind=kind, verdict=Verdict.REDO, remedy=Remedy.REPLAY, tracks=tracks,
        start_frame=start, frames=frames, text=kind, values={"times": times, **values},
    )  # fmt: skip


@pytest.mark.parametrize(("tracks", "held"), [(1, True), (3, True), (3, False)])
def test_a_track_that_stops_long_before_the_end_is_one_finding_at_its_frame(
    tracks: int, held: bool
) -> None:
    x = programme("piano", rate_hz=RATE, tracks=tracks, seconds=9.0, seed=2)
    at = 4 * RATE  # five seconds before the end: longer than any history of samples
    plant = damage.hold if held else damage.zero_run
    (found,) = _found(plant(x, at=at, frames=x.shape[1] - at, tracks=(0,)).samples)
    kind = "held-value" if held else "zero-run"
    assert (found.kind, found.verdict, found.tracks) == (kind, Verdict.REDO, (0,))
    assert abs((found.start_frame or 0) - at) <= 1
    assert ("other tracks" in found.text) == (tracks > 1)


def test_a_value_that_all_tracks_settle_at_is_no_hold() -> None:
    x = programme("piano", rate_hz=RATE, tracks=2, seconds=4.0, seed=2).astype(np.float64)
    x *= np.clip(np.linspace(4, -1, x.shape[1]), 0, 1)
    settled = (np.rint(x / 256).astype(np.int32) + 300) << 8  # an offset of -89 dBFS
    assert _found(settled) == []


def test_a_click_track_from_tape_may_lose_samples_like_any_other() -> None:
    x = programme("clicktrack", rate_hz=RATE, tracks=2, seconds=4.0, seed=2)
    sheet = Sheet(tracks=(TrackEntry(kind=TrackKind.CLICK), TrackEntry(kind=TrackKind.UNUSED)))
    for track, kinds in ((0, ["zero-run"]), (1, [])):
        planted = damage.zero_run(x, at=100_000, frames=60, tracks=(track,))
        assert [f.kind for f in _found(planted.samples, sheet)] == kinds


def test_a_fault_explains_what_it_makes_on_its_own_tracks_only() -> None:
    zeros = _made("zero-run", 100_000, 20_000, (0, 1))
    within = [
        _made("repeated-block", 101_000, 5_000, (0,)),
        _made("contact-loss", 99_000, 22_000, (1,)),
        _made("level-dip", 100_000, 20_000, (0, 1)),
    ]
    assert explained([zeros, *within], RATE) == [zeros]
    others = [
        _made("repeated-block", 101_000, 5_000, (0, 2)),
        _made("repeated-block", 119_000, 5_000, (0,)),
        _made("contact-loss", 300_000, 1_000, (0,)),
        _made("signal-lost", 100_000, 400_000, (0,)),
    ]
    assert explained([zeros, *others], RATE) == [zeros, *others]
    twice = _made("zero-run", 100_000, 90_000, (0, 1), times=2)  # and what lies between them
    between = _made("repeated-block", 150_000, 64, (0, 1))
    assert explained([twice, between], RATE) == [twice, between]
    tail = _made("held-value", 100_000, 400_000, (0,))
    assert explained([tail, _made("signal-lost", 98_000, 402_000, (0,))], RATE) == [tail]
    unfinished = _made("unfinalised", 100_000, 400_000, ())  # of all tracks: none is named
    lost = _made("signal-lost", 98_000, 402_000, (0,))
    assert explained([lost, unfinished], RATE) == [unfinished]
    earlier = _made("signal-lost", 40_000, 460_000, (0,))
    assert explained([earlier, unfinished], RATE) == [earlier, unfinished]


def test_a_mute_explains_the_jumps_at_its_ramps() -> None:
    mute = _made("zero-run", 100_000, 2_000, (0, 1))
    for at, tracks, told in ((98_500, (0,), False), (90_000, (0,), True), (98_500, (0, 2), True)):
        jump = replace(_made("step", at, 3_600, tracks), verdict=Verdict.LISTEN)
        assert (jump in explained([mute, jump], RATE)) is told
    proven = _made("step", 99_000, 1, (0,))
    assert proven in explained([mute, proven], RATE)


@pytest.mark.parametrize(("lag", "told"), [(160_058, False), (150_000, True)])
def test_what_was_put_in_before_its_original_is_told_where_it_was_put_in(
    lag: int, told: bool
) -> None:
    put_in = _made("step", 500_000, 58, (0, 1), cause="inserted")
    again = _made("repeated-block", 660_058, 58, (0, 1), lag_frames=lag)
    assert (again in explained([put_in, again], RATE)) is told


def test_a_fault_explains_only_the_dips_beside_it() -> None:
    mute = _made("zero-run", 60 * RATE, 5 * RATE, (0,))
    places = [60 * RATE, 119 * RATE]
    joined = _made("zero-run", 60 * RATE, 60 * RATE, (0,), times=2, start_frames=places)
    for fault, at_s, told in ((mute, 60.01, False), (mute, 70.0, True), (joined, 80.0, True)):
        loss = _made("contact-loss", int(at_s * RATE), RATE // 50, (0,))
        assert (loss in explained([fault, loss], RATE)) is told


@pytest.mark.parametrize("rate_hz", [44_100, 88_200, 192_000])
@pytest.mark.parametrize("swells", [False, True])
def test_behind_a_mute_the_hiss_no_longer_grows(rate_hz: int, swells: bool) -> None:
    frames = rate_hz // 5
    t = np.arange(frames) / rate_hz
    x = np.random.default_rng(1).standard_normal(frames) * 2e-4
    if swells:
        x += 0.02 * (t / 0.1) ** 2 * np.sin(2 * np.pi * 200 * t)
    fmt = CaptureFormat(rate_hz=rate_hz, channels=1, word_length=24)
    for ramp_s, low, high in ((0.021, 0.5, 2.0), (0.3, 3.0, 6.0)):  # a linear fade grows by 4
        words = np.rint(x * np.clip(t / ramp_s, 0, 1) * 2**23).astype(np.int32) << 8
        edge = described(words, fmt)
        assert low < edge.later < high or (ramp_s < 0.1 and edge.meeting is Meeting.RAMP)


@pytest.mark.parametrize("kind", ["band", "speech", "plucks", "drums"])
def test_a_wave_that_heads_for_zero_is_neither_ramp_nor_fade(kind: str) -> None:
    x = programme(kind, rate_hz=RATE, tracks=1, seconds=6.0, seed=3)[0]
    fmt = CaptureFormat(rate_hz=RATE, channels=1, word_length=24)
    meetings = [
        described(x[at - RATE // 4 : at][::-1], fmt).meeting
        for at in range(2 * RATE, 5 * RATE, 997)
    ]
    assert meetings.count(Meeting.ABRUPT) >= 0.98 * len(meetings)


def test_digital_silence_is_not_the_quiet_of_the_tape() -> None:
    """A track that stops, or all that turn to zeros, say nothing of how loud the ends are."""
    x = programme("plucks", rate_hz=RATE, tracks=3, seconds=6.0, seed=4)
    hiss = np.random.default_rng(4).normal(0.0, 10 ** (-65 / 20), (3, RATE // 2))
    x[:, : RATE // 2] = np.rint(hiss * 2**23).astype(np.int32) << 8
    at = 3 * RATE
    one = x.copy()
    one[0, at:] = 0
    assert [(f.kind, f.tracks) for f in _found(one)] == [("zero-run", (0,))]
    every = x.copy()
    every[:, at:] = 0
    assert [f.kind for f in _found(every)] == ["unfinalised"]


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
@pytest.mark.parametrize(
    ("ramp_ms", "verdict"), [(5, Verdict.REDO), (25, Verdict.REDO), (300, Verdict.LISTEN)]
)
def test_a_track_that_sinks_to_zeros_while_the_other_plays_on_is_told(
    rate_hz: int, ramp_ms: int, verdict: Verdict
) -> None:
    """A tape gives hiss, never zeros: where one track has them, its signal did not come through."""
    x = programme("bowed", rate_hz=rate_hz, tracks=2, seconds=3.0, seed=4)
    start, ramp = 2 * rate_hz, rate_hz * ramp_ms // 1000
    gain = np.ones(x.shape[1])
    gain[start:] = 0
    gain[start : start + ramp] = np.linspace(1, 0, ramp)
    x[0] = np.rint(x[0] / 256.0 * gain).astype(np.int32) << 8
    zeros = [f for f in run(x, rate_hz).findings if f.kind == "zero-run"]
    assert [(f.verdict, f.tracks) for f in zeros] == [(verdict, (0,))]
    assert abs((zeros[0].start_frame or 0) - start - ramp) <= ramp // 8 + 2


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_a_fade_out_that_reaches_zeros_a_little_earlier_on_one_track_is_none(rate_hz: int) -> None:
    x = programme("bowed", rate_hz=rate_hz, tracks=2, seconds=3.0, seed=4) / 2.0**31
    fades = np.clip(np.linspace(3, -1, x.shape[1]) - [[0.005], [0.0]], 0, 1)  # 4 ms apart
    words = np.rint(x * fades * 2**23).astype(np.int32) << 8
    found = run(words, rate_hz).findings
    assert not [f for f in found if f.verdict is not Verdict.CLEAR and f.kind == "zero-run"]


def _doubtful(finding: Finding) -> Finding:
    return replace(finding, verdict=Verdict.LISTEN)


@pytest.mark.parametrize("kind", ["level-dip", "contact-loss"])
@pytest.mark.parametrize(
    ("jumps", "told"),
    [
        ([_made("step", 99_990, 1, (0, 1)), _made("step", 112_010, 1, (0,))], False),
        ([_made("step", 99_990, 12_020, (0,))], False),  # one stretch
        ([_made("step", 99_990, 12_020, (0,), times=2, start_frames=[99_990, 112_010])], False),
        ([_made("step", 99_990, 1, (0,))], True),  # it comes back slowly
        ([_made("step", 99_990, 1, (0,)), _made("step", 112_010, 1, (1,))], True),
        ([_made("step", 99_990, 90_000, (0,), times=2, start_frames=[99_990, 189_990])], True),
    ],
)
def test_what_begins_and_ends_where_the_signal_jumps_is_no_dip(
    kind: str, jumps: list[Finding], told: bool
) -> None:
    dip = _doubtful(_made(kind, 100_100, 11_800, (0,)))
    assert explained([*jumps, dip], RATE) == [*jumps, *([dip] * told)]
    proven = _made(kind, 100_100, 11_800, (0,))  # which weighs more than a jump
    assert proven in explained([*jumps, proven], RATE)
    notes = [replace(jump, verdict=Verdict.CLEAR) for jump in jumps]
    assert dip in explained([*notes, dip], RATE)


@pytest.mark.parametrize("ms", [2, 4, 9])
def test_one_jump_within_a_short_dip_is_not_both_of_its_ends(ms: int) -> None:
    dip = _doubtful(_made("contact-loss", 100_000, 48 * ms, (0,)))
    jump = _doubtful(_made("step", 100_000 + 24 * ms, 1, (0,)))
    assert explained([dip, jump], RATE) == [dip, jump]


@pytest.mark.parametrize(
    ("at", "tracks", "proven", "told"),
    [
        (99_500, (0, 1), False, False),
        (130_100, (1,), False, False),
        (99_500, (0, 2), False, True),  # and another track
        (99_500, (0, 1), True, True),
        (115_000, (0,), False, True),  # in between
    ],
)
def test_a_jump_where_a_signal_is_lost_is_told_once(
    at: int, tracks: tuple[int, ...], proven: bool, told: bool
) -> None:
    loss, jump = _made("signal-lost", 100_000, 30_000, (0, 1)), _made("step", at, 1, tracks)
    jump = jump if proven else replace(jump, verdict=Verdict.LISTEN)
    assert explained([jump, loss], RATE) == [*([jump] * told), loss]


@pytest.mark.parametrize(
    ("start", "frames", "tracks", "proven", "told"),
    [
        (100_019, 1_472, (0, 1, 2, 3), False, False),  # the fourth rests, or goes on
        (100_019, 1_472, (0, 1, 4, 5), False, True),  # half of them is not the most
        (100_019, 4_000, (0, 1, 2, 3), False, True),  # lost for longer
        (99_000, 2_491, (0, 1, 2, 3), False, True),  # and sooner
        (100_019, 1_472, (0, 1, 2, 3), True, True),
    ],
)
def test_programme_that_stops_on_most_tracks_is_the_fault_that_is_proven_there(
    start: int, frames: int, tracks: tuple[int, ...], proven: bool, told: bool
) -> None:
    held = _made("held-value", 100_000, 1_500, (0, 1, 2))
    lost = _made("signal-lost", start, frames, tracks)
    lost = lost if proven else replace(lost, verdict=Verdict.LISTEN)
    assert explained([held, lost], RATE) == [held, *([lost] * told)]
