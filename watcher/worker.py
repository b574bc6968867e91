"""The process that checks one capture: what it costs to crash is this one capture.

Started by ``watcher.pool``: the job comes pickled on standard input, from our own parent, and after
it lines with the rate to read at from then on; on standard output go lines ``done BYTES`` and at
the end ``report JSON``.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import pickle
import resource
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

from watcher.examine import examine
from watcher.partner import end_with, partner_for
from watcher.report import Report, to_json
from watcher.sheets import Applied
from watcher.tracksets import Capture

_IOPRIO_SET: Final = {"x86_64": 251, "aarch64": 30}  # linux system call numbers, from memory
_IDLE_CLASS: Final = 3 << 13  # linux/ioprio.h


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What a worker is given.

    Attributes:
        parent: process that started it; when that is gone, so is the worker.
        memory_mb: address space it may use.
        limit_mb_s: bytes it may read a second, in millions; None for no limit.
        cores: processor cores that are free for it; ``bytes``: of its files. From the pool.
    """

    capture: Capture
    applied: Applied
    earlier: Report | None
    parent: int
    memory_mb: int
    limit_mb_s: float | None
    cores: int = 1
    bytes: int = 0


_LOOK_S: Final = 0.5  # after so long a sleeper looks whether it has another rate by now


class Pace:
    """Keeps reading below a rate: a bucket that a second's worth of bytes fits in.

    Attributes:
        bytes_per_s: the rate, which may change; None for no limit.
    """

    def __init__(
        self,
        bytes_per_s: float | None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.bytes_per_s = bytes_per_s
        self._clock, self._sleep = clock, sleep
        self._debt, self._at = 0.0, clock()

    def took(self, count: float) -> None:
        """Note bytes read; waits as long as they were too many."""
        while True:
            moment, rate = self._clock(), self.bytes_per_s
            if rate is None:
                self._debt, self._at = 0.0, moment
                return
            self._debt = max(self._debt - (moment - self._at) * rate, -rate) + count
            self._at, count = moment, 0
            if self._debt <= 0:
                return
            self._sleep(min(self._debt / rate, _LOOK_S))


def pace_line(mb_s: float | None) -> bytes:
    """What tells a worker its rate."""
    return b"-\n" if mb_s is None else f"{mb_s:.9g}\n".encode()


def obey(stream: IO[bytes], pace: Pace) -> None:
    """Take the rates that come on a stream, until it ends."""
    for line in iter(stream.readline, b""):
        pace.bytes_per_s = None if line.strip() == b"-" else float(line) * 1e6


def settle_in(task: Task) -> None:
    """Bind this process to its parent, be polite, and take away what it must not do."""
    end_with(task.parent)
    if sys.platform == "linux":
        number = _IOPRIO_SET.get(os.uname().machine)
        if number is not None:
            ctypes.CDLL(None).syscall(number, 1, 0, _IDLE_CLASS)  # refused in some containers
    with contextlib.suppress(OSError):
        os.nice(10)
    signal.pthread_sigmask(signal.SIG_SETMASK, ())
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    memory = task.memory_mb << 20
    for limit, value in (
        (resource.RLIMIT_AS, memory),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_FSIZE, 0),  # no file can be written from here on, captures least of all
    ):
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(limit, (value, resource.getrlimit(limit)[1]))


def main() -> None:
    """Check the capture that standard input names."""
    task: Task = pickle.load(sys.stdin.buffer)
    settle_in(task)
    pace = Pace(task.limit_mb_s * 1e6 if task.limit_mb_s is not None else None)
    done, told = 0.0, time.monotonic()

    def progress(count: float) -> None:
        nonlocal done, told
        done += count
        pace.took(count)
        if time.monotonic() - told > 1.0:
            told = time.monotonic()
            print(f"done {done:.0f}", flush=True)

    with partner_for(task.bytes, cores=task.cores) as partner:  # while there is one thread
        threading.Thread(target=obey, args=(sys.stdin.buffer, pace), daemon=True).start()
        report = examine(
            task.capture,
            task.applied,
            earlier=task.earlier,
            progress=progress,
            give_back=True,
            partner=partner,
        )
    print("report " + to_json(report, indent=None), flush=True)
    os._exit(0)  # the thread that listens to our parent may hold standard input


def command() -> tuple[list[str], dict[str, str]]:
    """(arguments, environment) that start a worker wherever this package lives."""
    home = str(Path(__file__).resolve().parents[1])
    environment = {
        **{k: v for k, v in os.environ.items() if k not in ("NOTIFY_SOCKET", "WATCHDOG_USEC")},
        "PYTHONPATH": home,
        "PYTHONDONTWRITEBYTECODE": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
    }
    return [sys.executable, "-P", "-m", "watcher.worker"], environment


if __name__ == "__main__":
    main()
