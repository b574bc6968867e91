"""Workers at work: one process a capture, stopped while a recording grows, ended when stuck.

A thread watches over each process. It returns an outcome whatever happens: the report, or why
there is none. The ledger is not touched here.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import selectors
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

from watcher.partner import cores
from watcher.report import Report, ReportError, from_json
from watcher.worker import Task, command, pace_line

_TAIL_BYTES: Final = 4096  # of what a dying worker said
_REPORT_BYTES: Final = 256 << 20
# common practice: a start, then a tenth of what a slow network share delivers
_LIMIT_S: Final = 300.0
_LIMIT_BYTES_S: Final = 5e6
_GONE_S: Final = 10.0  # a killed process that is still there sits in dead input or output


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a worker ended. ``report`` is None where it gave none; ``cause`` says why.

    ``began``: False where none could be started, which says nothing of the capture.
    """

    key: int
    report: Report | None
    cause: str = ""
    stopped_by_us: bool = False
    began: bool = True
    took_s: float = 0.0


@dataclass(slots=True)
class Running:
    """One worker, as status shows it."""

    key: int
    name: str
    volume: int
    bytes: int
    limit_mb_s: float | None
    done: float = 0.0
    paused: bool = False
    cancelled: bool = False
    thread: threading.Thread | None = None
    began: float = field(default_factory=time.monotonic)


class Pool:
    """Some workers at once.

    Args:
        size: how many.
        start: (arguments, environment) of a worker; for tests.
    """

    def __init__(
        self,
        size: int,
        start: Callable[[], tuple[list[str], dict[str, str]]] = command,
        *,
        limit_s: float = _LIMIT_S,
    ) -> None:
        self.size = size
        self._start = start
        self._limit_s = limit_s
        self._ended: queue.SimpleQueue[Ended] = queue.SimpleQueue()
        self._running: dict[int, Running] = {}

    @property
    def running(self) -> list[Running]:
        return list(self._running.values())

    @property
    def free(self) -> int:
        return self.size - len(self._running)

    def submit(self, key: int, task: Task, *, volume: int, count: int) -> None:
        """Start a worker. ``key`` comes back with its outcome; ``count``: bytes to be read.

        The cores are shared out as if all workers were at work: which they are when it matters.
        """
        task = replace(task, cores=cores() // self.size, bytes=count)
        running = Running(key, task.capture.name, volume, count, task.limit_mb_s)
        self._running[key] = running
        running.thread = threading.Thread(
            target=self._run, args=(running, task), name=f"worker {key}", daemon=True
        )
        running.thread.start()

    def ended(self) -> list[Ended]:
        """Outcomes since the last call."""
        outcomes = []
        with contextlib.suppress(queue.Empty):
            while True:
                outcome = self._ended.get_nowait()
                self._running.pop(outcome.key, None)
                outcomes.append(outcome)
        return outcomes

    def pause(self, key: int, *, paused: bool) -> None:
        """Stop a worker, or let it go on."""
        if (running := self._running.get(key)) is not None:
            running.paused = paused

    def limit(self, key: int, mb_s: float | None) -> None:
        """What a worker may read a second from now on; None for no limit."""
        if (running := self._running.get(key)) is not None:
            running.limit_mb_s = mb_s

    def cancel(self, key: int | None = None) -> None:
        """End a worker, or all; their outcomes come as ``stopped_by_us``."""
        for running in self.running:
            if key is None or running.key == key:
                running.cancelled = True

    # -- in the watching thread --------------------------------------------------------------

    def _run(self, running: Running, task: Task) -> None:
        began = time.monotonic()
        try:
            ended = self._watch(running, task)
        except Exception as fault:  # whatever it is, the capture must not be forgotten
            ended = Ended(key=running.key, report=None, cause=f"could not be attended to: {fault}")
        self._ended.put(replace(ended, took_s=time.monotonic() - began))

    def _watch(self, running: Running, task: Task) -> Ended:
        arguments, environment = self._start()
        try:
            process = subprocess.Popen(
                arguments,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=environment,
                cwd="/",
                start_new_session=True,  # a group of its own, to stop and end it whole
            )
        except OSError as error:  # no right, no program, no room for another process
            return Ended(key=running.key, report=None, cause=str(error), began=False)
        said = _Said(running)
        try:
            cause = self._attend(running, task, process, said)
        finally:
            _end(process)
            for stream in (process.stdin, process.stdout, process.stderr):
                if stream is not None:
                    with contextlib.suppress(OSError):
                        stream.close()
        if said.report is not None and not cause:
            return Ended(key=running.key, report=said.report)
        if running.cancelled:
            return Ended(key=running.key, report=None, cause="ended", stopped_by_us=True)
        return Ended(key=running.key, report=None, cause=cause or _cause(process, said))

    def _attend(
        self, running: Running, task: Task, process: subprocess.Popen[bytes], said: _Said
    ) -> str:
        """Feed it, listen to it, pause it; returns why it had to be ended, or nothing."""
        assert process.stdin is not None
        with contextlib.suppress(BrokenPipeError):
            process.stdin.write(pickle.dumps(task))
            process.stdin.flush()
        limit, slowest = task.limit_mb_s, task.limit_mb_s
        worked_s, before, stopped = 0.0, time.monotonic(), False
        with selectors.DefaultSelector() as ears:
            for stream in (process.stdout, process.stderr):
                assert stream is not None
                os.set_blocking(stream.fileno(), False)
                ears.register(stream, selectors.EVENT_READ, stream is process.stdout)
            while ears.get_map():
                if running.cancelled:
                    return "ended by the daemon"
                if running.paused != stopped:
                    stopped = running.paused
                    _signal(process, signal.SIGSTOP if stopped else signal.SIGCONT)
                if running.limit_mb_s != limit:
                    limit = running.limit_mb_s
                    slowest = min((one for one in (limit, slowest) if one), default=None)
                    with contextlib.suppress(BrokenPipeError):
                        process.stdin.write(pace_line(limit))
                        process.stdin.flush()
                for key, _ in ears.select(timeout=0.1):
                    data = os.read(key.fd, 1 << 16)
                    if not data:
                        ears.unregister(key.fileobj)
                    elif not said.hear(data, out=key.data):
                        return "it said more than a report can hold"
                moment = time.monotonic()
                worked_s += 0.0 if stopped else moment - before
                before = moment
                limit_s = self._limit_s + running.bytes / _LIMIT_BYTES_S
                if slowest is not None:
                    limit_s += 2 * running.bytes / (slowest * 1e6)
                if worked_s > limit_s:
                    return f"it took longer than {limit_s:.0f} s and was ended"
        return ""


class _Said:
    """What a worker said so far."""

    def __init__(self, running: Running) -> None:
        self._running = running
        self._line = bytearray()
        self.tail = b""
        self.report: Report | None = None

    def hear(self, data: bytes, *, out: bool) -> bool:
        if not out:
            self.tail = (self.tail + data)[-_TAIL_BYTES:]
            return True
        self._line += data
        while (end := self._line.find(b"\n")) >= 0:
            line, self._line = bytes(self._line[:end]), self._line[end + 1 :]
            if line.startswith(b"done "):
                self._running.done = float(line[5:])
            elif line.startswith(b"report "):
                with contextlib.suppress(ReportError):
                    self.report = from_json(line[7:])
        return len(self._line) <= _REPORT_BYTES


def _signal(process: subprocess.Popen[bytes], number: int) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, number)


def _end(process: subprocess.Popen[bytes]) -> None:
    """See the process gone, by force where it does not go by itself."""
    try:
        process.wait(timeout=1.0)
    except subprocess.TimeoutExpired:
        _signal(process, signal.SIGKILL)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(timeout=_GONE_S)


def _cause(process: subprocess.Popen[bytes], said: _Said) -> str:
    """Why a worker ended without a report, for people."""
    code = process.returncode
    last = said.tail.decode("utf-8", "replace").strip().splitlines()
    words = f" ({last[-1][:300]})" if last else ""
    if code is None:
        return "it is stuck in reading and cannot even be ended; the storage does not answer"
    if b"MemoryError" in said.tail:
        return "it needed more memory than it is allowed (memory_mb)"
    if code < 0:
        names = {
            signal.SIGSEGV: "the decoder crashed",
            signal.SIGABRT: "the decoder gave up",
            signal.SIGBUS: "the decoder crashed",
            signal.SIGKILL: "it was killed, perhaps for want of memory",
        }
        name = names.get(signal.Signals(-code), "it was ended")
        return f"{name} (signal {-code}){words}"
    return f"it ended with status {code} and no report{words}"
