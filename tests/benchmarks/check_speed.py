"""How long a check takes against hashing the same cached file, in one run.

    python tests/benchmarks/check_speed.py [--seconds 40] [--tracks 8] [--rate 352800] [--rounds 3]

Prints, as medians of interleaved rounds: ``sha256sum`` (coreutils), a bare hashlib SHA-256 pass,
``reelvigil check`` as a command, the check in this process alone and with a second one, their
ratios, and the processor time that all processes took together. The machine may be shared: only
ratios of one run mean anything, and where others fill all cores, only processor time does.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from timing import hashlib_pass, timed

PROJECT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(PROJECT), str(PROJECT / "tests")]


def make(path: Path, *, tracks: int, rate_hz: int, seconds: float) -> None:
    """Programme with tape hiss, a stretch of it repeated at changing gain to fill the file."""

    from synth import programme

    base = programme("plucks", rate_hz=rate_hz, tracks=tracks, seconds=4.0, seed=1)
    frames = int(seconds * rate_hz)
    data_bytes = frames * tracks * 3
    fmt = struct.pack("<HHIIHH", 1, tracks, rate_hz, rate_hz * tracks * 3, tracks * 3, 24)
    with path.open("wb") as out:
        out.write(b"RIFF" + struct.pack("<I", (36 + data_bytes) & 0xFFFFFFFF) + b"WAVE")
        out.write(b"fmt " + struct.pack("<I", 16) + fmt + b"data" + struct.pack("<I", data_bytes))
        left, turn = frames, 0
        while left:
            part = base[:, : min(left, base.shape[1])]
            gain = 1.0 / (1.0 + 0.03 * turn)  # never the same samples twice
            words = np.rint(part.T * gain).astype("<i4") if turn else part.T.astype("<i4")
            out.write(np.ascontiguousarray(words).view(np.uint8).reshape(-1, 4)[:, 1:].tobytes())
            left -= part.shape[1]
            turn += 1


def in_process(path: Path, *, cores: int) -> None:
    from watcher.examine import Capture, examine
    from watcher.partner import partner_for
    from watcher.settings import Sheets, load

    applied = Sheets(load(None), path.parent).for_capture(path)
    with partner_for(path.stat().st_size, cores=cores) as partner:
        report = examine(Capture.of_file(path), applied, partner=partner)
    assert report.verdict != "unread", report.findings


def peak_of(command: list[str]) -> int:
    """Run a command; the peak of the memory that all its processes hold together, in KiB."""
    child = subprocess.Popen(command, cwd=PROJECT, stdout=subprocess.DEVNULL)
    peak = 0
    while child.poll() is None:
        peak = max(peak, sum(_held(pid) for pid in (child.pid, *_children(child.pid))))
        time.sleep(0.05)
    return peak


def _children(pid: int) -> list[int]:
    try:
        return [int(c) for c in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def _held(pid: int) -> int:
    """Memory of a process in KiB, what it shares counted by its share."""
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0
    return sum(int(line.split()[1]) for line in lines if line.startswith("Pss:"))


def _processor_s() -> float:
    """Processor time of this process and of all that it waited for."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=40.0)
    parser.add_argument("--tracks", type=int, default=8)
    parser.add_argument("--rate", type=int, default=352_800)
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.wav"
        # in a process of its own: a child's peak memory begins with what its parent held
        maker = multiprocessing.get_context("spawn").Process(
            target=make,
            args=(path,),
            kwargs={"tracks": args.tracks, "rate_hz": args.rate, "seconds": args.seconds},
        )
        maker.start()
        maker.join()
        size = path.stat().st_size
        command = [sys.executable, "-m", "watcher", "check", "--no-sidecar", "--json", str(path)]
        calls: dict[str, Callable[[], object]] = {
            "sha256sum": lambda: subprocess.run(
                ["sha256sum", str(path)], check=True, stdout=subprocess.DEVNULL
            ),
            "hashlib pass": lambda: hashlib_pass(path),
            "reelvigil check": lambda: subprocess.run(
                command, cwd=PROJECT, stdout=subprocess.DEVNULL
            ),
            "in one process": lambda: in_process(path, cores=1),
            "in two processes": lambda: in_process(path, cores=2),
        }
        hashlib_pass(path)  # into the page cache
        # the command finds its modules compiled, as where it was installed
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = f"{folder}/compiled"
        subprocess.run(command, cwd=PROJECT, stdout=subprocess.DEVNULL)
        times: dict[str, list[float]] = {name: [] for name in calls}
        worked: dict[str, list[float]] = {name: [] for name in calls}
        for _ in range(args.rounds):
            for name, call in calls.items():
                before = _processor_s()
                times[name].append(timed(call))
                worked[name].append(_processor_s() - before)
        peak = peak_of(command)  # of a run of its own: to look slows it down
    medians = {name: statistics.median(values) for name, values in times.items()}
    print(f"{args.tracks} tracks, {args.rate / 1000:g} kHz, 24 bit, {size / 1e6:.0f} MB")
    for name, value in medians.items():
        print(
            f"{name:18} {value:7.3f} s   {value / medians['sha256sum']:6.2f} x sha256sum"
            f"   {value / medians['hashlib pass']:6.2f} x hashlib"
            f"   processor {statistics.median(worked[name]):6.2f} s"
        )
    print(f"peak memory of the checking command, all processes: {peak / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
