"""Codings with loss, and names that promise another container than the file is."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from checks.format import FormatLimits, FormatPass
from checks.model import CaptureFormat, Finding
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import ContainerName, Expect, Sheet

DECODED = CaptureFormat(rate_hz=48_000, channels=2, word_length=32, floating=True)


def findings(
    fmt: CaptureFormat, container: str, *, ending: str = "", expect: Expect | None = None
) -> tuple[Finding, ...]:
    sheet = Sheet(expect=expect or Expect())
    check = Check("format", lambda c: FormatPass(c.fmt, c.sheet, FormatLimits(), container, ending))
    whole = SamplePass(Context(fmt=fmt, sheet=sheet), [check])
    noise = np.random.default_rng(1).normal(0, 0.05, (2, 20_000))
    whole.feed(noise.astype(np.float32) if fmt.floating else (noise * 2**31).astype(np.int32))
    return whole.finish()["format"].findings


def test_a_coding_with_loss_is_no_straight_transfer() -> None:
    (finding,) = findings(dataclasses.replace(DECODED, lossy="MP3"), "other")
    assert (finding.kind, finding.verdict.value, finding.remedy.value) == (
        "container-type",
        "listen",
        "recopy",
    )
    assert "coded with loss (MP3)" in finding.text
    assert "asks for" not in finding.text


@pytest.mark.parametrize(
    ("expect", "asked"),
    [
        (Expect(word_length=24), "the sheet asks for words of 24 bits:"),
        (Expect(containers=(ContainerName.WAV,)), "the sheet asks for wav:"),
    ],
)
def test_against_what_the_sheet_asks_for_it_is_not_usable(expect: Expect, asked: str) -> None:
    """One finding, not one more for the length of words that are not there."""
    (finding,) = findings(dataclasses.replace(DECODED, lossy="Vorbis"), "other", expect=expect)
    assert (finding.kind, finding.verdict.value) == ("container-type", "redo")
    assert asked in finding.text


def test_words_coded_with_loss_are_not_measured() -> None:
    """A-law in WAVE: eight bits by the header, which are no word of a converter (ITU-T G.711)."""
    fmt = CaptureFormat(rate_hz=48_000, channels=2, word_length=8, lossy="A-law")
    assert [f.kind for f in findings(fmt, "wav")] == ["container-type"]


@pytest.mark.parametrize(
    ("ending", "container", "told"),
    [
        (".wav", "flac", "the content is FLAC"),
        (".flac", "wav", "the content is WAV"),
        (".WAV", "other", "the content is of another kind"),
        (".wav", "rf64", ""),
        (".bwf", "bw64", ""),
        (".aif", "aifc", ""),
        (".FLAC", "flac", ""),
        (".mp3", "other", ""),
        (".take", "wav", ""),
        ("", "wav", ""),
    ],
)
def test_a_name_that_promises_another_container_is_a_note(
    ending: str, container: str, told: str
) -> None:
    fmt = CaptureFormat(rate_hz=48_000, channels=2, word_length=24)
    notes = [f for f in findings(fmt, container, ending=ending) if f.kind == "container-type"]
    assert [(f.verdict.value, f.remedy.value) for f in notes] == [("clear", "none")] * bool(told)
    assert all(told in f.text for f in notes)


def test_a_container_that_the_sheet_refuses_is_told_once() -> None:
    fmt = CaptureFormat(rate_hz=48_000, channels=2, word_length=24)
    expect = Expect(containers=(ContainerName.WAV,))
    told = findings(fmt, "flac", ending=".wav", expect=expect)
    assert [f.verdict.value for f in told if f.kind == "container-type"] == ["redo"]
