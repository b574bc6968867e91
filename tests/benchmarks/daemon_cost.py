"""What the whole daemon costs, as it is really run: idle, at many rows, at a burst, at a start.

    python tests/benchmarks/daemon_cost.py [--captures 100000] [--rows 1000000] [--burst 5000]
                                           [--begin 5] [--idle-s 120]

The command is started, its work read from /proc. Processor time is its own, so other work on the
machine matters little; times by the wall are of this machine at this moment.
"""

from __future__ import annotations

import argparse
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import numpy as np
import soundfile

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from rescan import known, tree  # noqa: E402

from watcher.ledger import Ledger  # noqa: E402
from watcher.roots import enrol  # noqa: E402

TICKS = os.sysconf("SC_CLK_TCK")


def worked_s(pid: int) -> float:
    """Processor time of a process, its ended children not counted (proc_pid_stat(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def memory_mb(pid: int, what: str) -> float:
    text = Path(f"/proc/{pid}/status").read_text()
    found = re.search(rf"{what}:\s+(\d+) kB", text)
    assert found is not None
    return int(found[1]) * 1024 / 1e6


@contextmanager
def daemon(folder: Path, more: str = "") -> Iterator[subprocess.Popen[bytes]]:
    """The command over ``captures`` in a folder; its log lies beside it."""
    config = folder / "reelvigil.yaml"
    config.write_text(
        f"roots: [{folder / 'captures'}]\nledger: {folder / 'ledger.sqlite'}\ninstance: bench\n"
        f"verify_every_days: null\n{more}"
    )
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "watcher", "watch", "--config", str(config)],
            cwd=PROJECT,
            stderr=log,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )
        try:
            yield process
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait()


def settled(folder: Path, query: str, seconds: float) -> bool:
    """Whether a query of the ledger gives something true within a time."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if (folder / "ledger.sqlite").exists():
            try:
                with Ledger(folder / "ledger.sqlite", read_only=True) as ledger:
                    if next(ledger.rows(query))[0]:
                        return True
            except Exception:  # still being made
                pass
        time.sleep(0.2)
    return False


def idle(folder: Path, captures: int, seconds: float) -> None:
    root = folder / "captures"
    tree(root, captures)
    enrol(root, "bench")
    with Ledger(folder / "ledger.sqlite") as ledger:
        known(ledger, root, captures, real=True)
    with daemon(folder) as process:
        assert settled(folder, "SELECT scanned_at IS NOT NULL FROM roots", 300)
        time.sleep(5)
        before, began = worked_s(process.pid), time.monotonic()
        time.sleep(seconds)
        between = worked_s(process.pid) - before
        share = between / (time.monotonic() - began)
        print(
            f"idle over {captures} known captures: {share:.2%} of a processor between scans; "
            f"resident {memory_mb(process.pid, 'VmRSS'):.0f} MB",
            flush=True,
        )
        for _ in range(2):
            query = "SELECT scanned_at FROM roots"
            with Ledger(folder / "ledger.sqlite", read_only=True) as ledger:
                (at,) = next(ledger.rows(query))
            before = worked_s(process.pid)
            process.send_signal(signal.SIGHUP)
            assert settled(folder, f"SELECT scanned_at > '{at}' FROM roots", 300)
            time.sleep(2)
            took = worked_s(process.pid) - before
            print(
                f"  watches and a scan begun anew: {took:.1f} s of work, {took / 900:.2%} of a "
                "processor if it were done every 15 min"
            )


def many_rows(folder: Path, rows: int) -> None:
    """A ledger of many captures whose files are all gone: the worst scan."""
    root = folder / "captures"
    root.mkdir()
    enrol(root, "bench")
    with Ledger(folder / "ledger.sqlite") as ledger:
        known(ledger, root, rows, real=False)
    with daemon(folder) as process:
        assert settled(folder, "SELECT scanned_at IS NOT NULL FROM roots", 600)
        time.sleep(3)
        print(
            f"a ledger of {rows} captures: daemon at most {memory_mb(process.pid, 'VmHWM'):.0f} MB "
            f"resident, {memory_mb(process.pid, 'VmRSS'):.0f} MB at rest"
        )


def take(path: Path, seed: int, seconds: float = 0.05) -> None:
    rate = 96_000
    noise = np.random.default_rng(seed).normal(0, 0.02, (int(seconds * rate), 2))
    soundfile.write(path, noise, rate, subtype="PCM_24", format="WAV")


def burst(folder: Path, count: int) -> None:
    """Small captures written as fast as the disk takes them, taken in and queued."""
    root = folder / "captures"
    root.mkdir()
    enrol(root, "bench")
    take(folder / "one.wav", 0)
    data = (folder / "one.wav").read_bytes()
    with daemon(folder, "quiet_s: 2\ngive_up_s: 4\npoll_s: 1\n") as process:
        assert settled(folder, "SELECT scanned_at IS NOT NULL FROM roots", 300)
        began = time.monotonic()
        for number in range(count):
            place = root / f"reel {number // 50}"
            place.mkdir(exist_ok=True)
            (place / f"take {number}.wav").write_bytes(data)
        wrote = time.monotonic() - began
        where = "FROM captures WHERE state != 'waiting'"
        whole = settled(folder, f"SELECT count(*) = {count} {where}", 300)
        took = time.monotonic() - began
        print(
            f"burst of {count} files in {wrote:.1f} s: "
            f"{'all' if whole else 'NOT all'} settled and queued after {took:.1f} s; "
            f"daemon {worked_s(process.pid):.1f} s of work, "
            f"at most {memory_mb(process.pid, 'VmHWM'):.0f} MB"
        )


def begin(folder: Path, times: int) -> None:
    """From the last write to the begin of the check, beyond the quiet period."""
    root = folder / "captures"
    root.mkdir()
    enrol(root, "bench")
    quiet = 10.0
    late = []
    with daemon(folder, f"quiet_s: {quiet}\nwhile_recording: run\n") as process:
        assert settled(folder, "SELECT scanned_at IS NOT NULL FROM roots", 300)
        for number in range(times):
            path = root / f"take {number}.wav"
            take(path, number)
            wrote = path.stat().st_mtime
            until = time.monotonic() + 120
            while time.monotonic() < until:
                found = re.search(
                    rf"^(\S+) info check_began path='[^']*take {number}\.wav'",
                    (folder / "log").read_text(),
                    re.MULTILINE,
                )
                if found:
                    late.append(datetime.fromisoformat(found[1]).timestamp() - wrote - quiet)
                    break
                time.sleep(0.2)
            time.sleep(1.7)
        assert process.poll() is None
    print(
        f"check begun after the end of the quiet period, {times} captures, poll_s 5 (log in whole "
        f"seconds): {', '.join(f'{one:.1f}' for one in late)} s"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=100_000)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--burst", type=int, default=5_000)
    parser.add_argument("--begin", type=int, default=5)
    parser.add_argument("--idle-s", type=float, default=120)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if asked.captures:
            idle(Path(folder), asked.captures, asked.idle_s)
    for run, count in ((many_rows, asked.rows), (burst, asked.burst), (begin, asked.begin)):
        if count:
            with tempfile.TemporaryDirectory() as folder:
                run(Path(folder), count)


if __name__ == "__main__":
    main()
