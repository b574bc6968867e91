"""Dropouts: audio that is missing, held, repeated or out of joint, and signal lost by the tape.

The check is made of parts (see ``_part``); each docstring says what its part measures, by which
source, and what it cannot see; DEVELOPERS.md has the order of the work. This module only hands the
blocks round and puts the outcomes together. In two halves, which two processes may work on: they
meet at the end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from checks.block import BLOCK_FRAMES, Block
from checks.dropouts._history import History
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import Part, PartOutcome
from checks.dropouts._repeats import BATCH_BLOCKS, RepeatsPart
from checks.dropouts._scrambled import ScrambledPart
from checks.dropouts._sentences import RECODED
from checks.dropouts._spaced import SPACED, SpacedPart
from checks.dropouts._stairs import StairsPart
from checks.dropouts._steps import StepsPart
from checks.dropouts._tape import TapePart
from checks.dropouts._zeros import RunsPart
from checks.measures import DropoutsLine, DropoutsMeasures
from checks.model import CaptureFormat, Finding, Outcome, Remedy, Verdict
from checks.sheet import Sheet

__all__ = [
    "DropoutsLimits",
    "DropoutsPass",
    "JointsHalf",
    "LevelsHalf",
    "Part",
    "PartOutcome",
    "judged",
]

_COUNTED = (
    "zero_runs",
    "held_runs",
    "repeated_blocks",
    "steps",
    "contact_losses",
    "level_dips",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfOutcome(Outcome):
    """What some of the parts found; ``judged`` makes it an outcome with that of the others."""

    parts: tuple[PartOutcome, ...]


class Half:
    """Some of the parts, which read the samples around from one history."""

    def __init__(self, history: History, parts: Sequence[Part]) -> None:
        self._history = history
        self._parts = parts

    def feed(self, block: Block) -> None:
        self._history.add(block)
        for part in self._parts:
            part.feed(block)

    def finish(self) -> HalfOutcome:
        return HalfOutcome(parts=tuple(part.finish() for part in self._parts))


class JointsHalf(Half):
    """The parts that compare samples with earlier ones, and with what those foretell."""

    def __init__(
        self,
        fmt: CaptureFormat,
        sheet: Sheet,
        limits: DropoutsLimits,
        within: History | None = None,
    ) -> None:
        """``within``: what keeps the samples for both halves, where one process does both."""
        lag = int(limits.repeat_lag_s * fmt.rate_hz)
        history = History(frames=lag + (BATCH_BLOCKS + 2) * BLOCK_FRAMES, within=within)
        repeats = RepeatsPart(fmt, sheet, limits, history)
        super().__init__(history, (repeats, StepsPart(fmt, sheet, limits, history, repeats)))


class LevelsHalf(Half):
    """The parts that look for samples that stand still or are none, and for levels that fall."""

    def __init__(
        self,
        fmt: CaptureFormat,
        sheet: Sheet,
        limits: DropoutsLimits,
        within: History | None = None,
    ) -> None:
        """``within``: what keeps the samples for both halves, where one process does both."""
        kept = int(_KEPT_S * fmt.rate_hz)
        history = History(frames=kept + 4 * BLOCK_FRAMES, within=within)
        super().__init__(
            history,
            (
                RunsPart(fmt, sheet, limits, history),
                StairsPart(fmt, sheet, limits),
                SpacedPart(fmt, sheet, limits, history),
                ScrambledPart(fmt, limits, history),
                TapePart(fmt, sheet, limits),
            ),
        )


class DropoutsPass:
    """All parts over one capture."""

    def __init__(self, fmt: CaptureFormat, sheet: Sheet, limits: DropoutsLimits) -> None:
        self._fmt = fmt
        self._kept = History()
        self._halves = (
            JointsHalf(fmt, sheet, limits, self._kept),
            LevelsHalf(fmt, sheet, limits, self._kept),
        )

    def feed(self, block: Block) -> None:
        self._kept.add(block)
        for half in self._halves:
            half.feed(block)

    def finish(self) -> Outcome:
        return judged([half.finish() for half in self._halves], self._fmt)


def judged(halves: Sequence[Outcome], fmt: CaptureFormat) -> Outcome:
    """The outcome of the check from those of its halves, the joints first.

    Where a half was not run, what is told of that one is the outcome: the other proves nothing.
    """
    parts: list[PartOutcome] = []
    for half in halves:
        if not isinstance(half, HalfOutcome):
            return half
        parts += half.parts
    return joined(parts, fmt)


def joined(outcomes: Sequence[PartOutcome], fmt: CaptureFormat) -> Outcome:
    """The findings of all parts in order of their place, the counts of all parts a track."""
    findings = explained(
        [finding for outcome in outcomes for finding in outcome.findings], fmt.rate_hz
    )
    findings.sort(key=lambda f: (-1 if f.start_frame is None else f.start_frame, f.kind, f.tracks))
    counts: dict[str, Sequence[int]] = {name: [0] * fmt.channels for name in _COUNTED}
    for outcome in outcomes:
        for name, some in outcome.counts.items():
            counts[name] = [a + b for a, b in zip(counts[name], some, strict=True)]
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


def explained(findings: Sequence[Finding], rate_hz: int) -> list[Finding]:
    """Without what a proven digital fault explains: audio that is gone dips and repeats, too.

    Nor does it stand a second time where the first is the copy.
    Nor is it a dip where the signal jumps at both ends of it: no coat is thin so. Where a signal is
    lost, jumps at its ends are part of that.
    Nor is a file unfinalised that ends in zeros when the tape stood still: that is a note.
    """
    still = [f for f in findings if f.kind == "no-tape"]
    findings = [_padded(f) if _was_over(f, still, rate_hz) else f for f in findings]
    faults = [f for f in findings if f.kind in _DIGITAL or _is_scrambled(f)]
    digital = [f for f in faults if f.verdict is Verdict.REDO]
    digital += [f for f in findings if "factor" in f.values]  # the level steps there
    jumps = _jumps(findings)
    told = [
        f
        for f in findings
        if not (
            _is_between(f, jumps, rate_hz)
            or any(_explains(d, f, rate_hz) for d in digital)
            or any(_is_copy(step, f) for step in findings)
        )
    ]
    lost = [f for f in told if f.kind == "signal-lost" and f.verdict is not Verdict.CLEAR]
    return [f for f in told if not any(_begins_or_ends(loss, f, rate_hz) for loss in lost)]


def _jumps(findings: Sequence[Finding]) -> list[tuple[int, tuple[int, ...]]]:
    """Where the signal jumps between two samples, and on which tracks."""
    jumps = []
    for f in findings:
        if f.kind == "step" and f.verdict is not Verdict.CLEAR and f.start_frame is not None:
            frames = [*f.starts]
            if f.values.get("times") == 1 and (f.frames or 0) > 1:  # then its own end is one
                frames.append(f.start_frame + (f.frames or 0))
            jumps += [(frame, f.tracks) for frame in frames]
    return jumps


def _is_between(f: Finding, jumps: Sequence[tuple[int, tuple[int, ...]]], rate_hz: int) -> bool:
    """Whether a dip begins and ends where the signal jumps on all of its tracks."""
    asks = f.kind in _DIPS and f.verdict is Verdict.LISTEN and len(f.starts) == 1
    if not asks or f.start_frame is None or not f.frames:
        return False
    near = min(int(_JUMP_S * rate_hz), f.frames // 4)  # so that one jump is not both ends
    ends = f.start_frame, f.start_frame + f.frames
    return all(
        any(abs(at - end) <= near and set(f.tracks) <= set(tracks) for at, tracks in jumps)
        for end in ends
    )


def _begins_or_ends(loss: Finding, f: Finding, rate_hz: int) -> bool:
    """Whether a jump of which nothing is proven is where a signal is lost, or comes back."""
    unproven = f.kind == "step" and f.verdict is Verdict.LISTEN and f.values.get("times") == 1
    if not unproven or f.start_frame is None or loss.start_frame is None:
        return False
    ends = loss.start_frame, loss.start_frame + (loss.frames or 0)
    near = int(_LOSS_S * rate_hz)
    return set(f.tracks) <= set(loss.tracks) and any(abs(f.start_frame - e) <= near for e in ends)


def _was_over(f: Finding, still: Sequence[Finding], rate_hz: int) -> bool:
    """Whether a tail of zeros begins where a machine had stood still for a while."""
    if f.kind != "unfinalised" or f.start_frame is None:
        return False
    spans = [(n.start_frame or 0, n.frames or 0) for n in still]
    late = f.start_frame - int(_NEAR_S * rate_hz)
    return any(a <= late and a + frames >= f.start_frame for a, frames in spans)


def _padded(f: Finding) -> Finding:
    return replace(
        f,
        check="dropouts",
        kind="digital-silence",
        verdict=Verdict.CLEAR,
        remedy=Remedy.NONE,
        text="All tracks turn to zeros and stay so to the end; the tape had run out or stood still "
        "by then, so that nothing is cut off here.",
    )


def _explains(fault: Finding, other: Finding, rate_hz: int) -> bool:
    """Whether a finding is but another view of a fault on the same tracks."""
    places = (other.start_frame, other.frames, fault.start_frame, fault.frames)
    if None in places:
        return False
    start, frames, first, length = (int(place or 0) for place in places)
    stop, last = start + frames, first + length
    if other.kind == "signal-lost" and other.verdict is Verdict.LISTEN and len(fault.starts) == 1:
        near = int(_JUMP_S * rate_hz)
        shared = set(other.tracks) & set(fault.tracks or other.tracks)
        at_once = max(abs(start - first), abs(stop - last)) <= near
        if at_once and 2 * len(shared) > len(other.tracks):
            return True  # what all tracks together show; one that goes on may rest just then
    if "factor" in fault.values and other.kind in (*_DIPS, *_STAYS):  # quiet tracks show nothing
        near = int(_NEAR_S * rate_hz)
        beside = bool(set(other.tracks) & set(fault.tracks))
        return beside and any(min(abs(start - at), abs(stop - at)) <= near for at in fault.starts)
    if fault.tracks and not set(other.tracks) <= set(fault.tracks):
        return False  # where none is named, all are meant
    scrambled = fault.values.get("cause") == "scrambled" != other.values.get("cause")
    if (
        _is_scrambled(fault)
        and other.kind not in _STAYS
        and (scrambled or not _is_scrambled(other))
    ):
        return start >= first - _NEAR_FRAMES and stop <= last + _NEAR_FRAMES
    if other.kind in _DIPS:
        inside = start >= first - _NEAR_FRAMES and stop <= last + _NEAR_FRAMES
        each = fault.starts
        return inside and (len(each) == 1 or any(abs(start - at) <= _NEAR_FRAMES for at in each))
    if other.kind == "step" and fault.kind in _RUNS:
        near = int(_RAMP_S * rate_hz)
        unproven = other.verdict is Verdict.LISTEN and len(other.starts) == 1
        return unproven and start >= first - near and stop <= last + near
    if other.kind in _STAYS:
        near = int(_NEAR_S * rate_hz)
        return abs(start - first) <= near and stop <= last + near
    once = fault.kind != "repeated-block" and fault.values.get("times") == 1
    return other.kind == "repeated-block" and once and start >= first and stop <= last


def _is_copy(step: Finding, f: Finding) -> bool:
    """Whether what was put in or stands in place of others is a copy of what comes again later."""
    lag = f.values.get("lag_frames")
    if f.kind != "repeated-block" or not isinstance(lag, int) or len(f.starts) != 1:
        return False
    put_in = step.kind == "step" and step.values.get("cause") in ("inserted", "foreign")
    if not put_in or step.start_frame is None or not set(f.tracks) <= set(step.tracks):
        return False
    return abs(f.starts[0] - lag - step.start_frame) <= _COPY_FRAMES


def _is_scrambled(f: Finding) -> bool:
    """Whether words are no audio over a stretch."""
    whole = f.values.get("cause") in ("scrambled", SPACED, RECODED) and "factor" not in f.values
    return f.kind == "step" and whole


_DIGITAL = ("zero-run", "held-value", "repeated-block", "unfinalised")
_COPY_FRAMES = 4  # by which the place of what was put in may be missed
_KEPT_S = 0.5  # more than what is looked at on both sides of a run of equal samples
_RUNS = ("zero-run", "held-value")
_RAMP_S = 0.04  # a mute's ramp, which jumps at its far end, and a little more
_DIPS = ("level-dip", "contact-loss")
_STAYS = ("signal-lost", "hf-loss")
_LOSS_S = 0.15  # how well it knows where a signal is lost
_JUMP_S = 0.005  # by which the tape part may miss the end of a dip
_NEAR_FRAMES = 4096  # what the tape part's bands see of a place
_NEAR_S = 0.5  # how well the tape part knows where a lasting fall begins
