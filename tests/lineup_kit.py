"""What the tests of the lineup check share: three tones, and what the check says of a signal."""

from __future__ import annotations

from bench_lineup.signals import Part, Signal, ints, run

from checks.model import Finding, Outcome, Verdict
from checks.sheet import Reel, ReelKind, Sheet

RATE = 44_100
DECLARED = Reel(kind=ReelKind.LINEUP)
LEVEL = Part(hz=1000, dbfs=-18, seconds=2.5)
HIGH = Part(hz=10_000, dbfs=-18, seconds=2.5)
LOW = Part(hz=100, dbfs=-18, seconds=2.5)


def checked(signal: Signal, sheet: Sheet | None = None) -> Outcome:
    return run(ints(signal.samples), signal.rate_hz, sheet)


def of_kind(outcome: Outcome, kind: str) -> list[Finding]:
    return [f for f in outcome.findings if f.kind == kind]


def asking(outcome: Outcome) -> list[tuple[str, Verdict, tuple[int, ...]]]:
    """Kind, verdict and tracks of what asks for something."""
    return [(f.kind, f.verdict, f.tracks) for f in outcome.findings
            if f.verdict is not Verdict.CLEAR]  # fmt: skip
