"""The digital half of the dropouts check: jumps at their frame, laws, recordings of others."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import damage
import numpy as np
import pytest
from dropouts_kit import bed, digital, of, run
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from recordings import recording
from synth import as_float, programme

# -- jumps -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "cause"),
    [("lose 4096", None), ("swap", "swap"), ("rotate", "swap"), ("word", "word")],
)
def test_steps_are_found_at_their_frame(name: str, cause: str | None) -> None:
    planted = {
        "lose 4096": lambda: damage.lose(bed(), at=150_000, frames=4096),
        "swap": lambda: damage.swap_tracks(bed(), at=150_000, a=0, b=2),
        "rotate": lambda: damage.rotate_tracks(bed(), at=150_000),
        "word": lambda: damage.wrong_word(bed(), at=150_000, track=1, bit=27),
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


def test_clipped_tops_are_left_to_the_clipping_check() -> None:
    loud = damage.clip_hard(bed(), dbfs=-14.0).samples
    assert digital(run(loud, 96_000)) == []


# -- laws --------------------------------------------------------------------------------------


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


def test_float_captures_are_looked_at_like_words() -> None:
    planted = damage.zero_run(bed(), at=140_000, frames=50)
    (found,) = digital(run(as_float(planted.samples), 96_000))
    assert (found.kind, found.start_frame, found.frames) == ("zero-run", 140_000, 50)


# -- recordings nobody here made ---------------------------------------------------------------


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
def test_public_recordings_need_no_redo(name: str, corpus: Path) -> None:
    x, rate_hz, bits = recording(corpus / name)
    found = digital(run(x, rate_hz, word_length=bits))
    assert [f for f in found if f.verdict.value != "listen"] == []
