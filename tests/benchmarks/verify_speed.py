"""How long verifying takes against hashing the same cached files, in one run.

    python tests/benchmarks/verify_speed.py [--big-mb 1000] [--small 100000]

Big: one recorded file against a bare hashlib pass. Small: many recorded 1 kB files against
``sha256sum`` on the same list; recorded by a sum file, and by the ledger.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from timing import hashlib_pass, timed

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT))


def verify(folder: Path) -> None:
    from watcher.reverify import Options
    from watcher.verify import carry_out, prepare

    run = prepare(folder, mirror=None, ledger=None)
    for result in carry_out(run, Options(), None):
        assert result.state == "intact", result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--big-mb", type=int, default=1000)
    parser.add_argument("--small", type=int, default=100_000)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "big"
        folder.mkdir()
        path = folder / "a.wav"
        piece = os.urandom(1 << 20)
        with path.open("wb") as out:
            for _ in range(args.big_mb):
                out.write(piece)
        sums = subprocess.run(["sha256sum", "a.wav"], cwd=folder, capture_output=True, check=True)
        (folder / "SHA256SUMS").write_bytes(sums.stdout)
        rounds = [(timed(lambda: hashlib_pass(path)), timed(lambda: verify(folder)))] * 1
        rounds += [(timed(lambda: hashlib_pass(path)), timed(lambda: verify(folder)))]
        bare, ours = min(r[0] for r in rounds), min(r[1] for r in rounds)
        print(f"{args.big_mb} MB: hashlib {bare:.2f} s, verify {ours:.2f} s: {ours / bare:.3f} x")
        path.unlink()

        small = Path(name) / "small"
        for number in range(args.small):
            if number % 1000 == 0:
                (small / f"{number // 1000:03d}").mkdir(parents=True, exist_ok=True)
            (small / f"{number // 1000:03d}" / f"{number:06d}.wav").write_bytes(
                number.to_bytes(4, "big") * 256
            )
        command = "find . -name '*.wav' -print0 | xargs -0 sha256sum"
        listing = timed(lambda: subprocess.run(command, shell=True, cwd=small, capture_output=True))
        done = subprocess.run(command, shell=True, cwd=small, capture_output=True, check=True)
        (small / "SHA256SUMS").write_bytes(done.stdout)
        theirs = min(
            listing,
            timed(lambda: subprocess.run(command, shell=True, cwd=small, capture_output=True)),
        )
        ours = timed(lambda: verify(small))
        print(
            f"{args.small} files of 1 kB: sha256sum {theirs:.2f} s, verify {ours:.2f} s: "
            f"{ours / theirs:.2f} x"
        )


if __name__ == "__main__":
    main()
