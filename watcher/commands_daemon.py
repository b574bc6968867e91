"""``watch``, ``enrol``, ``status`` and ``unit``."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
from datetime import UTC, datetime
from pathlib import Path

from rich.text import Text

from watcher import roots
from watcher.console import console_on, print_indented
from watcher.errors import UsageError
from watcher.exits import Exit
from watcher.files import shown
from watcher.ledger import Ledger, State, opened
from watcher.lock import AlreadyRunning, hold
from watcher.logs import Log
from watcher.places import ledger_path
from watcher.settings import Settings, find_config, load
from watcher.troubles import read
from watcher.unit import unit_text

_ALIVE_S = 90.0  # three beats


def add_parsers(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command line of all four (contract)."""
    watch = commands.add_parser(
        "watch",
        help="watch the configured roots and check what comes in (the daemon)",
        description="Runs in the foreground until told to stop (SIGTERM); SIGHUP reads a changed "
        "configuration. A service manager runs it: see `reelvigil unit`.",
    )
    watch.add_argument("--config", metavar="F")
    enrol = commands.add_parser(
        "enrol",
        help="give a storage root its marker",
        description="Writes the root's marker, so that an absent or foreign volume is never "
        "taken for deleted captures. Once more: confirms that the root is right as it is.",
    )
    enrol.add_argument("root", metavar="ROOT")
    enrol.add_argument("--config", metavar="F")
    enrol.add_argument(
        "--take-over", action="store_true", help="from another instance that watches it no more"
    )
    status = commands.add_parser(
        "status",
        help="is the daemon alive, what is it doing, how long is the queue",
        description="Exit status 0: alive; 6: not.",
    )
    status.add_argument("--config", metavar="F")
    status.add_argument("--json", action="store_true")
    unit = commands.add_parser(
        "unit",
        help="print a systemd unit, filled in",
        description="Prints a unit for this installation and configuration. Read it, save it as "
        "/etc/systemd/system/reelvigil.service, then: systemctl enable --now reelvigil",
    )
    unit.add_argument("--config", metavar="F")
    unit.add_argument("--user", default="reelvigil", help="account it runs as (default reelvigil)")


def _loaded(args: argparse.Namespace) -> tuple[Settings, Path | None]:
    config = find_config(Path(args.config) if args.config else None)
    return load(config), config


def run_watch(args: argparse.Namespace) -> Exit:
    """``watch``"""
    from watcher.beside import Beside
    from watcher.daemon import Daemon

    settings, config = _loaded(args)
    if not settings.roots:
        raise UsageError(
            "no roots to watch: name them in reelvigil.yaml (roots: [/storage/captures])"
        )
    log = Log()
    path = ledger_path(settings)
    try:
        with hold(path):
            ledger, aside = opened(path)
            if aside is not None:
                log.error("ledger_damaged", kept=aside, next="it comes back from the reports")
            with ledger, contextlib.closing(Beside(ledger, log)) as beside:
                return Daemon(settings, ledger, log, config=config, beside=beside).run()
    except AlreadyRunning as error:
        print(f"reelvigil: {error}", file=sys.stderr)
        return Exit.NOT_RUNNING


def run_enrol(args: argparse.Namespace) -> Exit:
    """``enrol ROOT``"""
    settings, _ = _loaded(args)
    root = Path(args.root).resolve()
    marker = roots.enrol(root, roots.instance_name(settings), take_over=args.take_over)
    print(f"{shown(root)}: enrolled for {shown(marker.instance)}")
    if root not in settings.roots:
        print("It is not among the roots of the configuration yet.", file=sys.stderr)
    return Exit.CLEAR


def run_status(args: argparse.Namespace) -> Exit:
    """``status``"""
    settings, _ = _loaded(args)
    path = ledger_path(settings)
    if not path.exists():
        print(json.dumps({"alive": False}) if args.json else "No daemon has run here yet.")
        return Exit.NOT_RUNNING
    with Ledger(path, read_only=True) as ledger:
        told = _status(ledger)
    if args.json:
        print(json.dumps(told))
    else:
        _print_status(told)
    return Exit.CLEAR if told["alive"] else Exit.NOT_RUNNING


def _status(ledger: Ledger) -> dict[str, object]:
    life = next(
        iter(ledger.rows("SELECT began, beat, ended, version FROM lives ORDER BY id DESC LIMIT 1")),
        None,
    )
    alive = False
    if life is not None and life[2] is None:
        age = (datetime.now(UTC) - datetime.fromisoformat(life[1])).total_seconds()
        alive = age < _ALIVE_S
    counts = dict(ledger.rows("SELECT state, count(*) FROM captures GROUP BY state"))
    return {
        "alive": alive,
        "began": life[0] if life else None,
        "beat": life[1] if life else None,
        "ended": life[2] if life else None,
        "version": life[3] if life else None,
        "checking": [str(row.path) for row in ledger.in_state(State.CHECKING)] if alive else [],
        "captures": {state.value: counts.get(state.value, 0) for state in State},
        "roots": [
            {"root": os.fsdecode(root), "state": state, "detail": detail, "scanned_at": scanned}
            for root, state, detail, scanned in ledger.rows(
                "SELECT path, state, detail, scanned_at FROM roots ORDER BY path"
            )
        ],
        "troubles": [{"text": t.text, "began": t.began} for t in read(ledger, open_only=True)],
    }


def _print_status(told: dict[str, object]) -> None:
    console = console_on(sys.stdout)
    if told["alive"]:
        console.print(Text(f"alive since {told['began']}, version {told['version']}"))
    elif told["began"] is None:
        console.print(Text("No daemon has run here yet."))
    else:
        last = told["ended"] or f"{told['beat']} (it was not ended in order)"
        console.print(Text(f"not running; last seen {last}"))
    counts = told["captures"]
    assert isinstance(counts, dict)
    said = ", ".join(f"{count} {state}" for state, count in counts.items() if count)
    console.print(Text(f"captures: {said or 'none known'}"))
    for key, line in (
        ("checking", "checking {}"),
        ("roots", "root {}"),
        ("troubles", "trouble: {}"),
    ):
        items = told[key]
        assert isinstance(items, list)
        for item in items:
            console.print(Text(shown(line.format(_line(item)))), soft_wrap=True)
    if not told["alive"]:
        print_indented(console, Text("Start it with `reelvigil watch` or its service."), 0)


def _line(item: object) -> str:
    if isinstance(item, dict) and "root" in item:
        scanned = item["scanned_at"] or "not yet"
        detail = f" ({item['detail']})" if item["detail"] else ""
        return f"{item['root']}: {item['state']}{detail}, last scan {scanned}"
    if isinstance(item, dict):
        return f"{item['text']} (since {item['began']})"
    return str(item)


def run_unit(args: argparse.Namespace) -> Exit:
    """``unit``"""
    settings, config = _loaded(args)
    print(unit_text(settings, config, user=args.user), end="")
    return Exit.CLEAR
