"""Zero and held runs, repeated blocks and steps: golden cases, laws, and programme left alone."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import damage
import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from synth import as_float, programme

from checks.block import Workspace
from checks.dropouts import DropoutsLimits, DropoutsPass, _sightings, explained
from checks.model import CaptureFormat, Finding, Outcome, Remedy, Verdict
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import Sheet, TrackEntry, TrackKind

CORPUS = Path(__file__).resolve().parents[2] / "../shared/corpus"
DIGITAL = ("zero-run", "held-value", "repeated-block", "step", "unfinalised", "not-run")


def run(
    pieces: Sequence[NDArray[Any]] | NDArray[Any],
    rate_hz: int,
    *,
    word_length: int = 24,
    sheet: Sheet | None = None,
) -> Outcome:
    parts = [pieces] if isinstance(pieces, np.ndarray) else list(pieces)
    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=len(parts[0]),
        word_length=word_length,
        floating=parts[0].dtype.kind == "f",
    )
    told = sheet or Sheet()
    check = Check("dropouts", lambda _: DropoutsPass(fmt, told, DropoutsLimits()))
    sample_pass = SamplePass(Context(fmt=fmt), checks=[check])
    for part in parts:
        sample_pass.feed(part)
    return sample_pass.finish()["dropouts"]


def digital(outcome: Outcome) -> list[Finding]:
    return [f for f in outcome.findings if f.kind in DIGITAL]


def of(outcome: Outcome, kind: str) -> list[Finding]:
    return [f for f in outcome.findings if f.kind == kind]


@pytest.fixture(scope="module")
def bed() -> NDArray[np.int32]:
    """Bowed strings, 3 tracks, 96 kHz, 24 bit, 3 s."""
    return programme("bowed", rate_hz=96_000, tracks=3, seconds=3.0, seed=4)


# -- zeros and holds --------------------------------------------------------------------------


def test_64_zeros_in_all_tracks_are_one_event_at_their_place() -> None:
    # standards.md section 7, row 58 (common practice): 64 zero samples on all channels at
    # sample 480 000 at 192 kHz: one event, exact position, 0.33 ms
    x = programme("band", rate_hz=192_000, tracks=2, seconds=3.2, seed=1)
    found = digital(run(damage.zero_run(x, at=480_000, frames=64).samples, 192_000))
    assert [(f.kind, f.verdict.value, f.start_frame, f.frames) for f in found] == [
        ("zero-run", "redo", 480_000, 64)
    ]
    assert found[0].tracks == (0, 1)
    assert found[0].values["length_ms"] == pytest.approx(0.33, abs=0.005)
    assert "64 frames (0.333 ms)" in found[0].text


def test_the_longest_of_several_zeros_and_the_length_of_a_hold_are_told(
    bed: NDArray[np.int32],
) -> None:
    x = bed
    for at, frames in ((96_000, 100), (120_000, 480), (144_000, 200)):
        x = damage.zero_run(x, at=at, frames=frames, tracks=[1]).samples
    (found,) = digital(run(x, 96_000))
    assert found.text.startswith("3 times, the longest: ")
    assert "480 frames (5 ms)" in found.text
    assert found.values["length_ms"] == 5.0
    (found,) = digital(run(damage.hold(bed, at=96_000, frames=48, tracks=[1]).samples, 96_000))
    assert "held for 48 frames (0.5 ms)" in found.text


def test_a_fade_to_digital_zero_is_no_dropout(bed: NDArray[np.int32]) -> None:
    # standards.md section 7, row 59 (common practice): 2 s fade to digital zero, no event
    gain = np.concatenate((np.linspace(1, 0, 192_000), np.zeros(96_000)))
    faded = damage.words(bed * gain, bed)
    assert digital(run(faded, 96_000)) == []
    assert of(run(faded, 96_000), "digital-silence")


@pytest.mark.parametrize(
    ("frames", "tracks"),
    [(16, (1,)), (8, None), (200, (0, 2)), (20_000, (1,))],  # 16 in one track, 8 in all: ours
)
def test_zeros_between_programme_are_found_from_the_limit_on(
    bed: NDArray[np.int32], frames: int, tracks: tuple[int, ...] | None
) -> None:
    planted = damage.zero_run(bed, at=140_003, frames=frames, tracks=tracks)
    (found,) = digital(run(planted.samples, 96_000))
    assert (found.kind, found.verdict.value) == ("zero-run", "redo")
    assert (found.start_frame, found.frames, found.tracks) == (140_003, frames, planted.tracks)


def test_a_mute_with_ramps_is_found(bed: NDArray[np.int32]) -> None:
    planted = damage.mute_ramp(bed, at=150_000, frames=3000, ramp=96)
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


def test_fades_made_on_purpose_around_a_pause_are_no_mute(bed: NDArray[np.int32]) -> None:
    planted = damage.mute_ramp(bed, at=120_000, frames=40_000, ramp=30_000)  # 0.3 s down and up
    outcome = run(planted.samples, 96_000)
    assert digital(outcome) == []
    assert of(outcome, "digital-silence")


@pytest.mark.parametrize(("frames", "tracks"), [(24, (2,)), (300, None)])
def test_held_values_are_found_from_the_limit_on(
    bed: NDArray[np.int32], frames: int, tracks: tuple[int, ...] | None
) -> None:
    planted = damage.hold(bed, at=140_000, frames=frames, tracks=tracks)
    (found,) = digital(run(planted.samples, 96_000))
    assert (found.kind, found.verdict.value, found.tracks) == ("held-value", "redo", planted.tracks)
    assert (found.start_frame, found.frames) == (140_000, frames)


def test_zeros_to_the_end_that_begin_at_signal_level_are_an_unfinalised_file(
    bed: NDArray[np.int32],
) -> None:
    planted = damage.zero_run(bed, at=200_000, frames=88_000)
    (found,) = digital(run(planted.samples, 96_000))
    assert (found.check, found.kind, found.remedy.value) == ("container", "unfinalised", "mend")
    assert found.values["frames_recoverable"] == 200_000


def test_digital_silence_around_programme_and_unused_tracks_are_a_note(
    bed: NDArray[np.int32],
) -> None:
    x = bed.copy()
    x[:, :4000] = 0
    x[2] = 0
    outcome = run(x, 96_000)
    assert digital(outcome) == []
    (note,) = of(outcome, "digital-silence")
    assert note.verdict.value == "clear"
    assert 2 in note.tracks


def test_a_track_that_turns_to_zeros_while_others_go_on_is_told(bed: NDArray[np.int32]) -> None:
    planted = damage.zero_run(bed, at=180_000, frames=108_000, tracks=(1,))
    (found,) = digital(run(planted.samples, 96_000))
    assert (found.kind, found.verdict.value, found.start_frame) == ("zero-run", "redo", 180_000)


def test_hiss_that_holds_a_16_bit_word_for_long_raises_nothing() -> None:
    # design.md 4b: at 16 bit and 352.8 kHz hiss of -92 dBFS holds one value for 94 samples
    rng = np.random.default_rng(2)
    white = np.fft.rfft(rng.standard_normal((2, 1 << 19)))
    white[:, 30_000:] = 0  # a band of 20 kHz of 352.8
    hiss = np.fft.irfft(white)
    hiss *= 10 ** (-95 / 20) / hiss.std()
    x = (np.rint(hiss * 32768).astype(np.int32)) << 16
    assert digital(run(x, 352_800, word_length=16)) == []


# -- repeated blocks --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("frames", "lag", "tracks", "inserted"),
    [
        (32, 32, None, True),
        (32, 91_007, (1,), False),
        (64, 1000, (0, 2), True),
        (480, 480, None, True),
        (4096, 150_001, (2,), False),
        (5000, 512, (0,), False),  # stuck: a buffer of 512 over and over
    ],
)
def test_repeats_are_found_with_their_lag(
    bed: NDArray[np.int32], frames: int, lag: int, tracks: tuple[int, ...] | None, inserted: bool
) -> None:
    planted = damage.repeat_block(
        bed, at=190_011, frames=frames, lag=lag, tracks=tracks, inserted=inserted
    )
    found = digital(run(planted.samples, 96_000))
    assert {f.kind for f in found} == {"repeated-block"}
    (one,) = found
    assert one.verdict.value == "redo"
    assert one.tracks == planted.tracks
    assert one.values["lag_frames"] == lag
    assert one.start_frame == 190_011
    assert one.frames == frames


def test_periodic_material_repeats_by_nature(bed: NDArray[np.int32]) -> None:
    # a table of one period, a pulse train, a loop from the start of the capture
    table = np.rint(np.sin(2 * np.pi * np.arange(96) / 96) * 2**22).astype(np.int32) << 8
    tone = np.tile(table, 3000)
    pulses = np.where(np.arange(len(tone)) % 3840 < 1920, 2**28, -(2**28)).astype(np.int32)
    loop = np.tile(bed[0, 100_000:148_000], 6)
    assert digital(run(np.stack((tone, pulses, loop)), 96_000)) == []


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


def test_a_fault_explains_only_the_dips_beside_it() -> None:
    def finding(kind: str, start_s: float, length_s: float, **values: Any) -> Finding:
        return Finding(
            check="dropouts",
            kind=kind,
            verdict=Verdict.LISTEN if kind == "contact-loss" else Verdict.REDO,
            remedy=Remedy.REPLAY,
            tracks=(0,),
            start_frame=int(start_s * 96_000),
            frames=int(length_s * 96_000),
            text="",
            values=values,
        )

    mute = finding("zero-run", 60.0, 5.0, times=1)
    joined = finding("zero-run", 60.0, 60.0, times=2, start_frames=[5_760_000, 11_500_000])
    for fault, at_s, told in ((mute, 60.01, False), (mute, 70.0, True), (joined, 80.0, True)):
        loss = finding("contact-loss", at_s, 0.02)
        assert (loss in explained([fault, loss], 96_000)) is told


def test_events_told_together_keep_their_places(bed: NDArray[np.int32]) -> None:
    x = bed.copy()
    for at in (50_000, 90_000, 140_000):
        x[0, at : at + 40] = 0
    (found,) = digital(run(x, 96_000))
    assert found.values["times"] == 3
    assert found.values["start_frames"] == [50_000, 90_000, 140_000]


def test_a_repeat_at_the_longest_lag_is_found() -> None:
    # 48 kHz: a batch of blocks is then nearly as long as the lag
    x = programme("band", rate_hz=48_000, tracks=2, seconds=9.0, seed=11).copy()
    at, lag = 331_834, 95_520
    x[:, at : at + 100] = x[:, at - lag : at - lag + 100]
    found = digital(run(x, 48_000))
    assert [(f.kind, f.start_frame, f.frames) for f in found] == [("repeated-block", at, 100)]


def test_a_repeat_of_what_stood_beside_zeros_is_found(bed: NDArray[np.int32]) -> None:
    # the zeros make a third of the batch in which the original stands
    x = bed.copy()
    x[1, 40_000:62_000] = 0
    x[1, 150_000:150_064] = x[1, 63_000:63_064]
    found = [(f.kind, f.start_frame) for f in digital(run(x, 96_000))]
    assert found == [("zero-run", 40_000), ("repeated-block", 150_000)]


def test_music_put_together_from_stored_sounds_is_no_fault(bed: NDArray[np.int32]) -> None:
    # the same sound again, mixed anew: here and there a sample is one step off
    rng = np.random.default_rng(3)
    x = bed.copy()
    length = 30_000
    again = x[:, 120_000 : 120_000 + length] + (rng.random((len(x), length)) < 0.02) * 256
    x[:, 220_000 : 220_000 + length] = again
    assert [f for f in digital(run(x, 96_000)) if f.kind == "repeated-block"] == []


@pytest.mark.parametrize("window", ["fine", "coarse"])
def test_every_repeat_of_32_frames_is_met_at_any_lag(window: str) -> None:
    """Winnowing's law: neighbouring places have a landmark in common wherever they stand."""
    size = {"fine": _sightings.FINE, "coarse": _sightings.COARSE}[window]
    rng = np.random.default_rng(7)
    frames, batch = 700_000, 65_536
    met = 0
    for _ in range(30):
        x = (rng.integers(-500, 500, frames) << 8).astype(np.int32).view(np.uint32)
        lag = int(rng.integers(40, 600_000))
        at = int(rng.integers(lag, frames - 32))
        x[at : at + 32] = x[at - lag : at - lag + 32]
        sightings = _sightings.Sightings(
            size, least=32, frames=frames, most_bytes=1 << 24, scratch=Workspace()
        )
        found = False
        for start in range(0, frames, batch):
            first = max(start - sightings.overlap, 0)
            seen = sightings.feed(x[first : start + batch], first)
            found |= any(
                frame - then == lag
                for frame, key in zip(seen.frames.tolist(), seen.keys, strict=True)
                for then in sightings.earlier(frame, key)
            )
        met += found
    assert met >= 29  # a tag may be pushed out too early


def test_keys_that_share_a_slot_are_all_met() -> None:
    """Two equal new keys and another of the same slot, in every order."""
    key = 0x12340000
    for order in itertools.permutations((key | 5, key | 5, key | 6)):
        sightings = _sightings.Sightings(
            8, least=32, frames=1000, most_bytes=1 << 20, scratch=Workspace()
        )
        keys = np.array([1 << 31, *order], np.uint32)
        second = len(order) - order[::-1].index(key | 5)
        assert sightings._push(keys).tolist() == [second]


# -- steps ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "cause"),
    [("lose 4096", None), ("swap", "swap"), ("rotate", "swap"), ("word", "word")],
)
def test_steps_are_found_at_their_frame(
    bed: NDArray[np.int32], name: str, cause: str | None
) -> None:
    planted = {
        "lose 4096": lambda: damage.lose(bed, at=150_000, frames=4096),
        "swap": lambda: damage.swap_tracks(bed, at=150_000, a=0, b=2),
        "rotate": lambda: damage.rotate_tracks(bed, at=150_000),
        "word": lambda: damage.wrong_word(bed, at=150_000, track=1, bit=27),
    }[name]()
    found = of(run(planted.samples, 96_000), "step")
    assert [f.start_frame for f in found] == [150_000]
    if cause is not None:
        assert (found[0].verdict.value, found[0].values["cause"]) == ("redo", cause)


def test_the_tracks_of_one_converter_prove_a_digital_cause() -> None:
    rng = np.random.default_rng(9)
    t = np.arange(192_000) / 96_000
    hz, phase = rng.uniform(900, 7000, (24, 4, 1)), rng.uniform(0, 6.28, (24, 4, 1))
    tones = 0.05 * np.sin(2 * np.pi * hz * t + phase).sum(axis=1)
    x = damage.words(
        (tones + 1e-4 * rng.standard_normal(tones.shape)) * 2**31, np.array([[256]], np.int32)
    )
    planted = damage.lose(x, at=100_500, frames=4000, tracks=range(8, 16))
    found = of(run(planted.samples, 96_000), "step")
    assert [f.verdict.value for f in found] == ["redo"]
    assert set(found[0].tracks) <= set(range(8, 16))
    assert found[0].start_frame == 100_500


@pytest.mark.parametrize("kind", ["drums", "castanets", "splices-butt", "relays", "clicktrack"])
@pytest.mark.parametrize("rate_hz", [44_100, 192_000])
def test_attacks_splices_and_clicks_are_no_steps(kind: str, rate_hz: int) -> None:
    x = programme(kind, rate_hz=rate_hz, tracks=3, seconds=3.0, seed=6)
    assert [f for f in digital(run(x, rate_hz)) if f.verdict.value == "redo"] == []


def test_clipped_tops_are_left_to_the_clipping_check(bed: NDArray[np.int32]) -> None:
    loud = damage.clip_hard(bed, dbfs=-14.0).samples
    assert digital(run(loud, 96_000)) == []


# -- laws -------------------------------------------------------------------------------------


def _damaged() -> NDArray[np.int32]:
    x = programme("band", rate_hz=48_000, tracks=2, seconds=2.0, seed=3)
    x = damage.zero_run(x, at=30_000, frames=40).samples
    x = damage.hold(x, at=45_000, frames=60, tracks=(0,)).samples
    x = damage.repeat_block(x, at=60_000, frames=100, lag=900, tracks=(1,)).samples
    return damage.wrong_word(x, at=75_000, track=0, bit=29).samples


@settings(max_examples=12, deadline=None)
@given(cuts=st.lists(st.integers(0, 96_000), max_size=6))
def test_cuts_change_nothing(cuts: list[int]) -> None:
    x = _damaged()
    assert run(np.split(x, sorted(cuts), axis=1), 48_000) == run(x, 48_000)


@settings(max_examples=10, deadline=None)
@given(shift=st.integers(0, 20_000))
def test_a_fault_is_found_at_its_place_whatever_the_block(shift: int) -> None:
    x = _damaged()
    late = np.concatenate((x[:, :shift], x), axis=1)  # the seam itself may be a step
    kinds = {(f.kind, (f.start_frame or 0) - shift) for f in digital(run(late, 48_000))}
    assert {("zero-run", 30_000), ("held-value", 45_000), ("step", 75_000)} <= kinds


@settings(max_examples=6, deadline=None)
@given(order=st.permutations(range(3)), negative=st.booleans())
def test_track_order_and_polarity_change_nothing_else(order: list[int], negative: bool) -> None:
    x = programme("bowed", rate_hz=48_000, tracks=3, seconds=1.5, seed=8)
    x = damage.zero_run(x, at=40_000, frames=30, tracks=(1,)).samples
    y = (-x if negative else x)[order]
    (found,) = digital(run(y, 48_000))
    assert (found.kind, found.start_frame, found.tracks) == ("zero-run", 40_000, (order.index(1),))


@pytest.mark.parametrize(
    "x",
    [
        np.zeros((2, 50_000), np.int32),
        np.full((3, 40_000), 2**31 - 256, np.int32),
        np.full((1, 40_000), -(2**31), np.int32),
        np.ones((1, 1), np.int32),
        np.zeros((64, 3000), np.int32),
        np.full((2, 20_000), np.nan, np.float32),
        np.full((2, 20_000), np.inf, np.float64),
        np.full((1, 20_000), 1e-310, np.float64),
    ],
    ids=["zero", "most", "least", "one", "64 tracks", "nan", "inf", "denormal"],
)
@pytest.mark.parametrize("rate_hz", [1234, 352_800, 3_072_000])
def test_nothing_crashes_the_check(x: NDArray[Any], rate_hz: int) -> None:
    assert of(run(x, rate_hz), "not-run") == []


def test_float_captures_are_looked_at_like_words(bed: NDArray[np.int32]) -> None:
    planted = damage.zero_run(bed, at=140_000, frames=50)
    (found,) = digital(run(as_float(planted.samples), 96_000))
    assert (found.kind, found.start_frame, found.frames) == ("zero-run", 140_000, 50)


def test_a_declared_click_track_may_be_silent(bed: NDArray[np.int32]) -> None:
    x = bed.copy()
    x[2] = 0  # a generated click between digital silence
    for at in range(10_000, x.shape[1] - 1000, 48_000):
        x[2, at : at + 300] = (np.sin(np.arange(300) / 5) * 2**20).astype(np.int32) << 8
    click = TrackEntry(kind=TrackKind.CLICK)
    sheet = Sheet(tracks=(TrackEntry(), TrackEntry(), click))
    outcome = run(x, 96_000, sheet=sheet)
    assert not of(outcome, "zero-run")
    assert not of(outcome, "held-value")


# -- recordings nobody here made --------------------------------------------------------------

PUBLIC = [
    "hires/audio_192k_24bit.flac",
    "hires/music_96k_24bit.flac",
    "hires/upsampled_88k2.flac",
    "hires/upsampled_96k_24bit.wav",
    "multichannel/bed_5ch_24bit_bext.wav",
    "multichannel/field_array_5ch_192k.wav",
    "multichannel/flac_4ch.flac",
    "multichannel/flac_8ch.flac",
    "multichannel/guitar_12ch.wav",
    "multichannel/hydrophones_4ch.aif",
    "wordlength/audio_32bit_int.wav",
    "wordlength/music_32bit_float.wav",
    "wordlength/piano_A4_24bit.flac",
    "ultrasonic/mouse_rec_1_250k.wav",
    "ultrasonic/bat_carollia_384k.wav",
]


@pytest.mark.parametrize("name", PUBLIC)
def test_public_recordings_need_no_redo(name: str) -> None:
    path = CORPUS / name
    if not path.exists():
        pytest.skip("the public recordings are not here")
    info = soundfile.info(path)
    dtype = "float32" if info.subtype == "FLOAT" else "int32"
    x, rate_hz = soundfile.read(path, dtype=dtype, always_2d=True)
    bits = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}.get(info.subtype, 24)
    found = digital(run(np.ascontiguousarray(x.T), rate_hz, word_length=bits))
    assert [f for f in found if f.verdict.value != "listen"] == []
