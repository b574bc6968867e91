"""``reelvigil check``: captures now, one after the other or several at once."""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import os
import time
from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from checks.sheet import ReelKind
from watcher import left_over, sidecar
from watcher.console import Work
from watcher.errors import ConfigError, UsageError
from watcher.examine import examine, not_examined
from watcher.exits import BY_VERDICT, Exit
from watcher.files import real, shown, sweep
from watcher.gone import on_record, told_apart
from watcher.lineups import LineupEntry, entry_of
from watcher.partner import Partner, cores, partner_for
from watcher.report import PAGE_SUFFIX, SUFFIX, Report, ReportError
from watcher.settings import Applied, Settings, Sheets, report_at
from watcher.sheets import SHEET_NAME
from watcher.stands_on import on_disk, with_stands_on
from watcher.summary import standing
from watcher.tracksets import Capture, grouped, token
from watcher.walk import Passed, captures_below, siblings

if TYPE_CHECKING:
    from watcher.processes import Died


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One capture to check, with all that applies to it."""

    capture: Capture
    applied: Applied
    report_path: Path
    bytes: int
    top: Path


@dataclass(frozen=True, slots=True)
class Trouble:
    """With a report on disk: a sentence, and what it means for the exit status."""

    text: str
    status: Exit

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    report: Report
    job: Job
    trouble: tuple[Trouble, ...] = ()


def find(paths: Iterable[str], passed: Passed | None = None) -> list[tuple[Path, Path]]:
    """(capture, the argument that led to it) for files and folders given.

    Args:
        passed: collects what folders hold beside captures and a person may have taken for some.

    Raises:
        UsageError: a path does not exist, or a folder holds no capture.
    """
    found: dict[Path, Path] = {}
    for text in paths:
        if not text:
            raise UsageError("an empty path was given: name a file or a folder (. for this one)")
        path = real(text)
        reachable(text, path)
        if path.is_dir():
            unlisted: list[OSError] = []
            seen = Passed() if passed is None else passed
            below = list(captures_below(path, unlisted, seen))
            if unlisted:
                first = unlisted[0]
                raise UsageError(
                    f"{shown(str(first.filename))}: cannot be listed ({first.strerror}); "
                    "captures in it would be missed. Give it read permission, or name its files"
                )
            if not below:
                told = (*seen.sentences(), *left_over.sentences(seen.reports))
                beside = "".join(f"; {sentence}" for sentence in told)
                raise UsageError(f"{shown(text)}: no capture in this folder or below{beside}")
            for capture in below:
                found.setdefault(capture, path)
        elif path.exists():
            if not path.is_file():
                raise UsageError(f"{shown(text)}: is no file (a device, a pipe or a socket)")
            if path.name.endswith((SUFFIX, PAGE_SUFFIX)) or path.name == SHEET_NAME:
                raise UsageError(
                    f"{shown(text)}: is no capture, but a report, its page or a transfer sheet"
                )
            found.setdefault(path, path.parent)
        else:
            raise _nothing(text)
    return list(found.items())


def reachable(text: str, path: Path) -> None:
    """Refuse a path that this account cannot so much as look at.

    Raises:
        UsageError
    """
    try:
        os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return  # there is none, which is another matter
    except OSError as error:
        todo = "give this account the right to enter the folders above it"
        if error.errno == errno.ELOOP:
            todo = "its links lead in a circle"
        raise UsageError(
            f"{shown(text)}: cannot be looked at ({error.strerror}); {todo}"
        ) from error


def _nothing(text: str) -> UsageError:
    return UsageError(f"{shown(text)}: no such file or folder")


def _perhaps_a_set(text: str) -> Path | None:
    """A path where nothing stands, in a folder that is there: it may be a track set's name.

    Raises:
        UsageError: this account may not so much as look at it.
    """
    path = real(text)
    if text:
        reachable(text, path)
    return path if text and not os.path.lexists(path) and os.path.isdir(path.parent) else None


def plan(paths: Sequence[str], settings: Settings, *, passed: Passed | None = None) -> list[Job]:
    """All that is to be checked. Every mistake in any sheet is told before the first long read.

    A file of a track set stands for the whole set, and so does the set's name. ``passed``: see
    ``find``.

    Raises:
        UsageError, ConfigError
    """
    sheets: dict[Path, Sheets] = {}
    applied: dict[Path, Applied] = {}
    tops: dict[Path, Path] = {}
    mistakes: list[str] = []
    roots = [real(root) for root in settings.roots]
    path_of = report_at(settings, roots)

    def apply(path: Path, top: Path) -> None:
        if path in applied:
            return
        try:
            applied[path] = sheets.setdefault(top, Sheets(settings, top)).for_capture(path)
            # as the daemon does, whatever was named: a capture has one report, not one a call
            tops[path] = next((root for root in roots if path.is_relative_to(root)), top)
        except ConfigError as error:
            mistakes.extend(error.mistakes)

    sets = {path: text for text in paths if (path := _perhaps_a_set(text)) is not None}
    named = find((text for text in paths if real(text) not in sets), passed)
    for path in sets:
        for other in siblings(path):
            apply(other, path.parent)
    given = {real(text) for text in paths}
    for path, top in named:
        apply(path, top)
        rule = applied[path].track_sets if path in applied else None
        if path in given and rule and rule.enabled and token(path.stem, rule.pattern):
            for other in siblings(path):
                apply(other, top)
    if mistakes:
        raise ConfigError(dict.fromkeys(mistakes))
    wanted = {path for path, _ in named}

    def report_path(capture: Capture) -> Path:
        return path_of(capture.report_stem)

    captures = grouped(
        applied,
        lambda path: applied[path].track_sets,
        on_record=lambda capture: on_record(capture, report_path),
    )
    captures = told_apart(captures, report_path)
    for path, text in sets.items():
        called = [c for c in captures if c.is_set and path in (c.folder / c.name, c.report_stem)]
        if not called:
            raise _nothing(text)
        wanted.update(file for capture in called for file in capture.files)
    jobs = [
        Job(
            capture=capture,
            applied=applied[capture.files[0]],
            report_path=report_path(capture),
            bytes=sum(_size(file) for file in capture.files),
            top=tops[capture.files[0]],
        )
        for capture in captures
        if wanted.intersection(capture.files)
    ]
    # line-ups first: the others are told which one they stand on
    return sorted(jobs, key=lambda job: job.applied.sheet.reel.kind is not ReelKind.LINEUP)


def _size(path: Path) -> int:
    try:
        return os.stat(path).st_size
    except OSError:
        return 0


def run_job(
    job: Job,
    progress: Callable[[float], None] | None = None,
    *,
    keep: bool,
    line_ups: Sequence[LineupEntry] = (),
    partner: Partner | None = None,
    died: Died | None = None,
) -> Done:
    """Check one capture against its earlier report and, where wanted, write the new one.

    ``line_ups``: of this run, for captures that may stand on them; ``partner``: a process that
    does a part of the checks; ``died``: how the one that was to do it all ended.
    """
    trouble: list[Trouble] = []
    earlier = None
    try:
        earlier = sidecar.load(job.report_path)
        files = [file.name for file in job.capture.files]
        if earlier and (other := sidecar.of_another(earlier, job.capture.name, files)):
            earlier = None
            said = f"is the report of another capture, {shown(other)}"
            keep = _put_away(job, said, "of-another", Exit.LISTEN, trouble, keep=keep)
    except (ReportError, OSError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        said = f"the earlier report cannot be read ({why})"
        keep = _put_away(job, said, "unreadable", Exit.UNREAD, trouble, keep=keep)
    capture, applied = job.capture, job.applied
    if died is None:
        report = examine(capture, applied, earlier=earlier, progress=progress, partner=partner)
    else:
        report = not_examined(capture, applied, died.cause, earlier=earlier)
        if died.code >= 0:  # no signal: a fault of ours, of which it told itself
            trouble.append(Trouble(f"{shown(capture.name)}: {died.cause}", Exit.FAULT))
    report = _standing(report, job, line_ups)
    if keep:
        _save(report, job, trouble)
    return Done(report=report, job=job, trouble=tuple(trouble))


def _put_away(
    job: Job, said: str, why: str, status: Exit, trouble: list[Trouble], *, keep: bool
) -> bool:
    """Keep a report that says nothing of the capture, and tell it; whether there is room now."""
    kept = ""
    if keep:
        try:
            kept = f"; it is kept as {shown(sidecar.set_aside(job.report_path, why).name)}"
        except (ReportError, OSError):
            kept, keep = "; it stays, and no new one is written", False
    told = f"{said}, so nobody can say whether the content changed since{kept}"
    trouble.append(Trouble(f"{shown(str(job.report_path))}: {told}", status))
    return keep


def _standing(report: Report, job: Job, line_ups: Iterable[LineupEntry]) -> Report:
    """The report with the line-up named that its capture stands on."""
    at = job.report_path.parent
    known = {e.path: e for e in on_disk(job.capture.folder, top=job.top, at=at)}
    known |= {entry.path: entry for entry in line_ups}
    return with_stands_on(report, known.values())


def _save(report: Report, job: Job, trouble: list[Trouble]) -> None:
    if not any(map(os.path.lexists, job.capture.files)):
        text = f"{shown(str(job.report_path))}: not written, for there is no file of it any more"
        trouble.append(Trouble(text, Exit.UNREAD))
        return
    try:
        sidecar.save(report, job.report_path)
    except OSError as error:
        trouble.append(
            Trouble(
                f"{shown(str(job.report_path))}: the report could not be written "
                f"({error.strerror or error}); free space there or give this account the right to "
                "write, set `reports` to a folder elsewhere, or use --no-sidecar",
                Exit.USAGE,
            )
        )


def partner_of(
    jobs: Sequence[Job], *, at_once: int
) -> contextlib.AbstractContextManager[Partner | None]:
    """A second process for the checks of ``run_all``, where they come one after the other.

    To be entered while this process has one thread.
    """
    count = sum(job.bytes for job in jobs)
    return partner_for(count, cores=cores() if at_once <= 1 or len(jobs) == 1 else 1)


def run_all(
    jobs: Sequence[Job], *, at_once: int, keep: bool, work: Work, partner: Partner | None = None
) -> Generator[Done, None, None]:
    """Check all, in order; with ``at_once`` > 1 in processes, in the order they end.

    Declared line-ups come first and are done before the others begin, which may stand on them.
    """
    line_ups: list[LineupEntry] = []
    if at_once <= 1 or len(jobs) == 1:
        for job in jobs:
            work.on(job.capture.name)
            done = run_job(job, work.add, keep=keep, line_ups=line_ups, partner=partner)
            line_ups += _entries([done])
            yield done
        return
    # imported here: one at a time, which is what most calls are, needs none of it
    from watcher.processes import Died, Processes, interrupts_later

    first = sum(job.applied.sheet.reel.kind is ReelKind.LINEUP for job in jobs)
    try:
        with Processes(_carried_out, at_once) as processes:
            for part in (jobs[:first], jobs[first:]):
                for task, came in processes.each([_Task(j, keep, (*line_ups,)) for j in part]):
                    if isinstance(came, Died):
                        done = run_job(task.job, keep=keep, line_ups=line_ups, died=came)
                    else:
                        done = came
                    work.add(task.job.bytes)
                    line_ups += _entries([done])
                    yield done
    except BaseException:
        with interrupts_later():
            for job in jobs if keep else ():
                sweep(job.report_path, before=time.time() + 1)  # halves of reports
        raise


class _Task(NamedTuple):
    job: Job
    keep: bool
    line_ups: tuple[LineupEntry, ...]


def _carried_out(task: _Task) -> Done:
    return run_job(task.job, keep=task.keep, line_ups=task.line_ups)


def stood_anew(done: Sequence[Done], *, keep: bool) -> list[Done]:
    """What was done, each capture with its line-up as it is known now that all are checked."""
    line_ups = _entries(done)
    out = []
    for one in done:
        report = one.report
        if report.signoff is None:
            report = _standing(report, one.job, line_ups)
        if report != one.report:
            trouble = list(one.trouble)
            if keep:
                _save(report, one.job, trouble)
            one = dataclasses.replace(one, report=report, trouble=tuple(trouble))
        out.append(one)
    return out


def _entries(done: Iterable[Done]) -> list[LineupEntry]:
    return [entry for one in done if (entry := entry_of(one.report)) is not None]


def status(done: Iterable[Done]) -> Exit:
    """Exit status of a run: the worst of all captures and of what troubled their reports."""
    statuses = []
    for one in done:
        statuses += [status_of(one.report), *(trouble.status for trouble in one.trouble)]
    return Exit.worst(statuses)


def status_of(report: Report) -> Exit:
    """Exit status by one report: what was decided of the capture, a check that failed above it."""
    failed = any(f.kind == "not-run" for f in report.findings)
    return Exit.FAULT if failed else BY_VERDICT[standing(report)]
