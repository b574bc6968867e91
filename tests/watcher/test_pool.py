"""Workers: whatever one does to itself costs its own capture, never the daemon."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
import soundfile

from checks.model import Verdict
from watcher import pool as pool_module
from watcher.pool import Ended, Pool
from watcher.settings import Sheets, load
from watcher.tracksets import Capture
from watcher.worker import Pace, Task, command


@pytest.fixture
def task(tmp_path: Path) -> Task:
    path = tmp_path / "a.wav"
    noise = np.random.default_rng(0).normal(0, 0.02, (20_000, 2))
    soundfile.write(path, noise, 96_000, subtype="PCM_24")
    return Task(
        capture=Capture.of_file(path),
        applied=Sheets(load(None), tmp_path).for_capture(path),
        earlier=None,
        parent=os.getpid(),
        memory_mb=2048,
        limit_mb_s=None,
    )


def outcome(pool: Pool, seconds: float = 30.0) -> Ended:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if ended := pool.ended():
            return ended[0]
        time.sleep(0.01)
    raise AssertionError("no worker ended")


def script(body: str, limit_s: float = 300.0) -> Pool:
    """A pool whose workers run these lines instead of a check."""
    arguments = [sys.executable, "-c", "import os, sys, time\nsys.stdin.read(0)\n" + body]
    return Pool(2, lambda: (arguments, dict(os.environ)), limit_s=limit_s)


def test_a_capture_is_checked_in_a_process_of_its_own(task: Task) -> None:
    pool = Pool(1)
    pool.submit(7, task, volume=1, count=1000)
    assert pool.free == 0
    ended = outcome(pool)
    assert ended.key == 7
    assert ended.report is not None
    assert ended.report.capture.name == "a.wav"
    assert pool.free == 1


@pytest.mark.parametrize(
    ("body", "cause"),
    [
        ("os.kill(os.getpid(), 11)", "the decoder crashed (signal 11)"),
        ("os.abort()", "the decoder gave up (signal 6)"),
        ("os.kill(os.getpid(), 9)", "it was killed, perhaps for want of memory (signal 9)"),
        ("raise MemoryError", "it needed more memory than it is allowed"),
        ("sys.exit('no such thing')", "it ended with status 1 and no report (no such thing)"),
        ("print('report {}')", "it ended with status 0 and no report"),
        ("print('gibberish ' * 1000)", "it ended with status 0 and no report"),
    ],
)
def test_a_crash_has_a_cause(task: Task, body: str, cause: str) -> None:
    pool = script(body)
    pool.submit(1, task, volume=1, count=0)
    ended = outcome(pool)
    assert ended.report is None
    assert ended.cause.startswith(cause)


def test_a_worker_that_hangs_is_ended(task: Task) -> None:
    pool = script("time.sleep(60)", limit_s=0.3)
    pool.submit(1, task, volume=1, count=0)
    assert "took longer than 0 s" in outcome(pool).cause


def test_a_worker_that_cannot_be_started_is_told(task: Task) -> None:
    pool = Pool(1, lambda: (["/nowhere/python"], {}))
    pool.submit(1, task, volume=1, count=0)
    ended = outcome(pool)
    assert not ended.began
    assert "/nowhere/python" in ended.cause


def test_ending_a_worker_is_no_fault_of_its_capture(task: Task) -> None:
    pool = script("time.sleep(60)")
    pool.submit(1, task, volume=1, count=0)
    pool.cancel(1)
    ended = outcome(pool)
    assert ended.stopped_by_us
    assert ended.report is None


def test_paused_time_does_not_count_and_a_paused_worker_stands_still(
    task: Task, tmp_path: Path
) -> None:
    mark = tmp_path / "marks"
    pool = script(
        f"f = open({str(mark)!r}, 'a')\nwhile True:\n f.write('x'); f.flush(); time.sleep(0.01)",
        limit_s=2.0,
    )
    pool.submit(1, task, volume=5, count=0)
    until = time.monotonic() + 10
    while not (mark.exists() and mark.stat().st_size > 3) and time.monotonic() < until:
        time.sleep(0.01)
    pool.pause(1, paused=True)
    time.sleep(0.4)  # the pause reaches the worker within a tenth of a second
    size = mark.stat().st_size
    time.sleep(2.5)
    assert mark.stat().st_size == size
    assert pool.ended() == []
    pool.pause(1, paused=False)
    ended = outcome(pool)
    assert "took longer" in ended.cause
    assert mark.stat().st_size > size


def test_a_worker_does_not_outlive_its_daemon(task: Task, tmp_path: Path) -> None:
    """The parent is killed as the kernel would; its worker goes with it."""
    import pickle
    from dataclasses import replace

    slow = replace(task, limit_mb_s=1e-6)
    spec = tmp_path / "task"
    arguments, environment = command()
    body = (
        "import os, pickle, subprocess, sys, time, dataclasses\n"
        f"task = pickle.load(open({str(spec)!r}, 'rb'))\n"
        f"p = subprocess.Popen({arguments!r}, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL)\n"
        "p.stdin.write(pickle.dumps(dataclasses.replace(task, parent=os.getpid())))\n"
        "p.stdin.close()\nprint(p.pid, flush=True)\ntime.sleep(60)"
    )
    spec.write_bytes(pickle.dumps(slow))
    parent = subprocess.Popen(
        [sys.executable, "-c", body], stdout=subprocess.PIPE, env=environment, text=True
    )
    assert parent.stdout is not None
    worker = int(parent.stdout.readline())
    time.sleep(2.0)
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    parent.stdout.close()
    until = time.monotonic() + 10
    while os.path.exists(f"/proc/{worker}") and time.monotonic() < until:
        state = Path(f"/proc/{worker}/stat").read_text().rsplit(")", 1)[1].split()[0]
        if state == "Z":
            break
        time.sleep(0.05)
    else:
        assert not os.path.exists(f"/proc/{worker}")


def test_pace_keeps_to_its_rate() -> None:
    moment = 0.0
    waited: list[float] = []

    def sleep(seconds: float) -> None:
        nonlocal moment
        waited.append(seconds)
        moment += seconds

    pace = Pace(100.0, lambda: moment, sleep)
    for _ in range(50):
        pace.took(50)
    assert moment == pytest.approx(2500 / 100, rel=0.1)


def test_a_worker_can_write_no_file(task: Task) -> None:
    """RLIMIT_FSIZE is 0 in a worker: not even a fault of ours could change a capture."""
    _, environment = command()
    body = (
        "import os, sys, tempfile\nfrom watcher.worker import settle_in, Task\nimport pickle\n"
        "task = pickle.load(sys.stdin.buffer)\nsettle_in(task)\n"
        "fd = os.open(task.capture.files[0], os.O_WRONLY)\n"
        "try:\n os.pwrite(fd, b'x', 0)\nexcept OSError as error:\n sys.exit(error.strerror)"
    )
    pool = Pool(1, lambda: ([sys.executable, "-c", body], environment))
    before = task.capture.files[0].read_bytes()
    pool.submit(1, task, volume=1, count=0)
    assert "File too large" in outcome(pool).cause
    assert task.capture.files[0].read_bytes() == before


def test_the_report_of_a_worker_is_that_of_a_check(task: Task) -> None:
    from watcher.examine import examine

    pool = Pool(1)
    pool.submit(1, task, volume=1, count=0)
    report = outcome(pool).report
    assert report is not None
    here = examine(task.capture, task.applied)
    assert report.findings == here.findings
    assert report.measures == here.measures
    assert report.verdict in Verdict


def test_a_worker_is_told_another_rate_while_it_reads(task: Task) -> None:
    """It would need a day at the rate it began with, and the time limit would end it first."""
    from dataclasses import replace

    pool = Pool(1)
    pool.submit(1, replace(task, limit_mb_s=1e-6), volume=1, count=120_000)
    time.sleep(2.0)
    assert pool.ended() == []
    pool.limit(1, None)
    assert outcome(pool).report is not None


def test_a_worker_that_not_even_a_kill_ends_is_left_and_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """In the place of a dead mount: a process that never ends."""

    class Stuck:
        pid, returncode = 0, None
        waited: ClassVar[list[float]] = []

        def wait(self, timeout: float) -> None:
            self.waited.append(timeout)
            raise subprocess.TimeoutExpired("worker", timeout)

    sent: list[int] = []
    monkeypatch.setattr(pool_module, "_signal", lambda _, number: sent.append(number))
    stuck: Any = Stuck()
    pool_module._end(stuck)
    assert sent == [signal.SIGKILL]
    assert sum(Stuck.waited) <= 15
    running = pool_module.Running(1, "take.wav", 1, 0, None)
    cause = pool_module._cause(stuck, pool_module._Said(running))
    assert "the storage does not answer" in cause
