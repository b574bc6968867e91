"""``reelvigil verify``: runs over folders, kept in the ledger so that they resume."""

from __future__ import annotations

import math
import os
import sqlite3
import time
import uuid
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from checks.model import Verdict
from watcher import reverify
from watcher.errors import UsageError
from watcher.exits import Exit
from watcher.files import real, shown
from watcher.ledger import Ledger, now
from watcher.recorded import Seen
from watcher.reverify import DATE_DIFFERS, Options, Result, State
from watcher.roots import MARKER, read_marker
from watcher.truths import Records, Truth, gather, kind_of

_BATCH_S = 1.0  # results are put on disk this often


@dataclass(slots=True)
class Run:
    """One verification of one folder.

    Attributes:
        there, files: bytes and files recorded, before anything was chosen of them.
        resumed, resumed_bytes: found intact in the interrupted run, and not read again.
        covered, looked_at: bytes read and files looked at so far.
        captures: of files that the ledger knows, the capture they are of, and if it is a set.
        held_against: how many records of each kind the files were held against.
        unkept: why results are not in the ledger, which should have them; empty where they are.
    """

    folder: bytes
    records: Records
    plan: reverify.Plan
    there: int
    files: int
    id: str = field(default_factory=lambda: uuid.uuid4().hex)
    resumed: int = 0
    resumed_bytes: int = 0
    covered: int = 0
    looked_at: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    captures: dict[bytes, tuple[int, bool]] = field(default_factory=dict)
    held_against: Counter[str] = field(default_factory=Counter)
    status: set[Exit] = field(default_factory=set)
    unkept: str = ""

    @property
    def to_read(self) -> int:
        """Bytes of the files that are to be read in this run."""
        return reverify.size(self.records, self.plan.targets)


def apart(folders: Sequence[str]) -> tuple[list[Path], list[str]]:
    """Folders as they really are, none within another, and a sentence for each left out."""
    named: dict[Path, str] = {}
    notes = []
    for name in folders:
        folder = Path(name)
        if folder.is_file():
            raise UsageError(f"{shown(folder)}: is a file; name the folder that it lies in")
        if not folder.is_dir():
            raise UsageError(f"{shown(folder)}: no such folder")
        if folder.resolve() in named:
            notes.append(f"{shown(name)}: the same folder as {shown(named[folder.resolve()])}")
        else:
            named[folder.resolve()] = name
    kept = []
    for path, name in named.items():
        outer = next((other for other in path.parents if other in named), None)
        if outer is None:
            kept.append(path)
        else:
            notes.append(f"{shown(name)}: lies within {shown(named[outer])}, and is verified there")
    return kept, notes


def prepare(folder: Path, *, mirror: Path | None, ledger: Ledger | None) -> Run:
    """Everything before the first byte is read.

    Raises:
        UsageError: no such folder, or nothing in it to verify.
    """
    if not folder.is_dir():
        raise UsageError(f"{shown(folder)}: no such folder")
    top = os.fsencode(real(folder))
    records = gather(top, os.fsencode(real(mirror)) if mirror else None)
    if ledger is not None:
        _from_ledger(ledger, top, records)
    plan = reverify.plan(records, top)
    if ledger is not None:
        _without_lost_storage(ledger, plan, records)
    if not plan.targets and not plan.settled and not records.troubles:
        raise UsageError(
            f"{shown(folder)}: no capture there and nothing recorded; "
            "`reelvigil check` makes the first record"
        )
    return Run(top, records, plan, plan.bytes, len(plan.targets))


def _without_lost_storage(ledger: Ledger, plan: reverify.Plan, records: Records) -> None:
    """Nothing is missing on storage that is not there: an unmounted volume is an empty folder."""
    missing = [result for result in plan.settled if result.state is State.MISSING]
    if not missing:
        return
    query = "SELECT path, marker FROM roots WHERE marker IS NOT NULL"
    for root, marker in list(ledger.rows(query)):
        try:
            found = read_marker(Path(os.fsdecode(root)))
        except (OSError, ValueError):
            found = None
        lost = [r for r in missing if r.path.startswith(root.rstrip(b"/") + b"/")]
        if not lost or (found is not None and found.id == marker):
            continue
        gone = {id(result) for result in lost}
        plan.settled = [result for result in plan.settled if id(result) not in gone]
        text = (
            f"{len(lost)} recorded {'file is' if len(lost) == 1 else 'files are'} not there, but "
            f"neither is the storage that was enrolled ({MARKER} is absent or another's): nothing "
            "is said of what it holds. Mount it."
        )
        records.troubles.append((root, "unread", text))


def _from_ledger(ledger: Ledger, folder: bytes, records: Records) -> None:
    """The oldest content of each file that no sign-off has superseded.

    That which a person wants done again is set aside, whoever of ledger and report knows it.
    """
    rows = ledger.rows(
        "SELECT path, at, sha256, signed_by, signed_at FROM contents WHERE path > ? AND path < ?"
        " ORDER BY path, id",
        (folder + b"/", folder + b"0"),
    )
    counts: dict[bytes, tuple[str, str, str | None, str | None]] = {}
    last: dict[bytes, tuple[str, str]] = {}
    for path, at, sha256, signed_by, signed_at in rows:
        last[path] = (at, sha256)
        if path not in counts or signed_by is not None:
            counts[path] = (at, sha256, signed_by, signed_at)
    for path, (at, sha256, signed_by, signed_at) in counts.items():
        query = (
            "SELECT report_path, signed FROM captures WHERE id ="
            " (SELECT capture FROM files WHERE folder = ? AND name = ?)"
        )
        report, decision = next(ledger.rows(query, os.path.split(path)), (None, None))
        digest = bytes.fromhex(sha256)
        if digest in records.superseded.get(path, ()):
            continue
        records.add(path, Truth("ledger", "sha256", digest, at=at, sidecar=report))
        when, latest = last[path]
        if decision == Verdict.REDO and signed_by is not None and latest == sha256:
            who = f"signed {signed_by}, {(signed_at or '')[:10]}"
            records.aside.setdefault(path, {}).setdefault(digest, who)
        elif latest != sha256 and bytes.fromhex(latest) not in records.aside.get(path, ()):
            records.altered.setdefault(path, Seen("ledger", when))


def begin(runs: Sequence[Run], ledger: Ledger, *, resume: bool) -> None:
    """Note runs in the ledger, all with one time: they are of one call.

    Args:
        resume: go on with interrupted runs of the same folders.

    Raises:
        UsageError: no folder has an interrupted run to go on with.
    """
    if resume:
        last = {run.folder: _last_run(run, ledger) for run in runs}
        broken = {row[1] for row in last.values() if row is not None and row[2] is None}
        if not broken:
            names = ", ".join(shown(run.folder) for run in runs)
            raise UsageError(f"{names}: no interrupted verification of it to resume")
        for run in runs:
            row = last[run.folder]
            if row is not None and (row[2] is None or row[1] in broken):
                _go_on(run, row[0], ledger)
    at = now()
    with ledger.commit():
        for run in runs:
            ledger.change(
                "INSERT INTO verify_runs (id, folder, began) VALUES (?, ?, ?)"
                " ON CONFLICT (id) DO UPDATE SET ended = NULL",
                (run.id, run.folder, at),
            )
            run.captures = _captures(ledger, run.folder)


def _captures(ledger: Ledger, folder: bytes) -> dict[bytes, tuple[int, bool]]:
    """The captures that the ledger knows in a folder, by the paths of their files."""
    rows = ledger.rows(
        "SELECT files.folder, files.name, captures.id, captures.is_set FROM files"
        " JOIN captures ON captures.id = files.capture"
        " WHERE files.folder = ? OR (files.folder > ? AND files.folder < ?)",
        (folder, folder + b"/", folder + b"0"),
    )
    return {os.path.join(at, name): (number, bool(is_set)) for at, name, number, is_set in rows}


def _last_run(run: Run, ledger: Ledger) -> tuple[str, str, str | None] | None:
    """(id, began, ended) of the last run over a folder."""
    query = (
        "SELECT id, began, ended FROM verify_runs WHERE folder = ?"
        " ORDER BY began DESC, rowid DESC LIMIT 1"
    )
    return next(((i, began, ended) for i, began, ended in ledger.rows(query, (run.folder,))), None)


def _go_on(run: Run, number: str, ledger: Ledger) -> None:
    run.id = number
    query = "SELECT path FROM verifications WHERE run = ? AND state = 'intact'"
    done = {path for (path,) in ledger.rows(query, (run.id,))}
    left = [path for path in run.plan.targets if path not in done]
    run.resumed = len(run.plan.targets) - len(left)
    run.plan.targets = left
    run.resumed_bytes = run.there - run.to_read
    run.counts[State.INTACT.value] += run.resumed


def sample(run: Run, ledger: Ledger | None, percent: float) -> None:
    """Narrow a run to a share of its files, the longest unverified first; resumed ones count."""
    last = _last_verified(run, ledger)
    ordered = sorted(run.plan.targets, key=lambda path: (last.get(path, ""), path))
    count = math.ceil(run.files * percent / 100) - run.resumed
    run.plan.targets = ordered[: max(count, 0)]


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
        ledger: where the run was begun; None keeps nothing.
        until: moment of the clock after which no further file is begun.
    """
    if until is not None:
        limit = until
        options = replace(options, over=lambda: monotonic() >= limit)
    if options.quick:
        ledger = None
    read_as: dict[bytes, bytes] = {}
    waiting: list[Result] = []
    flushed = monotonic()
    seeking = any(result.state is State.MISSING for result in run.plan.settled)
    ended = False
    try:
        for result in reverify.verify(run.records, run.plan.targets, options):
            if seeking and result.sha256 is not None:
                read_as[result.sha256] = result.found_at or result.path
            if ledger is not None:
                waiting.append(result)
                if monotonic() - flushed > _BATCH_S:
                    _keep(run, ledger, waiting)
                    flushed = monotonic()
            run.looked_at += 1
            yield _counted(run, result)
        whole = not (options.over is not None and options.over())
        all_read = whole and run.looked_at == run.files
        reverify.elsewhere(run.plan.settled, read_as, run.records, options, all_read=all_read)
        for path, state, text in run.records.troubles:
            run.plan.settled.append(Result(path.rstrip(b"/"), State(state), text=text))
        for result in run.plan.settled:
            if ledger is not None:
                waiting.append(result)
            yield _counted(run, result)
        ended = whole
    finally:
        if ledger is not None:
            _keep(run, ledger, waiting, ended=ended)


def _counted(run: Run, result: Result) -> Result:
    run.counts[result.state] += 1
    run.covered += result.read
    run.status.add(_CLEAR if result.state is _INTACT and not result.text else status_of(result))
    for truth in result.truths:
        run.held_against[kind_of(truth)] += 1
    return result


_INTACT, _CLEAR = State.INTACT, Exit.CLEAR  # said a hundred thousand times
_STATUS = {
    State.INTACT: Exit.CLEAR,
    State.MISSING: Exit.REDO,
    State.ELSEWHERE: Exit.LISTEN,
    State.UNRECORDED: Exit.LISTEN,
    State.UNREAD: Exit.UNREAD,
    State.ALTERED: Exit.REDO,
}


def status_of(result: Result) -> Exit:
    """What one result means for the exit status; metadata alone altered is to be looked at.

    So is a date that differs where nothing else was looked at.
    """
    if result.difference is not None and result.difference.audio_same is True:
        return Exit.LISTEN
    if result.state is State.INTACT and result.text.startswith(DATE_DIFFERS):
        return Exit.LISTEN
    return _STATUS[result.state]


def _keep(run: Run, ledger: Ledger, waiting: list[Result], *, ended: bool = False) -> None:
    """Put results into the ledger; a capture all of whose files are intact is verified.

    Where it cannot be written (locked by another process for long, its volume full) they wait for
    the next time: what is found is told all the same.
    """
    at = now()
    intact = [result.path for result in waiting if result.state is State.INTACT]
    known = [run.captures[path] for path in intact if path in run.captures]
    try:
        with ledger.commit():
            ledger.change_many(
                "INSERT INTO verifications (run, path, at, state, detail) VALUES (?, ?, ?, ?, ?)",
                ((run.id, r.path, at, r.state.value, r.text or None) for r in waiting),
            )
            ledger.change_many(
                "UPDATE captures SET verified_at = ? WHERE id = ?",
                ((at, capture) for capture, is_set in known if not is_set),
            )
            for capture in {capture for capture, is_set in known if is_set}:
                _set_verified(ledger, run, capture, at)
            if ended:
                ledger.change("UPDATE verify_runs SET ended = ? WHERE id = ?", (at, run.id))
    except sqlite3.DatabaseError as error:
        run.unkept = str(error)
        return
    run.unkept = ""
    waiting.clear()


def _set_verified(ledger: Ledger, run: Run, capture: int, at: str) -> None:
    """A track set is verified once each of its files was found intact in one run."""
    for file in ledger.files(capture):
        query = "SELECT 1 FROM verifications WHERE path = ? AND run = ? AND state = 'intact'"
        if next(ledger.rows(query, (os.fsencode(file.path), run.id)), None) is None:
            return
    ledger.change("UPDATE captures SET verified_at = ? WHERE id = ?", (at, capture))
