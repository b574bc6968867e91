"""The user's own commands: an argument list, no shell, JSON on their input.

They run beside the daemon, a few at once; one that fails or takes too long is told.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import tempfile
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from watcher.files import shown
from watcher.troubles import Troubles

LIMIT_S: Final = 300.0  # a command that takes longer is ended; common practice
_AT_ONCE: Final = 4  # a night full of redos must not fill the server with mailers
_MOST: Final = 1000  # that wait; the oldest are dropped, and the summary tells of all anyway
_DROPPED: Final = "dropped "  # begins the key of that trouble


class _Hook(NamedTuple):
    """One kind of runs: its key of the configuration, and the program."""

    key: str
    name: str


class Hooks:
    """Commands that run, and those that wait for their turn."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._wait: deque[tuple[_Hook, tuple[str, ...], bytes]] = deque()
        self._run: list[tuple[_Hook, subprocess.Popen[bytes], float]] = []
        self._dropped: set[str] = set()

    def run(self, key: str, command: Sequence[str], data: str) -> None:
        """Run a command soon, its arguments as they stand; nothing where it is empty.

        Args:
            key: of the configuration, under which the command stands.
        """
        if not command:
            return
        self._wait.append((_Hook(key, command[0]), tuple(command), data.encode("ascii")))
        if len(self._wait) > _MOST:
            hook, _, _ = self._wait.popleft()
            self._dropped.add(hook.key)

    def attend(self, troubles: Troubles) -> None:
        """Start what waits, end what takes too long, tell what failed. Called in every round."""
        going = []
        for hook, process, began in self._run:
            code = process.poll()
            if code is None and self._monotonic() - began > LIMIT_S:
                with contextlib.suppress(OSError):
                    os.killpg(process.pid, signal.SIGKILL)
                process.wait()
                self._tell(troubles, hook, f"it took longer than {LIMIT_S:.0f} s and was ended")
            elif code is None:
                going.append((hook, process, began))
            else:
                self._tell(troubles, hook, f"it ended with status {code}" if code else None)
        self._run = going
        while self._wait and len(self._run) < _AT_ONCE:
            self._start(troubles, *self._wait.popleft())
        self._tell_dropped(troubles)

    def _start(
        self, troubles: Troubles, hook: _Hook, command: tuple[str, ...], data: bytes
    ) -> None:
        environment = {k: v for k, v in os.environ.items() if k != "NOTIFY_SOCKET"}
        try:
            with tempfile.TemporaryFile() as given:  # a pipe could fill, and the daemon wait
                given.write(data)
                given.seek(0)
                process = subprocess.Popen(
                    command,
                    stdin=given,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                    env=environment,
                    start_new_session=True,
                )
        except (OSError, ValueError) as error:
            why = error.strerror if isinstance(error, OSError) else str(error)
            self._tell(troubles, hook, f"it cannot be started: {why}")
            return
        self._run.append((hook, process, self._monotonic()))

    def _tell(self, troubles: Troubles, hook: _Hook, why: str | None) -> None:
        key = f"command {hook.key}"
        if why is None:
            troubles.end(key)
        else:
            troubles.begin(key, f"The command {shown(hook.name)} of `{hook.key}` failed: {why}.")

    def _tell_dropped(self, troubles: Troubles) -> None:
        """Over when none waits any more; one that an earlier run of the daemon told is as well."""
        for key in self._dropped:
            troubles.begin(
                f"{_DROPPED}{key}",
                f"More than {_MOST} runs of commands waited: the oldest of `{key}` were dropped. "
                "The summary tells of all captures all the same.",
            )
        self._dropped.clear()
        if not self._wait:
            for key in troubles.open:
                if key.startswith(_DROPPED):
                    troubles.end(key)
