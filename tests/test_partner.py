"""A second process for a part of the checks: the same report, and no way to hang or to hide."""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from synth import programme

from checks.block import BLOCK_FRAMES, Block
from checks.model import CaptureFormat, Outcome, Verdict
from checks.registry import CHECKS, Check, Context
from watcher.check import partner_of
from watcher.examine import examine
from watcher.lane import Lane
from watcher.partner import LEAST_BYTES, MOST_BYTES, Partner, partner_for
from watcher.pool import Pool
from watcher.report import to_json
from watcher.settings import Sheets, load
from watcher.tracksets import Capture
from watcher.worker import Task, command

RATE_HZ = 96_000

# tests that run several at a time have a thread of the runner's beside them, from Python 3.12 on
# a reason to warn; the commands have none
pytestmark = pytest.mark.filterwarnings("ignore:This process .* is multi-threaded")


@pytest.fixture
def partner() -> Iterator[Partner]:
    with contextlib.closing(Partner()) as one:
        yield one


def _damaged(seed: int = 5) -> Any:
    """Faults of several checks, on both sides of block borders."""
    x = programme("drums", rate_hz=RATE_HZ, tracks=3, seconds=5.0, seed=seed).copy()
    x[1, 12 * BLOCK_FRAMES - 20 : 12 * BLOCK_FRAMES + 20] = 0
    x[0, 300_000] ^= np.int32(1 << 30)
    x[2, 150_000:150_012] = 2**31 - 256
    x = np.delete(x, slice(400_000, 400_900), axis=1)
    x[:, 440_000:440_256] = x[:, 430_000:430_256]
    return x


def _files(folder: Path) -> list[Capture]:
    """Every way that samples come: unpacked, decoded, in sets, hardly any and none at all."""
    x = _damaged()
    floats = x.T / 2.0**31
    floats[2_000, 1] = np.nan
    odd = floats[: 5 * BLOCK_FRAMES]
    for name, data, rate, subtype in (
        ("pcm.wav", x.T, RATE_HZ, "PCM_24"),
        ("float.wav", floats.astype(np.float32), RATE_HZ, "FLOAT"),
        ("whole_blocks.wav", odd, RATE_HZ, "DOUBLE"),
        ("coded.flac", x.T, RATE_HZ, "PCM_24"),
        ("big.aiff", x.T, 44_100, "PCM_16"),
        ("take 01.wav", x.T[:, 0], RATE_HZ, "PCM_24"),
        ("take 02.wav", x.T[:300_000, 1], RATE_HZ, "PCM_24"),
        ("one_frame.wav", x.T[:1], RATE_HZ, "PCM_24"),
        ("empty.wav", x.T[:0], RATE_HZ, "PCM_24"),
        ("still.wav", np.zeros((60_000, 2), np.int32), RATE_HZ, "PCM_16"),
    ):
        soundfile.write(folder / name, data, rate, subtype=subtype)
    (folder / "cut.wav").write_bytes((folder / "pcm.wav").read_bytes()[:-100_001])
    (folder / "cut.flac").write_bytes((folder / "coded.flac").read_bytes()[:-200_001])
    alone = [Capture.of_file(path) for path in sorted(folder.iterdir()) if "take" not in path.name]
    takes = tuple(sorted(folder.glob("take*")))
    return [*alone, Capture(name="take", folder=folder, files=takes, numbers=(1, 2))]


def _report(capture: Capture, partner: Partner | None) -> tuple[str, set[str]]:
    """A report as it is written, without when and how long; and the kinds in it."""
    applied = Sheets(load(None), capture.folder).for_capture(capture.files[0])
    report = examine(capture, applied, partner=partner)
    written = json.loads(to_json(report))
    del written["made"]
    return json.dumps(written), {finding.kind for finding in report.findings}


def test_every_report_is_the_same_to_the_byte(tmp_path: Path, partner: Partner) -> None:
    seen: set[str] = set()
    for capture in _files(tmp_path):
        alone, kinds = _report(capture, None)
        assert _report(capture, partner)[0] == alone, capture.name
        seen |= kinds
    assert seen >= {"zero-run", "step", "repeated-block", "truncated", "unreadable"}
    assert seen >= {"headroom", "not-finite", "silent", "set-length", "empty", "digital-silence"}
    assert "not-run" not in seen


def _fmt(x: Any) -> CaptureFormat:
    return CaptureFormat(rate_hz=RATE_HZ, channels=len(x), word_length=24, frames=x.shape[1])


def _fill(lane: Lane, x: Any, start: int) -> None:
    part = x[:, start : start + BLOCK_FRAMES]
    lane.buffer()[:, : part.shape[1]] = part
    lane.feed(part.shape[1])


def _through(x: Any, partner: Partner | None, checks: Any = CHECKS) -> dict[str, Outcome]:
    with Lane(Context(fmt=_fmt(x)), x.dtype, checks, partner) as lane:
        for start in range(0, x.shape[1], BLOCK_FRAMES):
            _fill(lane, x, start)
        return lane.finish()


@pytest.mark.parametrize("concluded", [False, True])
def test_a_capture_that_was_given_up_leaves_nothing_to_the_next(
    partner: Partner, concluded: bool
) -> None:
    x = _damaged()
    with Lane(Context(fmt=_fmt(x)), x.dtype, CHECKS, partner) as lane:
        for start in range(0, 12 * BLOCK_FRAMES, BLOCK_FRAMES):
            _fill(lane, x[::-1], start)
        if concluded:
            partner.conclude()
    assert _through(x, partner) == _through(x, None)


def test_a_partner_that_is_killed_costs_its_checks_and_hides_nothing(partner: Partner) -> None:
    x = _damaged()
    alone = _through(x, None)
    with Lane(Context(fmt=_fmt(x)), x.dtype, CHECKS, partner) as lane:
        for start in range(0, x.shape[1], BLOCK_FRAMES):
            if start == 10 * BLOCK_FRAMES:
                os.kill(partner.pid, signal.SIGKILL)
            _fill(lane, x, start)
        found = lane.finish()
    (finding,) = found.pop("dropouts").findings
    assert finding.kind == "not-run"
    assert finding.verdict is Verdict.UNREAD
    assert "ended by signal 9, perhaps for want of memory" in finding.text
    assert list(found) == [name for name in alone if name != "dropouts"]
    assert all(found[name] == alone[name] for name in found)
    assert _through(x, partner) == alone  # the next capture is checked without it


def test_a_partner_killed_before_its_answer_is_told(partner: Partner) -> None:
    x = _damaged()[:, : 3 * BLOCK_FRAMES]
    with Lane(Context(fmt=_fmt(x)), x.dtype, CHECKS, partner) as lane:
        for start in range(0, x.shape[1], BLOCK_FRAMES):
            _fill(lane, x, start)
        os.kill(partner.pid, signal.SIGSTOP)  # it has not answered yet, and does not any more
        threading.Timer(0.2, os.kill, (partner.pid, signal.SIGKILL)).start()
        assert [f.kind for f in lane.finish()["dropouts"].findings] == ["not-run"]


class _Fails:
    """A check with a fault of its own, at its fifth block."""

    def __init__(self, fault: type[BaseException]) -> None:
        self._fault, self._left = fault, 4

    def feed(self, block: Block) -> None:
        self._left -= 1
        if self._left < 0:
            raise self._fault("on purpose")

    def finish(self) -> Outcome:
        return Outcome()


@pytest.mark.parametrize(
    ("fault", "told"),
    [(MemoryError, "MemoryError"), (ValueError, "ValueError"), (SystemExit, "with status 1")],
)
def test_a_check_that_fails_in_the_partner_is_not_run(
    fault: type[BaseException], told: str
) -> None:
    x = _damaged()
    broken = Check("dropouts", lambda context: _Fails(fault))
    checks = [broken if check.name == "dropouts" else check for check in CHECKS]
    with contextlib.closing(Partner(checks)) as partner:
        found = _through(x, partner, checks)
    (finding,) = found.pop("dropouts").findings
    assert finding.kind == "not-run"
    assert told in finding.text
    assert found == _through(x, None, [c for c in CHECKS if c.name != "dropouts"])


@pytest.mark.parametrize("number", [0, 1])
def test_half_a_check_is_none(number: int) -> None:
    """What the other half found is not told as if it were all."""
    x = _damaged()
    whole = next(check for check in CHECKS if check.name == "dropouts")
    assert whole.halves is not None
    halves = list(whole.halves)
    halves[number] = lambda context: _Fails(ValueError)
    broken = dataclasses.replace(whole, halves=(halves[0], halves[1]))
    checks = [broken if check.name == "dropouts" else check for check in CHECKS]
    with contextlib.closing(Partner(checks)) as partner:
        found = _through(x, partner, checks)
    assert [(f.kind, f.values["fault"]) for f in found["dropouts"].findings] == [
        ("not-run", "ValueError")
    ]


def test_the_partner_is_left_out_where_it_cannot_help(partner: Partner) -> None:
    wide = MOST_BYTES // (4 * BLOCK_FRAMES)  # tracks of which not four blocks fit
    context = Context(fmt=CaptureFormat(rate_hz=RATE_HZ, channels=wide, word_length=24))
    assert partner.begin(context, np.dtype(np.int32), BLOCK_FRAMES) == []
    x = _damaged()[:, :BLOCK_FRAMES]
    only = [check for check in CHECKS if check.name == "lineup"]
    assert list(_through(x, partner, only)) == ["lineup"]


def test_no_partner_without_a_free_core_or_work_or_a_single_thread() -> None:
    with partner_for(LEAST_BYTES, cores=1) as one:
        assert one is None
    with partner_for(LEAST_BYTES - 1, cores=2) as one:
        assert one is None
    release = threading.Event()
    other = threading.Thread(target=release.wait, daemon=True)
    other.start()
    with partner_for(LEAST_BYTES, cores=2) as one:
        assert one is None
    release.set()
    other.join()
    with partner_for(LEAST_BYTES, cores=2) as one:
        assert one is not None
        pid = one.pid
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    with partner_of([], at_once=1) as one:
        assert one is None


def test_no_partner_where_no_process_may_be_made(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused() -> int:
        raise OSError(errno.EAGAIN, "Resource temporarily unavailable")

    monkeypatch.setattr(os, "fork", refused)
    before = os.listdir("/dev/fd")
    with partner_for(LEAST_BYTES, cores=2) as one:
        assert one is None
    assert len(os.listdir("/dev/fd")) == len(before)
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())


# -- ends -------------------------------------------------------------------------------------

_AT_WORK = """
import sys, time
import numpy as np
from checks.model import CaptureFormat
from checks.registry import CHECKS, Context
from watcher.lane import Lane
from watcher.partner import Partner, partner_for

with partner_for(1 << 30, cores=2) as partner:
    context = Context(fmt=CaptureFormat(rate_hz=96_000, channels=2, word_length=24))
    noise = np.random.default_rng(1).integers(-(2**20), 2**20, (2, 16_384)) << 8
    with Lane(context, np.dtype(np.int32), CHECKS, partner) as lane:
        print(partner.pid, flush=True)
        while True:
            lane.buffer()[:] = noise
            lane.feed(16_384)
"""


def _gone(pid: int, seconds: float = 5.0) -> bool:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
        except OSError:
            return True
        if state in "ZX":
            return True
        time.sleep(0.02)
    return False


@contextlib.contextmanager
def _at_work(first: str) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """A process that checks without end, and the number of its partner."""
    if not Path("/proc/self/stat").exists():
        pytest.skip("needs /proc")
    _, environment = command()
    parent = subprocess.Popen(
        [sys.executable, "-c", f"import signal, watcher.partner\n{first}\n{_AT_WORK}"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=environment,
        start_new_session=True,
    )
    assert parent.stdout is not None
    try:
        pid = int(parent.stdout.readline())
        time.sleep(0.3)
        assert not _gone(pid, 0.05)
        yield parent, pid
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(parent.pid, signal.SIGKILL)
        parent.wait()
        parent.stdout.close()


# as the runner may have been started with some ignored
_HEARD = (
    "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
    "signal.signal(signal.SIGHUP, signal.SIG_DFL)\n"
    "signal.signal(signal.SIGTERM, signal.SIG_DFL)\n"
)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL, signal.SIGHUP])
@pytest.mark.parametrize("whole_group", [False, True])
@pytest.mark.parametrize("system", ["linux", "another"])
def test_no_signal_leaves_a_process_behind(
    number: signal.Signals, whole_group: bool, system: str
) -> None:
    """On Linux the system ends the partner; on another it has to notice by itself."""
    with _at_work(f"{_HEARD}watcher.partner.sys.platform = {system!r}") as (parent, pid):
        send = os.killpg if whole_group else os.kill
        send(parent.pid, number)
        assert parent.wait(20.0) == -number
        assert _gone(pid, 20.0)


def test_a_signal_that_is_ignored_is_ignored_by_both() -> None:
    """As under nohup: a terminal that goes away ends neither."""
    with _at_work("signal.signal(signal.SIGHUP, signal.SIG_IGN)") as (parent, pid):
        os.killpg(parent.pid, signal.SIGHUP)
        assert not _gone(pid, 0.5)
        assert parent.poll() is None


@pytest.mark.parametrize("cores", [1, 2])
def test_a_worker_has_a_partner_where_a_core_is_free(
    tmp_path: Path, cores: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The report is that of a check in one process, and the rate holds for both."""
    path = tmp_path / "damaged.wav"
    soundfile.write(path, _damaged().T, RATE_HZ, subtype="PCM_24")
    monkeypatch.setattr("watcher.pool.cores", lambda: cores)
    applied = Sheets(load(None), tmp_path).for_capture(path)
    pool = Pool(1)
    task = Task(
        capture=Capture.of_file(path),
        applied=applied,
        earlier=None,
        parent=os.getpid(),
        memory_mb=2048,
        limit_mb_s=2.0,  # 4 MB: a second or more, to be seen at work
    )
    others = len(_descendants(os.getpid()))  # which other tests began
    pool.submit(1, task, volume=1, count=LEAST_BYTES)
    most = 0
    until = time.monotonic() + 60
    while not (ended := pool.ended()) and time.monotonic() < until:
        most = max(most, len(_descendants(os.getpid())) - others)
        time.sleep(0.02)
    assert most == cores
    report = ended[0].report
    assert report is not None, ended[0].cause
    here = examine(task.capture, applied)
    assert (report.findings, report.measures) == (here.findings, here.measures)


def _descendants(pid: int) -> list[int]:
    children = Path(f"/proc/{pid}/task").glob("*/children")
    below: list[int] = []
    for listing in children:
        with contextlib.suppress(OSError):
            for child in map(int, listing.read_text().split()):
                below += [child, *_descendants(child)]
    return below
