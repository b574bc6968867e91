"""What the intake costs: a scan of known captures, polling, a burst, memory.

    python tests/benchmarks/rescan.py [--captures 100000] [--rows 1000000] [--burst 5000]

Makes its files in a temporary folder (``TMPDIR``), empty ones: a scan looks at names and states
only. Times are of this machine at this moment; beside the scan stands a bare walk over the same
tree with the same looks, in the same run.
"""

from __future__ import annotations

import argparse
import io
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from watcher.intake import Intake
from watcher.lease import Lease
from watcher.ledger import Ledger, now
from watcher.logs import Log
from watcher.reconcile import Outcome, scan
from watcher.roots import enrol
from watcher.settings import Settings

PER_FOLDER = 50


class Time:
    """Seconds by the wall, and of this process's own work: the machine may be shared."""

    def __init__(self, what: Callable[[], object]) -> None:
        wall, own = time.perf_counter(), time.process_time()
        what()
        self.wall, self.own = time.perf_counter() - wall, time.process_time() - own

    def __str__(self) -> str:
        return f"{self.wall:.2f} s ({self.own:.2f} s of work)"

    def each(self, count: int) -> str:
        return f"{self.wall / count * 1e6:.0f} us ({self.own / count * 1e6:.0f} us of work) each"


def walked(folder: str) -> int:
    """A bare walk with a look at every file."""
    count = 0
    for entry in os.scandir(folder):
        if entry.is_dir(follow_symlinks=False):
            count += walked(entry.path)
        else:
            entry.stat(follow_symlinks=False)
            count += 1
    return count


def tree(root: Path, count: int) -> None:
    for number in range(count):
        folder = root / f"reel {number // PER_FOLDER:05}"
        if number % PER_FOLDER == 0:
            folder.mkdir(parents=True)
        (folder / f"take {number % PER_FOLDER:02}.wav").touch()


def known(ledger: Ledger, root: Path, count: int, *, real: bool) -> None:
    """Rows of checked captures."""
    number, at = ledger.root(root), now()
    folders = [os.fsencode(root / f"reel {n:05}") for n in range(-(-count // PER_FOLDER))]
    names = [f"take {n:02}.wav".encode() for n in range(PER_FOLDER)]
    with ledger.commit():
        for index in range(count):
            folder, name = folders[index // PER_FOLDER], names[index % PER_FOLDER]
            path = folder + b"/" + name
            st = os.stat(path) if real else os.stat(root)
            ledger.change(
                "INSERT INTO captures (id, root, path, is_set, state, first_seen, changed_at,"
                " verdict, checked_at, delivered) VALUES (?, ?, ?, 0, 'done', ?, ?, 'clear', ?, 1)",
                (index + 1, number, path, at, at, at),
            )
            ledger.change(
                "INSERT INTO files (folder, name, capture, position, device, inode, size, mtime_ns,"
                " ctime_ns) VALUES (?, ?, ?, 0, ?, ?, ?, ?, ?)",
                (
                    *(folder, name, index + 1),
                    *(st.st_dev, st.st_ino, st.st_size, st.st_mtime_ns, st.st_ctime_ns),
                ),
            )


def rescan(folder: Path, count: int) -> None:
    root = folder / "captures"
    tree(root, count)
    with Ledger(folder / "ledger.sqlite") as ledger:
        known(ledger, root, count, real=True)
        for turn in ("first", "again"):
            bare = Time(lambda: walked(str(root)))
            outcome = Outcome()
            differing: list[object] = []

            def run(outcome: Outcome = outcome, differing: list[object] = differing) -> None:
                differing += [
                    one for one in scan(ledger, os.fsencode(root), outcome) if one is not None
                ]

            took = Time(run)
            assert (outcome.captures, outcome.absents, differing) == (count, 0, [])
            print(
                f"re-scan of {count} known captures ({turn}): {took}, "
                f"{took.wall / bare.wall:.1f} ({took.own / bare.own:.1f}) x a bare walk"
            )
        intake = Intake(
            ledger,
            Settings(roots=(root,), instance="bench"),
            observer_factory=None,
            log=Log(io.StringIO()),
        )
        enrol(root, "bench")
        intake.start()
        while intake.tick().scanning:
            pass
        took = Time(lambda: [intake.tick() for _ in range(500)])
        print(f"a tick with nothing to do, one a second: {took.each(500)}")


def poll(folder: Path, count: int) -> None:
    """Captures that wait, held open so that none settles: the dearest state."""
    root = folder / "captures"
    root.mkdir()
    seconds = [0.0]
    with Ledger(folder / "ledger.sqlite") as ledger:
        intake = Intake(
            ledger,
            Settings(roots=(root,), instance="bench"),
            monotonic=lambda: seconds[0],
            lease=lambda _: Lease.BUSY,
            observer_factory=None,
            log=Log(io.StringIO()),
        )
        for number in range(count):
            (root / f"take {number}.wav").touch()
        intake.start()
        took = Time(intake.tick)
        print(f"{count} new captures taken in: {took}, {took.each(count)}")
        for moment, what in ((5.0, "still changing"), (1000.0, "header read"), (1005.0, "waiting")):
            seconds[0] = moment
            print(f"  a look at all of them ({what}): {Time(intake.tick).each(count)}")
        seconds[0] = 4000.0
        intake._candidates._lease = lambda _: Lease.FREE  # type: ignore[assignment]
        print(f"  all of them settled and queued: {Time(intake.tick).each(count)}")


def burst(folder: Path, count: int) -> None:
    """Real events; files written as fast as the disk takes them."""
    root = folder / "captures"
    root.mkdir()
    enrol(root, "bench")
    with Ledger(folder / "ledger.sqlite") as ledger:
        intake = Intake(
            ledger,
            Settings(roots=(root,), instance="bench", quiet_s=1, give_up_s=2, poll_s=0.5),
            log=Log(io.StringIO()),
        )
        intake.start()
        intake.tick()
        began = time.perf_counter()
        code = (
            "import os, sys\n"
            "for n in range(int(sys.argv[2])):\n"
            "    folder = f'{sys.argv[1]}/reel {n // 50}'\n"
            "    os.makedirs(folder, exist_ok=True)\n"
            "    open(f'{folder}/take {n}.wav', 'wb').write(b'x' * 100)\n"
        )
        writer = subprocess.Popen([sys.executable, "-c", code, str(root), str(count)])
        wrote = 0.0
        longest = 0.0
        queued = 0
        while queued < count and time.perf_counter() - began < 300:
            before = time.perf_counter()
            queued += len(intake.tick().queued)
            longest = max(longest, time.perf_counter() - before)
            if writer.poll() is not None and not wrote:
                wrote = time.perf_counter() - began
            time.sleep(0.2)
        intake.stop()
        rows = next(ledger.rows("SELECT count(*) FROM captures WHERE state = 'queued'"))[0]
        print(
            f"burst of {count} files in {wrote:.1f} s: {rows} queued, {count - rows} lost, after "
            f"{time.perf_counter() - began:.1f} s; longest tick {longest:.2f} s"
        )


def memory(folder: Path, rows: int) -> None:
    """The intake alone, over a ledger of many rows whose files are all gone: the worst scan."""
    root = folder / "captures"
    root.mkdir()
    enrol(root, "bench")
    with Ledger(folder / "ledger.sqlite") as ledger:
        known(ledger, root, rows, real=False)
    code = (
        "import io, resource, sys, time\n"
        f"sys.path.insert(0, {str(Path(__file__).resolve().parents[2])!r})\n"
        "from pathlib import Path\n"
        "from watcher.intake import Intake\n"
        "from watcher.ledger import Ledger\n"
        "from watcher.logs import Log\n"
        "from watcher.settings import Settings\n"
        "def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024\n"
        "bare = peak()\n"
        "began = time.perf_counter()\n"
        "ledger = Ledger(Path(sys.argv[2]))\n"
        "print(f'  opened and checked in {time.perf_counter() - began:.2f} s')\n"
        "settings = Settings(roots=(Path(sys.argv[1]),), instance='bench')\n"
        "intake = Intake(ledger, settings, log=Log(io.StringIO()))\n"
        "intake.start()\n"
        "began = time.perf_counter()\n"
        "while intake.tick().scanning: pass\n"
        "print(f'  scan with every file gone: {time.perf_counter() - began:.1f} s')\n"
        "intake.stop()\n"
        "print(f'  peak resident memory {peak():.0f} MB, {bare:.0f} MB of it modules alone')\n"
    )
    print(f"a ledger of {rows} captures:", flush=True)
    subprocess.run(
        [sys.executable, "-c", code, str(root), str(folder / "ledger.sqlite")], check=True
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=100_000)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--burst", type=int, default=5_000)
    parser.add_argument("--waiting", type=int, default=5_000)
    asked = parser.parse_args()
    for run, count in (
        (rescan, asked.captures),
        (poll, asked.waiting),
        (burst, asked.burst),
        (memory, asked.rows),
    ):
        if count:
            with tempfile.TemporaryDirectory() as folder:
                run(Path(folder), count)


if __name__ == "__main__":
    main()
