"""From reports to what a person reads: what to do first, pure and without a terminal.

A capture stands under every heading that one of its findings asks for, so that being unread
never hides what was found all the same.
"""

from __future__ import annotations

import dataclasses
import os
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any, Final

from checks.model import Remedy, Verdict, clock
from watcher.report import FindingLine, Report, Signoff, exact


class Heading(Enum):
    """What a person must do; in the order in which it is read."""

    UNREAD = "Could not be looked at"
    REPLAY = "Play these tapes again"
    FILE = "The file is at fault, leave the tape alone"
    LISTEN = "Listen"
    CLEAR = "Clear"


WHAT_NOW: Final = {
    Heading.UNREAD: "Not looked at, or not to the end. Mend the cause and check again.",
    Heading.REPLAY: "Not usable as they stand. Keep tape and machine ready for another pass.",
    Heading.FILE: "Fetch the file again from where it was recorded, or have the header mended.",
    Heading.LISTEN: "Go to the times given and judge; without a time, hear the tracks through.",
    Heading.CLEAR: "Nothing found that asks for anything, or a person has signed it.",
}

CAUTION: Final = (
    "Clear means that nothing was found, not that it sounds right: no program listens. "
    "Keep the tape, and a second copy of every file, until a person has."
)


def heading_of(finding: FindingLine) -> Heading:
    """Where a finding belongs."""
    if finding.verdict is Verdict.UNREAD:
        return Heading.UNREAD
    if finding.verdict is Verdict.CLEAR:
        return Heading.CLEAR
    if finding.remedy in (Remedy.RECOPY, Remedy.MEND):
        return Heading.FILE
    return Heading.REPLAY if finding.verdict is Verdict.REDO else Heading.LISTEN


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """One finding, ready to print: a place (or None), the tracks by name, a sentence.

    ``also``: further places where it stands for several of its like, and ``more`` of which the
    place is not known; ``line``: the finding as the report has it.
    """

    place: str | None
    tracks: str
    kind: str
    text: str
    line: FindingLine
    also: tuple[str, ...] = ()
    more: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureRow:
    """One capture under one heading.

    ``told``: its notes, at the first heading only; ``gone``: it is no longer there.
    """

    reel: str | None
    name: str
    folder: str
    about: str
    findings: tuple[FindingRow, ...]
    notes: int
    signed: str | None
    told: tuple[FindingRow, ...] = ()
    gone: bool = False


def sheet_value(report: Report, *keys: str) -> Any:
    """A value of the sheet as it was applied, or None."""
    at: Any = report.expected.values
    for key in keys:
        at = at.get(key) if isinstance(at, dict) else None
    return at


_BY_DECISION: Final = {
    Verdict.UNREAD: Heading.UNREAD,
    Verdict.REDO: Heading.REPLAY,
    Verdict.LISTEN: Heading.LISTEN,
    Verdict.CLEAR: Heading.CLEAR,
}


def standing(report: Report) -> Verdict:
    """What holds of a capture: a person's decision, where one stands, else what was found."""
    return report.signoff.verdict if report.signoff is not None else report.verdict


def group(reports: Iterable[Report]) -> dict[Heading, list[CaptureRow]]:
    """Captures under headings, each in the order given."""
    groups: dict[Heading, list[CaptureRow]] = {heading: [] for heading in Heading}
    for report in reports:
        by_heading: dict[Heading, list[FindingLine]] = {}
        for finding in report.findings:
            by_heading.setdefault(heading_of(finding), []).append(finding)
        notes = by_heading.pop(Heading.CLEAR, [])
        if report.signoff is not None:  # what was found stays readable below the decision
            found = [f for f in report.findings if f.verdict is not Verdict.CLEAR]
            by_heading = {_BY_DECISION[standing(report)]: found}
        first = True
        for heading in Heading:
            if heading in by_heading or (heading is Heading.CLEAR and not by_heading):
                row = _row(report, by_heading.get(heading, ()), notes if first else ())
                groups[heading].append(row)
                first = False
    return groups


def called(report: Report) -> tuple[str, str]:
    """(folder, name) of a capture: what tells it from all others."""
    capture = report.capture
    return exact(capture.folder, capture.folder_b64), exact(capture.name, capture.name_b64)


def marked(
    groups: Mapping[Heading, Sequence[CaptureRow]], gone: Collection[tuple[str, str]]
) -> dict[Heading, list[CaptureRow]]:
    """The same captures, those marked that are no longer there."""
    return {
        heading: [
            dataclasses.replace(row, gone=True) if (row.folder, row.name) in gone else row
            for row in rows
        ]
        for heading, rows in groups.items()
    }


def stand_twice(groups: Mapping[Heading, Sequence[CaptureRow]]) -> str | None:
    """A sentence where captures stand under more than one heading."""
    count = Counter((row.folder, row.name) for rows in groups.values() for row in rows)
    several = sum(number > 1 for number in count.values())
    if not several:
        return None
    return (
        "A capture stands under each heading that one of its findings asks for: "
        f"{several} of them under more than one."
    )


def placed(
    captures: Iterable[tuple[str, str]], tops: Iterable[str] = ()
) -> Callable[[str, str], str]:
    """How captures, each (folder, name), are called among each other.

    By name where all lie in one folder, else with the folders below the one they share.

    Args:
        tops: folders that the reader has in mind (roots): the folders below these are told even
            where all captures lie in one.
    """
    folders = {folder for folder, _ in captures}
    folders |= {top for top in tops if any(Path(f).is_relative_to(top) for f in folders)}
    try:
        base = os.path.commonpath(folders) if folders else ""
    except ValueError:  # relative and absolute ones
        base = ""

    def name_of(folder: str, name: str) -> str:
        inside = os.path.relpath(folder, base) if base and folder else folder
        return name if inside in ("", ".") else os.path.join(inside, name)

    return name_of


def _row(
    report: Report, findings: Sequence[FindingLine], notes: Sequence[FindingLine]
) -> CaptureRow:
    number = sheet_value(report, "reel", "number")
    folder, name = called(report)
    return CaptureRow(
        reel=str(number) if number is not None else None,
        name=name,
        folder=folder,
        about=about(report),
        findings=tuple(_finding_row(report, finding) for finding in findings),
        notes=sum(f.verdict is Verdict.CLEAR for f in report.findings),
        signed=signed(report.signoff) if report.signoff is not None else None,
        told=tuple(_finding_row(report, note) for note in notes),
    )


def signed(signoff: Signoff) -> str:
    """A decision in a line: who, when, and what the person noted."""
    note = f": {signoff.note}" if signoff.note else ""
    return f"signed {signoff.by}, {signoff.at[:10]}{note}"


def _finding_row(report: Report, finding: FindingLine) -> FindingRow:
    rate = report.capture.rate_hz
    place = None
    if finding.start_frame is not None and rate:
        place = clock(finding.start_frame, rate)
    also = _further_places(finding, rate)
    times = finding.values.get("times")
    return FindingRow(
        place=place,
        tracks=track_names(report, finding.tracks),
        kind=finding.kind,
        text=finding.text,
        line=finding,
        also=tuple(at for at in also if at != place),
        more=max(times - 1 - len(also), 0) if also and type(times) is int else 0,
    )


def _further_places(finding: FindingLine, rate_hz: int | None) -> list[str]:
    first = finding.start_frame or 0
    return [clock(at, rate_hz) for at in finding.starts if at > first] if rate_hz else []


def track_names(report: Report, tracks: Sequence[int]) -> str:
    """Tracks (from 1) as people call them; ``all tracks`` and ranges where there are many."""
    names = report.capture.tracks
    if not tracks:
        return ""
    if len(tracks) == len(names) and len(names) > 1:
        return "both tracks" if len(names) == 2 else f"all {len(names)} tracks"
    if len(tracks) > 4:
        return "tracks " + ranges(tracks)
    return ", ".join(
        names[t - 1]
        if 0 < t <= len(names) and not names[t - 1].startswith("track ")
        else f"track {t}"
        for t in tracks
    )


def ranges(numbers: Sequence[int]) -> str:
    """``1-4, 7`` for 1, 2, 3, 4, 7."""
    parts: list[list[int]] = []
    for number in sorted(set(numbers)):
        if parts and number == parts[-1][1] + 1:
            parts[-1][1] = number
        else:
            parts.append([number, number])
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in parts)


def about(report: Report) -> str:
    """The capture in a few words: tracks, rate, word length, length."""
    capture = report.capture
    parts = []
    if capture.channels:
        parts.append(f"{capture.channels} track{'s' if capture.channels != 1 else ''}")
    if capture.rate_hz:
        parts.append(f"{capture.rate_hz / 1000:g} kHz")
    if capture.word_length:
        kind = " float" if capture.encoding == "float" else ""
        parts.append(f"{capture.word_length} bit{kind}")
    if capture.frames is not None and capture.rate_hz:
        parts.append(clock(capture.frames, capture.rate_hz))
    return ", ".join(parts)
