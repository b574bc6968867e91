"""What the daemon does beside checking: the summary at its hour, the user's commands, scrubbing."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from checks.model import Verdict
from watcher import morning
from watcher.files import shown, write_whole
from watcher.hooks import Hooks
from watcher.ledger import Ledger
from watcher.logs import Log
from watcher.morning_json import as_json
from watcher.morning_text import text_of
from watcher.report import plain
from watcher.scrub import Scrub

if TYPE_CHECKING:
    from watcher.daemon import Daemon

_AGAIN_S: Final = 60.0


class Beside:
    """Called once in every round of the daemon; does at most one piece of work."""

    def __init__(
        self,
        ledger: Ledger,
        log: Log,
        clock: Callable[[], datetime] = lambda: datetime.now().astimezone(),
    ) -> None:
        self._ledger = ledger
        self._log = log
        self._clock = clock
        self._hooks = Hooks()
        self._made_on: str | None = None
        self._unwritten: tuple[Path, str] | None = None
        self._next = float("-inf")
        self._scrub = Scrub(ledger, log)

    def __call__(self, daemon: Daemon) -> None:
        self._tell_redo(daemon)
        self._summary(daemon)
        self._write(daemon)
        self._hooks.attend(daemon.troubles)
        self._scrub(daemon)

    def close(self) -> None:
        """End what still runs."""
        self._scrub.close()

    def _summary(self, daemon: Daemon) -> None:
        """Once a day, at the first round at or after the hour that is set."""
        now = self._clock()
        hour, minute = map(int, daemon.settings.summary_at.split(":"))
        today = now.date().isoformat()
        if (now.hour, now.minute) < (hour, minute) or self._made_on == today:
            return
        query = "SELECT at FROM summaries WHERE seen = 0 ORDER BY id DESC LIMIT 99"
        made = list(self._ledger.rows(query))
        if any(_local_day(at, now) == today for (at,) in made):  # also where the clock went back
            self._made_on = today
            return
        since = morning.since_when(None, self._ledger, now)
        found = morning.gather(
            self._ledger, since, now=now, verify_days=daemon.settings.verify_every_days
        )
        folder = daemon.settings.reports or self._ledger.path.parent
        self._unwritten = (folder / f"summary-{today}.txt", text_of(found))
        self._ledger.change("INSERT INTO summaries (at, seen) VALUES (?, 0)", (found.until,))
        self._made_on = today
        self._hooks.run("on_summary", daemon.settings.on_summary, json.dumps(as_json(found)))

    def _write(self, daemon: Daemon) -> None:
        """Write the summary that is not written yet; once a minute, where that fails."""
        if self._unwritten is None or time.monotonic() < self._next:
            return
        path, text = self._unwritten
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, text.encode("utf-8", "backslashreplace"))
        except OSError as error:
            self._next = time.monotonic() + _AGAIN_S
            daemon.troubles.begin(
                "summary",
                f"The summary cannot be written to {shown(path)}: {error.strerror or error}. It is "
                "tried again; `reelvigil summary` shows it all the same.",
            )
            return
        self._unwritten = None
        daemon.troubles.end("summary")
        self._log.info("summary_written", path=path)

    def _tell_redo(self, daemon: Daemon) -> None:
        """The user's command for every capture that is not usable as it stands."""
        while daemon.made:
            report = daemon.made.popleft()
            redo = any(finding.verdict is Verdict.REDO for finding in report.findings)
            if redo and report.signoff is None:
                self._hooks.run("on_redo", daemon.settings.on_redo, json.dumps(plain(report)))


def _local_day(at: str, now: datetime) -> str:
    return datetime.fromisoformat(at).astimezone(now.tzinfo).date().isoformat()
