"""How long a check takes against hashing the same cached file, in one run.

    python tests/benchmarks/check_speed.py [--seconds 40] [--tracks 8] [--rate 352800] [--rounds 3]

Prints, as medians of interleaved rounds: ``sha256sum`` (coreutils), a bare hashlib SHA-256 pass,
``reelvigil check`` as a command, the check inside this process, and their ratios. The machine may
be shared: only ratios of one run mean anything.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import statistics
import struct
import subprocess
import sys
import tempfile
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


def in_process(path: Path) -> None:
    from watcher.examine import Capture, examine
    from watcher.settings import Sheets, load

    report = examine(Capture.of_file(path), Sheets(load(None), path.parent).for_capture(path))
    assert report.verdict != "unread", report.findings


def peak_of(command: list[str]) -> int:
    """Run a command; its peak resident memory in KiB."""
    child = subprocess.Popen(command, cwd=PROJECT, stdout=subprocess.DEVNULL)
    _, _, usage = os.wait4(child.pid, 0)
    child.returncode = 0  # waited for already
    return usage.ru_maxrss


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
        peaks: list[int] = []
        calls: dict[str, Callable[[], object]] = {
            "sha256sum": lambda: subprocess.run(
                ["sha256sum", str(path)], check=True, stdout=subprocess.DEVNULL
            ),
            "hashlib pass": lambda: hashlib_pass(path),
            "reelvigil check": lambda: peaks.append(peak_of(command)),
            "check in process": lambda: in_process(path),
        }
        hashlib_pass(path)  # into the page cache
        times: dict[str, list[float]] = {name: [] for name in calls}
        for _ in range(args.rounds):
            for name, call in calls.items():
                times[name].append(timed(call))
    medians = {name: statistics.median(values) for name, values in times.items()}
    print(f"{args.tracks} tracks, {args.rate / 1000:g} kHz, 24 bit, {size / 1e6:.0f} MB")
    for name, value in medians.items():
        print(
            f"{name:18} {value:7.3f} s   {value / medians['sha256sum']:6.2f} x sha256sum"
            f"   {value / medians['hashlib pass']:6.2f} x hashlib"
        )
    print(f"peak memory of the checking command: {max(peaks) / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
