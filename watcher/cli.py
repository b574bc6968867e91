"""Arguments to one call to an exit status; the only place that exits."""

from __future__ import annotations

import argparse
import os
import sqlite3
import sys
from collections.abc import Sequence

from watcher import __version__, commands_daemon, commands_lineup, commands_morning, commands_verify
from watcher.errors import ConfigError, UsageError, WatcherError
from watcher.exits import Exit

_EPILOG = """\
exit status: 0 all clear; 1 a fault of the program itself; 2 wrong usage or configuration, no
such path, no capture there; 3 something to listen to; 4 something to redo, altered or missing;
5 something unread; 6 not running, or already running; 130 interrupted. The worst wins.

Captures are only ever read. The program looks, it does not listen: keep the tape and a second
copy of every file until a person has.
"""


def parser() -> argparse.ArgumentParser:
    """The command line (contract)."""
    top = argparse.ArgumentParser(
        prog="reelvigil",
        description="Checks tape transfers: every sample and byte of a capture, what was found, "
        "what to do about it, and later whether anything stored has changed.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"reelvigil {__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")

    demo = commands.add_parser(
        "demo",
        help="make sample captures, good and faulty, and check them",
        description="Makes about eight short captures of an invented session, good and faulty, "
        "checks them, writes their reports and shows what a person would read.",
    )
    demo.add_argument("folder", nargs="?", default="reelvigil-demo", metavar="FOLDER")

    check = commands.add_parser(
        "check",
        help="check captures now",
        description="Checks files, or all captures in folders and below, and writes a report "
        "beside each (NAME.vigil.json).",
    )
    check.add_argument("paths", nargs="+", metavar="PATH")
    check.add_argument("--json", action="store_true", help="one report a line on standard output")
    check.add_argument("--config", metavar="F", help="configuration file (reelvigil.yaml)")
    check.add_argument("--no-sidecar", action="store_true", help="write no reports")
    check.add_argument(
        "--jobs", type=_positive, default=1, metavar="N", help="captures at once (default 1)"
    )

    commands_daemon.add_parsers(commands)
    commands_morning.add_parsers(commands)
    commands_verify.add_parsers(commands)
    commands_lineup.add_parsers(commands)
    commands.add_parser(
        "schema",
        help="print the JSON Schema of the report",
        description="Prints the JSON Schema of NAME.vigil.json, version 1.",
    )

    config = commands.add_parser("config", help="check the configuration, or show what applies")
    actions = config.add_subparsers(dest="action", required=True, metavar="ACTION")
    config_check = actions.add_parser(
        "check", help="every mistake, as file:line: key: what, allowed"
    )
    config_check.add_argument("--config", metavar="F")
    config_check.add_argument("path", nargs="?", metavar="PATH", help="a folder with its sheets")
    config_show = actions.add_parser("show", help="what applies to a path, and where it comes from")
    config_show.add_argument("--config", metavar="F")
    config_show.add_argument("path", metavar="PATH")
    return top


def _positive(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 64:
        raise argparse.ArgumentTypeError(f"must be 1 to 64, got {text!r}")
    return int(text)


def main(arguments: Sequence[str] | None = None) -> Exit:
    """Carry out one call and return its exit status."""
    from watcher import commands
    from watcher.console import safe_streams
    from watcher.files import shown

    safe_streams()
    args = parser().parse_args(arguments)
    try:
        return commands.COMMANDS[args.command](args)
    except ConfigError as error:
        for mistake in error.mistakes:
            print(shown_line(mistake), file=sys.stderr)
        return Exit.USAGE
    except UsageError as error:
        print(f"reelvigil: {error}", file=sys.stderr)
        return Exit.USAGE
    except WatcherError as error:
        print(f"reelvigil: {shown(str(error))}", file=sys.stderr)
        return Exit.FAULT
    except sqlite3.DatabaseError as error:
        print(f"reelvigil: {_ledger_trouble(error)}", file=sys.stderr)
        return Exit.FAULT
    except KeyboardInterrupt:
        print("reelvigil: interrupted; reports written so far stand", file=sys.stderr)
        return Exit.INTERRUPTED


def _ledger_trouble(error: sqlite3.DatabaseError) -> str:
    """What is wrong with the ledger, and what next; the low byte is the primary code."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # sqlite.org/rescode.html
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return (
            f"the ledger is in use by another process ({error}), and is sound; call this again in "
            "a minute"
        )
    what = f"the ledger cannot be read or written ({error})"
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return (
            f"{what}; a damaged one is put aside and made anew from the reports when the daemon "
            "starts again"
        )
    return f"{what}; see to its volume and the rights to it"


def shown_line(text: str) -> str:
    """A message of ours on one line, whatever it quotes."""
    return "".join(ch if ch.isprintable() else "?" for ch in text)


def run() -> None:
    """The command ``reelvigil``."""
    try:
        status = main()
        sys.stdout.flush()
    except BrokenPipeError:
        # the reader of our output went away: nothing to say, and nobody to say it to
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = Exit.CLEAR
    sys.exit(int(status))
