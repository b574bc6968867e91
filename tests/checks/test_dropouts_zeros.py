"""Zero and held runs: found between programme, told from fades, pauses and unused tracks."""

from __future__ import annotations

import damage
import numpy as np
import pytest
from dropouts_kit import bed, digital, of, run
from synth import programme

from checks.sheet import Sheet, TrackEntry, TrackKind


def test_64_zeros_in_all_tracks_are_one_event_at_their_place() -> None:
    # common practice: 64 zero samples on all channels at sample 480 000 at 192 kHz are one event,
    # exact position, 0.33 ms
    x = programme("band", rate_hz=192_000, tracks=2, seconds=3.2, seed=1)
    found = digital(run(damage.zero_run(x, at=480_000, frames=64).samples, 192_000))
    assert [(f.kind, f.verdict.value, f.start_frame, f.frames) for f in found] == [
        ("zero-run", "redo", 480_000, 64)
    ]
    assert found[0].tracks == (0, 1)
    assert found[0].values["length_ms"] == pytest.approx(0.33, abs=0.005)
    assert "64 frames (333 us)" in found[0].text


def test_the_longest_of_several_zeros_and_the_length_of_a_hold_are_told() -> None:
    x = bed()
    for at, frames in ((96_000, 100), (120_000, 480), (144_000, 200)):
        x = damage.zero_run(x, at=at, frames=frames, tracks=[1]).samples
    (found,) = digital(run(x, 96_000))
    assert found.text.startswith("3 times, the longest: ")
    assert "480 frames (5 ms)" in found.text
    assert found.values["length_ms"] == 5.0
    (found,) = digital(run(damage.hold(bed(), at=96_000, frames=48, tracks=[1]).samples, 96_000))
    assert "held for 48 frames (500 us)" in found.text
    assert (found.frames, found.values["length_ms"]) == (48, 0.5)


def test_a_fade_to_digital_zero_is_no_dropout() -> None:
    # common practice: 2 s fade to digital zero, no event
    gain = np.concatenate((np.linspace(1, 0, 192_000), np.zeros(96_000)))
    faded = damage.words(bed() * gain, bed())
    assert digital(run(faded, 96_000)) == []
    assert of(run(faded, 96_000), "digital-silence")


@pytest.mark.parametrize(
    ("frames", "tracks"),
    [(16, (1,)), (8, None), (200, (0, 2)), (20_000, (1,))],  # 16 in one track, 8 in all: ours
)
def test_zeros_between_programme_are_found_from_the_limit_on(
    frames: int, tracks: tuple[int, ...] | None
) -> None:
    planted = damage.zero_run(bed(), at=140_003, frames=frames, tracks=tracks)
    (found,) = digital(run(planted.samples, 96_000))
    assert (found.kind, found.verdict.value) == ("zero-run", "redo")
    assert (found.start_frame, found.frames, found.tracks) == (140_003, frames, planted.tracks)


def test_a_mute_with_ramps_is_found() -> None:
    planted = damage.mute_ramp(bed(), at=150_000, frames=3000, ramp=96)
    found = of(run(planted.samples, 96_000), "zero-run")
    assert [f.verdict.value for f in found] == ["redo"]
    assert abs((found[0].start_frame or 0) - 150_000) <= 2


@pytest.mark.parametrize("kind", ["piano", "drums", "quiet"])
@pytest.mark.parametrize("ramp", [600, 2000, 2800])  # 6, 21, 29 ms
def test_a_slow_mute_takes_programme_away(kind: str, ramp: int) -> None:
    x = programme(kind, rate_hz=96_000, tracks=2, seconds=4.0, seed=6, hiss_dbfs=-74.0)
    for at in (130_000, 190_000, 250_000):
        planted = damage.mute_ramp(x, at=at, frames=4000, ramp=ramp)
        found = of(run(planted.samples, 96_000), "zero-run")
        assert [(f.verdict.value, f.tracks) for f in found] == [("redo", (0, 1))]
        assert not of(run(planted.samples, 96_000), "digital-silence")


@pytest.mark.parametrize("shape", ["linear", "sine", "cosine", "decibels"])
@pytest.mark.parametrize("bits", [16, 24])
def test_zeros_between_fades_of_some_60_ms_ask_for_no_other_playing(shape: str, bits: int) -> None:
    """A converter's mute is over sooner: an editor's fades, or a muted desk; hiss -80 dBFS."""
    rng = np.random.default_rng(5)
    t, zeros, fade_s = np.arange(96_000) / 48_000, 0.02, 0.06
    x = 0.1 * sum(np.sin(2 * np.pi * hz * t) for hz in (211.0, 373.0, 1210.0))
    x = x + rng.normal(0.0, 1e-4, (2, len(t)))
    u = np.clip((np.abs(t - 1.0) - zeros / 2) / fade_s, 0, 1)
    gain = {
        "linear": u,
        "sine": np.sin(np.pi / 2 * u),
        "cosine": 0.5 - 0.5 * np.cos(np.pi * u),
        "decibels": np.where(u > 0, 10.0 ** (1.5 * (u - 1)), 0.0),
    }[shape]
    words = np.rint(x * gain * 2 ** (bits - 1)).astype(np.int64) << (32 - bits)
    found = of(run(words.astype(np.int32), 48_000), "zero-run")
    assert [f.verdict.value for f in found] in ([], ["listen"])


@pytest.mark.parametrize("kind", ["piano", "drums", "bowed"])
@pytest.mark.parametrize(("zeros_ms", "ramp_ms"), [(5, 100), (30, 100), (200, 250)])
def test_zeros_too_short_for_a_pause_are_told_whatever_fades_lead_there(
    kind: str, zeros_ms: int, ramp_ms: int
) -> None:
    x = programme(kind, rate_hz=48_000, tracks=2, seconds=4.0, seed=6)
    planted = damage.mute_ramp(x, at=96_000, frames=48 * zeros_ms, ramp=48 * ramp_ms)
    (found,) = of(run(planted.samples, 48_000), "zero-run")
    assert (found.verdict.value, found.tracks) == ("listen", (0, 1))
    assert found.start_frame == pytest.approx(96_000, abs=240)


@pytest.mark.parametrize("ms", [80, 150])
def test_few_zeros_where_a_sound_dies_away_and_the_next_swells_are_no_fades(ms: int) -> None:
    rng = np.random.default_rng(9)
    apart_ms = np.abs(np.arange(96_000) - 48_000) / 48
    x = 0.05 * rng.standard_normal(len(apart_ms)) * np.clip(apart_ms / ms, 0.2, 1)
    x[48_000:48_016] = 0
    words = np.rint(x * 2**23).astype(np.int64)[np.newaxis] << 8
    (found,) = of(run(words.astype(np.int32), 48_000), "zero-run")
    assert (found.verdict.value, found.start_frame, found.frames) == ("redo", 48_000, 16)


def test_zeros_between_two_strikes_are_no_fades() -> None:
    rng = np.random.default_rng(9)
    apart_ms = np.abs(np.arange(96_000) - 48_000) / 48
    x = 0.01 * rng.standard_normal(len(apart_ms)) * np.where(apart_ms < 75, 1, 13)
    x[47_760:48_240] = 0
    words = np.rint(x * 2**23).astype(np.int64)[np.newaxis] << 8
    (found,) = of(run(words.astype(np.int32), 48_000), "zero-run")
    assert (found.verdict.value, found.start_frame, found.frames) == ("redo", 47_760, 480)


def test_fades_made_on_purpose_around_a_pause_are_no_mute() -> None:
    planted = damage.mute_ramp(bed(), at=120_000, frames=40_000, ramp=30_000)  # 0.3 s down and up
    outcome = run(planted.samples, 96_000)
    assert digital(outcome) == []
    assert of(outcome, "digital-silence")


@pytest.mark.parametrize(("frames", "tracks"), [(24, (2,)), (300, None)])
def test_held_values_are_found_from_the_limit_on(
    frames: int, tracks: tuple[int, ...] | None
) -> None:
    planted = damage.hold(bed(), at=140_000, frames=frames, tracks=tracks)
    (found,) = digital(run(planted.samples, 96_000))
    assert (found.kind, found.verdict.value, found.tracks) == ("held-value", "redo", planted.tracks)
    assert (found.start_frame, found.frames) == (140_000, frames)


def test_zeros_to_the_end_that_begin_at_signal_level_are_an_unfinalised_file() -> None:
    planted = damage.zero_run(bed(), at=200_000, frames=88_000)
    (found,) = digital(run(planted.samples, 96_000))
    assert (found.check, found.kind, found.remedy.value) == ("container", "unfinalised", "mend")
    assert found.values["frames_recoverable"] == 200_000


@pytest.mark.parametrize("fade_s", [0.02, 0.03, 0.3, 1.0])
@pytest.mark.parametrize("plays", [True, False])
def test_a_held_note_that_a_mute_takes_away_for_good_is_told(plays: bool, fade_s: float) -> None:
    """A converter's mute takes milliseconds, somebody who fades music out tenths of a second
    (common practice); a take that was trimmed in plain hiss may be faded as quickly."""
    rate_hz = 48_000
    t = np.arange(3 * rate_hz) / rate_hz
    rng = np.random.default_rng(5)
    note = sum(0.1 / k * np.sin(2 * np.pi * 196.0 * k * t) for k in range(1, 6))
    x = plays * note + rng.normal(0.0, 10 ** (-60 / 20), (2, len(t)))
    x *= np.clip((t[-1] - t) / fade_s, 0.0, 1.0)
    words = np.rint(x * 2**23).astype(np.int32) << 8
    zeros = np.zeros((2, 4 * rate_hz), np.int32)
    told = digital(run(np.concatenate((words, zeros), axis=1), rate_hz))
    kinds = [(f.kind, f.verdict.value) for f in told]
    assert kinds == ([("zero-run", "listen")] if plays and fade_s < 0.1 else [])


@pytest.mark.parametrize("zeros_s", [0.05, 2.0])
@pytest.mark.parametrize("stood_s", [0.0, 1.0])
def test_zeros_behind_the_end_of_the_tape_are_a_note(stood_s: float, zeros_s: float) -> None:
    """A machine that stands still, its amplifier 12 dB under the hiss (common practice: 8 to 12),
    is at no signal level: a recorder padded its last buffer, or was stopped late."""
    rate_hz = 48_000
    x = programme("plucks", rate_hz=rate_hz, tracks=2, seconds=4.0, seed=4, hiss_dbfs=-62.0)
    hiss = np.random.default_rng(4).normal(0.0, 10 ** (-62 / 20), (2, rate_hz))
    amplifier = np.random.default_rng(5).normal(
        0.0, 10 ** (-74 / 20), (2, round(stood_s * rate_hz))
    )
    ends = np.rint(np.concatenate((hiss, amplifier), axis=1) * 2**23).astype(np.int32) << 8
    zeros = np.zeros((2, round(zeros_s * rate_hz)), np.int32)
    outcome = run(np.concatenate((x, ends, zeros), axis=1), rate_hz)
    kinds = {f.kind for f in outcome.findings if f.kind != "not-judged"}
    assert kinds == ({"no-tape", "digital-silence"} if stood_s else {"unfinalised"})


def test_digital_silence_around_programme_and_unused_tracks_are_a_note() -> None:
    x = bed().copy()
    x[:, :4000] = 0
    x[2] = 0
    outcome = run(x, 96_000)
    assert digital(outcome) == []
    (note,) = of(outcome, "digital-silence")
    assert note.verdict.value == "clear"
    assert 2 in note.tracks


def test_a_track_that_turns_to_zeros_while_others_go_on_is_told() -> None:
    planted = damage.zero_run(bed(), at=180_000, frames=108_000, tracks=(1,))
    (found,) = digital(run(planted.samples, 96_000))
    assert (found.kind, found.verdict.value, found.start_frame) == ("zero-run", "redo", 180_000)


def test_hiss_that_holds_a_16_bit_word_for_long_raises_nothing() -> None:
    # at 16 bit and 352.8 kHz hiss of -92 dBFS holds one value for 94 samples
    rng = np.random.default_rng(2)
    white = np.fft.rfft(rng.standard_normal((2, 1 << 19)))
    white[:, 30_000:] = 0  # a band of 20 kHz of 352.8
    hiss = np.fft.irfft(white)
    hiss *= 10 ** (-95 / 20) / hiss.std()
    x = (np.rint(hiss * 32768).astype(np.int32)) << 16
    assert digital(run(x, 352_800, word_length=16)) == []


@pytest.mark.parametrize(("seconds", "verdict"), [(0.3, "redo"), (2.0, "listen")])
def test_long_zeros_between_fades_may_be_an_edit(seconds: float, verdict: str) -> None:
    x = programme("bowed", rate_hz=96_000, tracks=2, seconds=8.0, seed=4).astype(np.float64)
    fade, start = 2_800, 200_000  # 29 ms
    stop = start + int(seconds * 96_000)
    gain = np.ones(x.shape[1])
    gain[start - fade : start] = np.linspace(1, 0, fade)
    gain[start:stop] = 0
    gain[stop : stop + fade] = np.linspace(0, 1, fade)
    muted = (np.rint(x / 256 * gain) * 256).astype(np.int32)
    (found,) = of(run(muted, 96_000), "zero-run")
    assert found.verdict == verdict


def test_events_told_together_keep_their_places() -> None:
    x = bed().copy()
    for at in (50_000, 90_000, 140_000):
        x[0, at : at + 40] = 0
    (found,) = digital(run(x, 96_000))
    assert found.values["times"] == 3
    assert found.values["start_frames"] == [50_000, 90_000, 140_000]


def test_a_declared_click_track_may_be_silent() -> None:
    x = bed().copy()
    x[2] = 0  # a generated click between digital silence
    for at in range(10_000, x.shape[1] - 1000, 48_000):
        x[2, at : at + 300] = (np.sin(np.arange(300) / 5) * 2**20).astype(np.int32) << 8
    click = TrackEntry(kind=TrackKind.CLICK)
    sheet = Sheet(tracks=(TrackEntry(), TrackEntry(), click))
    outcome = run(x, 96_000, sheet=sheet)
    assert not of(outcome, "zero-run")
    assert not of(outcome, "held-value")
