"""A capture as a line-up that others may stand on: what it is, whether it holds, how it fares.

One line-up may lie in several captures, a tone or some in each. When a capture was recorded is its
origination date where both have one (EBU Tech 3285), else the date of its files: a copy that loses
dates loses this too.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from checks.model import Verdict
from watcher.report import FindingLine, Report
from watcher.rows import when
from watcher.summary import sheet_value

FOLDERS: Final = ("lineup", "line-up", "lineups", "line-ups", "Lineup", "Line-up")
TOGETHER: Final = timedelta(hours=1)  # own choice: a calibration tape lasts less than that
SHEET_NEAR: Final = 0.05  # of a frequency: the same tone, as where the sheet is asked
TONES_SHARE: Final = 0.5  # of a capture's length: then it is a line-up whatever the sheet says
_DATE: Final = re.compile(r"(\d{4})\D(\d\d)\D(\d\d)")
_TIME: Final = re.compile(r"(\d\d)\D(\d\d)\D(\d\d)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """When a capture was recorded: by its files, and by its header where that says so."""

    files: datetime
    header: datetime | None

    def since(self, earlier: Recorded) -> timedelta:
        """How much later this one is; by the headers where both have them."""
        if self.header is not None and earlier.header is not None:
            return self.header - earlier.header
        return self.files - earlier.files


@dataclass(frozen=True, slots=True, kw_only=True)
class LineupEntry:
    """A line-up that captures may stand on.

    Attributes:
        failed: why it is none to stand on; None: it holds.
        doubtful: it asks to be listened to and nobody has signed it off.
        worst: its worst deviation, in a few words.
        tones, lacks: frequencies in it, and those that the sheet asks for and it lacks, in hertz.
        others: names of further captures that make up the same line-up.
    """

    name: str
    folder: Path
    machine: str | None
    recorded: Recorded
    failed: str | None
    doubtful: bool
    worst: str | None
    tones: frozenset[float] = frozenset()
    lacks: frozenset[float] = frozenset()
    others: tuple[str, ...] = ()

    @property
    def path(self) -> str:
        """Folder and name, as reports name it."""
        return str(self.folder / self.name)

    @property
    def reach(self) -> Path:
        """The folder for which, and below which, it holds."""
        return self.folder.parent if self.folder.name in FOLDERS else self.folder


def is_lineup(report: Report) -> bool:
    """Whether a capture is a line-up: by the sheet, or because most of it is tones."""
    if sheet_value(report, "reel", "kind") == "lineup":
        return True
    measured, length = report.measures.lineup, report.capture.duration_s
    if measured is None or not measured.tones or not length:
        return False
    return sum(t.end_s - t.start_s for t in measured.tones) >= TONES_SHARE * length


def entry_of(report: Report) -> LineupEntry | None:
    """A report as a line-up to stand on; None where it is none, or has no time."""
    recorded = recorded_at(report)
    if recorded is None or not is_lineup(report):
        return None
    accepted = report.signoff is not None and report.signoff.verdict is not Verdict.REDO
    refused = report.signoff is not None and report.signoff.verdict is Verdict.REDO
    measured = report.measures.lineup
    verdicts = [f.verdict for f in report.findings if f.kind != "missing"]
    steady = [t for t in measured.tones if t.kind == "steady"] if measured is not None else []
    failed = None
    if refused:
        failed = "a person has asked for it to be played again"
    elif accepted:
        failed = None
    elif Verdict.UNREAD in verdicts:
        failed = "it could not be looked at completely"
    elif measured is None or not measured.tones:
        failed = "there are no tones in it"
    elif Verdict.REDO in verdicts:
        failed = "it is to be played again"
    return LineupEntry(
        name=report.capture.name,
        folder=Path(report.capture.folder),
        machine=sheet_value(report, "machine"),
        recorded=recorded,
        failed=failed,
        doubtful=not accepted and failed is None and Verdict.LISTEN in verdicts,
        worst=worst_of(report),
        tones=frozenset(t.nominal_hz or t.frequency_hz for t in steady),
        lacks=frozenset(() if accepted else (hz for f in report.findings for hz in lacked(f))),
    )


def lacked(finding: FindingLine) -> tuple[float, ...]:
    """Frequencies of the sheet that a line-up lacks, by a finding of it."""
    gone = finding.values.get("hz") if finding.kind == "missing" else None
    return tuple(float(hz) for hz in gone if isinstance(hz, int | float)) if isinstance(
        gone, list) else ()  # fmt: skip


def worst_of(report: Report) -> str | None:
    """The worst deviation of a line-up, in a few words."""
    own = [f for f in report.findings if f.check == "lineup" and f.verdict is not Verdict.CLEAR
           and f.kind != "missing"]  # fmt: skip
    if own:
        worst = max(own, key=lambda f: f.verdict.rank)
        said = re.split(r"[;:]|\.(?:\s|$)", worst.text)[0]  # the rest stands in its own report
        return f"{worst.kind} ({worst.verdict.value}): {said}"
    measured = report.measures.lineup
    if measured is None or not measured.tones:
        return None
    found = [
        (abs(line.deviation_db), tone.nominal_hz or tone.frequency_hz, line)
        for tone in measured.tones
        for line in tone.tracks
        if line.deviation_db is not None
    ]
    if not found:
        return None
    _, hz, line = max(found, key=lambda one: one[0])
    return f"level {line.deviation_db:+.2f} dB at {hz:g} Hz on track {line.track}"


def recorded_at(report: Report) -> Recorded | None:
    """When a capture was recorded, as far as its files and header tell."""
    found = [when(file.modified) for file in report.capture.files if file.modified]
    times = [time for time in found if time is not None]
    if not times:
        return None
    header = None
    container = report.measures.container
    for line in container.files if container is not None else ():
        if line.bext is not None:
            day = _DATE.fullmatch(line.bext.origination_date)
            hour = _TIME.fullmatch(line.bext.origination_time)
            if day and hour:
                try:
                    header = datetime.fromisoformat(
                        f"{'-'.join(day.groups())}T{':'.join(hour.groups())}"
                    )
                except ValueError:
                    header = None
            break
    return Recorded(files=max(times), header=header)


def joined(entries: Sequence[LineupEntry]) -> LineupEntry | None:
    """The last line-up as a whole, for one may lie in several captures.

    To the last capture belong those of the same folder, each at most an hour before the next one,
    that have tones which no later one has: a capture whose tones all came again was done again.

    Args:
        entries: of one machine, the last first.
    """
    if not entries:
        return None
    last, *earlier = entries
    parts, tones = [last], set(last.tones)
    for entry in earlier:
        if entry.folder != last.folder or parts[-1].recorded.since(entry.recorded) > TOGETHER:
            break
        if entry.tones - tones:
            parts.append(entry)
            tones |= entry.tones
    gone = sorted({hz for part in parts for hz in part.lacks if not among(hz, tones)})
    failed = next((part for part in parts if part.failed), None)
    doubtful = next((part for part in parts if part.doubtful), None)
    telling = failed or doubtful or last
    return dataclasses.replace(
        last,
        failed=failed.failed if failed else None,
        doubtful=failed is None and (doubtful is not None or bool(gone)),
        worst=f"{', '.join(f'{hz:g} Hz' for hz in gone)} not there"
        if gone and telling is last and not last.doubtful
        else telling.worst,
        tones=frozenset(tones),
        lacks=frozenset(gone),
        others=tuple(part.name for part in parts[1:]),
    )


def among(hz: float, tones: Iterable[float]) -> bool:
    return any(abs(hz / tone - 1) <= SHEET_NEAR for tone in tones)
