"""What the daemon does beside checking: the summary at its hour, the user's commands, scrubbing."""

from __future__ import annotations

import json
import os
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Final

from watcher import morning
from watcher.files import write_whole
from watcher.ledger import Ledger, utc
from watcher.logs import Log
from watcher.morning_text import text_of
from watcher.report import plain
from watcher.scrub import Scrub

if TYPE_CHECKING:
    from watcher.daemon import Daemon

_COMMAND_S: Final = 300.0  # a command of the user's that takes longer is ended


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
        self._commands: list[tuple[subprocess.Popen[bytes], datetime]] = []
        self._redo_told = utc(clock().isoformat())
        self._scrub = Scrub(ledger, log)

    def __call__(self, daemon: Daemon) -> None:
        self._tell_redo(daemon)
        self._summary(daemon)
        self._see_to_commands()
        self._scrub(daemon)

    def close(self) -> None:
        """End what still runs."""
        self._scrub.close()

    def _summary(self, daemon: Daemon) -> None:
        """Once a day, at the first round at or after the hour that is set."""
        now = self._clock()
        hour, minute = map(int, daemon.settings.summary_at.split(":"))
        if (now.hour, now.minute) < (hour, minute):
            return
        today = now.date().isoformat()
        made = list(self._ledger.rows("SELECT at FROM summaries WHERE seen = 0 ORDER BY id DESC"))
        if any(_local_day(at, now) == today for (at,) in made[:1]):
            return
        since = morning.since_when(None, self._ledger, now)
        found = morning.gather(
            self._ledger, since, now=now, verify_days=daemon.settings.verify_every_days
        )
        folder = daemon.settings.reports or self._ledger.path.parent
        path = folder / f"summary-{today}.txt"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_whole(path, text_of(found).encode("utf-8", "backslashreplace"))
            daemon.troubles.end("summary")
        except OSError as error:
            daemon.troubles.begin("summary", f"The summary cannot be written: {error}")
        self._ledger.change("INSERT INTO summaries (at, seen) VALUES (?, 0)", (found.until,))
        self._log.info("summary_written", path=path)
        self._start(daemon.settings.on_summary, json.dumps(morning.as_json(found)))

    def _tell_redo(self, daemon: Daemon) -> None:
        """The user's command for every capture whose tape is to be played again."""
        if not daemon.settings.on_redo:
            return
        since = self._redo_told
        rows = list(
            self._ledger.rows(
                "SELECT id, changed_at FROM captures WHERE verdict = 'redo' AND state = 'done'"
                " AND changed_at > ? ORDER BY changed_at LIMIT 1",
                (since,),
            )
        )
        for number, at in rows:
            self._redo_told = at
            report = self._ledger.report(number)
            if report is not None and report.signoff is None:
                self._start(daemon.settings.on_redo, json.dumps(plain(report)))

    def _start(self, command: Sequence[str], data: str) -> None:
        """Run a command of the user's: its arguments as they stand, no shell, JSON on its input."""
        if not command:
            return
        environment = {k: v for k, v in os.environ.items() if k != "NOTIFY_SOCKET"}
        try:
            with tempfile.TemporaryFile() as given:  # a pipe could fill, and the daemon wait
                given.write(data.encode("ascii"))
                given.seek(0)
                process = subprocess.Popen(
                    list(command),
                    stdin=given,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                    env=environment,
                    start_new_session=True,
                )
        except OSError as error:
            self._log.error("command_failed", command=command[0], why=str(error))
            return
        self._commands.append((process, self._clock()))

    def _see_to_commands(self) -> None:
        going = []
        for process, began in self._commands:
            code = process.poll()
            if code is None and (self._clock() - began).total_seconds() > _COMMAND_S:
                process.kill()
                self._log.error("command_ended", why=f"it took longer than {_COMMAND_S:.0f} s")
            elif code is None:
                going.append((process, began))
            elif code != 0:
                self._log.error("command_failed", status=code)
        self._commands = going


def _local_day(at: str, now: datetime) -> str:
    return datetime.fromisoformat(at).astimezone(now.tzinfo).date().isoformat()
