"""Arguments to one call to an exit status; the only place that exits."""

from __future__ import annotations

import importlib
import os
import sqlite3
import sys
from collections.abc import Sequence
from typing import Final

from watcher.arguments import parser
from watcher.errors import ConfigError, UsageError, WatcherError
from watcher.exits import Exit

_CARRIED_OUT_BY: Final = {
    "check": "commands",
    "demo": "commands",
    "show": "commands",
    "schema": "commands",
    "config": "commands",
    "watch": "commands_daemon",
    "enrol": "commands_daemon",
    "status": "commands_daemon",
    "unit": "commands_daemon",
    "summary": "commands_morning",
    "signoff": "commands_morning",
    "lineup": "commands_lineup",
    "verify": "commands_verify",
    "sums": "commands_verify",
}
"""The module that has ``run_NAME`` for each command, imported when it is asked for."""


def main(arguments: Sequence[str] | None = None) -> Exit:
    """Carry out one call and return its exit status."""
    _safe_streams()
    args = parser().parse_args(arguments)
    try:
        module = importlib.import_module(f"watcher.{_CARRIED_OUT_BY[args.command]}")
        return Exit(getattr(module, f"run_{args.command}")(args))
    except ConfigError as error:
        for mistake in error.mistakes:
            print(shown_line(mistake), file=sys.stderr)
        print("reelvigil: nothing was done; mend this first, then call again", file=sys.stderr)
        return Exit.USAGE
    except UsageError as error:
        print(f"reelvigil: {error}", file=sys.stderr)
        return Exit.USAGE
    except WatcherError as error:
        from watcher.files import shown  # loaded by now: only help asks for less

        print(f"reelvigil: {shown(str(error))}", file=sys.stderr)
        return Exit.FAULT
    except sqlite3.DatabaseError as error:
        print(f"reelvigil: {_ledger_trouble(error)}", file=sys.stderr)
        return Exit.FAULT
    except KeyboardInterrupt:
        print("reelvigil: interrupted; reports written so far stand", file=sys.stderr)
        return Exit.INTERRUPTED


def _safe_streams() -> None:
    """Let no name and no locale make printing fail."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")


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
