"""The stored reports of captures, found without reading a sample: for ``show`` and ``page``.

A report stands beside its capture, or in the folder that mirrors the tree. It says what held when
it was made; only sizes and dates tell whether its files are still those.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from watcher import sidecar
from watcher.check import reachable
from watcher.decided import made_at
from watcher.errors import UsageError
from watcher.files import real, shown
from watcher.recorded import name_of
from watcher.report import SUFFIX, Report, ReportError, exact, sidecar_path
from watcher.signoff import unchanged_since
from watcher.walk import captures_below

_MOST_NAMED: Final = 3  # in one sentence; common practice


@dataclass(slots=True)
class Stored:
    """What is stored about the captures that were asked for.

    Attributes:
        reports: by the path each stands at, in the order asked for.
        troubles: what could not be read, in sentences.
        remarks: what the reports cannot speak for: files that changed, captures without a report.
        changed: the paths of reports whose files are gone, or of another size or date.
    """

    reports: dict[Path, Report] = field(default_factory=dict)
    troubles: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    changed: set[Path] = field(default_factory=set)


def stored(paths: Iterable[str], mirror: Path | None = None) -> Stored:
    """The reports of captures, of track sets by one of their files, of folders, or by their names.

    Args:
        mirror: where reports stand instead of beside the captures, if configured so.

    Raises:
        UsageError: something named has no report.
    """
    found = Stored()
    for text in paths:
        if not text:
            raise UsageError("an empty path was given: name a file or a folder (. for this one)")
        path = real(text)
        reachable(text, path)
        troubles = len(found.troubles)
        if path.is_dir():
            some = _of_folder(path, mirror, found)
        elif path.name.endswith(SUFFIX):
            some = _take(path, found) is not None
        else:
            some = _of_capture(path, mirror, found)
        if not some and len(found.troubles) == troubles:
            raise UsageError(f"{shown(text)}: {_nothing(path, mirror)}")
    found.changed = {
        path
        for path, report in found.reports.items()
        if not unchanged_since(report, _home(path, report))
    }
    if found.changed:
        names = [
            shown(exact(report.capture.name, report.capture.name_b64))
            for path, report in found.reports.items()
            if path in found.changed
        ]
        found.remarks.append(
            f"{_few(names)}: gone, or of another size or date than when the report was made, "
            "which speaks of what was there then"
        )
    return found


def _nothing(path: Path, mirror: Path | None) -> str:
    """That there is no report, where it was looked for, and what to do."""
    at = "in it or below" if path.is_dir() else "beside it"
    at += "" if mirror is None else f", nor in {shown(mirror)}"
    said = f"no report {at}" if os.path.lexists(path) else f"no such file, and no report {at}"
    if mirror is None:  # where it lies may just not have been said
        said += "; if a configuration keeps reports elsewhere (`reports`), name it with --config"
    return f"{said}; `reelvigil check` makes one" if os.path.lexists(path) else said


def _take(path: Path, found: Stored) -> Report | None:
    """Read the report at a path, if one stands there; what hinders it is kept."""
    try:
        report = sidecar.load(path)
    except (ReportError, OSError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        found.troubles.append(f"{shown(path)}: the report cannot be read ({why})")
        return None
    if report is not None:
        found.reports[path] = report
    return report


def _of_folder(folder: Path, mirror: Path | None, found: Stored) -> bool:
    """All reports in a folder and below, and those in the mirror that speak of it."""
    named: set[Path] = set()
    for path in _reports_below(folder, found):
        if (report := _take(path, found)) is not None:
            named |= _files(report, _home(path, report))
    if mirror is not None and not folder.is_relative_to(mirror):
        for path in _reports_below(mirror, found):
            if path in found.reports or (report := _take(path, found)) is None:
                continue
            if _folder_of(report).is_relative_to(folder):
                named |= _files(report, _folder_of(report))
            else:
                del found.reports[path]
    without = [path for path in captures_below(folder) if path not in named]
    if named and without:
        names = [shown(path.name) for path in without]
        found.remarks.append(f"{_few(names)}: no report; `reelvigil check` makes one")
    return bool(named)


def _of_capture(path: Path, mirror: Path | None, found: Stored) -> bool:
    """The report of a capture, or of the track set that a file belongs to: the last one made."""
    own = [sidecar_path(path), sidecar_path(path.with_name(f"{path.name}.set"))]
    at = [*own, *(p for p in _reports_in(path.parent) if _of_a_set(p))]
    if mirror is not None:
        at += [p for p in _reports_below(mirror, found) if p.name == own[0].name or _of_a_set(p)]
    best: tuple[Path, Report] | None = None
    for place in at:
        aside = Stored()
        report = _take(place, aside)
        if place in own:
            found.troubles += aside.troubles
        if report is None:
            continue
        home = path.parent if place.parent == path.parent else _folder_of(report)
        named = place.name in [one.name for one in own] or path in _files(report, home)
        about = home == path.parent and named
        if about and (best is None or made_at(report) > made_at(best[1])):
            best = place, report
    if best is None:
        return False
    found.reports[best[0]] = best[1]
    return True


def _few(names: list[str]) -> str:
    more = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _of_a_set(path: Path) -> bool:
    """Whether a report may be a track set's; long names are cut (``report.sidecar_path``)."""
    return path.name.endswith(f".set{SUFFIX}") or "~" in path.name


def _home(path: Path, report: Report) -> Path:
    """The folder of the files a report speaks of: its own, but where it stands in a mirror."""
    names = [os.fsdecode(name_of(line)) for line in report.capture.files]
    beside = any(os.path.lexists(path.parent / name) for name in names)
    return path.parent if beside else _folder_of(report)


def _folder_of(report: Report) -> Path:
    return Path(exact(report.capture.folder, report.capture.folder_b64))


def _files(report: Report, folder: Path) -> set[Path]:
    return {folder / os.fsdecode(name_of(line)) for line in report.capture.files}


def _reports_in(folder: Path) -> list[Path]:
    try:
        names = sorted(os.listdir(folder))
    except OSError:
        return []
    return [folder / name for name in names if name.endswith(SUFFIX) and name[0] != "."]


def _reports_below(folder: Path, found: Stored) -> Iterator[Path]:
    """Every report in a folder and below; links and hidden folders are not followed."""

    def cannot(error: OSError) -> None:
        found.troubles.append(f"{shown(str(error.filename))}: cannot be listed ({error.strerror})")

    for place, folders, names in os.walk(folder, onerror=cannot):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            if name.endswith(SUFFIX) and not name.startswith("."):
                yield Path(place, name)
