"""Which line-up a capture stands on: the nearest earlier one of the same machine.

A line-up holds for captures in its own folder and below (a folder called ``lineup`` or ``line-up``
stands for the one it lies in), of the same machine by the sheet, for ``lineup.valid_h`` hours after
it was recorded. When a capture was recorded is its origination date where both have one (EBU Tech
3285), else the date of its files: a copy that loses dates loses this too. A line-up itself stands
on none.
"""

from __future__ import annotations

import dataclasses
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Final

from checks.measures import LineupMeasures, StandsOnLine
from checks.model import Remedy, Verdict
from watcher import sidecar
from watcher.ledger import Ledger
from watcher.report import SUFFIX, FindingLine, Report, ReportError, sidecar_path
from watcher.summary import sheet_value

FOLDERS: Final = ("lineup", "line-up", "lineups", "line-ups", "Lineup", "Line-up")
TONES_SHARE: Final = 0.5  # of a capture's length: then it is a line-up whatever the sheet says
_LIKELY: Final = re.compile(rb'"kind":\s*"(?:lineup|steady|reference-tone)"')
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
    """

    name: str
    folder: Path
    machine: str | None
    recorded: Recorded
    failed: str | None
    doubtful: bool
    worst: str | None

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
    verdicts = [f.verdict for f in report.findings]
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
    )


def worst_of(report: Report) -> str | None:
    """The worst deviation of a line-up, in a few words."""
    own = [f for f in report.findings if f.check == "lineup" and f.verdict is not Verdict.CLEAR]
    if own:
        worst = max(own, key=lambda f: f.verdict.rank)
        return f"{worst.kind} ({worst.verdict.value}): {worst.text}"
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
    times = [datetime.fromisoformat(f.modified) for f in report.capture.files if f.modified]
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


# -- where line-ups are found ------------------------------------------------------------------


def reach_of(folder: Path, top: Path | None) -> list[Path]:
    """Folders whose line-ups may hold for captures of a folder, up to ``top``."""
    folders = [folder, *folder.parents]
    if top is not None and top in folders:
        folders = folders[: folders.index(top) + 1]
    else:
        folders = folders[:1]  # outside of any root nothing above is ours to read
    return [place for f in folders for place in (f, *(f / name for name in FOLDERS))]


def on_disk(
    folder: Path, *, top: Path | None, reports: Path | None = None
) -> Iterator[LineupEntry]:
    """Line-ups by their sidecars, for captures of a folder. What cannot be read is passed over:
    it is told of when its own capture is checked."""
    seen: set[Path] = set()
    for place in reach_of(folder, top):
        where = sidecar_path(place / "x", reports, top).parent
        try:
            with os.scandir(where) as entries:
                paths = sorted(Path(e.path) for e in entries if e.name.endswith(SUFFIX))
        except OSError:
            continue
        for path in paths:
            if path in seen:
                continue
            seen.add(path)
            try:
                st = path.stat()
                entry = _entry_at(path, st.st_mtime_ns, st.st_size)
            except (OSError, ReportError):
                continue
            if entry is not None:
                yield entry


@lru_cache(maxsize=4096)
def _entry_at(path: Path, mtime_ns: int, size: int) -> LineupEntry | None:
    """The line-up that a report is of; remembered, for every capture of a folder asks again."""
    if not _LIKELY.search(path.read_bytes()):
        return None
    report = sidecar.load(path)
    return entry_of(report) if report is not None else None


def in_ledger(
    ledger: Ledger,
    folder: Path,
    *,
    top: Path | None,
    known: dict[tuple[int, str], LineupEntry | None] | None = None,
) -> Iterator[LineupEntry]:
    """Line-ups that the ledger knows, for captures of a folder.

    Args:
        known: what was found before, kept by the caller: every capture of a folder asks again.
    """
    known = {} if known is None else known
    places = [os.fsencode(place) for place in reach_of(folder, top)]
    marks = ", ".join("?" * len(places))
    rows = ledger.rows(
        "SELECT DISTINCT capture, changed_at FROM files"
        " JOIN captures ON captures.id = files.capture"
        f" WHERE files.folder IN ({marks}) AND captures.report IS NOT NULL",
        places,
    )
    for number, changed_at in list(rows):
        key = (number, changed_at)
        if key not in known:
            report = ledger.report(number)
            known[key] = entry_of(report) if report is not None else None
        entry = known[key]
        if entry is not None:
            yield entry


# -- what a capture stands on ------------------------------------------------------------------


def nearest(report: Report, entries: Iterable[LineupEntry]) -> LineupEntry | None:
    """The last line-up before a capture that holds for it, failed ones included."""
    recorded = recorded_at(report)
    if recorded is None:
        return None
    folder = Path(report.capture.folder)
    machine = sheet_value(report, "machine")
    hours = sheet_value(report, "lineup", "valid_h")
    valid = timedelta(hours=float(hours) if hours is not None else 12.0)
    found = [
        (recorded.since(entry.recorded), entry)
        for entry in entries
        if entry.machine == machine
        and folder.is_relative_to(entry.reach)
        and (entry.folder, entry.name) != (folder, report.capture.name)
        and timedelta(0) <= recorded.since(entry.recorded) <= valid
    ]
    return min(found, key=lambda one: one[0])[1] if found else None


def with_stands_on(report: Report, entries: Iterable[LineupEntry]) -> Report:
    """The report with its line-up named: the finding ``stands-on`` and the measure.

    A line-up's own report stays as it is. Done twice, the second time takes the first one's place.
    """
    if is_lineup(report):
        return report
    entry = nearest(report, entries)
    kept = [f for f in report.findings if (f.check, f.kind) != ("lineup", "stands-on")]
    finding = _finding(entry, required=bool(sheet_value(report, "lineup", "required")))
    at = next((k for k, f in enumerate(kept) if f.check == "checksum"), len(kept))
    findings = (*kept[:at], finding, *kept[at:])
    measured = report.measures.lineup or LineupMeasures(
        tones=(), speed_error_percent=None, azimuth=(), response=()
    )
    line = None
    if entry is not None:
        when = entry.recorded.header or entry.recorded.files
        stated = when if when.tzinfo is not None else entry.recorded.files
        line = StandsOnLine(
            capture=str(entry.folder / entry.name), at=stated.isoformat(), worst=entry.worst
        )
    return dataclasses.replace(
        report,
        findings=findings,
        verdict=Verdict.worst(f.verdict for f in findings),
        measures=dataclasses.replace(
            report.measures, lineup=dataclasses.replace(measured, stands_on=line)
        ),
    )


def _finding(entry: LineupEntry | None, *, required: bool) -> FindingLine:
    if entry is None:
        text = (
            "No line-up of this machine in this folder or above, recorded before this capture "
            "and still valid."
        )
        good = False
    else:
        worst = f"; worst: {entry.worst}" if entry.worst else ""
        text = f"Stands on the line-up {entry.name}{worst.rstrip('.')}."
        good = entry.failed is None
        if entry.failed:
            text += f" That line-up does not hold: {entry.failed}."
        elif entry.doubtful:
            text += " Nobody has signed that line-up off yet."
    asks = required and not good
    return FindingLine(
        check="lineup",
        kind="stands-on",
        verdict=Verdict.LISTEN if asks else Verdict.CLEAR,
        remedy=Remedy.REPLAY if asks else Remedy.NONE,
        tracks=(),
        start_frame=None,
        frames=None,
        start_s=None,
        text=text,
        values={"lineup": entry.name if entry else None, "required": required, "valid": good},
    )


# -- may the machine be taken down? ------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineLine:
    """One line-up in the summary.

    Attributes:
        done: every capture that stands on it is clear or signed off.
        captures: how many stand on it.
        why: what is not yet done, a capture each; empty where all is.
    """

    lineup: str
    machine: str | None
    done: bool
    captures: int
    why: tuple[str, ...]

    @property
    def text(self) -> str:
        """One line for people."""
        machine = f" ({self.machine})" if self.machine else ""
        count = f"{self.captures} capture{'s' if self.captures != 1 else ''}"
        if self.done:
            verb = "s" if self.captures == 1 else ""
            return (
                f"{self.lineup}{machine}: {count} stand{verb} on it, all clear or signed off; "
                "the machine may be taken down"
            )
        more = f" and {len(self.why) - 3} more" if len(self.why) > 3 else ""
        return f"{self.lineup}{machine}: not yet, of {count}: {'; '.join(self.why[:3])}{more}"


def machine_lines(reports: Sequence[Report]) -> list[MachineLine]:
    """One line a line-up that captures among these stand on, in order of name."""
    standing: dict[str, list[Report]] = {}
    for report in reports:
        measured = report.measures.lineup
        if measured is not None and measured.stands_on is not None:
            standing.setdefault(measured.stands_on.capture, []).append(report)
    lines = []
    for lineup, group in sorted(standing.items()):
        why = tuple(f"{r.capture.name} is {_state(r)}" for r in group if _state(r) is not None)
        machine = next((m for r in group if (m := sheet_value(r, "machine"))), None)
        lines.append(
            MachineLine(
                lineup=Path(lineup).name,
                machine=machine,
                done=not why,
                captures=len(group),
                why=why,
            )
        )
    return lines


def _state(report: Report) -> str | None:
    """What stands open about a capture; None: clear or signed off."""
    if report.signoff is not None:
        return None if report.signoff.verdict is not Verdict.REDO else "to be played again"
    if report.verdict is Verdict.CLEAR:
        return None
    return {"listen": "to be listened to", "redo": "to be done again"}.get(
        report.verdict.value, "not looked at completely"
    )
