"""The lineup check as a whole: tones of exactly known make, what is measured and what is said."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.lineup import LineupLimits, LineupPass
from checks.model import CaptureFormat, Finding, Outcome, Remedy, Verdict
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import LineupSheet, Reel, ReelKind, Sheet, SheetTone, Tape


def run(
    x: Any, rate_hz: int, sheet: Sheet | None = None, *, cuts: Sequence[int] = ()
) -> Outcome:
    """The check's outcome on whole samples, (tracks, frames), int32 or float."""
    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=x.shape[0],
        word_length=24,
        floating=x.dtype.kind == "f",
        frames=x.shape[1],
    )
    check = Check("lineup", lambda c: LineupPass(c.fmt, c.sheet, LineupLimits()))
    sample_pass = SamplePass(Context(fmt=fmt, sheet=sheet or Sheet()), checks=[check])
    for piece in np.split(x, sorted(min(c, x.shape[1]) for c in cuts), axis=1):
        sample_pass.feed(piece)
    outcome = sample_pass.finish()["lineup"]
    assert not [f for f in outcome.findings if f.kind == "not-run"], outcome.findings
    return outcome


def ints(x: Any) -> Any:
    return np.clip(np.rint(np.asarray(x) * 2**23), -(2**23), 2**23 - 1).astype(np.int32) << 8


def hiss(rng: np.random.Generator, shape: tuple[int, ...], dbfs: float, rate_hz: int) -> Any:
    """White noise of that level from 0 to 20 kHz; AES17: a full-scale sine is 0 dBFS rms."""
    scale = 10 ** (dbfs / 20) / math.sqrt(2) * math.sqrt(rate_hz / 40_000)
    return rng.standard_normal(shape) * scale


def line_up(
    rate_hz: int,
    parts: Sequence[tuple[float, float, float]],
    *,
    tracks: int = 2,
    gap_s: float = 0.5,
    hiss_dbfs: float = -70.0,
    delays_s: Sequence[float] | None = None,
    gains_db: Sequence[float] | None = None,
    seed: int = 1,
) -> tuple[Any, list[tuple[float, float]]]:
    """Tones of (Hz, dBFS, seconds) with gaps; samples and where each begins and ends."""
    delays = delays_s or [0.0] * tracks
    gains = gains_db or [0.0] * tracks
    gap = np.zeros((tracks, round(gap_s * rate_hz)))
    pieces, places, at = [gap], [], gap.shape[1]
    for hz, dbfs, seconds in parts:
        t = (at + np.arange(round(seconds * rate_hz))) / rate_hz
        pieces.append(
            np.stack(
                [
                    10 ** ((dbfs + g) / 20) * np.sin(2 * np.pi * hz * (t - d) + 0.3)
                    for d, g in zip(delays, gains, strict=True)
                ]
            )
        )
        pieces.append(gap)
        places.append((at / rate_hz, (at + len(t)) / rate_hz))
        at += len(t) + gap.shape[1]
    x = np.concatenate(pieces, axis=1)
    x += hiss(np.random.default_rng(seed), x.shape, hiss_dbfs, rate_hz)
    return x, places


def of_kind(outcome: Outcome, kind: str) -> list[Finding]:
    return [f for f in outcome.findings if f.kind == kind]


def asking(outcome: Outcome) -> list[tuple[str, Verdict, tuple[int, ...]]]:
    return [(f.kind, f.verdict, f.tracks) for f in outcome.findings if f.verdict is not Verdict.CLEAR]


CALIBRATION = Sheet(reel=Reel(kind=ReelKind.LINEUP))


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 352_800])
def test_a_line_up_of_three_tones_is_found_and_measured(rate_hz: int) -> None:
    # 1 kHz, 10 kHz and 100 Hz over hiss of -70: row 56 of the check values (common practice)
    x, places = line_up(rate_hz, [(1000, -18, 3), (10_000, -18, 3), (100, -18, 3)])
    outcome = run(ints(x), rate_hz)
    tones = outcome.measures.tones
    assert [t.nominal_hz for t in tones] == [1000, 10_000, 100]
    for tone, (start, end) in zip(tones, places, strict=True):
        assert tone.start_s == pytest.approx(start, abs=0.05)  # 50 ms
        assert tone.end_s == pytest.approx(end, abs=0.05)
        assert tone.frequency_hz == pytest.approx(tone.nominal_hz, rel=5e-5)  # 0.005 %
        for track in tone.tracks:
            assert track.level_dbfs == pytest.approx(-18, abs=0.02)
            assert track.phase_deg == pytest.approx(0, abs=0.2)
    assert asking(outcome) == []
