"""The daemon as it is really run: a folder of captures, a configuration, and the command."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from watcher.ledger import Ledger, LedgerError

PROJECT = Path(__file__).resolve().parents[1]


class Server:
    """One daemon's configuration, and calls of the command with it.

    Attributes:
        environment: added to that of daemons started from now on.
        before: a command that daemons started from now on are run by.
    """

    def __init__(
        self, folder: Path, *, captures: Path | None = None, instance: str | None = None
    ) -> None:
        folder.mkdir(exist_ok=True)
        self.captures = captures or folder / "captures"
        self.captures.mkdir(exist_ok=True)
        self.config = folder / "reelvigil.yaml"
        self.ledger = folder / "state" / "ledger.sqlite"
        self.ledger.parent.mkdir(exist_ok=True)
        self.environment: dict[str, str] = {}
        self.before: list[str] = []
        self.config.write_text(
            f"roots: [{self.captures}]\nledger: {self.ledger}\nquiet_s: 1\ngive_up_s: 4\n"
            "poll_s: 0.2\nscan_every_s: 2\nworkers: 2\nwhile_recording: run\n"
            + (f"instance: {instance}\n" if instance else "")
        )
        self.daemons: list[subprocess.Popen[str]] = []

    def start(self) -> subprocess.Popen[str]:
        daemon = subprocess.Popen(
            [
                *self.before,
                *(sys.executable, "-m", "watcher", "watch", "--config", str(self.config)),
            ],
            cwd=PROJECT,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", **self.environment},
        )
        self.daemons.append(daemon)
        return daemon

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "watcher", *arguments, "--config", str(self.config)]
        return subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)

    def told(self, *arguments: str) -> Any:
        done = self.run(*arguments, "--json")
        return json.loads(done.stdout)

    def count(self, state: str) -> int:
        """Captures in a state; asked of the ledger itself, for a call of the command takes long."""
        rows = self._asked("SELECT count(*) FROM captures WHERE state = ?", state)
        return int(rows[0][0]) if rows else 0

    def root_states(self) -> list[str]:
        return [str(state) for (state,) in self._asked("SELECT state FROM roots ORDER BY path")]

    def _asked(self, query: str, *values: str) -> list[tuple[Any, ...]]:
        if not self.ledger.exists():
            return []
        try:
            with Ledger(self.ledger, read_only=True) as ledger:
                return list(ledger.rows(query, values))
        except (LedgerError, sqlite3.Error):  # just being made
            return []

    def sidecar(self, name: str) -> Path:
        return self.captures / f"{name}.vigil.json"

    def end(self) -> str:
        """End the newest daemon in order; its log."""
        daemon = self.daemons[-1]
        number = int(self.ledger.with_name(self.ledger.name + ".lock").read_text())
        os.kill(number, signal.SIGTERM)  # of the daemon itself, whoever runs it
        _, log = daemon.communicate(timeout=120)
        return log

    def stop(self) -> None:
        for daemon in self.daemons:
            if daemon.poll() is None:
                with contextlib.suppress(OSError, ValueError):  # it may be run by another command
                    os.kill(int(Path(f"{self.ledger}.lock").read_text()), signal.SIGKILL)
                daemon.kill()
                daemon.communicate()
            assert daemon.stderr is not None
            daemon.stderr.close()


def wait_for(condition: Callable[[], Any], seconds: float = 90.0) -> Any:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if found := condition():
            return found
        time.sleep(0.1)
    raise AssertionError("it did not come to pass in time")


def record(path: Path, seed: int = 0, frames: int = 9600) -> Path:
    noise = np.random.default_rng(seed).normal(0, 0.02, (frames, 2))
    soundfile.write(path, noise, 96_000, subtype="PCM_24", format="WAV")
    return path
