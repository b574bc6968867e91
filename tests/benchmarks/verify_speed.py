"""How long verifying takes against hashing the same cached files, in one run.

    python tests/benchmarks/verify_speed.py [--big-mb 1000] [--small 100000] [--rounds 2]

Big: one recorded file against a bare hashlib pass. Small: many recorded 1 kB files against
``sha256sum -c`` of the same list; without and with a ledger that keeps the results. The best of
some rounds, taken in turn; beside the wall time the time of the processor, which other work on the
machine disturbs less.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from timing import hashlib_pass

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT))

Times = tuple[float, float]  # wall, processor


def timed(work: Callable[[], object]) -> Times:
    began, before = time.perf_counter(), os.times()
    work()
    took, after = time.perf_counter() - began, os.times()
    return took, sum(after[:4]) - sum(before[:4])


def best(rounds: list[Times]) -> Times:
    return min(r[0] for r in rounds), min(r[1] for r in rounds)


def told(what: str, ours: Times, theirs: Times) -> None:
    print(
        f"{what}: {ours[0] / theirs[0]:.2f} x ({ours[0]:.2f} s against {theirs[0]:.2f} s), "
        f"processor {ours[1] / theirs[1]:.2f} x",
        flush=True,
    )


def verify(folder: Path, ledger_path: Path | None = None) -> None:
    from watcher import verify
    from watcher.ledger import Ledger
    from watcher.reverify import Options

    ledger = Ledger(ledger_path) if ledger_path else None
    run = verify.prepare(folder, mirror=None, ledger=ledger)
    if ledger is not None:
        verify.begin([run], ledger, resume=False)
    for result in verify.carry_out(run, Options(), ledger):
        assert result.state == "intact", result
    if ledger is not None:
        ledger.close()


def big(folder: Path, megabytes: int, rounds: int) -> None:
    folder.mkdir()
    path = folder / "a.wav"
    piece = os.urandom(1 << 20)
    with path.open("wb") as out:
        for _ in range(megabytes):
            out.write(piece)
    sums = subprocess.run(["sha256sum", "a.wav"], cwd=folder, capture_output=True, check=True)
    (folder / "SHA256SUMS").write_bytes(sums.stdout)
    bare, ours = [], []
    for _ in range(rounds):
        bare.append(timed(lambda: hashlib_pass(path)))
        ours.append(timed(lambda: verify(folder)))
    told(f"{megabytes} MB, against hashlib", best(ours), best(bare))
    path.unlink()


def small(folder: Path, count: int, rounds: int) -> None:
    for number in range(count):
        place = folder / f"{number // 1000:03d}"
        if number % 1000 == 0:
            place.mkdir(parents=True)
        (place / f"{number:06d}.wav").write_bytes(number.to_bytes(4, "big") * 256)
    command = "find . -name '*.wav' -print0 | xargs -0 sha256sum > SHA256SUMS"
    subprocess.run(command, shell=True, cwd=folder, check=True)
    check = ["sha256sum", "--status", "-c", "SHA256SUMS"]
    theirs, ours, kept = [], [], []
    for number in range(rounds):
        theirs.append(timed(lambda: subprocess.run(check, cwd=folder, check=True)))
        ours.append(timed(lambda: verify(folder)))
        ledger = folder.parent / f"{number}.sqlite"
        kept.append(timed(lambda path=ledger: verify(folder, path)))
    told(f"{count} files of 1 kB, against sha256sum", best(ours), best(theirs))
    told(f"{count} files of 1 kB, results kept in a ledger", best(kept), best(theirs))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--big-mb", type=int, default=1000)
    parser.add_argument("--small", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=2)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        big(Path(name) / "big", args.big_mb, args.rounds)
        after_big = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
        small(Path(name) / "small", args.small, args.rounds)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
        print(f"peak memory: {after_big} MiB after the big file, {peak} MiB after the small ones")


if __name__ == "__main__":
    main()
