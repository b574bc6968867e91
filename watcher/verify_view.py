"""Results of a verification for people and for programs."""

from __future__ import annotations

import base64
import sys
from collections import Counter
from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from watcher.console import console_on, print_indented, size_text
from watcher.files import shown
from watcher.reverify import Result, State
from watcher.truths import Truth, spoken
from watcher.verify import Run

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
_QUICK = (
    "Only existence, size and date were looked at; no byte was read. Intact means no more than "
    "that here."
)
_KINDS = {"sidecar": "reports", "ledger": "the ledger"}


def as_json(result: Result) -> dict[str, Any]:
    """One line of ``--json``."""
    difference = result.difference
    line: dict[str, Any] = {
        "path": shown(result.path),
        "state": result.state.value,
        "source": result.sources[0] if result.sources else None,
        "sources": list(result.sources),
        "text": result.text or None,
        "sha256": result.sha256.hex() if result.sha256 else None,
        "readings": list(result.readings),
        "found_at": shown(result.found_at) if result.found_at else None,
    }
    if result.state is not State.INTACT:
        line["recorded"] = [
            {"source": t.source, "algorithm": t.algorithm, "digest": t.digest.hex(), "at": t.at}
            for t in result.truths
        ]
    try:
        result.path.decode("utf-8")
    except UnicodeDecodeError:
        line["path_b64"] = base64.b64encode(result.path).decode("ascii")
    if difference is not None:
        line |= {
            "changed": {True: "metadata", False: "audio", None: None}[difference.audio_same],
            "grown_bytes": difference.grown,
            "unannounced": difference.unannounced,
            "tracks": list(difference.tracks),
            "mebibytes": difference.count,
            "stretches": [
                {
                    "first_mebibyte": s.first_mebibyte,
                    "last_mebibyte": s.last_mebibyte,
                    "from_s": None if s.from_s is None else round(s.from_s, 3),
                    "to_s": None if s.to_s is None else round(s.to_s, 3),
                    "approximate": s.approximate,
                }
                for s in difference.stretches
            ],
        }
    return line


def counts_as_json(runs: Sequence[Run], *, quick: bool, interrupted: bool) -> dict[str, Any]:
    """The last line of ``--json``."""
    told: dict[str, Any] = {
        "counts": _counts(runs),
        "bytes_read": sum(run.covered for run in runs),
        "bytes_recorded": sum(run.there for run in runs),
        "files_looked_at": sum(run.looked_at for run in runs),
        "files_recorded": sum(run.files for run in runs),
        "files_resumed": sum(run.resumed for run in runs),
    }
    if quick:
        told["quick"] = True
    if interrupted:
        told["interrupted"] = True
    return told


def _counts(runs: Sequence[Run]) -> dict[str, int]:
    return {state.value: sum(run.counts[state.value] for run in runs) for state in State}


def print_results(
    listed: Sequence[Result], runs: Sequence[Run], *, quick: bool, took_s: float
) -> None:
    """Every file that is not simply intact, then what was looked at and what was not."""
    console = console_on(sys.stdout)
    for state in (
        State.UNREAD,
        State.ALTERED,
        State.MISSING,
        State.ELSEWHERE,
        State.UNRECORDED,
        State.INTACT,
    ):
        for result in (r for r in listed if r.state is state):
            line = Text(f"{state.value:10} ", style=_STYLES.get(state, ""))
            console.print(line + Text(shown(result.path)), soft_wrap=True)
            _details(console, result)
    said = ", ".join(f"{count} {state}" for state, count in _counts(runs).items() if count)
    console.print(Text(said or "nothing was looked at", style="bold"))
    against: Counter[str] = Counter()
    for run in runs:
        against.update(run.held_against)
    if against:
        kinds = ", ".join(f"{_KINDS.get(k, k)} ({n})" for k, n in sorted(against.items()))
        print_indented(console, Text(shown(f"Held against: {kinds}.")), 0)
    if quick:
        print_indented(console, Text(_QUICK), 0)
        return
    for sentence in _coverage(runs, took_s):
        print_indented(console, Text(sentence), 0)
    print_indented(console, Text(CAUTION, style="dim"), 0)


def _coverage(runs: Sequence[Run], took_s: float) -> list[str]:
    """What share was read, how fast, and what was read before."""
    read, there = sum(run.covered for run in runs), sum(run.there for run in runs)
    looked_at, files = sum(run.looked_at for run in runs), sum(run.files for run in runs)
    resumed = sum(run.resumed for run in runs)
    before = sum(run.resumed_bytes for run in runs)
    rate = f", {read / took_s / 1e6:.0f} MB/s" if took_s > 0.1 and read else ""
    lines = [
        f"Looked at {looked_at} of {_counted(files)}; read {size_text(read)} of "
        f"{size_text(there)} in {took_s:.1f} s{rate}."
    ]
    if resumed:
        was = "was" if resumed == 1 else "were"
        lines.append(
            f"{_counted(resumed)} ({size_text(before)}) {was} found intact before the run was "
            f"interrupted, and {was} not read again."
        )
    left = files - resumed - looked_at
    if left > 0:
        share = (
            f", {100 * max(there - before - read, 0) / there:.1f} % of the bytes" if there else ""
        )
        lines.append(f"Not looked at: {_counted(left)}{share}.")
    return lines


def _counted(files: int) -> str:
    return f"{files} recorded file{'s' if files != 1 else ''}"


def _details(console: Console, result: Result) -> None:
    if result.text:
        print_indented(console, Text(shown(result.text)), 4)
    if result.found_at:
        print_indented(console, Text(f"there: {shown(result.found_at)}"), 4)
    by_digest: dict[tuple[str, bytes], list[Truth]] = {}
    for truth in result.truths:
        by_digest.setdefault((truth.algorithm, truth.digest), []).append(truth)
    for (algorithm, digest), truths in by_digest.items():
        who = ", ".join(_source(truth, result.truths) for truth in truths)
        print_indented(console, Text(f"recorded {algorithm} {digest.hex()} by {who}"), 4)
    if len(set(result.readings)) == 1:
        print_indented(
            console, Text(f"read twice, both times {result.algorithm} {result.readings[0]}"), 4
        )
    else:
        for number, reading in enumerate(result.readings, 1):
            print_indented(console, Text(f"reading {number}: {result.algorithm} {reading}"), 4)


def _source(truth: Truth, truths: Sequence[Truth]) -> str:
    kind = shown(spoken(truth, truths))
    return f"{kind} of {shown(truth.at)}" if truth.at else kind
