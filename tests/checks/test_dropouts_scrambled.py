"""Words that are no audio: bytes lost or in the wrong order, told from loud sound of any kind."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from synth import programme

from checks.dropouts import DropoutsLimits, DropoutsPass
from checks.model import CaptureFormat, Finding, Remedy, Verdict
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import Sheet

RATE = 96_000
KINDS = ("drums", "plucks", "brass", "speech")


def steps(x: Any, cuts: tuple[int, ...] = (), rate_hz: int = RATE) -> list[Finding]:
    fmt = CaptureFormat(
        rate_hz=rate_hz, channels=len(x), word_length=24, frames=x.shape[1],
        floating=x.dtype != np.int32,
    )  # fmt: skip
    check = Check("dropouts", lambda c: DropoutsPass(c.fmt, Sheet(), DropoutsLimits()))
    run = SamplePass(Context(fmt=fmt), [check])
    for part in np.split(x, sorted(cuts), axis=1):
        run.feed(part)
    found = run.finish()["dropouts"].findings
    return [f for f in found if f.verdict is not Verdict.CLEAR]


def swapped(words: Any) -> Any:
    """24-bit words, left-justified, with their three bytes in the other order."""
    octets = np.ascontiguousarray(words).view(np.uint8).reshape(*words.shape, 4)
    out = np.zeros_like(octets)
    out[..., 1:] = octets[..., :0:-1]
    return out.view(np.int32)[..., 0]


def shifted(x: Any, at: int) -> Any:
    """Interleaved 24-bit samples from frame ``at`` on, with one byte lost and the end made good."""
    octets = np.ascontiguousarray(x.T).view(np.uint8).reshape(-1, 4)[:, 1:].reshape(-1)
    place = at * len(x) * 3
    octets = np.concatenate((octets[:place], octets[place + 1 :], [np.uint8(0)]))
    wide = np.zeros((len(octets) // 3, 4), np.uint8)
    wide[:, 1:] = octets.reshape(-1, 3)
    return np.ascontiguousarray(wide.view(np.int32).reshape(-1, len(x)).T)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("frames", [40, 300, 5_000, 60_000])
def test_words_with_their_bytes_turned_round_are_found(kind: str, frames: int) -> None:
    x = programme(kind, rate_hz=RATE, tracks=2, seconds=3.0, seed=11, hiss_dbfs=-60.0)
    x[:, 120_000 : 120_000 + frames] = swapped(x[:, 120_000 : 120_000 + frames])
    (found,) = [f for f in steps(x) if f.kind == "step"]
    assert (found.verdict, found.remedy) == (Verdict.REDO, Remedy.RECOPY)
    assert "etch it again" in found.text
    assert found.tracks == (0, 1)
    assert found.values["cause"] == "scrambled"
    assert found.start_frame == pytest.approx(120_000, abs=20)
    assert found.frames == pytest.approx(frames, abs=40)


@pytest.mark.parametrize("top", [0.85, 1.0])
def test_random_words_between_other_sound_are_found(top: float) -> None:
    rng = np.random.default_rng(8)
    x = programme("brass", rate_hz=RATE, tracks=2, seconds=3.0, seed=11, hiss_dbfs=-60.0)
    words = np.rint(top * (2**23 - 1) * rng.uniform(-1, 1, (2, 2_000))).astype(np.int32) << 8
    x[:, 150_000:152_000] = words
    (found,) = [f for f in steps(x) if f.kind == "step"]
    assert (found.verdict, found.tracks) == (Verdict.REDO, (0, 1))
    assert found.start_frame == pytest.approx(150_000, abs=20)


@pytest.mark.parametrize("tracks", [1, 3, 8])
def test_all_that_follows_a_lost_byte_is_noise(tracks: int) -> None:
    x = shifted(
        programme("plucks", rate_hz=RATE, tracks=tracks, seconds=4.0, seed=4, hiss_dbfs=-62.0),
        200_000,
    )
    found = steps(x)
    redo = [f for f in found if f.verdict is Verdict.REDO]
    assert [(f.kind, f.tracks, f.values["cause"]) for f in redo] == [
        ("step", tuple(range(tracks)), "scrambled")
    ]
    assert redo[0].start_frame == pytest.approx(200_000, abs=20)
    assert redo[0].frames == pytest.approx(x.shape[1] - 200_000, abs=60)


def loud_sounds(kind: str) -> Any:
    rng = np.random.default_rng(9)
    n = 2 * RATE
    t = np.arange(n) / RATE
    gate = (np.arange(n) // 9_600) % 2
    if kind == "normal noise, clipped":
        return gate * np.clip(0.5 * rng.standard_normal(n), -1, 1)
    if kind == "square wave":
        return gate * np.sign(np.sin(2 * np.pi * 7_000 * t)) * 0.99
    if kind == "wrapped tone":
        return (1.8 * np.sin(2 * np.pi * 5_000 * t) + 1) % 2 - 1
    if kind == "high tone":
        return 0.99 * gate * np.sin(2 * np.pi * 31_000 * t)
    if kind == "random levels, held":
        return np.repeat(rng.uniform(-1, 1, n // 4 + 1), 4)[:n] * gate
    assert kind == "distorted"
    return np.clip(30 * np.sin(2 * np.pi * 440 * t) * np.sin(2 * np.pi * 7 * t), -1, 1)


@pytest.mark.parametrize(
    "kind",
    ["normal noise, clipped", "square wave", "wrapped tone", "high tone", "random levels, held",
     "distorted"],
)  # fmt: skip
def test_loud_sound_of_other_kinds_is_not_scrambled(kind: str) -> None:
    rng = np.random.default_rng(1)
    x = loud_sounds(kind) + 1e-4 * rng.standard_normal(2 * RATE)
    words = (np.clip(np.rint(x * 2**23), -(2**23), 2**23 - 1).astype(np.int32) << 8)[np.newaxis]
    assert not [f for f in steps(words) if f.values.get("cause") == "scrambled"]


def test_noise_of_full_scale_from_end_to_end_may_be_meant() -> None:
    rng = np.random.default_rng(2)
    x = rng.integers(-(2**23), 2**23, (1, RATE), dtype=np.int64).astype(np.int32) << 8
    (found,) = [f for f in steps(x) if f.values.get("cause") == "scrambled"]
    assert found.verdict is Verdict.LISTEN


@settings(deadline=None, max_examples=25)
@given(st.lists(st.integers(1, 99_999), max_size=4))
def test_cuts_of_the_stream_change_nothing(cuts: list[int]) -> None:
    x = programme("drums", rate_hz=48_000, tracks=2, seconds=2.1, seed=3)
    x[0, 30_000:40_000] = swapped(x[0, 30_000:40_000])
    assert steps(x, tuple(cuts), 48_000) == steps(x, (), 48_000)


@pytest.mark.parametrize(
    ("gain", "offset", "told"), [(1.0, 0.0, True), (1.12, 0.0, False), (0.85, 0.3, False)]
)
@pytest.mark.parametrize("frames", [80, 2_000])
def test_noise_cut_off_at_full_scale_or_off_centre_is_no_scrambled_words(
    gain: float, offset: float, told: bool, frames: int
) -> None:
    """Even values, as scrambled words have; of a struck cymbal that clips, some stand at the top.

    Of 80 at 12 % over full scale nine do, of a word's own even values none in 8 million.
    """
    x = programme("speech", rate_hz=RATE, tracks=1, seconds=1.0, seed=11, hiss_dbfs=-60.0)
    even = np.random.default_rng(3).uniform(-1.0, 1.0, frames)
    noise = np.clip(gain * even + offset, -1.0, 1.0 - 2.0**-23)
    x[0, 50_000 : 50_000 + frames] = np.rint(noise * 2**23).astype(np.int32) << 8
    found = [f for f in steps(x) if f.values.get("cause") == "scrambled"]
    assert bool(found) is told


def claps(seed: int, rate_hz: int) -> Any:
    """Claps over hiss: noise as wide as the capture, that begins sharply and dies away."""
    rng = np.random.default_rng(seed)
    x = 10 ** (-62 / 20) * rng.standard_normal(3 * rate_hz)
    t = np.arange(rate_hz // 4) / rate_hz
    for start in range(rate_hz // 4, len(x) - len(t), rate_hz // 2):
        dies = np.exp(-t / rng.uniform(0.5e-3, 6e-3))
        clap = rng.standard_normal(len(t)) * dies * np.minimum(t / 5e-5, 1.0)
        x[start : start + len(t)] += rng.uniform(0.8, 0.95) * clap / np.abs(clap).max()
    return (np.rint(np.clip(x, -1, 1 - 2.0**-23) * 2**23).astype(np.int32) << 8)[np.newaxis]


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
@pytest.mark.parametrize("seed", range(3))
def test_a_loud_clap_is_no_scrambled_words(seed: int, rate_hz: int) -> None:
    """At the head of a take stands a slate: redo would cost a pass of the tape for nothing."""
    found = steps(claps(seed, rate_hz), rate_hz=rate_hz)
    assert not [f for f in found if f.values.get("cause") == "scrambled"]


@pytest.mark.parametrize("frames", [40, 170])
def test_scrambled_words_within_loud_programme_are_no_clap(frames: int) -> None:
    x = programme("brass", rate_hz=RATE, tracks=1, seconds=2.0, seed=5, hiss_dbfs=-60.0)
    x = np.rint(x * (0.9 * 2**31 / np.abs(x).max()) / 256).astype(np.int32) << 8
    loud = int(np.abs(x[0, :150_000]).argmax())
    x[:, loud : loud + frames] = swapped(x[:, loud : loud + frames])
    (found,) = [f for f in steps(x) if f.kind == "step"]
    assert (found.verdict, found.remedy) == (Verdict.REDO, Remedy.RECOPY)
