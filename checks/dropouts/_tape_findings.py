"""Findings of the tape half, put together in one way."""

from __future__ import annotations

from dataclasses import dataclass

from checks.dropouts._judge import Lift
from checks.model import Finding, Remedy, Value, Verdict


@dataclass(slots=True)
class LiftEvent:
    """Lifts of several tracks that belong together."""

    lifts: list[Lift]
    also: set[int]

    @property
    def start(self) -> int:
        return min(lift.start for lift in self.lifts)

    @property
    def stop(self) -> int:
        return max(lift.start + lift.hops for lift in self.lifts)

    def times(self, track: int) -> int:
        """How often the track lifts by itself; what overlaps is one lift."""
        end, count = -1, 0
        for lift in sorted((k for k in self.lifts if k.track == track), key=lambda k: k.start):
            count += lift.start > end
            end = max(end, lift.start + lift.hops)
        return count


def made(
    kind: str,
    verdict: Verdict,
    remedy: Remedy,
    tracks: tuple[int, ...],
    start: int,
    stop: int,
    text: str,
    values: dict[str, Value],
) -> Finding:
    """A finding of the tape half, from frame ``start`` to before ``stop``."""
    return Finding(
        check="dropouts",
        kind=kind,
        verdict=verdict,
        remedy=remedy,
        tracks=tracks,
        start_frame=start,
        frames=max(1, stop - start),
        text=text,
        values=values,
    )


def counted(finding: Finding, count: int, listed: int, more: int = 0) -> Finding:
    """The same finding with how many of its kind there are, and how many stand in the report."""
    values = {**finding.values, "count": count, "listed": listed}
    if more:
        values["not_judged"] = more
    return Finding(
        check=finding.check,
        kind=finding.kind,
        verdict=finding.verdict,
        remedy=finding.remedy,
        tracks=finding.tracks,
        start_frame=finding.start_frame,
        frames=finding.frames,
        text=finding.text,
        values=values,
    )
