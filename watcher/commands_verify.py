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

from rich.console import Console
from rich.text import Text

from watcher import verify
from watcher.console import console_on, print_indented, working
from watcher.errors import UsageError
from watcher.exits import Exit
from watcher.files import shown
from watcher.ledger import Ledger, LedgerError
from watcher.places import ledger_path
from watcher.reverify import Options, Result, State
from watcher.settings import Settings, find_config, load

_STYLES = {
    State.ALTERED: "bold red",
    State.MISSING: "bold red",
    State.UNREAD: "bold magenta",
    State.ELSEWHERE: "bold cyan",
    State.UNRECORDED: "bold yellow",
}
CAUTION = (
    "Intact means: the same bytes as when they were recorded. It says nothing about whether they "
    "were right then. Keep a second copy of every file somewhere else."
)


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
        default=1,
        metavar="N",
        help="files at once (default 1: several would make one disk seek)",
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
def open_ledger(settings: Settings, *, wanted: bool) -> Iterator[Ledger | None]:
    """The ledger where it can be used; without it everything works but resuming."""
    path = ledger_path(settings)
    try:
        ledger = Ledger(path)
    except (LedgerError, OSError) as error:
        if wanted:
            raise UsageError(f"needs the ledger: {error}") from error
        print(f"reelvigil: going on without the ledger: {shown(str(error))}", file=sys.stderr)
        yield None
        return
    with ledger:
        yield ledger


def run_verify(args: argparse.Namespace) -> Exit:
    """``verify FOLDER...``"""
    settings = load(find_config(Path(args.config) if args.config else None))
    began = time.monotonic()
    until = began + args.time_limit if args.time_limit is not None else None
    with open_ledger(settings, wanted=args.resume) as ledger:
        runs = [
            verify.prepare(Path(folder), mirror=settings.reports, ledger=ledger)
            for folder in args.folders
        ]
        for run in runs:
            percent = args.sample if args.sample is not None else (100.0 if until else None)
            verify.choose(run, ledger, resume=args.resume, percent=percent)
        there = sum(run.there for run in runs)
        listed: list[Result] = []
        with working(there if not args.quick else 0) as work:

            def pace(count: int) -> None:
                work.add(count)

            options = Options(quick=args.quick, jobs=args.jobs, pace=pace)
            for run in runs:
                for result in verify.carry_out(run, options, ledger, until=until):
                    if args.json:
                        print(json.dumps(verify.as_json(result)), flush=True)
                    elif result.state is not State.INTACT or result.text:
                        listed.append(result)
    counts = {state.value: sum(run.counts[state.value] for run in runs) for state in State}
    covered = sum(run.covered for run in runs)
    if args.json:
        told = {"counts": counts, "bytes_read": covered, "bytes_recorded": there}
        print(json.dumps(told | ({"quick": True} if args.quick else {})))
    else:
        _print(listed, counts, covered, there, time.monotonic() - began, args, runs)
    return Exit.worst(status for run in runs for status in run.status)


def _print(
    listed: list[Result],
    counts: dict[str, int],
    covered: int,
    there: int,
    took_s: float,
    args: argparse.Namespace,
    runs: list[verify.Run],
) -> None:
    console = console_on(sys.stdout)
    for state in (State.UNREAD, State.ALTERED, State.MISSING, State.ELSEWHERE, State.UNRECORDED):
        for result in (r for r in listed if r.state is state):
            line = Text(f"{state.value:10} ", style=_STYLES[state]) + Text(shown(result.path))
            console.print(line, soft_wrap=True)
            _details(console, result)
    for result in (r for r in listed if r.state is State.INTACT):
        console.print(Text(f"intact     {shown(result.path)}"), soft_wrap=True)
        _details(console, result)
    said = ", ".join(f"{count} {state}" for state, count in counts.items() if count)
    console.print(Text(said or "nothing was looked at", style="bold"))
    if args.quick:
        console.print(Text("Only existence, size and date were looked at; no byte was read."))
        return
    rate = f", {covered / took_s / 1e6:.0f} MB/s" if took_s > 0.1 and covered else ""
    share = f" of {there / 1e9:.2f} GB recorded ({100 * covered / there:.1f} %)" if there else ""
    console.print(Text(f"{covered / 1e9:.2f} GB read{share} in {took_s:.1f} s{rate}"))
    resumed = sum(run.resumed for run in runs)
    if resumed:
        console.print(Text(f"{resumed} were found intact before the run was interrupted."))
    print_indented(console, Text(CAUTION, style="dim"), 0)


def _details(console: Console, result: Result) -> None:
    if result.text:
        print_indented(console, Text(shown(result.text)), 4)
    if result.found_at:
        print_indented(console, Text(f"there: {shown(result.found_at)}"), 4)
    if result.sources:
        print_indented(console, Text(f"recorded by: {shown(', '.join(result.sources))}"), 4)
    for number, reading in enumerate(result.readings, 1):
        print_indented(console, Text(f"reading {number}: {reading}"), 4)


def run_sums(args: argparse.Namespace) -> Exit:
    """``sums FOLDER``"""
    settings = load(find_config(Path(args.config) if args.config else None))
    with open_ledger(settings, wanted=False) as ledger:
        run = verify.prepare(Path(args.folder), mirror=settings.reports, ledger=ledger)
    target, count, left_out = verify.write_sums(
        run, from_bytes=args.from_bytes, replace=args.replace
    )
    for line in left_out:
        print(f"left out: {line}", file=sys.stderr)
    print(f"{shown(target)}: {count} digests; verify with: sha256sum -c SHA256SUMS")
    return Exit.LISTEN if left_out else Exit.CLEAR
