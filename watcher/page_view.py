"""A stored report as the values of its page: what to do first, what was found, what was measured.

Pure: order and words are those of ``summary``, which all that is printed shares.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from checks.model import Remedy, length_told
from watcher.files import shown
from watcher.page_files import expected, files
from watcher.page_measures import measured
from watcher.page_tables import Section
from watcher.report import Report
from watcher.summary import (
    CAUTION,
    WHAT_NOW,
    CaptureRow,
    FindingRow,
    Heading,
    group,
    standing,
)
from watcher.timeline import Timeline, timeline, word

_DOES: Final = {
    Remedy.REPLAY: "play the tape again",
    Remedy.RECOPY: "fetch the file again",
    Remedy.MEND: "put the header or the sheet right",
    Remedy.LISTEN: "listen",
    Remedy.NONE: "",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """The report that a page is made of.

    Attributes:
        name: of its file.
        sha256: of its bytes, which tells one state of it from all others.
        changed: whether the capture is gone, or of another size or date than it says.
    """

    name: str
    sha256: str
    changed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One finding. ``frames``: its place and length, exactly."""

    number: int
    row: FindingRow
    word: str
    does: str
    frames: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What stands under one heading."""

    title: str
    now: str
    told: tuple[Told, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturePage:
    """Everything on the page of a capture."""

    name: str
    folder: str
    row: CaptureRow
    reel: str | None
    machine: str | None
    verdict: str
    found: str
    parts: tuple[Part, ...]
    notes: tuple[Told, ...]
    picture: Timeline | None
    sections: tuple[Section, ...]
    caution: str
    report: Report
    source: Source
    made_at: str


def page_of(report: Report, source: Source, now: datetime) -> CapturePage:
    """The page of a report; ``now``: when it is made."""
    rows = [(heading, row) for heading, (row, *_) in _filled(report)]
    first = rows[0][1]
    told = list(_told(report, [f for _, row in rows for f in row.findings], 1))
    notes = list(_told(report, [f for _, row in rows for f in row.told], len(told) + 1))
    parts = []
    taken = 0
    for heading, row in rows:
        own = told[taken : taken + len(row.findings)]
        taken += len(row.findings)
        parts.append(Part(title=heading.value, now=WHAT_NOW[heading], told=tuple(own)))
    machine = report.expected.values.get("machine")
    return CapturePage(
        name=shown(first.name),
        folder=shown(first.folder),
        row=first,
        reel=shown(first.reel) if first.reel else None,
        machine=shown(machine) if isinstance(machine, str) else None,
        verdict=standing(report).value,
        found=report.verdict.value,
        parts=tuple(parts),
        notes=tuple(notes),
        picture=timeline(report, [one.row.line for one in (*told, *notes)]),
        sections=tuple(
            part for part in (*measured(report), files(report), expected(report)) if part
        ),
        caution=CAUTION,
        report=report,
        source=source,
        made_at=now.isoformat(timespec="seconds"),
    )


def _filled(report: Report) -> Iterator[tuple[Heading, Sequence[CaptureRow]]]:
    """The headings that a capture stands under, in the order in which they are read."""
    return ((heading, rows) for heading, rows in group([report]).items() if rows)


def _told(report: Report, rows: Sequence[FindingRow], first: int) -> Iterator[Told]:
    rate = report.capture.rate_hz
    for number, row in enumerate(rows, first):
        line = row.line
        frames = ""
        if line.start_frame is not None:
            frames = f"frame {line.start_frame:,}"
        if line.frames is not None and line.frames > 1:
            length = f"{line.frames:,} frames"
            if rate and rate > 0:
                length = length_told(line.frames, rate)
            frames += f"{', ' if frames else ''}{length}"
        yield Told(
            number=number,
            row=row,
            word=word(line.verdict),
            does=_DOES[line.remedy],
            frames=frames,
        )
