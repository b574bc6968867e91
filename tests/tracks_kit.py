"""What the tests of the tracks check share: running it, and clean programme to spoil."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import synth

from checks.model import CaptureFormat, Finding, Outcome, Verdict
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import Sheet, TrackEntry, TrackKind
from checks.tracks import TracksLimits, TracksPass

FULL = 2.0**31


def run(
    x: Any,
    rate_hz: int,
    *,
    sheet: Sheet | None = None,
    word_length: int = 24,
    cuts: list[int] | None = None,
    limits: TracksLimits | None = None,
    known_length: bool = True,
) -> Outcome:
    """The check's outcome on whole samples, (tracks, frames), int32 or float."""
    fmt = CaptureFormat(
        rate_hz=rate_hz,
        channels=x.shape[0],
        word_length=word_length,
        floating=x.dtype.kind == "f",
        frames=x.shape[1] if known_length else None,
    )
    check = Check("tracks", lambda c: TracksPass(c.fmt, c.sheet, limits or TracksLimits()))
    sample_pass = SamplePass(Context(fmt=fmt, sheet=sheet or Sheet()), checks=[check])
    for piece in np.split(x, sorted(min(c, x.shape[1]) for c in cuts or []), axis=1):
        sample_pass.feed(piece)
    outcome = sample_pass.finish()["tracks"]
    assert not [f for f in outcome.findings if f.kind == "not-run"], outcome.findings
    return outcome


def of_kind(outcome: Outcome, kind: str) -> list[Finding]:
    return [f for f in outcome.findings if f.kind == kind]


def asking(outcome: Outcome) -> list[tuple[str, tuple[int, ...]]]:
    """Kinds and tracks of what asks for something."""
    return [(f.kind, f.tracks) for f in outcome.findings if f.verdict is not Verdict.CLEAR]


def named(*kinds: TrackKind) -> tuple[TrackEntry, ...]:
    return tuple(TrackEntry(name=f"name {n}", kind=kind) for n, kind in enumerate(kinds))


PROGRAMME, UNUSED, TIMECODE = TrackKind.PROGRAMME, TrackKind.UNUSED, TrackKind.TIMECODE


def played(
    seconds: float = 8, tracks: int = 3, rate_hz: int = 48_000, hiss_dbfs: float = -62.0
) -> Any:
    """Clean programme of a band, a copy to spoil."""
    return made("band", rate_hz, tracks, seconds, 11, hiss_dbfs).copy()


@functools.cache
def made(
    kind: str, rate_hz: int, tracks: int, seconds: float, seed: int, hiss_dbfs: float = -62.0
) -> Any:
    return synth.programme(
        kind, rate_hz=rate_hz, tracks=tracks, seconds=seconds, seed=seed, hiss_dbfs=hiss_dbfs
    )
