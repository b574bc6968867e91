"""The watch: intake, queue, workers, reports, summary, in one loop that owns the ledger.

Order of a check: claimed in the ledger, checked by a worker, recorded in the ledger, report
delivered. Killed anywhere, it repeats at most the check in hand and loses nothing recorded.
"""

from __future__ import annotations

import dataclasses
import os
import sqlite3
import time
from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from checks.model import Verdict
from watcher import __version__, notify
from watcher.decided import latest
from watcher.deliver import Delivery
from watcher.errors import ConfigError, WatcherError
from watcher.examine import not_examined
from watcher.exits import Exit
from watcher.files import shown
from watcher.fits import watchable
from watcher.intake import Intake, TickReport, capture_of
from watcher.ledger import CaptureRow, Ledger, State
from watcher.life import Doing, Life, forget_roots
from watcher.logs import Log
from watcher.pacing import Manner, Pacing
from watcher.places import ledger_path
from watcher.pool import Ended, Pool
from watcher.rebuild import adopt
from watcher.record import signed_still
from watcher.report import Report
from watcher.rows import age_s
from watcher.settings import Applied, Settings, Sheets, load, report_at
from watcher.stands_on import LineupEntry, in_ledger, stand_again, with_stands_on
from watcher.tracksets import Capture
from watcher.troubles import Troubles
from watcher.wake import Wake
from watcher.worker import Task

_TICK_S: Final = 1.0
_BUSY_S: Final = 0.1  # while there is more to take in
_GRACE_S: Final = 15.0  # for workers after SIGTERM: in all the daemon is to be gone within 25 s
LEDGER_AGAIN_S: Final = 30.0  # after it could not be written
_KILL_S: Final = 4.0  # for those that have to be killed
_MADE: Final = 1000  # reports that nobody has asked for yet
_ATTEMPTS: Final = 3
_BACK_OFF_S: Final = (60, 300, 900, 3600)
_LOOKED_AT: Final = 256  # of the queue, read at once
RECORDING: Final = "waits until nothing is recorded on its volume"


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

    Attributes:
        made: reports made lately, for whoever takes them out.

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
        self.seen = TickReport()
        self._config = config
        self._make_intake = intake or (lambda led, given: Intake(led, given))
        self.intake = self._make_intake(ledger, settings)
        self.made: deque[Report] = deque(maxlen=_MADE)
        self._delivery = Delivery(ledger, self.troubles, monotonic)
        self._pacing = Pacing(self.pool, lambda volume: self.intake.recording_on(volume))
        self._monotonic = monotonic
        self._beside = beside
        self._wake = Wake()
        self._life = Life(ledger, monotonic)
        self._outcomes: deque[Ended] = deque()
        self._ledger_failed = False
        self._not_before = float("-inf")
        self._line_ups: dict[tuple[int, str], LineupEntry | None] = {}

    # -- life --------------------------------------------------------------------------------

    def run(self) -> Exit:
        """Watch until told to stop."""
        with self._wake.listening():
            self._begin()
            try:
                notify.tell("READY=1")
                while not self._wake.stops:
                    self._try_turn()
                    self._wake.wait(_BUSY_S if self.seen.more else _TICK_S)
                self._wind_up()
            finally:
                self.intake.stop()
        return Exit.CLEAR

    def _try_turn(self) -> None:
        """A round; where the ledger cannot be written nothing is claimed until it can."""
        if self._monotonic() < self._not_before:
            notify.tell("WATCHDOG=1")
            return
        failed = self._ledger_failed
        try:
            if failed:
                # what was noted in memory only is found out anew
                self._life.write()
                self.troubles.read_again()
                self._watch_anew()
            self.turn()
        except sqlite3.OperationalError as error:
            self._ledger_failed = True
            self._not_before = self._monotonic() + LEDGER_AGAIN_S
            notify.tell("WATCHDOG=1", "STATUS=the ledger cannot be written")
            if not failed:
                self.log.error(
                    "ledger_failed",
                    ledger=self.ledger.path,
                    why=str(error),
                    next="nothing is checked until it can be written; see to its volume and rights",
                )
            return
        if failed:
            self._ledger_failed = False
            self.log.info("ledger_works_again", ledger=self.ledger.path)

    def _begin(self) -> None:
        self.log.info("watch_began", version=__version__, roots=len(self.settings.roots))
        back = self.ledger.requeue_interrupted()
        if back:
            self.log.info("checks_requeued", count=back)
        self._life.begin()
        forget_roots(self.ledger, self.settings)
        self.intake.start()

    def _wind_up(self) -> None:
        """No new claims; workers get a while; what they do not end goes back into the queue."""
        notify.tell("STOPPING=1")
        self.log.info("watch_ends", checks=len(self.claims))
        try:
            until = self._monotonic() + _GRACE_S
            while self.claims and self._monotonic() < until and self._wake.stops < 2:
                self._collect()
                self._wake.wait(0.2)
            self.pool.cancel()
            until = self._monotonic() + _KILL_S
            while self.claims and self._monotonic() < until:
                self._collect()
                time.sleep(0.05)
            self.ledger.requeue_interrupted()
            self._life.end()
        except sqlite3.OperationalError as error:  # the next start finds it as after a kill
            self.log.error("ledger_failed", ledger=self.ledger.path, why=str(error))
        self.log.info("watch_ended")

    # -- one round ---------------------------------------------------------------------------

    def turn(self) -> None:
        """Everything there is to do, each part in a bounded piece."""
        if self._wake.reload:
            self._wake.reload = False
            self.reload()
        self.seen = report = self.intake.tick()
        for number in report.reopened:
            if number in self.claims:
                self.claims[number].stale = True
                self.pool.cancel(number)
        for row in self.ledger.numbered(report.missing):
            self.log.warning("capture_missing", path=row.path)
        self._collect()
        self._pacing.keep(self.settings, lambda key: age_s(self.claims[key].row.changed_at))
        self._due_again()
        self._dispatch()
        self._delivery.retry(self.intake.present)
        if self._beside is not None:
            self._beside(self)
        self._life.beat(self._doing(), waiting=self.seen.waiting)

    def _doing(self) -> list[Doing]:
        return [
            Doing(
                capture=shown(self.claims[one.key].row.path),
                share=min(one.done / one.bytes, 1.0) if one.bytes else None,
                paused=one.paused,
            )
            for one in self.pool.running
            if one.key in self.claims
        ]

    def reload(self) -> None:
        """Take over a changed configuration if it is a good one; keep the old one otherwise."""
        try:
            settings = load(self._config)
            watchable(settings)
            moves = ledger_path(settings) != self.ledger.path
        except WatcherError as error:
            self.troubles.begin(
                "configuration",
                f"The changed configuration has mistakes and is not used:\n{error}",
            )
            return
        self.troubles.end("configuration")
        if moves:
            self.log.warning("ledger_moves", next="another ledger is used from the next start on")
        self.settings = settings
        self.pool.size = settings.workers
        forget_roots(self.ledger, settings)
        self._watch_anew()
        self.log.info("configuration_reloaded")

    def _watch_anew(self) -> None:
        self.intake.stop()
        self.intake = self._make_intake(self.ledger, self.settings)
        self.intake.start()
        self.intake.rescan()

    # -- claiming ----------------------------------------------------------------------------

    def _due_again(self) -> None:
        for row in list(self.ledger.in_state(State.RETRY)):
            wait = -age_s(row.retry_at) if row.retry_at is not None else 0.0
            if not 0 < wait <= _BACK_OFF_S[-1]:  # far ahead: the clock was put back
                self.ledger.move_to(row.id, State.QUEUED)

    def _dispatch(self) -> None:
        """Start checks, the longest waiting first; a root where all must wait holds up no other."""
        if self._wake.stops or self.pool.free <= 0:
            return
        sheets, held = Sheets(self.settings), set[int]()
        rows = self.ledger.queued(_LOOKED_AT, without=held)
        while rows and self.pool.free > 0:
            row = rows.pop(0)
            if row.id in self.claims:
                continue  # the worker of its former state is still being ended
            if not self._claim(row, sheets):
                held.add(row.root)
                rows = self.ledger.queued(_LOOKED_AT, without=held)

    def _claim(self, row: CaptureRow, sheets: Sheets) -> bool:
        """Start the check of a capture; False where nothing on its root may be checked now."""
        files = self.ledger.files(row.id)
        if not files:
            self.ledger.forget(row.id)
            return True
        first = files[0].path
        if not self.intake.present(first):
            return False  # its storage is lost: nothing is to be read, and no report to be written
        key = f"sheet {os.fsdecode(first.parent)}"
        try:
            applied = sheets.for_capture(first)
            self.troubles.end(key)
        except ConfigError as error:
            self.troubles.begin(
                key,
                f"The transfer sheet for {shown(first.parent)} has mistakes; its captures wait:\n"
                f"{error}",
            )
            self._retry(row, "its transfer sheet has mistakes")
            return True
        capture = capture_of(row, files, applied.track_sets)
        path = report_at(self.settings)(capture.report_stem)
        if row.checked_at is None and adopt(self.ledger, row, capture, path):
            self.log.info("capture_known", path=row.path)
            return True
        volume = files[0].identity.device
        manner = self._pacing.of(volume, self.settings, waited_s=age_s(row.changed_at))
        if manner is Manner.NOT:
            self.ledger.note_queue(row.root, RECORDING)
            return False
        self.ledger.forget_queue(row.root, RECORDING)
        earlier = latest(self.ledger, row, path)
        self.ledger.move_to(row.id, State.CHECKING)
        self.claims[row.id] = Claim(row, capture, applied, path, earlier)
        readers = 1 + sum(one.volume == volume for one in self.pool.running)
        self.pool.submit(
            row.id,
            Task(
                capture=capture,
                applied=applied,
                earlier=earlier,
                parent=os.getpid(),
                memory_mb=self.settings.memory_mb,
                limit_mb_s=self._pacing.limit_mb_s(manner, self.settings, readers=readers),
            ),
            volume=volume,
            count=sum(file.identity.size for file in files),
        )
        self.log.info("check_began", path=row.path)
        return True

    # -- results -----------------------------------------------------------------------------

    def _collect(self) -> None:
        self._outcomes += self.pool.ended()
        while self._outcomes:  # kept until the ledger has taken them
            ended = self._outcomes[0]
            claim = self.claims.get(ended.key)
            if claim is not None:
                self._take(claim, ended)
            self._outcomes.popleft()
            self.claims.pop(ended.key, None)

    def _take(self, claim: Claim, ended: Ended) -> None:
        self.troubles.of_starting(None if ended.began else ended.cause)
        row = self.ledger.capture(claim.row.path)
        if row is None or claim.stale or row.generation != claim.row.generation:
            self.log.info("result_dropped", path=claim.row.path, why="changed meanwhile")
            return  # the intake has put it where it belongs
        if ended.stopped_by_us:
            self.ledger.move_to(row.id, State.QUEUED)
            self.ledger.attempts(row.id, row.attempts - 1)  # no fault of the capture's
            return
        if not ended.began:
            self._retry(row, "its check cannot be started", row.attempts - 1)
            return
        report = ended.report
        unread = report is None or report.verdict is Verdict.UNREAD
        if not self.intake.present(claim.capture.files[0]):
            self.ledger.move_to(row.id, State.QUEUED, why="its storage is lost")
            return
        if unread and not all(map(os.path.lexists, claim.capture.files)):
            self.ledger.move_to(row.id, State.WAITING, why="vanished while it was checked")
            self.intake.rescan()
            return
        if report is None:
            report = not_examined(claim.capture, claim.applied, ended.cause, earlier=claim.earlier)
            self.log.error("check_died", path=row.path, why=ended.cause, attempt=row.attempts)
        root = next((r for r in self.settings.roots if row.path.is_relative_to(r)), None)
        line_ups = in_ledger(self.ledger, row.path.parent, top=root, known=self._line_ups)
        earlier = latest(self.ledger, row, claim.report_path)
        report = signed_still(with_stands_on(report, line_ups), earlier)
        self.ledger.record(row.id, report, report_path=claim.report_path, paths=claim.capture.files)
        stored = self.ledger.capture(row.path)
        if stored is not None:
            self._delivery.one(stored, report)
        stand_again(self.ledger, report, root, known=self._line_ups)
        self.made.append(report)
        self.log.info(
            "capture_done",
            path=row.path,
            verdict=report.verdict.value,
            findings=sum(f.verdict.value != "clear" for f in report.findings),
            took_s=round(ended.took_s, 1),
        )
        self._again(row, report, died=ended.report is None)

    def _again(self, row: CaptureRow, report: Report, *, died: bool) -> None:
        """What could not be read is tried again; what ends its worker every time is given up."""
        if died and row.attempts >= _ATTEMPTS:
            self.ledger.move_to(row.id, State.GIVEN_UP)
        elif died or any("storage error" in f.text for f in report.findings):
            self._retry(row, "could not be read", row.attempts)
        elif any(f.kind == "changed-while-read" for f in report.findings):
            self.ledger.move_to(row.id, State.WAITING, why="changed while it was checked")
            self.intake.rescan()

    def _retry(self, row: CaptureRow, why: str, attempts: int = 1) -> None:
        wait = _BACK_OFF_S[min(max(attempts, 1), len(_BACK_OFF_S)) - 1]
        at = (datetime.now(UTC) + timedelta(seconds=wait)).isoformat(timespec="milliseconds")
        self.ledger.move_to(row.id, State.RETRY, why=why, retry_at=at)
        self.ledger.attempts(row.id, attempts)
