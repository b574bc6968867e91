"""Stored captures are read again in idle time, so that a silent change does not stay unseen.

One capture at a time, the longest unread first, within a rate. While something is recorded on
its volume, or a check waits or runs, the reading rests where it is and then goes on. What differs
goes into the queue: the check says what changed, and it stays said until a person signs off.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection, Iterator
from datetime import UTC, datetime, timedelta
from itertools import count, islice
from pathlib import Path
from typing import TYPE_CHECKING, Final

from watcher import reverify
from watcher.files import shown
from watcher.ledger import CaptureRow, FileRow, Ledger, State, now
from watcher.logs import Log
from watcher.reverify import Options, Result
from watcher.truths import Found, Records, Truth
from watcher.worker import Pace

if TYPE_CHECKING:
    from watcher.daemon import Daemon

# Read again a little before it is due, so that a busy week makes nothing late; common practice.
_EARLY: Final = 0.9
# A capture that could not be read whole is not tried again before; common practice.
_AGAIN: Final = timedelta(days=1)
_LOOKED_AT: Final = 64  # of the ledger's rows, read at once
_RUN: Final = "scrub"
_END_S: Final = 5.0  # a reading of storage that does not answer ends with the process


class _StoppedError(Exception):
    """The daemon ends, or the storage is gone."""


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
        self._go = threading.Event()
        self._thread: threading.Thread | None = None
        self._row: CaptureRow | None = None
        self._files: list[FileRow] = []
        self._results: list[Result] = []
        self._whole = False
        self._fault: Exception | None = None

    def __call__(self, daemon: Daemon) -> None:
        if self._thread is not None:
            self._attend(daemon)
        elif daemon.settings.verify_every_days is not None and not self._busy(daemon):
            self._begin(daemon, daemon.settings.verify_every_days)

    @property
    def reading(self) -> Path | None:
        """The capture that is being read."""
        return self._row.path if self._thread is not None and self._row is not None else None

    def close(self) -> None:
        """End the reading that is under way."""
        self._stop.set()
        self._go.set()
        if self._thread is not None:
            self._thread.join(_END_S)
            self._thread = None

    def _busy(self, daemon: Daemon) -> bool:
        """Whether a check runs or waits."""
        if daemon.claims:
            return True
        waiting = islice(self._ledger.in_state(State.QUEUED), _LOOKED_AT)
        return any(daemon.intake.present(row.path) for row in list(waiting))

    def _begin(self, daemon: Daemon, days: float) -> None:
        """Begin with the longest unread; a root where nothing may be read holds up no other."""
        moment, held = self._clock(), set[int]()
        due = self._due(moment, days, without=held)
        while (row := next(due, None)) is not None:
            files = self._ledger.files(row.id)
            if files and not self._may_be_read(daemon, files[0]):
                held.add(row.root)
                due = self._due(moment, days, without=held)
                continue
            records = self._records(files, row)
            if records.truths:
                self._start(row, files, records, daemon.settings.verify_limit_mb_s)
                return

    @staticmethod
    def _may_be_read(daemon: Daemon, file: FileRow) -> bool:
        """Lost storage says nothing about what it held, and recordings go first."""
        present = daemon.intake.present(file.path)
        return present and not daemon.intake.recording_on(file.identity.device)

    def _start(
        self, row: CaptureRow, files: list[FileRow], records: Records, limit_mb_s: float | None
    ) -> None:
        self._stop.clear()
        self._go.set()
        self._row, self._files, self._results, self._whole = row, files, [], False
        self._fault = None
        self._thread = threading.Thread(
            target=self._read, args=(records, limit_mb_s), name="scrub", daemon=True
        )
        self._thread.start()

    def _due(self, now: datetime, days: float, *, without: Collection[int]) -> Iterator[CaptureRow]:
        """Captures to be read again, the longest unread first, leaving out some roots."""
        due = (now - timedelta(days=days * _EARLY)).isoformat(timespec="milliseconds")
        tried = (now - _AGAIN).isoformat(timespec="milliseconds")
        marks = ", ".join("?" * len(without))
        for first in count(0, _LOOKED_AT):
            found = list(
                self._ledger.rows(
                    "SELECT path FROM captures WHERE state = 'done'"
                    f" AND coalesce(verified_at, '') < ? AND root NOT IN ({marks})"
                    " ORDER BY verified_at, id LIMIT ? OFFSET ?",
                    (due, *without, _LOOKED_AT, first),
                )
            )
            for (path,) in found:
                row = self._ledger.capture(Path(os.fsdecode(path)))
                if row is not None and not self._tried(row, tried):
                    yield row
            if len(found) < _LOOKED_AT:
                return

    def _tried(self, row: CaptureRow, since: str) -> bool:
        query = "SELECT 1 FROM verifications WHERE path = ? AND run = ? AND at > ?"
        return any(
            next(self._ledger.rows(query, (os.fsencode(file.path), _RUN, since)), None)
            for file in self._ledger.files(row.id)
        )

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
        pace = None
        if limit_mb_s is not None:  # the end of the daemon does not wait for the rate
            pace = Pace(limit_mb_s * 1e6, sleep=self._rest)

        def took(count: int) -> None:
            self._go.wait()
            if self._stop.is_set():
                raise _StoppedError
            if pace is not None:
                pace.took(count)

        targets = sorted(records.truths)
        try:
            # what memory still holds of a file says nothing about the storage
            options = Options(pace=took, past_cache=True)
            for result in reverify.verify(records, targets, options):
                self._results.append(result)
            self._whole = True
        except _StoppedError:
            pass
        except Exception as error:  # lost with this thread, it would come again in every round
            self._fault = error
            text = f"Cannot be read again: {type(error).__name__}: {shown(str(error))}."
            self._results += (
                Result(path, reverify.State.UNREAD, records.truths[path], text)
                for path in targets[len(self._results) :]
            )
            self._whole = True

    def _rest(self, seconds: float) -> None:
        if self._stop.wait(seconds):
            raise _StoppedError

    def _attend(self, daemon: Daemon) -> None:
        assert self._thread is not None
        assert self._row is not None
        present = daemon.intake.present(self._files[0].path)
        if not present:
            self._stop.set()
        if not present or not (
            self._busy(daemon) or daemon.intake.recording_on(self._files[0].identity.device)
        ):
            self._go.set()
        else:
            self._go.clear()
        if self._thread.is_alive():
            return
        self._thread = None
        if self._fault is not None:
            self._log.error("scrub_failed", path=self._row.path)
            self._log.fault(self._fault)
        row = self._ledger.capture(self._row.path)
        if not self._whole or not present or row is None:
            return
        if row.generation == self._row.generation and row.state is State.DONE:
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
            states = {result.state for result in self._results}
            if states == {reverify.State.INTACT}:
                self._ledger.change(
                    "UPDATE captures SET verified_at = ? WHERE id = ?", (at, row.id)
                )
            else:
                unread = states <= {reverify.State.INTACT, reverify.State.UNREAD}
                why = "could not be read again" if unread else "differs from its record"
                self._ledger.move_to(row.id, State.QUEUED, why=why)
                self._log.error(
                    "capture_unread" if unread else "capture_differs",
                    path=row.path,
                    states=", ".join(sorted(s.value for s in states)),
                )
