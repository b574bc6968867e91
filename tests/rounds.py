"""The daemon's rounds over a scene, with workers that answer when the test says so."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from watching import QUIET_S, Scene

from checks.model import Verdict
from watcher.daemon import Daemon
from watcher.examine import examine
from watcher.ledger import CaptureRow
from watcher.logs import Log
from watcher.pool import Ended, Running
from watcher.report import Report
from watcher.signoff import sign
from watcher.worker import Task


class HandPool:
    """Workers that the test ends."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.tasks: dict[int, Task] = {}
        self.going: dict[int, Running] = {}
        self.over: list[Ended] = []
        self.cancelled: list[int | None] = []

    @property
    def running(self) -> list[Running]:
        return list(self.going.values())

    @property
    def free(self) -> int:
        return self.size - len(self.going)

    def submit(self, key: int, task: Task, *, volume: int, count: int) -> None:
        self.tasks[key] = task
        self.going[key] = Running(key, task.capture.name, volume, count, task.limit_mb_s)

    def ended(self) -> list[Ended]:
        over, self.over = self.over, []
        for one in over:
            self.going.pop(one.key, None)
        return over

    def pause(self, key: int, *, paused: bool) -> None:
        self.going[key].paused = paused

    def limit(self, key: int, mb_s: float | None) -> None:
        self.going[key].limit_mb_s = mb_s

    def cancel(self, key: int | None = None) -> None:
        self.cancelled.append(key)
        self.over += [
            Ended(key=one, report=None, cause="ended", stopped_by_us=True)
            for one in self.going
            if key in (None, one)
        ]

    def finish(self, *keys: int) -> None:
        """The check of these, as a worker does it."""
        for key in keys or [*self.going]:
            task = self.tasks[key]
            report = examine(task.capture, task.applied, earlier=task.earlier)
            self.over.append(Ended(key=key, report=report))

    def die(self, key: int, cause: str = "the decoder crashed (signal 11)") -> None:
        self.over.append(Ended(key=key, report=None, cause=cause))


class Watch:
    """A scene with the daemon over it."""

    def __init__(self, folder: Path, workers: int = 1, **settings: Any) -> None:
        self.scene = Scene(folder, **{"workers": workers, "scan_every_s": 10.0, **settings})
        self.pool = HandPool(workers)
        self.log = io.StringIO()
        self.daemon = Daemon(
            self.scene.settings,
            self.scene.ledger,
            Log(self.log),
            pool=self.pool,  # type: ignore[arg-type]
            intake=lambda _, settings: self._intake(settings),
            monotonic=lambda: self.scene.seconds,
        )
        self.daemon._begin()
        self.daemon.turn()

    def _intake(self, settings: Any) -> Any:
        self.scene.settings = settings
        self.scene.intake = self.scene.make()
        return self.scene.intake

    def report(self, row: CaptureRow) -> Report:
        """What the ledger has of a capture that was checked."""
        report = self.scene.ledger.report(row.id)
        assert report is not None
        return report

    def sign(self, name: str, verdict: Verdict, *, on_disk_alone: bool = False) -> CaptureRow:
        """A person decides about a capture that has been checked."""
        row = self.scene.row(name)
        assert row.report_path is not None
        sign(
            self.report(row),
            row.report_path,
            self.pool.tasks[row.id].capture,
            None if on_disk_alone else self.scene.ledger,
            by="AB",
            note=None,
            verdict=verdict,
        )
        return row

    def retry_now(self) -> None:
        """As if every wait before another try were over."""
        self.scene.ledger.change("UPDATE captures SET retry_at = '2020-01-01T00:00:00.000+00:00'")

    def after(self, seconds: float) -> None:
        until = self.scene.seconds + seconds
        while self.scene.seconds < until:
            self.scene.seconds += 5
            self.daemon.turn()

    def settle(self) -> None:
        self.after(2 * QUIET_S + 10)

    def checked(self) -> None:
        """Everything that there is, settled and checked."""
        self.settle()
        while self.pool.going:
            self.pool.finish()
            self.daemon.turn()

    def close(self) -> None:
        self.daemon.intake.stop()
        self.scene.ledger.close()
