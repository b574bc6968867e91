"""``verify`` and ``sums``: arguments in, results to standard output, an exit status out."""

from __future__ import annotations

import argparse
import contextlib
import json
import sqlite3
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from watcher import verify
from watcher.console import working
from watcher.errors import UsageError
from watcher.exits import Exit
from watcher.files import shown
from watcher.ledger import Ledger, LedgerDamagedError, LedgerError
from watcher.places import jobs_for, ledger_path
from watcher.reverify import Options, Result, State
from watcher.settings import Settings, find_config, load
from watcher.sums import write_sums
from watcher.verify_view import as_json, counts_as_json, print_results


@contextlib.contextmanager
def open_ledger(settings: Settings, *, wanted: bool) -> Iterator[tuple[Ledger | None, bool]]:
    """The ledger where it can be used, and whether it may be written to.

    Without it everything works but history and resuming. An auditor may be allowed to read the
    daemon's ledger and no more.

    Raises:
        UsageError: it is wanted for writing, and cannot be used.
    """
    path = ledger_path(settings)
    with contextlib.ExitStack() as stack:
        try:
            ledger: Ledger | None = stack.enter_context(Ledger(path))
            may_write = True
        except (LedgerError, OSError) as error:
            if wanted:
                raise UsageError(f"needs the ledger: {shown(str(error))}") from error
            may_write = False
            ledger, how = None, "going on without the ledger"
            if not isinstance(error, LedgerDamagedError):
                with contextlib.suppress(LedgerError, OSError):
                    ledger = stack.enter_context(Ledger(path, read_only=True))
                    how = "the ledger can only be read; no history is kept"
            print(f"reelvigil: {how}: {shown(str(error))}", file=sys.stderr)
        yield ledger, may_write


def run_verify(args: argparse.Namespace) -> Exit:
    """``verify FOLDER...``"""
    settings = load(find_config(Path(args.config) if args.config else None))
    began = time.monotonic()
    until = began + args.time_limit if args.time_limit is not None else None
    folders, notes = verify.apart(args.folders)
    for note in notes:
        print(f"reelvigil: {note}", file=sys.stderr)
    with open_ledger(settings, wanted=args.resume) as (ledger, may_write):
        runs = [verify.prepare(f, mirror=settings.reports, ledger=ledger) for f in folders]
        kept = ledger if may_write and not args.quick else None
        if kept is not None:
            try:
                verify.begin(runs, kept, resume=args.resume)
            except sqlite3.OperationalError as error:
                if args.resume:
                    raise
                kept, runs[0].unkept = None, str(error)
        percent = args.sample if args.sample is not None else (100.0 if until else None)
        if percent is not None:
            for run in runs:
                verify.sample(run, ledger, percent)
        listed: list[Result] = []
        interrupted = False
        with working(0 if args.quick else sum(run.to_read for run in runs)) as work:
            try:
                for run in runs:
                    jobs = args.jobs or jobs_for(run.folder)
                    options = Options(quick=args.quick, jobs=jobs, pace=work.add)
                    for result in verify.carry_out(run, options, kept, until=until):
                        if args.json:
                            print(json.dumps(as_json(result)), flush=True)
                        elif result.state is not State.INTACT or result.text:
                            listed.append(result)
            except KeyboardInterrupt:
                interrupted = True
    if args.json:
        print(json.dumps(counts_as_json(runs, quick=args.quick, interrupted=interrupted)))
    else:
        print_results(listed, runs, quick=args.quick, took_s=time.monotonic() - began)
    unkept = next((run.unkept for run in runs if run.unkept), "")
    if unkept:
        print(
            f"reelvigil: the ledger could not be written ({shown(unkept)}): what is told here is "
            "not in it, or not in full; see to its volume, or who else uses it",
            file=sys.stderr,
        )
    if interrupted:
        stands = kept is not None and not unkept
        how = "--resume goes on from here" if stands else "nothing was kept of it"
        print(f"reelvigil: interrupted; {how}", file=sys.stderr)
        return Exit.INTERRUPTED
    return Exit.worst([Exit.FAULT] * bool(unkept) + [s for run in runs for s in run.status])


def run_sums(args: argparse.Namespace) -> Exit:
    """``sums FOLDER``"""
    settings = load(find_config(Path(args.config) if args.config else None))
    with open_ledger(settings, wanted=False) as (ledger, _):
        run = verify.prepare(Path(args.folder), mirror=settings.reports, ledger=ledger)
    made = write_sums(run, from_bytes=args.from_bytes, replace=args.replace)
    for line in made.left_out:
        print(f"left out: {line}", file=sys.stderr)
    for line in made.differing:
        print(f"differs: {line}", file=sys.stderr)
    lines = f"{made.lines} digest{'s' if made.lines != 1 else ''}"
    print(f"{shown(made.target)}: {lines}; verify with: sha256sum -c SHA256SUMS")
    if made.differing:
        return Exit.REDO
    return Exit.LISTEN if made.left_out else Exit.CLEAR
