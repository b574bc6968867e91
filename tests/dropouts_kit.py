"""What the tests of the dropouts check share: running it, and a bed to plant faults in."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from synth import programme

from checks.dropouts import DropoutsLimits, DropoutsPass
from checks.model import CaptureFormat, Finding, Outcome
from checks.registry import Check, Context
from checks.sample_pass import SamplePass
from checks.sheet import Sheet

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


@functools.cache
def bed() -> NDArray[np.int32]:
    """Bowed strings, 3 tracks, 96 kHz, 24 bit, 3 s; to be copied, not changed."""
    x = programme("bowed", rate_hz=96_000, tracks=3, seconds=3.0, seed=4)
    x.flags.writeable = False
    return x
