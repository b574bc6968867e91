"""Which line-up a capture stands on: the nearest earlier one of the same machine.

A line-up holds for captures in its own folder and below (a folder called ``lineup`` or ``line-up``
stands for the one it lies in), of the same machine by the sheet, for ``lineup.valid_h`` hours after
it was recorded. A line-up itself stands on none.
"""

from __future__ import annotations

import dataclasses
import os
import re
import zlib
from collections.abc import Iterable, Iterator
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from typing import Final

from checks.measures import LineupMeasures, StandsOnLine
from checks.model import Remedy, Verdict
from watcher import sidecar
from watcher.decided import take_over
from watcher.ledger import Ledger
from watcher.lineups import (
    FOLDERS,
    TOGETHER,
    LineupEntry,
    among,
    entry_of,
    is_lineup,
    joined,
    lacked,
    recorded_at,
)
from watcher.report import SUFFIX, FindingLine, Report, ReportError, to_json
from watcher.summary import sheet_value

__all__ = [
    "LineupEntry",
    "in_ledger",
    "in_reach",
    "nearest",
    "on_disk",
    "reach_of",
    "stand_again",
    "stand_again_on_disk",
    "with_stands_on",
]

_LIKELY: Final = re.compile(rb'"kind":\s*"(?:lineup|steady|reference-tone)"')


# -- where line-ups are found ------------------------------------------------------------------


def reach_of(folder: Path, top: Path | None) -> list[Path]:
    """Folders whose line-ups may hold for captures of a folder, up to ``top``."""
    folders = [folder, *folder.parents]
    if top is not None and top in folders:
        folders = folders[: folders.index(top) + 1]
    else:
        folders = folders[:1]  # outside of any root nothing above is ours to read
    return [place for f in folders for place in (f, *(f / name for name in FOLDERS))]


def on_disk(folder: Path, *, top: Path | None, at: Path | None = None) -> Iterator[LineupEntry]:
    """Line-ups by their sidecars, for captures of a folder. What cannot be read is passed over:
    it is told of when its own capture is checked.

    Args:
        at: where the reports of that folder stand, if not in it.
    """
    seen: set[Path] = set()
    for place in reach_of(folder, top):
        where = _mirrored(place, folder, at or folder)
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
    if not _LIKELY.search(sidecar.read(path)):
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
            A sign-off changes the report, and so its length or the sum at its end (RFC 1950).
    """
    known = {} if known is None else known
    places = [os.fsencode(place) for place in reach_of(folder, top)]
    marks = ", ".join("?" * len(places))
    rows = ledger.rows(
        "SELECT DISTINCT capture, changed_at || ' ' || length(captures.report)"
        " || ' ' || hex(substr(captures.report, -4)) FROM files"
        " JOIN captures ON captures.id = files.capture"
        f" WHERE files.folder IN ({marks}) AND captures.report IS NOT NULL",
        places,
    )
    for number, state in list(rows):
        key = (number, state)
        if key not in known:
            for old in [k for k in known if k[0] == number]:
                del known[old]
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
    return joined([entry for _, entry in sorted(found, key=lambda one: one[0])])


def in_reach(ledger: Ledger, line_up: Report) -> Iterator[tuple[int, Report]]:
    """Checked captures that may stand on a line-up, by place and by the dates of their files."""
    entry = entry_of(line_up)
    if entry is None:
        return
    hours = float(sheet_value(line_up, "lineup", "valid_h") or 0.0)
    first = int(entry.recorded.files.timestamp() * 1e9)
    start = os.fsencode(entry.reach) + b"/"
    rows = ledger.rows(
        "SELECT DISTINCT captures.id FROM files JOIN captures ON captures.id = files.capture"
        " WHERE captures.path >= ? AND captures.path < ? AND captures.state = 'done'"
        " AND files.mtime_ns BETWEEN ? AND ?",
        # the next byte after the slash; a second for dates that a copy rounds
        (start, start[:-1] + b"0", first - 10**9, first + int(max(hours, 12.0) * 3.6e12)),
    )
    for (number,) in list(rows):
        report = ledger.report(number)
        if report is not None:
            yield number, report


def stand_again(
    ledger: Ledger,
    line_up: Report,
    top: Path | None,
    *,
    known: dict[tuple[int, str], LineupEntry | None] | None = None,
) -> None:
    """Captures that were checked before their line-up get it into their reports.

    The reports are delivered anew. What a person signed off, be it in the report on disk alone,
    stays as it is. ``known``: see ``in_ledger``.
    """
    found: dict[Path, list[LineupEntry]] = {}  # by folder
    for number, report in in_reach(ledger, line_up):
        if report.signoff is not None or is_lineup(report):
            continue
        folder = Path(report.capture.folder)
        if folder not in found:
            found[folder] = list(in_ledger(ledger, folder, top=top, known=known))
        entries = found[folder]
        if with_stands_on(report, entries) == report:
            continue
        (path,) = next(ledger.rows("SELECT path FROM captures WHERE id = ?", (number,)))
        row = ledger.capture(Path(os.fsdecode(path)))
        if row is not None:
            report = take_over(ledger, row, report, row.report_path)
        fresh = with_stands_on(report, entries)
        if report.signoff is None and fresh != report:
            body = zlib.compress(to_json(fresh, indent=None).encode("ascii"))
            ledger.change(
                "UPDATE captures SET report = ?, verdict = ?, delivered = 0 WHERE id = ?",
                (body, fresh.verdict, number),
            )


def _mirrored(place: Path, folder: Path, at: Path) -> Path:
    """Where the reports of a place stand, if those of a folder stand ``at`` another."""
    return Path(os.path.normpath(at / os.path.relpath(place, folder)))


def stand_again_on_disk(line_up: Report, at: Path) -> None:
    """The same for the reports on disk that name this line-up, as after its sign-off.

    Args:
        at: the folder where the report of the line-up stands.

    Raises:
        OSError: a report cannot be written.
    """
    entry = entry_of(line_up)
    if entry is None:
        return
    where = _mirrored(entry.reach, entry.folder, at)
    for folder, _, names in os.walk(where):
        for path in (Path(folder) / name for name in sorted(names) if name.endswith(SUFFIX)):
            try:
                report = sidecar.load(path)
            except (OSError, ReportError):
                continue  # whoever checks that capture is told
            measured = report.measures.lineup if report is not None else None
            stands_on = measured.stands_on if measured is not None else None
            if report is None or stands_on is None or report.signoff is not None:
                continue
            if stands_on.capture != entry.path:
                continue
            known = on_disk(Path(report.capture.folder), top=entry.reach, at=Path(folder))
            fresh = with_stands_on(report, known)
            if fresh != report:
                sidecar.save(fresh, path)


def with_fellows(report: Report, entries: Iterable[LineupEntry]) -> Report:
    """A line-up's report, where tones that it lacks are in other captures of the same line-up."""
    recorded = recorded_at(report)
    if recorded is None:
        return report
    folder, machine = Path(report.capture.folder), sheet_value(report, "machine")
    beside = [
        entry
        for entry in entries
        if (entry.folder, entry.machine) == (folder, machine)
        and entry.failed is None
        and entry.name != report.capture.name
        and abs(recorded.since(entry.recorded)) <= TOGETHER
    ]
    tones = {hz for entry in beside for hz in entry.tones}
    findings = tuple(
        dataclasses.replace(
            f,
            verdict=Verdict.CLEAR,
            remedy=Remedy.NONE,
            text=f"{f.text.rstrip('.')}; other captures of this line-up have them.",
        )
        if (gone := lacked(f))
        and f.verdict is not Verdict.CLEAR
        and all(among(hz, tones) for hz in gone)
        else f
        for f in report.findings
    )
    return dataclasses.replace(
        report, findings=findings, verdict=Verdict.worst(f.verdict for f in findings)
    )


def with_stands_on(report: Report, entries: Iterable[LineupEntry]) -> Report:
    """The report with its line-up named: the finding ``stands-on`` and the measure.

    A line-up stands on none. Done twice, the second time takes the first one's place.
    """
    if is_lineup(report):
        return with_fellows(report, entries)
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
        line = StandsOnLine(capture=entry.path, at=stated.isoformat(), worst=entry.worst)
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
        whole = f" (with {', '.join(sorted(entry.others))})" if entry.others else ""
        text = f"Stands on the line-up {entry.name}{whole}{worst.rstrip('.')}."
        good = entry.failed is None
        if entry.failed:
            text += f" That line-up does not hold: {entry.failed}."
        elif entry.doubtful:
            text += " Nobody has signed that line-up off yet."
    asks = required and not good
    if asks:
        text += " The sheet requires one that holds: record it, then play the tape again."
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
        values={
            "lineup": entry.name if entry else None,
            "required": required,
            "valid": good,
            "doubtful": entry is not None and entry.doubtful,
        },
    )
