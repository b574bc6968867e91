"""Findings of the tape half, put together in one way."""

from __future__ import annotations

from checks.model import Finding, Remedy, Value, Verdict


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
