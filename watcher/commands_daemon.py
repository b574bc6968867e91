"""``watch``, ``enrol``, ``status`` and ``unit``."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from pathlib import Path

from watcher import lease, roots, status
from watcher.console import console_on
from watcher.errors import UsageError, WatcherError
from watcher.exits import Exit
from watcher.files import real, shown
from watcher.fits import STATE, has_roots, watchable
from watcher.ledger import Ledger, exists, opened
from watcher.lock import AlreadyRunning, held, hold
from watcher.logs import Log
from watcher.places import ledger_path
from watcher.settings import Settings, find_config, load
from watcher.troubles import Troubles
from watcher.unit import unit_text, written_folders


def _loaded(args: argparse.Namespace) -> tuple[Settings, Path | None]:
    config = find_config(Path(args.config) if args.config else None)
    return load(config), config


def run_watch(args: argparse.Namespace) -> Exit:
    """``watch``"""
    from watcher.beside import Beside
    from watcher.daemon import Daemon

    settings, config = _loaded(args)
    watchable(settings)
    log = Log()
    path = ledger_path(settings)
    _local(path)
    try:
        with hold(path):
            ledger, aside = opened(path)
            if aside is not None:
                _tell_damaged(aside, ledger, log)
            with ledger, contextlib.closing(Beside(ledger, log)) as beside:
                return Daemon(settings, ledger, log, config=config, beside=beside).run()
    except AlreadyRunning as error:
        print(f"reelvigil: {error}", file=sys.stderr)
        return Exit.NOT_RUNNING
    except WatcherError:
        raise
    except Exception as error:
        log.fault(error)
        return Exit.FAULT


def _tell_damaged(aside: Path, ledger: Ledger, log: Log) -> None:
    """In the summary as well: not all of it comes back, and a list that is short misleads."""
    log.error("ledger_damaged", kept=aside, next="it comes back from the reports")
    troubles = Troubles(ledger, log)
    troubles.begin(
        "ledger",
        f"The ledger was damaged and lies at {shown(aside)}. It comes back from the reports, but "
        "captures that were gone by then are no longer told here: `reelvigil verify` tells them.",
    )
    troubles.end("ledger")  # it is over; what it did to this night stays in its summary


def _local(ledger: Path) -> None:
    """Refuse a ledger on another machine's storage: it would break there, and lock nobody out.

    Raises:
        UsageError: it would lie there. SQLite's write-ahead log needs the shared memory of one
            host (sqlite.org/wal.html).
    """
    folder = ledger.parent
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    if lease.is_network(folder.stat().st_dev):
        raise UsageError(
            f"the ledger would lie on network storage ({shown(ledger)}): set `ledger` to a file on "
            "a local disk"
        )


def run_enrol(args: argparse.Namespace) -> Exit:
    """``enrol ROOT``"""
    settings, _ = _loaded(args)
    root = real(args.root)
    marker = roots.enrol(root, roots.instance_name(settings), take_over=args.take_over)
    print(f"{shown(root)}: enrolled for {shown(marker.instance)}")
    if root not in settings.roots:
        print("It is not among the roots of the configuration yet.", file=sys.stderr)
    return Exit.CLEAR


def run_status(args: argparse.Namespace) -> Exit:
    """``status``"""
    settings, _ = _loaded(args)
    path = ledger_path(settings)
    if not exists(path):
        print(json.dumps({"alive": False}) if args.json else "No daemon has run here yet.")
        return Exit.NOT_RUNNING
    with Ledger(path, read_only=True) as ledger:
        told = status.gather(ledger, running=held(path))
    if args.json:
        print(json.dumps(told))
    else:
        status.show(console_on(sys.stdout), told)
    return Exit.CLEAR if told["alive"] else Exit.NOT_RUNNING


def run_unit(args: argparse.Namespace) -> Exit:
    """``unit``"""
    settings, config = _loaded(args)
    has_roots(settings)
    print(unit_text(settings, config, user=args.user), end="")
    for folder in written_folders(settings):
        if folder != STATE and not folder.is_dir():
            print(f"reelvigil: make this folder before the service starts: {shown(folder)}",
                  file=sys.stderr)  # fmt: skip
    return Exit.CLEAR
