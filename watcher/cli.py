"""Arguments to one call to an exit status; the only place that exits."""

from __future__ import annotations

import contextlib
import gc
import importlib
import io
import os
import signal
import sqlite3
import sys
from collections.abc import Sequence
from typing import Final, TextIO

from watcher.arguments import parser
from watcher.errors import ConfigError, UnreadError, UsageError, WatcherError
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
    "page": "commands_page",
    "summary": "commands_morning",
    "signoff": "commands_morning",
    "lineup": "commands_lineup",
    "verify": "commands_verify",
    "sums": "commands_verify",
}
"""The module that has ``run_NAME`` for each command, imported when it is asked for."""


def main(arguments: Sequence[str] | None = None) -> Exit:
    """Carry out one call and return its exit status.

    Raises:
        SystemExit: asked for help, or used wrongly.
        OSError: what there is to say could not be written to standard output.
    """
    _safe_streams()
    writes = False
    try:
        args = parser().parse_args(arguments)
        writes = args.command in ("check", "demo") and not getattr(args, "no_sidecar", False)
        module = importlib.import_module(f"watcher.{_CARRIED_OUT_BY[args.command]}")
        if not gc.isenabled():  # see ``watcher.start``
            gc.freeze()  # what has been imported stays to the end
            gc.enable()
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
        return Exit.UNREAD if isinstance(error, UnreadError) else Exit.FAULT
    except sqlite3.DatabaseError as error:
        print(f"reelvigil: {_ledger_trouble(error)}", file=sys.stderr)
        return Exit.FAULT
    except OSError as error:
        if getattr(sys.stdout, "failed", None) is not None:
            raise
        print(f"reelvigil: {_system_trouble(error)}", file=sys.stderr)
        return Exit.FAULT
    except KeyboardInterrupt:
        stand = "; reports written so far stand" if writes else ""
        print(f"reelvigil: interrupted{stand}", file=sys.stderr)
        return Exit.INTERRUPTED


def _system_trouble(error: OSError) -> str:
    """What the system refused, and for which file."""
    from watcher.files import shown

    why = error.strerror or str(error)
    return f"{shown(error.filename)}: {why}" if isinstance(error.filename, str | bytes) else why


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


class _Output(io.TextIOWrapper):
    """Standard output that remembers what it could not take, whoever swallows the error."""

    failed: OSError | None = None

    def write(self, text: str, /) -> int:
        try:
            return super().write(text)
        except OSError as error:
            self.failed = self.failed or error
            raise

    def flush(self) -> None:
        try:
            super().flush()
        except OSError as error:
            self.failed = self.failed or error
            raise


def run(*, interruptible: bool = False) -> None:
    """Carry out the call that this process was started for, and end.

    Args:
        interruptible: Ctrl-C is to be told in a sentence, not left to the system.
    """
    if _closed_streams_are_null():
        print(
            "reelvigil: standard output is closed, so what is found has nowhere to go; send it to "
            "/dev/null if it is not wanted. Nothing was done.",
            file=sys.stderr,
        )
        sys.exit(int(Exit.USAGE))
    sys.stdout = output = _remembering(sys.stdout)
    try:
        with contextlib.suppress(OSError):  # of standard output: see below
            try:
                if interruptible:
                    signal.signal(signal.SIGINT, signal.default_int_handler)
                status = int(main())
            except SystemExit as said:  # help or wrong use; or the reader of our output went away
                status = said.code if isinstance(said.code, int) else int(Exit.CLEAR)
            output.flush()
    except KeyboardInterrupt:  # before main could hear it, or after
        status = int(Exit.INTERRUPTED)
    if output.failed is not None:
        # what is still held goes nowhere, or the exit would try again
        os.dup2(os.open(os.devnull, os.O_WRONLY), output.fileno())
        # a reader that went away ended the call; that is no fault, and nobody is there to tell
        gone = isinstance(output.failed, BrokenPipeError)
        status = int(Exit.INTERRUPTED if gone else Exit.FAULT)
        if not gone:
            print(
                f"reelvigil: standard output cannot be written ({output.failed.strerror}): what "
                "was found is not told, or not in full",
                file=sys.stderr,
            )
    if interruptible:  # a further Ctrl-C has nothing left to interrupt
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.exit(status)


def _remembering(stream: TextIO) -> _Output:
    """The same stream, once it is ours alone."""
    assert isinstance(stream, io.TextIOWrapper)
    encoding, errors = stream.encoding, stream.errors
    line_buffering, write_through = stream.line_buffering, stream.write_through
    return _Output(
        stream.detach(),
        encoding=encoding,
        errors=errors,
        line_buffering=line_buffering,
        write_through=write_through,
    )


def _closed_streams_are_null() -> bool:
    """Put the null device where a standard stream was closed, so that no capture is opened there.

    Returns:
        Whether standard output was closed.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest free number: this one
    if sys.stderr is None:
        sys.stderr = open(2, "w", closefd=False)  # noqa: SIM115  # for as long as the process
    closed = sys.stdout is None
    if closed:
        sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
    return closed
