"""Files that earlier reports of a track set hold and that are not there any more.

A set that lost a file looks whole where it was the last one, or where no sheet says how many there
are. So its record is kept: the file is missing until it is back, or until a person signs the set as
it is without it. A file that is there under another name, with the same content, is not lost.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from checks.checksum import Record
from checks.model import Finding, Remedy, Verdict
from watcher import sidecar
from watcher.record import baseline
from watcher.report import FileLine, Report, ReportError
from watcher.rows import when
from watcher.tracksets import Capture

_MOST_NAMED: Final = 8  # own choice: a line and a half; the rest stands in the values


ReportPath = Callable[[Capture], Path]
"""Where the report of a capture stands, or will."""


def on_record(capture: Capture, report_path: ReportPath) -> bool:
    """Whether these files may be what is left of a set that was checked before."""
    return any(_is_of(one, report_path(one)) for one in (capture, apart(capture)))


def apart(capture: Capture) -> Capture:
    """A set under the name that it has where another of the folder has its own.

    Two sets of one folder may share a name (``a_tr1.wav`` and ``a_tr1.flac``): the second one's is
    told apart by the ending of its files.
    """
    return dataclasses.replace(capture, name=f"{capture.name}{capture.files[0].suffix}")


def told_apart(captures: Sequence[Capture], report_path: ReportPath) -> list[Capture]:
    """Captures of which no two have one report, nor one the report of another's files."""
    records = {one.files: _is_of(one, report_path(one)) for one in captures if one.is_set}
    taken = {one.report_stem for one in captures if records.get(one.files)}
    told = []
    for one in captures:
        if one.is_set and not records[one.files]:
            one = apart(one) if one.report_stem in taken or records[one.files] is False else one
            taken.add(one.report_stem)
        told.append(one)
    return told


def is_anothers(capture: Capture, report_path: Path) -> bool:
    """Whether the report at a path is one of another set of the same name."""
    return _is_of(capture, report_path) is False


def _is_of(capture: Capture, report_path: Path) -> bool | None:
    """Whether a report is one of such a set: of files with the same ending. None: there is none.

    One that cannot be read counts: what it said is not to be passed over in silence.
    """
    try:
        report = sidecar.load(report_path)
    except (ReportError, OSError):
        return True
    if report is None:
        return None
    names = [line.name for line in report.capture.files]
    return any(_ending(name) == _ending(capture.files[0].name) for name in names)


def _ending(name: str) -> str:
    return os.path.splitext(name)[1].casefold()


def gone(report: Report, files: Sequence[FileLine] | None = None) -> dict[str, Record]:
    """Names of a set's files that are on record and not among its files, with what they held.

    Args:
        files: as they are now; None: those of the report itself.
    """
    capture = report.capture
    if len(capture.files) == 1 and capture.files[0].name == capture.name:
        return {}  # no set
    last = {s.file: s.at for s in report.earlier if s.file is not None and s.sha256}
    held = {line.name: report.made.at for line in capture.files if line.sha256}
    there = capture.files if files is None else files
    names, contents = {line.name for line in there}, {line.sha256 for line in there}
    signed = [s.at for s in report.earlier if s.signoff and s.signoff.verdict is not Verdict.REDO]
    if report.signoff is not None and report.signoff.verdict is not Verdict.REDO:
        signed.append(report.made.at)
    newest = max((time for time in map(when, signed) if time is not None), default=None)
    found = {}
    for name, at in (last | held).items():
        if name in names:
            continue
        then = when(at)
        # what the signed report itself held was there; what came before it, in the same second
        # at the latest, was signed away
        if newest and then and (newest > then or (newest == then and name not in held)):
            continue
        record = baseline(report, name)
        if record is not None and record.sha256 not in contents:
            found[name] = record
    return found


def with_gone(findings: Sequence[Finding], names: Sequence[str]) -> list[Finding]:
    """Findings about a set with the files named that it lost, beside those that it lacks."""
    if not names:
        return list(findings)
    told = ", ".join(names[:_MOST_NAMED])
    if len(names) > _MOST_NAMED:
        told += f" and {len(names) - _MOST_NAMED} more"
    lacks = next((f for f in findings if f.kind == "set-missing"), None)
    lost = Finding(
        check="tracks",
        kind="set-missing",
        verdict=Verdict.REDO,
        remedy=Remedy.RECOPY,
        text=f"Files of this track set that were there before are missing: {told}. Look for them, "
        "and for copies, before the tape is played again; where the set is right without them, "
        "sign it off.",
        values={"files": [*names[:64]], "count": len(names)},
    )
    if lacks is None:
        return [*findings, lost]
    lost = dataclasses.replace(lost, values={**lacks.values, **lost.values})
    return [lost if f is lacks else f for f in findings]
