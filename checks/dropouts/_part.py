"""The seam between the parts of the dropouts check: each looks for its own kinds of damage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from checks.block import Block
from checks.model import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class PartOutcome:
    """What one part found.

    Attributes:
        findings: in any order; the check sorts them by place.
        counts: exact counts a track, keyed by the field of ``measures.DropoutsLine``
            (``zero_runs``, ``steps``, ...); a part fills only its own fields.
        programme: stretches that hold programme, (first frame, frame behind the last), from
            the part that knows the tape's motion; empty from the others.
    """

    findings: tuple[Finding, ...] = ()
    counts: Mapping[str, Sequence[int]] = field(default_factory=dict)
    programme: tuple[tuple[int, int], ...] = ()


class Part(Protocol):
    """One part at work on one capture: aligned blocks in order, then the outcome."""

    def feed(self, block: Block) -> None: ...

    def finish(self) -> PartOutcome: ...
