"""``verify`` and ``sums``: arguments in, results to standard output, an exit status out."""

from __future__ import annotations

import argparse
import contextlib
import json
import re
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from watcher import verify
from watcher.console import working
from watcher.errors import UsageError
from watcher.exits import Exit
from watcher.files import shown
from watcher.ledger import Ledger, LedgerError
from watcher.places import jobs_for, ledger_path
from watcher.reverify import Options, Result, State
from watcher.settings import Settings, find_config, load
from watcher.sums import write_sums
from watcher.verify_view import as_json, counts_as_json, print_results


def add_parsers(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command line of both (contract)."""
    check = commands.add_parser(
        "verify",
        help="are these bytes still the ones that were checked?",
        description="Reads every capture in a folder again (and every file with a recorded "
        "digest) and holds it against what is recorded: reports, ledger, sum files, bags. States: "
        "intact, altered, missing, elsewhere, unrecorded, unread.",
    )
    check.add_argument("folders", nargs="+", metavar="FOLDER")
    check.add_argument("--json", action="store_true", help="one result a line, counts last")
    check.add_argument("--config", metavar="F")
    check.add_argument(
        "--quick", action="store_true", help="existence, size and date only: no byte is read"
    )
    check.add_argument(
        "--jobs",
        type=_jobs,
        default=0,
        metavar="N",
        help="big files at once (default: several on storage without turning disks, else 1, for "
        "several would make one disk seek)",
    )
    check.add_argument(
        "--resume", action="store_true", help="go on with the interrupted run of this folder"
    )
    check.add_argument(
        "--sample",
        type=_percent,
        metavar="PERCENT",
        help="this share of the files, the longest unverified first",
    )
    check.add_argument(
        "--time-limit",
        type=_duration,
        metavar="T",
        help="begin no further file after this time (90, 45m, 8h), the longest unverified first",
    )
    sums = commands.add_parser(
        "sums",
        help="write a sum file for general tools",
        description="Writes SHA256SUMS into a folder, for `sha256sum -c`, from recorded digests.",
    )
    sums.add_argument("folder", metavar="FOLDER")
    sums.add_argument("--config", metavar="F")
    sums.add_argument("--from-bytes", action="store_true", help="read the files instead")
    sums.add_argument("--replace", action="store_true", help="write over a differing SHA256SUMS")


def _jobs(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 64:
        raise argparse.ArgumentTypeError(f"must be 1 to 64, got {text!r}")
    return int(text)


def _percent(text: str) -> float:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)%?", text)
    if not found or not 0 < float(found[1]) <= 100:
        raise argparse.ArgumentTypeError(f"must be more than 0 and at most 100, got {text!r}")
    return float(found[1])


def _duration(text: str) -> float:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)([smh]?)", text)
    if not found:
        raise argparse.ArgumentTypeError(f"must be seconds, or like 45m or 8h, got {text!r}")
    return float(found[1]) * {"": 1, "s": 1, "m": 60, "h": 3600}[found[2]]


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
                raise UsageError(f"needs the ledger: {error}") from error
            may_write = False
            try:
                ledger = stack.enter_context(Ledger(path, read_only=True))
                how = "the ledger can only be read; no history is kept"
            except (LedgerError, OSError):
                ledger, how = None, "going on without the ledger"
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
            verify.begin(runs, kept, resume=args.resume)
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
    if interrupted:
        how = "--resume goes on from here" if kept is not None else "nothing was kept of it"
        print(f"reelvigil: interrupted; {how}", file=sys.stderr)
        return Exit.INTERRUPTED
    return Exit.worst(status for run in runs for status in run.status)


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
    print(f"{shown(made.target)}: {made.lines} digests; verify with: sha256sum -c SHA256SUMS")
    if made.differing:
        return Exit.REDO
    return Exit.LISTEN if made.left_out else Exit.CLEAR
