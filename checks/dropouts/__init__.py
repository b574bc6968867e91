"""Dropouts: audio that is missing, held, repeated or out of joint, and signal lost by the tape.

The check is made of parts (see ``_part``); each docstring says what its part measures, by which
source, and what it cannot see. This module only hands the blocks round and puts the outcomes
together.
"""

from __future__ import annotations

from collections.abc import Sequence

from checks.block import BLOCK_FRAMES, Block
from checks.dropouts._history import History
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import Part, PartOutcome
from checks.dropouts._repeats import BATCH_BLOCKS, RepeatsPart
from checks.dropouts._steps import StepsPart
from checks.dropouts._tape import TapePart
from checks.dropouts._zeros import RunsPart
from checks.measures import DropoutsLine, DropoutsMeasures
from checks.model import CaptureFormat, Finding, Outcome, Verdict
from checks.sheet import Sheet

__all__ = ["DropoutsLimits", "DropoutsPass", "Part", "PartOutcome"]

_COUNTED = (
    "zero_runs",
    "held_runs",
    "repeated_blocks",
    "steps",
    "contact_losses",
    "level_dips",
)


class DropoutsPass:
    """All parts over one capture."""

    def __init__(self, fmt: CaptureFormat, sheet: Sheet, limits: DropoutsLimits) -> None:
        self._fmt = fmt
        lag = int(limits.repeat_lag_s * fmt.rate_hz)
        self._history = History(frames=lag + (BATCH_BLOCKS + 2) * BLOCK_FRAMES)
        repeats = RepeatsPart(fmt, sheet, limits, self._history)
        self._steps = StepsPart(fmt, limits, self._history, repeats)
        self._parts: tuple[Part, ...] = (
            RunsPart(fmt, sheet, limits, self._history),
            repeats,
            self._steps,
            TapePart(fmt, sheet, limits),
        )

    def glance(self, block: Block) -> None:
        """Screen a block for steps, which takes as long as the rest and needs none of it."""
        self._steps.glance(block)

    def feed(self, block: Block) -> None:
        self._history.add(block)
        for part in self._parts:
            part.feed(block)

    def finish(self) -> Outcome:
        return joined([part.finish() for part in self._parts], self._fmt)


def joined(outcomes: Sequence[PartOutcome], fmt: CaptureFormat) -> Outcome:
    """The findings of all parts in order of their place, the counts of all parts a track."""
    findings = explained([finding for outcome in outcomes for finding in outcome.findings])
    findings.sort(key=lambda f: (-1 if f.start_frame is None else f.start_frame, f.kind, f.tracks))
    counts: dict[str, Sequence[int]] = {name: [0] * fmt.channels for name in _COUNTED}
    for outcome in outcomes:
        counts.update(outcome.counts)
    lines = tuple(
        DropoutsLine(track=track + 1, **{name: int(counts[name][track]) for name in _COUNTED})
        for track in range(fmt.channels)
    )
    rate = max(fmt.rate_hz, 1)
    programme = tuple(
        (round(start / rate, 4), round(stop / rate, 4))
        for outcome in outcomes
        for start, stop in outcome.programme
    )
    return Outcome(
        findings=tuple(findings), measures=DropoutsMeasures(tracks=lines, programme_s=programme)
    )


def explained(findings: Sequence[Finding]) -> list[Finding]:
    """Without what a proven digital fault explains: audio that is gone dips, too."""
    digital = [f for f in findings if f.kind in _DIGITAL and f.verdict is Verdict.REDO]
    return [
        f
        for f in findings
        if f.kind not in _DIPS or not any(_within(f, fault) for fault in digital)
    ]


def _within(dip: Finding, fault: Finding) -> bool:
    """Whether a dip lies where a fault is, on the fault's tracks alone."""
    if None in (dip.start_frame, dip.frames, fault.start_frame, fault.frames):
        return False
    start, stop = int(dip.start_frame or 0), int(dip.start_frame or 0) + int(dip.frames or 0)
    first = int(fault.start_frame or 0)
    last = first + int(fault.frames or 0)
    around = 2 * (last - first) + _NEAR_FRAMES
    inside = start >= first - around and stop <= last + around
    return inside and set(dip.tracks) <= set(fault.tracks)


_DIGITAL = ("zero-run", "held-value", "repeated-block")
_DIPS = ("level-dip", "contact-loss")
_NEAR_FRAMES = 4096  # what the tape part's bands see of a place
