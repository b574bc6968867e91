"""``summary`` and ``signoff``."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from checks.model import Verdict
from watcher import morning
from watcher.check import Job, plan
from watcher.console import console_on
from watcher.errors import UsageError
from watcher.exits import Exit
from watcher.files import real, shown, write_whole
from watcher.ledger import Ledger, LedgerError, exists
from watcher.morning_json import as_json
from watcher.morning_page import page_of, target_of
from watcher.morning_text import print_morning
from watcher.places import ledger_path
from watcher.report import Report
from watcher.settings import find_config, load
from watcher.signoff import find_report, may_be_signed, sign
from watcher.stands_on import stand_again, stand_again_on_disk


def run_summary(args: argparse.Namespace) -> Exit:
    """``summary``"""
    settings = load(find_config(Path(args.config) if args.config else None))
    target = target_of(args.html) if args.html is not None else None
    path = ledger_path(settings)
    if not exists(path):
        raise UsageError(
            f"no ledger at {shown(path)}: no daemon has run here. `reelvigil watch` starts one; "
            "`reelvigil check` looks at captures now"
        )
    now = datetime.now().astimezone()
    with Ledger(path, read_only=not args.seen) as ledger:
        since = morning.since_when(args.since, ledger, now)
        found = morning.gather(ledger, since, now=now, verify_days=settings.verify_every_days)
        if target is not None:
            _write_page(target, found, now)
            line = f"{shown(target)}: the summary as a page"
            print(line, file=sys.stderr if args.json else sys.stdout)
        if args.json:
            print(json.dumps(as_json(found)))
        elif target is None:
            print_morning(console_on(sys.stdout), found)
        if args.seen:
            morning.mark_seen(ledger, found.until)
    return Exit.CLEAR


def _write_page(target: Path, found: morning.Morning, now: datetime) -> None:
    from watcher.pages import rendered  # jinja2, which no other summary needs

    page = rendered("morning.html", page=page_of(found, target.parent, now))
    try:
        write_whole(target, page)
    except OSError as error:
        raise UsageError(
            f"{shown(target)}: the page could not be written ({error.strerror or error}); free "
            "space there, give this account the right to write, or name a file elsewhere"
        ) from error


def _each_named(named: Sequence[str], jobs: Sequence[Job]) -> None:
    """A person decides on captures, one by one; a folder of several says nothing of any.

    Raises:
        UsageError
    """
    for text in named:
        folder = real(text)
        count = sum(job.capture.folder.is_relative_to(folder) for job in jobs)
        if folder.is_dir() and count > 1:
            raise UsageError(
                f"{shown(text)}: is a folder of {count} captures; name each one that a person has "
                "listened to"
            )


def _replaced(report: Report) -> str:
    """The decision that a new one takes the place of, in words."""
    before = report.signoff
    if before is None:
        return ""
    note = f": {shown(before.note)}" if before.note else ""
    return f" (was {before.verdict.value} by {shown(before.by)}, {before.at[:10]}{note})"


def run_signoff(args: argparse.Namespace) -> Exit:
    """``signoff CAPTURE...``"""
    settings = load(find_config(Path(args.config) if args.config else None))
    jobs = plan(args.captures, settings)
    _each_named(args.captures, jobs)
    found = []
    for job in jobs:  # all of them before the first is written
        path, report = find_report(job.capture, job.report_path)
        may_be_signed(report, job.capture, Verdict(args.verdict), args.note)
        found.append((job, path, report))
    ledger: Ledger | None = None
    try:
        if exists(path := ledger_path(settings)):
            if not os.access(path, os.W_OK):  # that it can be opened says nothing yet
                raise LedgerError(f"{path}: may only be read from this account")
            ledger = Ledger(path)
    except LedgerError as error:
        print(f"reelvigil: only in the report: {shown(str(error))}", file=sys.stderr)
    try:
        for job, path, report in found:
            signed = sign(
                report,
                path,
                job.capture,
                ledger,
                by=args.by,
                note=args.note,
                verdict=Verdict(args.verdict),
            )
            # captures that stand on a line-up learn of the decision about it
            stand_again_on_disk(signed, path.parent)
            if ledger is not None:
                folder = job.capture.folder
                root = next((r for r in settings.roots if folder.is_relative_to(r)), None)
                stand_again(ledger, signed, root)
            name = shown(job.capture.report_stem.name)
            print(f"{name}: {args.verdict}, signed off by {args.by}{_replaced(report)}")
    finally:
        if ledger is not None:
            ledger.close()
    return Exit.CLEAR
