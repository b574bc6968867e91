"""``reelvigil verify`` and ``sums``: a run over folders, kept in the ledger so that it resumes."""

from __future__ import annotations

import base64
import math
import os
import time
import uuid
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from watcher import reverify
from watcher.errors import UsageError
from watcher.exits import Exit
from watcher.files import shown, write_whole
from watcher.ledger import Ledger, now
from watcher.reverify import Options, Result, State
from watcher.sumfiles import written
from watcher.truths import Records, Truth, gather

_BATCH_S = 1.0  # results are put on disk this often


@dataclass(slots=True)
class Run:
    """One verification of one folder.

    Attributes:
        covered, there: bytes looked at and bytes recorded, for the share told at the end.
        resumed: results kept from the interrupted run.
    """

    folder: bytes
    records: Records
    plan: reverify.Plan
    id: str = field(default_factory=lambda: uuid.uuid4().hex)
    resumed: int = 0
    covered: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    status: set[Exit] = field(default_factory=set)

    @property
    def there(self) -> int:
        return self.plan.bytes


def prepare(folder: Path, *, mirror: Path | None, ledger: Ledger | None) -> Run:
    """Everything before the first byte is read.

    Raises:
        UsageError: no such folder, or nothing in it to verify.
    """
    if not folder.is_dir():
        raise UsageError(f"{shown(folder)}: no such folder")
    real = os.fsencode(folder.resolve())
    records = gather(real, os.fsencode(mirror.resolve()) if mirror else None)
    if ledger is not None:
        _from_ledger(ledger, real, records)
    plan = reverify.plan(records, real)
    if not plan.targets and not plan.settled and not records.troubles:
        raise UsageError(
            f"{shown(folder)}: no capture there and nothing recorded; "
            "`reelvigil check` makes the first record"
        )
    return Run(real, records, plan)


def _from_ledger(ledger: Ledger, folder: bytes, records: Records) -> None:
    """The oldest content of each file that no sign-off has superseded."""
    rows = ledger.rows(
        "SELECT path, at, sha256, signed_by FROM contents WHERE path > ? AND path < ?"
        " ORDER BY path, id",
        (folder + b"/", folder + b"0"),
    )
    counts: dict[bytes, tuple[str, str]] = {}
    for path, at, sha256, signed_by in rows:
        if path not in counts or signed_by is not None:
            counts[path] = (at, sha256)
    for path, (at, sha256) in counts.items():
        row = next(
            iter(
                ledger.rows(
                    "SELECT report_path FROM captures WHERE id ="
                    " (SELECT capture FROM files WHERE folder = ? AND name = ?)",
                    os.path.split(path),
                )
            ),
            (None,),
        )
        truth = Truth("ledger", "sha256", bytes.fromhex(sha256), at=at, sidecar=row[0])
        records.add(path, truth)


def choose(run: Run, ledger: Ledger | None, *, resume: bool, percent: float | None) -> None:
    """Narrow a run down to what the options ask for; longest unverified first for a sample."""
    if resume and ledger is not None:
        _resume(run, ledger)
    if percent is not None:
        last = _last_verified(run, ledger)
        ordered = sorted(run.plan.targets, key=lambda path: (last.get(path, ""), path))
        run.plan.targets = ordered[: math.ceil(len(ordered) * percent / 100)]


def _resume(run: Run, ledger: Ledger) -> None:
    rows = list(
        ledger.rows(
            "SELECT id FROM verify_runs WHERE folder = ? AND ended IS NULL"
            " ORDER BY began DESC LIMIT 1",
            (run.folder,),
        )
    )
    if not rows:
        raise UsageError(f"{shown(run.folder)}: no interrupted verification of it to resume")
    run.id = rows[0][0]
    query = "SELECT path FROM verifications WHERE run = ? AND state = 'intact'"
    done = {path for (path,) in ledger.rows(query, (run.id,))}
    before = len(run.plan.targets)
    run.plan.targets = [path for path in run.plan.targets if path not in done]
    run.resumed = before - len(run.plan.targets)
    run.counts[State.INTACT.value] += run.resumed


def _last_verified(run: Run, ledger: Ledger | None) -> dict[bytes, str]:
    """When each file was last found intact, or recorded."""
    last = {
        path: max((truth.at or "" for truth in run.records.truths[path]), default="")
        for path in run.plan.targets
    }
    if ledger is not None:
        rows = ledger.rows(
            "SELECT path, max(at) FROM verifications WHERE state = 'intact'"
            " AND path > ? AND path < ? GROUP BY path",
            (run.folder + b"/", run.folder + b"0"),
        )
        last.update((path, at) for path, at in rows if path in last)
    return last


def carry_out(
    run: Run,
    options: Options,
    ledger: Ledger | None,
    *,
    until: float | None = None,
    monotonic: Callable[[], float] = time.monotonic,
) -> Iterator[Result]:
    """Every result, as it comes; those that needed no reading last.

    Args:
        until: moment of the clock after which no further file is begun.
    """
    if ledger is not None and not options.quick:
        ledger.change(
            "INSERT INTO verify_runs (id, folder, began) VALUES (?, ?, ?)"
            " ON CONFLICT (id) DO NOTHING",
            (run.id, run.folder, now()),
        )
    read_as: dict[bytes, bytes] = {}
    waiting: list[Result] = []
    flushed = monotonic()
    try:
        for result in reverify.verify(run.records, _in_time(run, until, monotonic), options):
            if result.sha256 is not None:
                read_as[result.sha256] = result.found_at or result.path
            waiting.append(result)
            if monotonic() - flushed > _BATCH_S:
                _keep(run, ledger, waiting, options)
                flushed = monotonic()
            yield _counted(run, result)
        if not options.quick:
            reverify.elsewhere(run.plan.settled, read_as, run.records)
        for path, state, text in run.records.troubles:
            run.plan.settled.append(Result(path.rstrip(b"/"), State(state), text=text))
        for result in run.plan.settled:
            waiting.append(result)
            yield _counted(run, result)
    finally:
        _keep(run, ledger, waiting, options)
    if ledger is not None and not options.quick and until is None:
        ledger.change("UPDATE verify_runs SET ended = ? WHERE id = ?", (now(), run.id))


def _in_time(run: Run, until: float | None, monotonic: Callable[[], float]) -> Iterable[bytes]:
    if until is None:
        return run.plan.targets
    return (path for path in run.plan.targets if monotonic() < until)


def _counted(run: Run, result: Result) -> Result:
    run.counts[result.state.value] += 1
    run.covered += result.read
    run.status.add(status_of(result))
    return result


_STATUS = {
    State.INTACT: Exit.CLEAR,
    State.MISSING: Exit.REDO,
    State.ELSEWHERE: Exit.LISTEN,
    State.UNRECORDED: Exit.LISTEN,
    State.UNREAD: Exit.UNREAD,
    State.ALTERED: Exit.REDO,
}


def status_of(result: Result) -> Exit:
    """What one result means for the exit status; metadata alone altered is to be looked at."""
    if result.difference is not None and result.difference.audio_same is True:
        return Exit.LISTEN
    return _STATUS[result.state]


def _keep(run: Run, ledger: Ledger | None, waiting: list[Result], options: Options) -> None:
    """Put results into the ledger; a capture all of whose files are intact is verified."""
    if ledger is None or options.quick or not waiting:
        waiting.clear()
        return
    at = now()
    with ledger.commit():
        for result in waiting:
            ledger.change(
                "INSERT INTO verifications (run, path, at, state, detail) VALUES (?, ?, ?, ?, ?)",
                (run.id, result.path, at, result.state.value, result.text or None),
            )
            if result.state is State.INTACT:
                ledger.change(
                    "UPDATE captures SET verified_at = ? WHERE id ="
                    " (SELECT capture FROM files WHERE folder = ? AND name = ?) AND is_set = 0",
                    (at, *os.path.split(result.path)),
                )
    waiting.clear()


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


def write_sums(run: Run, *, from_bytes: bool, replace: bool) -> tuple[Path, int, list[str]]:
    """A sum file for general tools: (where, how many lines, what is left out and why).

    Raises:
        UsageError: a differing one stands there already, and nobody said to replace it.
    """
    target = Path(os.fsdecode(run.folder)) / "SHA256SUMS"
    lines: list[tuple[bytes, bytes]] = []
    left_out: list[str] = []
    paths = list(run.plan.targets)
    for settled in run.plan.settled:
        if from_bytes and settled.state is State.UNRECORDED:
            paths.append(settled.path)
        else:
            left_out.append(f"{shown(settled.path)}: {settled.state.value}")
    for path in sorted(paths):
        there = run.records.renamed.get(path, path)
        if from_bytes:
            try:
                digests = {reverify.read(there, {"sha256"})[0]["sha256"]}
            except OSError as error:
                left_out.append(f"{shown(there)}: cannot be read: {error.strerror or error}")
                continue
        else:
            truths = run.records.truths[path]
            digests = {truth.digest for truth in truths if truth.algorithm == "sha256"}
        if len(digests) == 1:
            lines.append((digests.pop(), os.path.relpath(there, run.folder)))
        else:
            why = "its records disagree" if digests else "no SHA-256 of it is recorded"
            left_out.append(f"{shown(path)}: {why}")
    data = written(lines)
    if target.exists() and target.read_bytes() != data and not replace:
        raise UsageError(f"{shown(target)}: another one stands there; --replace writes over it")
    write_whole(target, data)
    return target, len(lines), left_out
