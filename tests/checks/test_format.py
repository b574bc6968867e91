"""Format against the sheet, bits that never move, samples that are no numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from checks.format import FormatLimits, FormatPass
from checks.model import CaptureFormat, Outcome, Verdict
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import ContainerName, Expect, Sheet, TrackEntry, TrackKind


def run(
    samples: NDArray[Any],
    *,
    sheet: Sheet | None = None,
    word_length: int = 24,
    rate_hz: int = 96_000,
    container: str | None = "wav",
    cuts: list[int] | None = None,
) -> Outcome:
    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=samples.shape[0],
        word_length=word_length,
        floating=samples.dtype.kind == "f",
    )
    check = Check("format", lambda c: FormatPass(c.fmt, c.sheet, FormatLimits(), container))
    whole = SamplePass(Context(fmt=fmt, sheet=sheet or Sheet()), [check])
    for part in np.split(samples, sorted(min(c, samples.shape[1]) for c in cuts or []), axis=1):
        whole.feed(part)
    return whole.finish()["format"]


def asks(outcome: Outcome) -> list[tuple[str, str, str, tuple[int, ...]]]:
    return [
        (f.kind, f.verdict.value, f.remedy.value, f.tracks)
        for f in outcome.findings
        if f.verdict.value != "clear"
    ]


def notes(outcome: Outcome) -> list[str]:
    return [f.kind for f in outcome.findings if f.verdict.value == "clear"]


def noise(tracks: int = 2, frames: int = 20_000, bits: int = 24, seed: int = 0) -> NDArray[Any]:
    rng = np.random.default_rng(seed)
    whole = (rng.normal(0, 0.05, (tracks, frames)) * 2 ** (bits - 1)).astype(np.int64)
    return (whole << (32 - bits)).astype(np.int32)


def test_full_words_ask_for_nothing() -> None:
    outcome = run(noise())
    assert asks(outcome) == []
    assert outcome.measures.bits_used == (24, 24)
    assert outcome.measures.rate_is_preferred is True


def test_bits_that_move_late_on_one_track_are_seen() -> None:
    x = noise(frames=50_000)
    x[1, :40_000] &= -(1 << 16)  # the upper 16 bits alone, at first
    assert run(x).measures.bits_used == (24, 24)
    assert run(x[:, :40_000]).measures.bits_used == (24, 16)


def test_sixteen_bits_in_words_of_twenty_four() -> None:
    """Standards page, row 43: 16-bit data shifted by 8 uses 16 bits."""
    outcome = run(noise(bits=16))
    assert outcome.measures.bits_used == (16, 16)
    assert asks(outcome) == [("unused-bits", "redo", "replay", (0, 1))]


@pytest.mark.parametrize(
    ("expect", "told"),
    [
        (Expect(), "bits ever change, though the header promises them, and 24 are usual"),
        (Expect(word_length=24), "bits ever change, the sheet asks for 24:"),
    ],
)
def test_it_is_said_who_asks_for_the_bits(expect: Expect, told: str) -> None:
    (finding,) = run(noise(bits=16), sheet=Sheet(expect=expect)).findings
    assert told in finding.text


def test_twenty_four_bits_in_words_of_thirty_two_are_a_note() -> None:
    outcome = run(noise(), word_length=32)
    assert asks(outcome) == []
    assert notes(outcome) == ["unused-bits"]


def test_words_of_sixteen_are_measured_by_their_own_length() -> None:
    outcome = run(noise(bits=16), word_length=16)
    assert asks(outcome) == []
    assert notes(outcome) == ["word-length"]


@pytest.mark.parametrize("stuck_high", [False, True])
@pytest.mark.parametrize("bit", [12, 20, 23])
def test_a_stuck_bit_in_the_middle_is_found(bit: int, stuck_high: bool) -> None:
    samples = noise()
    mask = np.int32(1 << (32 - bit))
    samples[1] = samples[1] | mask if stuck_high else samples[1] & ~mask
    outcome = run(samples)
    assert asks(outcome) == [("unused-bits", "redo", "replay", (1,))]
    assert outcome.findings[0].values["stuck_bits"] == [bit]
    assert outcome.findings[0].text.startswith(f"Bit {bit} of the words never changes")


def test_words_are_judged_by_their_own_header_where_no_sheet_asks_for_more() -> None:
    # IASA-TC 04, 2.3: 24 bits for a transfer; what a header of 16 bits lacks is one note
    whole = run(noise(bits=16), word_length=16)
    assert asks(whole) == []
    assert notes(whole) == ["word-length"]
    odd = noise(bits=16) | 1 << 16  # a last bit that stands still is a fault in any word
    assert asks(run(odd, word_length=16)) == [("unused-bits", "redo", "replay", (0, 1))]


def test_a_track_that_stands_at_one_value_tells_nothing_of_its_bits() -> None:
    samples = noise(2)
    samples[1] = -(2**31)
    assert asks(run(samples)) == []


def test_quiet_and_unused_tracks_are_excused() -> None:
    samples = noise(3, bits=16)
    samples[1] = 0
    samples[2] = samples[2] >> 14 & -65536  # a step or two of a 16-bit word, about -93 dBFS
    sheet = Sheet(tracks=(TrackEntry(kind=TrackKind.UNUSED), TrackEntry(), TrackEntry()))
    assert asks(run(samples, sheet=sheet)) == []


@pytest.mark.parametrize(
    ("expect", "kind", "remedy"),
    [
        (Expect(rate_hz=352_800), "rate", "replay"),
        (Expect(channels=8), "channels", "replay"),
        (Expect(word_length=32), "word-length", "replay"),
        (Expect(containers=(ContainerName.FLAC,)), "container-type", "mend"),
        (Expect(min_duration_s=60), "duration", "replay"),
        (Expect(max_duration_s=0.1), "duration", "replay"),
    ],
)
def test_what_the_sheet_asks_for(expect: Expect, kind: str, remedy: str) -> None:
    found = asks(run(noise(), sheet=Sheet(expect=expect)))
    assert [item[:3] for item in found] == [(kind, "redo", remedy)]


@pytest.mark.parametrize(
    ("named", "asked"),
    [
        (1, []),  # the others are called by their numbers
        (2, []),
        (3, [("channels", "redo", "replay", ())]),
    ],
)
def test_there_are_as_many_tracks_as_the_sheet_names(
    named: int, asked: list[tuple[str, str, str, tuple[int, ...]]]
) -> None:
    outcome = run(noise(), sheet=Sheet(tracks=(TrackEntry(name="a"),) * named))
    assert asks(outcome) == asked
    if asked:
        (finding,) = outcome.findings
        assert finding.text.startswith("There are 2 tracks, the sheet names 3: ")
        assert (finding.values["channels"], finding.values["expected"]) == (2, 3)


def test_one_track_is_told_as_one() -> None:
    (finding,) = run(noise(tracks=1), sheet=Sheet(expect=Expect(channels=2))).findings
    assert finding.text.startswith("There is 1 track, the sheet asks for 2: ")


@pytest.mark.parametrize("container", ["wav", "rf64", "bw64"])
def test_wav_in_a_sheet_covers_its_family(container: str) -> None:
    sheet = Sheet(expect=Expect(containers=(ContainerName.WAV,)))
    assert asks(run(noise(), sheet=sheet, container=container)) == []


def test_a_sheet_that_is_met_asks_for_nothing() -> None:
    expect = Expect(rate_hz=96_000, channels=2, word_length=24, min_duration_s=0.2)
    assert asks(run(noise(), sheet=Sheet(expect=expect))) == []


def test_an_odd_rate_is_a_note_without_a_sheet() -> None:
    assert notes(run(noise(), rate_hz=35_467)) == ["rate"]


def test_float_beyond_full_scale_is_not_clipping() -> None:
    """Standards page, row 76: 1.5 is +3.52 dBFS."""
    samples = np.zeros((2, 5000), np.float32)
    samples[1, 700] = 1.5
    outcome = run(samples, word_length=32)
    assert asks(outcome) == [("over-range", "listen", "listen", (1,))]
    finding = next(f for f in outcome.findings if f.kind == "over-range")
    assert (finding.start_frame, finding.values["peak_dbfs"]) == (700, 3.52)


def test_the_highest_sample_is_told_beside_those_that_are_no_numbers() -> None:
    samples = np.zeros((1, 5000), np.float32)
    samples[0, [700, 800]] = (10.0, np.inf)  # 20 log10(10)
    found = next(f for f in run(samples, word_length=32).findings if f.kind == "over-range")
    assert found.values["peak_dbfs"] == 20.0


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize(
    ("bits", "gain", "expected"), [(16, 1.0, 16), (20, 1.0, 20), (24, 1.0, None), (16, 0.7, None)]
)
def test_floats_that_hold_short_words(
    bits: int, gain: float, expected: int | None, dtype: Any
) -> None:
    """A float of 24 bits of fraction holds words up to 24 bits exactly (IEEE 754, binary32)."""
    samples = (noise(bits=bits) / 2.0**31 * gain).astype(dtype)
    outcome = run(samples, word_length=32)
    found = [f for f in outcome.findings if f.kind == "unused-bits"]
    assert [f.values["bits_used"] for f in found] == ([expected] if expected else [])
    for finding in found:
        assert (finding.verdict, finding.tracks) == (Verdict.REDO, (0, 1))
        assert "though 24 are usual" in finding.text


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_what_is_no_number_is_lost(value: float, dtype: Any) -> None:
    samples = np.zeros((3, 40_000), dtype)
    samples[2, 33_333:33_336] = value
    outcome = run(samples, word_length=32)
    assert asks(outcome) == [("not-finite", "redo", "replay", (2,))]
    finding = next(f for f in outcome.findings if f.kind == "not-finite")
    assert (finding.start_frame, finding.frames, finding.values["count"]) == (33_333, 3, 3)


@settings(deadline=None, max_examples=30)
@given(st.lists(st.integers(0, 40_000), max_size=6), st.booleans())
def test_cuts_change_nothing(cuts: list[int], floating: bool) -> None:
    samples = noise(frames=40_000)
    if floating:
        samples = samples.astype(np.float64) / 2**31
        samples[0, [5, 16_384, 39_999]] = (np.nan, 2.0, np.inf)
    assert run(samples, cuts=cuts) == run(samples)


@pytest.mark.parametrize("shape", [(1, 0), (1, 1), (64, 3)])
@pytest.mark.parametrize("value", [0, 2**31 - 1, -(2**31)])
def test_odd_captures_make_no_accident(shape: tuple[int, int], value: int) -> None:
    run(np.full(shape, value, np.int32))


@pytest.mark.parametrize("frames", [1, 2, 20])
def test_a_few_samples_tell_nothing_of_the_bits(frames: int) -> None:
    """One of two random words has its lowest bit at 0 with a chance of a half."""
    words = np.full((2, frames), 0x40000000, np.int32)
    words[:, ::2] = 0x20000000
    short = ("duration", "listen", "listen", ())
    assert asks(run(words)) == [short]
    assert {*asks(run(np.tile(words, (1, 100))))} - {short} != set() if frames > 1 else True


def test_what_is_too_short_to_be_judged_is_told() -> None:
    """A recorder that broke off at once leaves some words; a sheet that says how long is enough."""
    words = np.random.default_rng(3).integers(-(2**30), 2**30, (2, 31), np.int32)
    asked = Sheet(expect=Expect(min_duration_s=0.0001))
    assert asks(run(words)) == [("duration", "listen", "listen", ())]
    assert asks(run(np.tile(words, (1, 40)))) == []
    assert asks(run(words, sheet=asked)) == []
    assert asks(run(words[:, :0])) == []  # which the container tells
