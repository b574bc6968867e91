"""The watch: intake, queue, workers, reports, summary, in one loop that owns the ledger.

Order of a check: claimed in the ledger, checked by a worker, recorded in the ledger, report
delivered. Killed anywhere, it repeats at most the check in hand and loses nothing recorded.
"""

from __future__ import annotations

import dataclasses
import os
import signal
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any, Final

from checks.model import Verdict
from watcher import __version__, notify, sidecar
from watcher.deliver import Delivery
from watcher.errors import ConfigError, WatcherError
from watcher.examine import not_examined
from watcher.exits import Exit
from watcher.files import shown
from watcher.intake import Intake, capture_of
from watcher.ledger import CaptureRow, Ledger, State, now
from watcher.logs import Log
from watcher.pool import Ended, Pool
from watcher.rebuild import adopt
from watcher.report import Report, ReportError, sidecar_path
from watcher.settings import Applied, Settings, Sheets, WhileRecording, load
from watcher.stands_on import LineupEntry, in_ledger, with_stands_on
from watcher.tracksets import Capture
from watcher.troubles import Troubles
from watcher.worker import Task

_TICK_S: Final = 1.0
_BEAT_S: Final = 30.0
_GRACE_S: Final = 20.0  # for workers after SIGTERM; the manager's own limit is 25 s and more
_ATTEMPTS: Final = 3
_BACK_OFF_S: Final = (60, 300, 900, 3600)
# After so long a pause a check goes on slowly: a recorder that never rests must not starve it.
_STARVED_S: Final = 20 * 3600.0
_SLOW_MB_S: Final = 10.0
_LOOKED_AT: Final = 256  # of the queue in one round; enough that one busy volume holds up no other


@dataclasses.dataclass(slots=True)
class Claim:
    """A capture that a worker is busy with."""

    row: CaptureRow
    capture: Capture
    applied: Applied
    report_path: Path
    earlier: Report | None
    stale: bool = False


class Daemon:
    """One run of the watch.

    Args:
        settings: loaded configuration; ``config`` is read again on SIGHUP.
        ledger: open for writing, its lock held.
        beside: called in every round, for work that only some configurations want
            (morning summary, hooks, scrubbing).
    """

    def __init__(
        self,
        settings: Settings,
        ledger: Ledger,
        log: Log,
        *,
        config: Path | None = None,
        pool: Pool | None = None,
        intake: Callable[[Ledger, Settings], Intake] | None = None,
        monotonic: Callable[[], float] = time.monotonic,
        beside: Callable[[Daemon], None] | None = None,
    ) -> None:
        self.settings = settings
        self.ledger = ledger
        self.log = log
        self.troubles = Troubles(ledger, log)
        self.pool = pool or Pool(settings.workers)
        self.claims: dict[int, Claim] = {}
        self.waiting = 0
        self._config = config
        self._make_intake = intake or (lambda led, given: Intake(led, given))
        self.intake = self._make_intake(ledger, settings)
        self._delivery = Delivery(ledger, self.troubles, monotonic)
        self._monotonic = monotonic
        self._beside = beside
        self._wake = threading.Event()
        self._stopping = 0
        self._reload = False
        self._beat = float("-inf")
        self._paused_since: dict[int, float] = {}
        self._line_ups: dict[tuple[int, str], LineupEntry | None] = {}

    # -- life --------------------------------------------------------------------------------

    def run(self) -> Exit:
        """Watch until told to stop."""
        handlers = {
            signal.SIGTERM: self._on_stop,
            signal.SIGINT: self._on_stop,
            signal.SIGHUP: self._on_reload,
        }
        former = {number: signal.signal(number, handler) for number, handler in handlers.items()}
        life = self._begin()
        try:
            notify.tell("READY=1")
            while not self._stopping:
                self.turn()
                self._wake.wait(_TICK_S)
                self._wake.clear()
            self._wind_up()
        finally:
            self.ledger.change("UPDATE lives SET beat = ?, ended = ? WHERE id = ?", self._end(life))
            self.intake.stop()
            for number, handler in former.items():
                signal.signal(number, handler)
        return Exit.CLEAR

    def _begin(self) -> int:
        self.log.info("watch_began", version=__version__, roots=len(self.settings.roots))
        back = self.ledger.requeue_interrupted()
        if back:
            self.log.info("checks_requeued", count=back)
        at = now()
        self.ledger.change(
            "INSERT INTO lives (began, beat, version) VALUES (?, ?, ?)", (at, at, __version__)
        )
        (life,) = next(iter(self.ledger.rows("SELECT max(id) FROM lives")))
        self._life = int(life)
        self.intake.start()
        return self._life

    def _end(self, life: int) -> tuple[str, str, int]:
        self.log.info("watch_ended")
        at = now()
        return at, at, life

    def _on_stop(self, *_: Any) -> None:
        self._stopping += 1
        self._wake.set()

    def _on_reload(self, *_: Any) -> None:
        self._reload = True
        self._wake.set()

    def _wind_up(self) -> None:
        """No new claims; workers get a while; what they do not end goes back into the queue."""
        notify.tell("STOPPING=1")
        until = self._monotonic() + _GRACE_S
        while self.claims and self._monotonic() < until and self._stopping < 2:
            self._collect()
            self._wake.wait(0.2)
            self._wake.clear()
        self.pool.cancel()
        until = self._monotonic() + 4.0
        while self.claims and self._monotonic() < until:
            self._collect()
            time.sleep(0.05)
        self.ledger.requeue_interrupted()

    # -- one round ---------------------------------------------------------------------------

    def turn(self) -> None:
        """Everything there is to do, each part in a bounded piece."""
        if self._reload:
            self._reload = False
            self.reload()
        report = self.intake.tick()
        self.waiting = report.waiting
        for number in report.reopened:
            if number in self.claims:
                self.claims[number].stale = True
                self.pool.cancel(number)
        for number in report.missing:
            self.log.warning("capture_missing", id=number)
        self._collect()
        self._pace()
        self._due_again()
        self._dispatch()
        self._delivery.retry()
        if self._beside is not None:
            self._beside(self)
        if self._monotonic() - self._beat >= min(_BEAT_S, notify.watchdog_s() or _BEAT_S):
            self._beat = self._monotonic()
            self.ledger.change("UPDATE lives SET beat = ? WHERE id = ?", (now(), self._life))
            notify.tell("WATCHDOG=1", f"STATUS={len(self.claims)} checked, {self.waiting} waiting")

    def reload(self) -> None:
        """Take over a changed configuration if it is a good one; keep the old one otherwise."""
        try:
            settings = load(self._config)
        except WatcherError as error:
            self.troubles.begin(
                "configuration",
                f"The changed configuration has mistakes and is not used: {shown(str(error))}",
            )
            return
        self.troubles.end("configuration")
        self.settings = settings
        self.pool.size = settings.workers
        self.intake.stop()
        self.intake = self._make_intake(self.ledger, settings)
        self.intake.start()
        self.intake.rescan("configuration reloaded")
        self.log.info("configuration_reloaded")

    # -- claiming ----------------------------------------------------------------------------

    def _due_again(self) -> None:
        for row in list(self.ledger.in_state(State.RETRY)):
            if row.retry_at is not None and row.retry_at <= now():
                self.ledger.move_to(row.id, State.QUEUED)

    def _dispatch(self) -> None:
        if self._stopping or self.pool.free <= 0:
            return
        sheets = Sheets(self.settings)
        for row in list(islice(self.ledger.in_state(State.QUEUED), _LOOKED_AT)):
            if self.pool.free <= 0:
                return
            self._claim(row, sheets)

    def _claim(self, row: CaptureRow, sheets: Sheets) -> None:
        files = self.ledger.files(row.id)
        if not files:
            self.ledger.forget(row.id)
            return
        first = files[0].path
        key = f"sheet {os.fsdecode(first.parent)}"
        try:
            applied = sheets.for_capture(first)
            self.troubles.end(key)
        except ConfigError as error:
            self.troubles.begin(
                key,
                f"The transfer sheet for {shown(first.parent)} has mistakes; its captures wait: "
                f"{shown(str(error))}",
            )
            self._retry(row, "its transfer sheet has mistakes")
            return
        if not self.intake.present(first):
            return  # its storage is lost: nothing is to be read, and no report to be written
        capture = capture_of(row, files, applied.track_sets)
        root = next((r for r in self.settings.roots if first.is_relative_to(r)), None)
        path = sidecar_path(capture.report_stem, self.settings.reports, root)
        if row.checked_at is None and adopt(self.ledger, row, capture, path):
            self.log.info("capture_known", path=row.path)
            return
        volume = files[0].identity.device
        if self._must_wait(volume):
            return
        earlier = self._earlier(row, path)
        self.ledger.move_to(row.id, State.CHECKING)
        self.claims[row.id] = Claim(row, capture, applied, path, earlier)
        limit = self.settings.read_limit_mb_s
        if volume in self._paused_since or (
            self.settings.while_recording is WhileRecording.SLOW
            and self.intake.recording_on(volume)
        ):
            limit = min(limit or _SLOW_MB_S, _SLOW_MB_S)
        self.pool.submit(
            row.id,
            Task(
                capture=capture,
                applied=applied,
                earlier=earlier,
                parent=os.getpid(),
                memory_mb=self.settings.memory_mb,
                limit_mb_s=limit,
            ),
            volume=volume,
            count=sum(file.identity.size for file in files),
        )
        self.log.info("check_began", path=row.path)

    def _earlier(self, row: CaptureRow, path: Path) -> Report | None:
        """The report on disk, which a person may have signed since; else the ledger's."""
        try:
            found = sidecar.load(path)
        except (ReportError, OSError):
            found = None
        return found or self.ledger.report(row.id)

    # -- recordings go first -----------------------------------------------------------------

    def _must_wait(self, volume: int) -> bool:
        """Whether a check on a volume must wait for a recording on it."""
        if self.settings.while_recording is not WhileRecording.WAIT:
            return False
        if not self.intake.recording_on(volume):
            self._paused_since.pop(volume, None)
            return False
        since = self._paused_since.setdefault(volume, self._monotonic())
        return self._monotonic() - since < _STARVED_S

    def _pace(self) -> None:
        for volume in {running.volume for running in self.pool.running}:
            self.pool.pause(volume, paused=self._must_wait(volume))

    # -- results -----------------------------------------------------------------------------

    def _collect(self) -> None:
        for ended in self.pool.ended():
            claim = self.claims.pop(ended.key, None)
            if claim is not None:
                self._take(claim, ended)

    def _take(self, claim: Claim, ended: Ended) -> None:
        row = self.ledger.capture(claim.row.path)
        if row is None or claim.stale or row.generation != claim.row.generation:
            self.log.info("result_dropped", path=claim.row.path, why="changed meanwhile")
            return  # the intake has put it where it belongs
        if ended.stopped_by_us:
            self.ledger.move_to(row.id, State.QUEUED)
            return
        report = ended.report
        unread = report is None or report.verdict is Verdict.UNREAD
        if unread and not self.intake.present(claim.capture.files[0]):
            self.ledger.move_to(row.id, State.QUEUED, why="its storage is lost")
            return
        if report is None:
            report = not_examined(claim.capture, claim.applied, ended.cause, earlier=claim.earlier)
            self.log.error("check_died", path=row.path, why=ended.cause, attempt=row.attempts)
        root = next((r for r in self.settings.roots if row.path.is_relative_to(r)), None)
        line_ups = in_ledger(self.ledger, row.path.parent, top=root, known=self._line_ups)
        report = with_stands_on(report, line_ups)
        attempts = row.attempts
        self.ledger.record(row.id, report, report_path=claim.report_path, paths=claim.capture.files)
        stored = self.ledger.capture(row.path)
        if stored is not None:
            self._delivery.one(stored, report)
        self.log.info(
            "capture_done",
            path=row.path,
            verdict=report.verdict.value,
            findings=sum(f.verdict.value != "clear" for f in report.findings),
            took_s=round(ended.took_s, 1),
        )
        self._again(row, report, attempts, died=ended.report is None)

    def _again(self, row: CaptureRow, report: Report, attempts: int, *, died: bool) -> None:
        """What could not be read is tried again; what ends its worker every time is given up."""
        kinds = {f.kind for f in report.findings if f.verdict.value == "unread"}
        if died and attempts >= _ATTEMPTS:
            self.ledger.move_to(row.id, State.GIVEN_UP)
        elif died or any("storage error" in f.text for f in report.findings):
            self._retry(row, "could not be read", attempts)
        elif "changed-while-read" in kinds:
            self.ledger.move_to(row.id, State.WAITING, why="changed while it was checked")
            self.intake.rescan("a capture changed while it was checked")

    def _retry(self, row: CaptureRow, why: str, attempts: int = 1) -> None:
        wait = _BACK_OFF_S[min(max(attempts, 1), len(_BACK_OFF_S)) - 1]
        at = (datetime.now(UTC) + timedelta(seconds=wait)).isoformat(timespec="milliseconds")
        self.ledger.move_to(row.id, State.RETRY, why=why, retry_at=at)
        self.ledger.change("UPDATE captures SET attempts = ? WHERE id = ?", (attempts, row.id))
