"""Each command: its arguments in, results to standard output, an exit status out."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import shlex
import shutil
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from rich.text import Text

from checks.model import Verdict
from watcher import (
    check,
    left_over,
    report,
)
from watcher.console import (
    console_on,
    print_caution,
    print_groups,
    print_indented,
    shown_text,
    working,
)
from watcher.errors import UsageError, WatcherError
from watcher.exits import Exit
from watcher.files import real, shown
from watcher.machine_lines import machine_lines
from watcher.report import Report
from watcher.settings import SHEET_NAME, Settings, Sheets, find_config, load, report_at
from watcher.summary import group, standing
from watcher.walk import Passed

_DEMO_MB: Final = 200  # what the sample captures take; a test keeps them below


def _settings(args: argparse.Namespace) -> Settings:
    return load(find_config(Path(args.config) if args.config else None))


def run_check(args: argparse.Namespace) -> Exit:
    """``check PATH...``"""
    passed, settings = Passed(), _settings(args)
    jobs = check.plan(args.paths, settings, passed=passed)
    from watcher.config_commands import odd_names

    for sentence in (*passed.sentences(), *_left_over(args.paths, jobs, settings, passed)):
        print(f"reelvigil: {sentence}", file=sys.stderr)
    for folder in sorted({path.parent for job in jobs for path in job.capture.files}):
        with contextlib.suppress(OSError):  # it may be entered and not listed
            for sentence in odd_names(folder, os.listdir(folder)):
                print(f"reelvigil: {sentence}", file=sys.stderr)
    return _check(
        jobs, as_json=args.json, keep=not args.no_sidecar, at_once=args.jobs, notes=args.notes
    )


def _left_over(
    paths: Sequence[str], jobs: Sequence[check.Job], settings: Settings, passed: Passed
) -> Iterator[str]:
    """What is said of reports in the folders given whose captures are not there."""
    found, mirror = set(passed.reports), settings.reports
    if mirror is not None:
        path_of = report_at(settings, [real(root) for root in settings.roots])
        for folder in filter(Path.is_dir, map(real, paths)):
            found.update(left_over.reports_in(path_of(folder / "capture").parent))
    yield from left_over.sentences(sorted(found - {job.report_path for job in jobs}), mirror)


def _check(
    jobs: list[check.Job], *, as_json: bool, keep: bool, at_once: int = 1, notes: bool = False
) -> Exit:
    done = []
    with (
        check.partner_of(jobs, at_once=at_once) as partner,
        working(sum(job.bytes for job in jobs)) as work,
        # closed here: its processes end before anybody hears of an interrupt
        contextlib.closing(
            check.run_all(jobs, at_once=at_once, keep=keep, work=work, partner=partner)
        ) as run,
    ):
        for one in run:
            done.append(one)
            if as_json:
                print(report.to_json(one.report, indent=None), flush=True)
    done = check.stood_anew(done, keep=keep)  # what was printed as JSON stays as first said
    for one in done:
        for sentence in one.trouble:
            print(f"reelvigil: {sentence}", file=sys.stderr)
    if not as_json:
        _print([one.report for one in done], "capture{} checked", notes=notes)
    return check.status(done)


def _print(reports: Sequence[Report], what: str, *, notes: bool) -> None:
    """Reports as people read them: how many of which verdict, then what there is to do."""
    console = console_on(sys.stdout)
    counts = {v: sum(standing(r) is v for r in reports) for v in Verdict}
    said = ", ".join(f"{n} {v.value}" for v, n in reversed(counts.items()) if n)
    console.print(Text(f"{len(reports)} {what.format('s' if len(reports) != 1 else '')}: {said}"))
    print_groups(console, group(reports), notes=notes)
    for line in machine_lines(reports):
        print_indented(console, Text(shown(line.text)), 0)
    print_caution(console)


def run_show(args: argparse.Namespace) -> Exit:
    """``show PATH...``"""
    from watcher.stored import stored

    found = stored(args.paths, _settings(args).reports)
    for sentence in (*found.troubles, *found.remarks):
        print(f"reelvigil: {sentence}", file=sys.stderr)
    reports = list(found.reports.values())
    if reports:
        _print(reports, "stored report{}", notes=True)
    # of what no report speaks for nothing is known: unrecorded, as ``verify`` calls it
    beside = [Exit.UNREAD] * bool(found.troubles) + [Exit.LISTEN] * bool(found.remarks)
    return Exit.worst([check.status_of(r) for r in reports] + beside)


def run_demo(args: argparse.Namespace) -> Exit:
    """``demo [FOLDER]``"""
    from sample_captures.make import SHEETS, make

    folder = Path(args.folder)
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{shown(args.folder)}: is not a folder")
    mark = folder / ".reelvigil-demo"
    if folder.is_dir() and any(folder.iterdir()) and not mark.exists():
        raise UsageError(
            f"{shown(args.folder)}: holds other files; name a new or empty folder for the demo"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        mark.touch()
        print(f"Making the sample captures in {shown(args.folder)} ...", file=sys.stderr)
        make(folder)
    except OSError as error:
        raise WatcherError(
            f"{args.folder}: the sample captures could not be written ({error.strerror}); they "
            f"need {_DEMO_MB} MB: free space, or name another folder"
        ) from error
    _check(check.plan([args.folder], load(None)), as_json=False, keep=True)
    us, place = _as_called(), shlex.quote(shown(args.folder))
    sheet = shlex.quote(shown(folder / next(iter(SHEETS))))
    print(
        f"\nEvery capture has its report beside it: {shown(args.folder)}/.../NAME{report.SUFFIX}\n"
        "Look next at:\n"
        f"  {us} show {place}  (the same once more, with the notes)\n"
        f"  {us} page {place}  (a page beside each report, for a browser)\n"
        f"  {us} check --json {place}  (the reports, one a line)\n"
        f"  {us} config show {sheet}  (what was expected, from which sheet)\n"
        f"  {us} check --help  (checking captures of your own)"
    )
    return Exit.CLEAR


def _as_called() -> str:
    """The command as it was typed, for lines that are to be typed after it."""
    called = Path(sys.argv[0])
    if called.name == "__main__.py":
        return f"{shlex.quote(shown(sys.executable))} -m watcher"
    found = shutil.which("reelvigil")
    if called.name == "reelvigil" and found is not None and os.path.samefile(found, called):
        return "reelvigil"
    return shlex.quote(shown(sys.argv[0])) if called.name.startswith("reelvigil") else "reelvigil"


def run_schema(args: argparse.Namespace) -> Exit:
    """``schema``"""
    print(json.dumps(report.schema(), indent=2))
    return Exit.CLEAR


def run_config(args: argparse.Namespace) -> Exit:
    """``config check`` and ``config show PATH``"""
    from watcher.config_commands import check_text, show_rows
    from watcher.fits import relative_paths

    config = find_config(Path(args.config) if args.config else None)
    if args.action == "check":
        looked = check_text(config, _with_sheets(args.path) if args.path else None)
        for mistake in looked.mistakes:
            print(shown_text(mistake))
        if not looked.mistakes:
            for remark in relative_paths(load(config)):
                print(shown_text(str(remark)))
            where = "" if config is None else f" {shown(str(config))}"
            print(f"No mistakes{' in' if where else ''}{where}.")
        if not looked.mistakes or not looked.whole:
            print(looked.sentence())
        return Exit.USAGE if looked.mistakes else Exit.CLEAR
    path = _there(args.path)
    top = path if path.is_dir() else path.parent
    capture = path / "capture.wav" if path.is_dir() else path
    for key, value, source in show_rows(Sheets(load(config), top).for_capture(capture)):
        print(f"{key}: {shown_text(str(value))}  ({shown(source)})")
    return Exit.CLEAR


def _there(text: str) -> Path:
    path = real(text)
    check.reachable(text, path)
    if not path.exists():
        raise UsageError(f"{shown(text)}: no such file or folder")
    return path


def _with_sheets(text: str) -> Path:
    """A folder, or a file that sheets are about."""
    path = _there(text)
    if path.is_file() and path.suffix in (".yaml", ".yml") and path.name != SHEET_NAME:
        raise UsageError(
            f"{shown(text)}: is no transfer sheet ({SHEET_NAME}); a configuration is checked with "
            f"`reelvigil config check --config {shlex.quote(shown(text))}`"
        )
    return path
