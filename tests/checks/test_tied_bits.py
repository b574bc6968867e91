"""Bits that go as one are told, whatever ties them; what signals do by nature is not."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from checks._tied_bits import _WORDS, TiedBits
from checks.block import BLOCK_FRAMES
from checks.format import FormatLimits, FormatPass
from checks.model import CaptureFormat, Finding
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import Sheet

RATE_HZ = 44_100
FRAMES = 2 * RATE_HZ
Ints = NDArray[np.int32]


def found(words: Ints) -> list[Finding]:
    """Of words of 24 bits, (frames,)."""
    fmt = CaptureFormat(rate_hz=RATE_HZ, channels=1, word_length=24)
    check = Check("format", lambda _: FormatPass(fmt, Sheet(), FormatLimits()))
    run = SamplePass(Context(fmt=fmt), checks=[check])
    run.feed(words[np.newaxis] << 8)
    return [f for f in run.finish()["format"].findings if f.kind == "unused-bits"]


def noisy(frames: int = FRAMES) -> Ints:
    """Two tones and the hiss of a tape, words of 24 bits."""
    t = np.arange(frames) / RATE_HZ
    x = 2e6 * np.sin(2 * np.pi * 211.3 * t) + 1e6 * np.sin(2 * np.pi * 3_017 * t)
    hiss = 4_000 * np.random.default_rng(5).standard_normal(frames)
    return np.rint(x + hiss).astype(np.int32)


def tied(x: Ints, low: int, high: int, how: str) -> Ints:
    a, b = x >> low & 1, x >> high & 1
    one, other = {"follows": (b, b), "opposite": (1 - b, b), "both": (a & b, a & b)}[how]
    return np.asarray(x & ~(1 << low | 1 << high) | one << low | other << high, np.int32)


@pytest.mark.parametrize("how", ["follows", "opposite", "both"])
@pytest.mark.parametrize(("low", "high"), [(0, 1), (7, 8), (3, 11), (14, 15)])
def test_two_bits_that_go_as_one(low: int, high: int, how: str) -> None:
    (one,) = found(tied(noisy(), low, high, how))
    assert (one.verdict.value, one.remedy.value, one.start_frame) == ("redo", "replay", None)
    assert one.values["tied_bits"] == [24 - high, 24 - low]
    assert one.values["opposite"] is (how == "opposite")


def test_from_some_place_to_the_end() -> None:
    x = noisy()
    (one,) = found(np.concatenate((x[:40_000], tied(x[40_000:], 8, 9, "follows"))))
    assert one.start_frame is not None
    assert one.frames is not None
    assert abs(one.start_frame - 40_000) <= 4 * 512  # a tie may begin some words early by chance
    assert one.start_frame + one.frames == FRAMES
    assert one.text.startswith("Bits 15 and 16 of the words go as one for some ")


T = np.arange(FRAMES) / RATE_HZ
HISS = np.random.default_rng(6).standard_normal(FRAMES)
NATURE = {
    "hiss about an offset": 2.0**20 + 300 * HISS,  # its upper bits all change as one goes up
    "square wave": 3e6 * np.sign(np.sin(2 * np.pi * 100.3 * T)) + 40 * HISS,
    "sawtooth": 0.999 * 2**23 * (2 * (997.0 * np.arange(6 * RATE_HZ) / RATE_HZ % 1) - 1),
    "slow ramp": 4e6 * (T / T[-1] * 2 - 1),
    "quiet with a few peaks": 50 * HISS + 4e6 * (np.abs(HISS) > 3.5),
    "tone": 8e6 * np.sin(2 * np.pi * 1_000 * T),
}


@pytest.mark.parametrize("name", NATURE)
def test_what_signals_do_by_nature_is_no_tie(name: str) -> None:
    assert [f for f in found(np.rint(NATURE[name]).astype(np.int32)) if "as one" in f.text] == []


def test_words_are_kept_evenly_however_long_a_capture() -> None:
    fmt = CaptureFormat(rate_hz=RATE_HZ, channels=1, word_length=32)
    bits, at = TiedBits(fmt), np.arange(BLOCK_FRAMES, dtype=np.int32)[np.newaxis]

    class Counting:
        """A block whose words are their frames' numbers."""

        def __init__(self, number: int) -> None:
            self.start, self.stop = number * BLOCK_FRAMES, (number + 1) * BLOCK_FRAMES
            self.samples = at + self.start

    for number in range(300):
        bits.feed(Counting(number))  # type: ignore[arg-type]
    kept = bits._words[0, : bits._held]
    assert _WORDS // 2 <= len(kept) <= _WORDS
    assert (kept // bits._every == np.arange(len(kept))).all()
