"""What never changes the outcome of the tracks check, clean captures, and ones that are none."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import damage
import numpy as np
import pytest
import synth
from bench_lineup.signals import hiss, ints
from hypothesis import given, settings
from hypothesis import strategies as st
from recordings import recording
from tracks_kit import asking, made, of_kind, played, run

# -- laws --------------------------------------------------------------------------------------


def mixed(seed: int, frames: int, tracks: int = 3) -> Any:
    """A little of everything: hiss, a double, a stretch, an offset, silence."""
    rng = np.random.default_rng(seed)
    x = ints([hiss(rng, frames, -20 - 10 * k) for k in range(tracks)])
    x[1, frames // 3 : frames // 2] = x[0, frames // 3 : frames // 2]
    x[2] += 1 << 26
    x[2, frames // 2 :] = 0
    return x


@settings(max_examples=25, deadline=None)
@given(
    frames=st.integers(0, 60_000),
    cuts=st.lists(st.integers(0, 60_000), max_size=5),
    rate_hz=st.sampled_from([1_234, 48_000, 352_800]),
)
def test_cuts_never_change_the_result(frames: int, cuts: list[int], rate_hz: int) -> None:
    x = mixed(frames, frames)
    assert run(x, rate_hz, cuts=cuts) == run(x, rate_hz)


@settings(max_examples=10, deadline=None)
@given(order=st.permutations(range(4)))
def test_order_of_tracks_only_renames_them(order: list[int]) -> None:
    x = mixed(3, 70_000, tracks=4)
    plain, turned = run(x, 48_000), run(x[order], 48_000)
    assert {(f.kind, tuple(sorted(order.index(t) for t in f.tracks))) for f in plain.findings} == {
        (f.kind, f.tracks) for f in turned.findings
    }
    for place, track in enumerate(order):
        a, b = turned.measures.tracks[place], plain.measures.tracks[track]
        assert (a.rms_dbfs, a.hiss_dbfs, a.dc_percent) == (b.rms_dbfs, b.hiss_dbfs, b.dc_percent)


def test_polarity_of_all_tracks_changes_nothing_but_the_offset() -> None:
    x = damage.gain_copy(played(4, tracks=2), source=0, target=1, gain_db=-3).samples
    plain, turned = run(x, 48_000), run(-x, 48_000)
    assert [f.kind for f in plain.findings] == [f.kind for f in turned.findings]
    assert plain.measures.pairs == turned.measures.pairs
    assert [line.rms_dbfs for line in plain.measures.tracks] == [
        line.rms_dbfs for line in turned.measures.tracks
    ]


def test_an_unknown_length_changes_no_finding() -> None:
    x = damage.gain_copy(played(12, tracks=2), source=0, target=1, gain_db=-3).samples
    known, unknown = run(x, 48_000), run(x, 48_000, known_length=False)
    assert asking(known) == asking(unknown) == [("same-signal", (0, 1))]


# -- clean programme and real recordings -------------------------------------------------------


@pytest.mark.parametrize("kind", synth.KINDS)
def test_clean_programme_asks_for_nothing(kind: str) -> None:
    assert asking(run(made(kind, 44_100, 2, 8, 77), 44_100)) == []


# What the recordings really hold, looked at by hand with numpy alone
REAL: dict[str, list[tuple[str, tuple[int, ...]]]] = {
    "multichannel/adm_4ch_24bit.wav": [],
    "multichannel/bed_5ch_24bit_bext.wav": [],
    "multichannel/field_array_5ch_192k.wav": [],
    "multichannel/flac_4ch.flac": [],
    "multichannel/flac_6ch.flac": [],
    "multichannel/flac_8ch.flac": [],
    "multichannel/guitar_12ch.wav": [],
    "multichannel/hall_impulse_foa_4ch_float.wav": [],
    "multichannel/hydrophones_4ch.aif": [],
    "multichannel/room_brir_8ch_24bit.wav": [],
    # digital silence on all 16 (the index says so)
    "multichannel/silence_16ch_24bit_bext_ixml.wav": [("silent", tuple(range(16)))],
    # means of -0.71 and -0.65 % of full scale
    "hires/audio_192k_24bit.flac": [("dc-offset", (0, 1))],
    "hires/music_96k_24bit.flac": [],
    "hires/upsampled_88k2.flac": [],
    "hires/upsampled_96k_24bit.wav": [],
    # a slate tone put into both tracks bit for bit over the first 13,983 frames
    "containers/bwf_ixml_field_24bit.WAV": [("identical", (0, 1))],
    "tones/sine_1k_300ms.aif": [("identical", (0, 1))],  # two equal channels
}


@pytest.mark.parametrize("name", sorted(REAL))
def test_real_recordings_ask_for_what_they_hold(name: str, corpus: Path) -> None:
    x, rate_hz, bits = recording(corpus / name)
    assert asking(run(x, rate_hz, word_length=bits)) == REAL[name]


# -- bad input ---------------------------------------------------------------------------------


@pytest.mark.parametrize("tracks", [1, 2, 64])
@pytest.mark.parametrize("frames", [0, 1, 7, 127, 129, 16_384, 16_385])
@pytest.mark.parametrize("rate_hz", [1, 1_234, 44_100, 3_000_000])
def test_any_size_and_rate_goes_through(tracks: int, frames: int, rate_hz: int) -> None:
    rng = np.random.default_rng(frames)
    x = rng.integers(-(2**31), 2**31, (tracks, frames), dtype=np.int32)
    outcome = run(x, rate_hz)
    assert len(outcome.measures.tracks) == tracks


@pytest.mark.parametrize("value", [0, 2**31 - 1, -(2**31), 1])
def test_constant_captures_are_silent_and_not_identical(value: int) -> None:
    outcome = run(np.full((3, 40_000), value, np.int32), 48_000)
    assert ("silent", (0, 1, 2)) in asking(outcome)
    assert of_kind(outcome, "identical") == []


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e-45, 3e38])
def test_float_captures_with_bad_values(dtype: Any, bad: float) -> None:
    rng = np.random.default_rng(3)
    x = rng.standard_normal((2, 60_000)).astype(dtype) * dtype(0.1)
    x[0, 1_000:30_000:7] = bad
    x[1] = x[0]
    with np.errstate(all="ignore"):
        outcome = run(x, 48_000, word_length=32)
    assert [f.tracks for f in of_kind(outcome, "identical")] == [(0, 1)]
    for value in (v for line in outcome.measures.tracks for v in (line.rms_dbfs, line.dc_percent)):
        assert value is None or math.isfinite(value)
    everything = run(np.full((2, 20_000), bad, dtype), 48_000, word_length=32)
    assert len(everything.measures.tracks) == 2
