"""``status``: is the daemon alive, what does it do, how long is its queue."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from typing import Any, Final

from rich.console import Console
from rich.text import Text

from watcher.console import print_indented, print_lines, shown_text
from watcher.files import shown
from watcher.ledger import Ledger, State
from watcher.rows import WHY
from watcher.troubles import in_short, read

_ALIVE_S: Final = 90.0  # three beats
_MOST_REASONS: Final = 5  # of waiting; a glance


def gather(ledger: Ledger, *, running: bool | None) -> dict[str, Any]:
    """Everything, as plain values.

    Args:
        running: whether a daemon holds the ledger's lock; None where that cannot be told: then
            the last sign of life decides. ``heard`` is false where that sign is old, or there is
            none of this run: the daemon cannot write to its ledger, or is at one long round.
    """
    query = "SELECT began, beat, ended, version, doing FROM lives ORDER BY id DESC LIMIT 1"
    began, beat, ended, version, doing = next(iter(ledger.rows(query)), (None,) * 5)
    heard = False
    if began is not None and ended is None:
        age = (datetime.now(UTC) - datetime.fromisoformat(beat)).total_seconds()
        heard = age < _ALIVE_S
    alive = heard if running is None else running
    counts = dict(ledger.rows("SELECT state, count(*) FROM captures GROUP BY state"))
    last = next(
        iter(ledger.rows("SELECT text, began, ended FROM troubles ORDER BY id DESC LIMIT 1")), None
    )
    return {
        "alive": alive,
        "heard": alive and heard,
        "began": began,
        "beat": beat,
        "ended": ended,
        "version": version,
        "checking": json.loads(doing) if alive and heard and doing else [],
        "captures": {state.value: counts.get(state.value, 0) for state in State},
        "waiting": [
            {"state": state, "why": why or WHY[State(state)], "captures": count, "since": since}
            for state, why, count, since in ledger.rows(
                "SELECT state, why, count(*),"
                " min(CASE state WHEN 'waiting' THEN first_seen ELSE changed_at END) FROM captures"
                " WHERE state IN ('waiting', 'queued', 'retry', 'given-up')"
                " GROUP BY state, why ORDER BY count(*) DESC, state, why"
            )
        ],
        "roots": [
            {"root": os.fsdecode(root), "state": state, "detail": detail, "scanned_at": scanned}
            for root, state, detail, scanned in ledger.rows(
                "SELECT path, state, detail, scanned_at FROM roots WHERE state != 'unwatched'"
                " ORDER BY path"
            )
        ],
        "troubles": [{"text": t.text, "began": t.began} for t in read(ledger, open_only=True)],
        "last_trouble": dict(zip(("text", "began", "ended"), last, strict=True)) if last else None,
    }


def show(console: Console, told: dict[str, Any]) -> None:
    """Print it for people."""
    if told["alive"] and not told["heard"]:
        say(
            console,
            "Running, for it holds the lock of its ledger, but "
            + (
                f"it was last heard of at {local(told['beat'])}. "
                if told["beat"] is not None
                else "it has not been heard of yet. "
            )
            + "It may be busy with something long, or unable to write to its ledger: see its log.",
        )
    elif told["alive"]:
        say(console, f"Alive since {local(told['began'])}, version {told['version']}.")
    elif told["began"] is None:
        say(console, "No daemon has run here yet.")
    elif told["ended"] is not None:
        say(console, f"Not running: it was ended on {local(told['ended'])}.")
    else:
        beat = local(told["beat"])
        say(console, f"Not running: last seen on {beat}, and it was not ended in order.")
    for one in told["checking"]:
        share = "" if one["share"] is None else f", {one['share']:.0%}"
        paused = ", stands still while something is recorded" if one["paused"] else ""
        say(console, f"Checking {one['capture']}{share}{paused}")
    counts = ", ".join(f"{count} {state}" for state, count in told["captures"].items() if count)
    say(console, f"Captures: {counts or 'none known'}")
    for one in told["waiting"][:_MOST_REASONS]:
        since = f"since {local(one['since'])}"
        say(console, f"{one['captures']} {one['state']}: {shown_text(one['why'])}, {since}")
    if (more := len(told["waiting"]) - _MOST_REASONS) > 0:
        say(
            console,
            f"and {more} more reason{'s' if more > 1 else ''}; `reelvigil summary` lists them",
        )
    for root in told["roots"]:
        scanned = f"last scan {local(root['scanned_at'])}" if root["scanned_at"] else "no scan yet"
        detail = f" ({shown_text(root['detail'])})" if root["detail"] else ""
        say(console, f"Root {shown(root['root'])}: {root['state']}{detail}, {scanned}")
    for trouble in told["troubles"]:
        print_lines(console, f"Since {local(trouble['began'])}: {trouble['text']}")
    last = told["last_trouble"]
    if last and not told["troubles"]:
        over = local(last["ended"])
        what = shown_text(in_short(last["text"]))
        say(console, f"No trouble now. The last one, over since {over}: {what}")
    if not told["alive"]:
        say(console, "Start it with `reelvigil watch` or its service.")


def say(console: Console, text: str) -> None:
    print_indented(console, Text(text), 0)


def local(at: str) -> str:
    """A time of the ledger as the wall clock here shows it."""
    return datetime.fromisoformat(at).astimezone().strftime("%Y-%m-%d %H:%M")
