"""Stored captures are read again in idle time, so that a silent change does not stay unseen.

One capture at a time, the longest unread first, within a rate, and never while something is
recorded on its volume or a check waits. What differs goes into the queue: the check says what
changed, and it stays said until a person signs off.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from watcher import reverify
from watcher.ledger import CaptureRow, FileRow, Ledger, State, now
from watcher.logs import Log
from watcher.reverify import Options, Result
from watcher.truths import Found, Records, Truth
from watcher.worker import Pace

if TYPE_CHECKING:
    from watcher.daemon import Daemon

# Read again a little before it is due, so that a busy week makes nothing late; common practice.
_EARLY: Final = 0.9
_RUN: Final = "scrub"


class _StoppedError(Exception):
    """Something with a better claim to the storage came up."""


class Scrub:
    """Called once in every round of the daemon."""

    def __init__(
        self,
        ledger: Ledger,
        log: Log,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._ledger = ledger
        self._log = log
        self._clock = clock
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._row: CaptureRow | None = None
        self._results: list[Result] = []
        self._whole = False

    def __call__(self, daemon: Daemon) -> None:
        if self._thread is not None:
            self._attend(daemon)
        elif self._idle(daemon):
            self._begin(daemon)

    def close(self) -> None:
        """End the reading that is under way."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def _idle(self, daemon: Daemon) -> bool:
        return (
            daemon.settings.verify_every_days is not None
            and not daemon.claims
            and next(self._ledger.in_state(State.QUEUED), None) is None
        )

    def _begin(self, daemon: Daemon) -> None:
        days = daemon.settings.verify_every_days
        assert days is not None
        due = self._clock() - timedelta(days=days * _EARLY)
        row = self._longest_unread(due.isoformat(timespec="milliseconds"))
        if row is None:
            return
        files = self._ledger.files(row.id)
        if not files or daemon.intake.recording_on(files[0].identity.device):
            return
        records = self._records(files, row)
        limit = daemon.settings.verify_limit_mb_s
        self._stop.clear()
        self._row, self._results, self._whole = row, [], False
        self._thread = threading.Thread(
            target=self._read, args=(records, limit), name="scrub", daemon=True
        )
        self._thread.start()

    def _longest_unread(self, due: str) -> CaptureRow | None:
        numbers = self._ledger.rows(
            "SELECT path FROM captures WHERE state = 'done' AND verified_at < ?"
            " ORDER BY verified_at LIMIT 1",
            (due,),
        )
        for (path,) in list(numbers):
            return self._ledger.capture(Path(os.fsdecode(path)))
        return None

    def _records(self, files: list[FileRow], row: CaptureRow) -> Records:
        """The contents that count for each file of a capture."""
        records = Records()
        sidecar = os.fsencode(row.report_path) if row.report_path else None
        for file in files:
            path = os.fsencode(file.path)
            rows = list(
                self._ledger.rows(
                    "SELECT at, sha256, signed_by FROM contents WHERE path = ? ORDER BY id",
                    (path,),
                )
            )
            signed = [i for i, (_, _, by) in enumerate(rows) if by is not None]
            if not rows:
                continue
            at, sha256, _ = rows[signed[-1]] if signed else rows[0]
            records.files[path] = Found(file.identity.size, file.identity.mtime_ns)
            records.add(
                path, Truth("ledger", "sha256", bytes.fromhex(sha256), at=at, sidecar=sidecar)
            )
        return records

    def _read(self, records: Records, limit_mb_s: float | None) -> None:
        """In a thread: the ledger is not touched here."""
        pace = Pace(limit_mb_s * 1e6) if limit_mb_s is not None else None

        def took(count: int) -> None:
            if self._stop.is_set():
                raise _StoppedError
            if pace is not None:
                pace.took(count)

        try:
            for result in reverify.verify(records, sorted(records.truths), Options(pace=took)):
                self._results.append(result)
            self._whole = True
        except _StoppedError:
            pass

    def _attend(self, daemon: Daemon) -> None:
        assert self._thread is not None
        assert self._row is not None
        files = self._ledger.files(self._row.id)
        busy = bool(files) and daemon.intake.recording_on(files[0].identity.device)
        if busy or next(self._ledger.in_state(State.QUEUED), None) is not None:
            self._stop.set()
        if self._thread.is_alive():
            return
        self._thread = None
        row = self._ledger.capture(self._row.path)
        if self._whole and row is not None and row.generation == self._row.generation:
            self._keep(row)

    def _keep(self, row: CaptureRow) -> None:
        at = now()
        with self._ledger.commit():
            for result in self._results:
                self._ledger.change(
                    "INSERT INTO verifications (run, path, at, state, detail)"
                    " VALUES (?, ?, ?, ?, ?)",
                    (_RUN, result.path, at, result.state.value, result.text or None),
                )
            self._ledger.change("UPDATE captures SET verified_at = ? WHERE id = ?", (at, row.id))
            states = {result.state for result in self._results}
            if states != {reverify.State.INTACT}:
                self._ledger.move_to(row.id, State.QUEUED, why="differs from its record")
                self._log.error("capture_differs", path=row.path, states=sorted(states))
