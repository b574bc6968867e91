"""Runs of ``verify``: several folders, interrupted and resumed, in part, several files at once."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from damage_files import flip
from verifying import capture, recorded, run

from watcher import reverify, verify
from watcher.cli import main
from watcher.exits import Exit
from watcher.ledger import Ledger
from watcher.places import jobs_for, turns
from watcher.reverify import Options

PROJECT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.usefixtures("every_reading_seen")


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the files read, in order."""
    names: list[str] = []
    real = reverify.read

    def noted(path: bytes, *rest: Any) -> Any:
        names.append(os.path.basename(os.fsdecode(path)))
        return real(path, *rest)

    monkeypatch.setattr(reverify, "read", noted)
    return names


def interrupt_at(monkeypatch: pytest.MonkeyPatch, name: str) -> Callable[[], None]:
    """Ctrl-C when a file of that name is to be read; the return value lets it be again."""
    real = reverify.read

    def reading(path: bytes, *rest: Any) -> Any:
        if path.endswith(name.encode()):
            raise KeyboardInterrupt
        return real(path, *rest)

    monkeypatch.setattr(reverify, "read", reading)
    return lambda: monkeypatch.setattr(reverify, "read", real)


# -- folders -----------------------------------------------------------------------------------


def test_a_folder_named_twice_or_within_another_is_read_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], reads: list[str]
) -> None:
    store = tmp_path / "store"
    recorded(store / "reel", "a.wav")
    (tmp_path / "link").symlink_to(store)
    status, results, last = run(capsys, str(store / "reel"), str(tmp_path / "link"), str(store))
    assert status is Exit.CLEAR
    assert reads == ["a.wav"] == list(results)
    assert last["counts"]["intact"] == 1
    main(["verify", str(store), str(store / "reel"), str(tmp_path / "link")])
    err = capsys.readouterr().err
    assert "lies within" in err
    assert "the same folder as" in err


def test_a_resumed_call_over_several_folders_goes_on_where_it_was(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    reads: list[str],
) -> None:
    folders = [tmp_path / name for name in "abc"]
    for folder in folders:
        recorded(folder, f"{folder.name}1.wav", f"{folder.name}2.wav")
    flip(folders[0] / "a2.wav", 3000)
    arguments = [str(folder) for folder in folders]
    again = interrupt_at(monkeypatch, "b2.wav")
    assert main(["verify", *arguments]) is Exit.INTERRUPTED
    out = capsys.readouterr()
    assert "a2.wav" in out.out  # what was found so far is told
    assert "--resume goes on" in out.err
    again()
    reads.clear()
    status, results, last = run(capsys, "--resume", *arguments)
    assert reads == ["a2.wav", "b2.wav", "c1.wav", "c2.wav"]  # what was bad is looked at again
    assert status is Exit.REDO
    assert results["a2.wav"]["state"] == "altered"
    assert last["counts"]["intact"] == 5
    assert last["files_resumed"] == 2
    assert main(["verify", "--resume", *arguments]) is Exit.USAGE


def test_killed_it_resumes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recorded(tmp_path, *(f"{n}.wav" for n in range(4)))
    killed = (
        "import os, sys\n"
        "from watcher import reverify, verify\n"
        "from watcher.cli import main\n"
        "verify._BATCH_S = -1.0\n"
        "reverify.is_as_recorded = lambda *_: None\n"
        "real = reverify.read\n"
        "def read(path, *rest):\n"
        "    if path.endswith(b'2.wav'):\n"
        "        os.kill(os.getpid(), 9)\n"
        "    return real(path, *rest)\n"
        "reverify.read = read\n"
        "main(['verify', sys.argv[1]])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", killed, str(tmp_path)], cwd=PROJECT, capture_output=True, check=False
    )
    assert done.returncode == -signal.SIGKILL
    status, results, last = run(capsys, "--resume", str(tmp_path))
    assert status is Exit.CLEAR
    assert sorted(results) == ["2.wav", "3.wav"]
    assert last["counts"]["intact"] == 4


# -- in part -----------------------------------------------------------------------------------


def test_no_file_is_begun_after_the_time_limit(tmp_path: Path, reads: list[str]) -> None:
    recorded(tmp_path, *(f"{n}.wav" for n in range(5)))
    prepared = verify.prepare(tmp_path, mirror=None, ledger=None)
    times = iter(range(100))
    results = list(
        verify.carry_out(prepared, Options(), None, until=3.5, monotonic=lambda: float(next(times)))
    )
    assert 0 < len(results) == len(reads) < 4


def test_a_time_limit_says_its_share_and_resumes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "a.wav", "b.wav")
    assert main(["verify", "--time-limit", "0", str(tmp_path)]) is Exit.CLEAR
    out = " ".join(capsys.readouterr().out.split())
    assert "Looked at 0 of 2 recorded files" in out
    assert "Not looked at: 2 recorded files, 100.0 % of the bytes" in out
    status, _, last = run(capsys, "--resume", str(tmp_path))
    assert status is Exit.CLEAR
    assert last["files_looked_at"] == 2


def test_a_time_limit_takes_the_longest_unverified_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], reads: list[str]
) -> None:
    recorded(tmp_path, "a.wav", "b.wav", "c.wav")
    run(capsys, "--sample", "34", str(tmp_path))
    first = reads[:]
    reads.clear()
    run(capsys, "--time-limit", "1h", str(tmp_path))
    assert first == ["a.wav", "b.wav"]
    assert reads == ["c.wav", "a.wav", "b.wav"]


def test_a_resumed_sample_reads_the_rest_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded(tmp_path, *(f"{n}.wav" for n in range(4)))
    again = interrupt_at(monkeypatch, "1.wav")
    assert main(["verify", "--sample", "50", str(tmp_path)]) is Exit.INTERRUPTED
    again()
    _, results, last = run(capsys, "--resume", "--sample", "50", str(tmp_path))
    assert list(results) == ["1.wav"]
    assert last["counts"]["intact"] == 2


def test_quick_a_date_that_differs_is_to_be_looked_at(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "a.wav")
    os.utime(tmp_path / "a.wav", ns=(0, 1_000_000_000))
    status, results, _ = run(capsys, "--quick", str(tmp_path))
    assert status is Exit.LISTEN
    assert results["a.wav"]["text"].startswith("Its date differs")


def test_a_report_that_names_files_elsewhere_is_not_followed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], reads: list[str]
) -> None:
    inside = tmp_path / "in"
    recorded(inside, "a.wav")
    capture(tmp_path / "secret.wav")
    report = inside / "a.wav.vigil.json"
    values = json.loads(report.read_text())
    for name in ("../secret.wav", str(tmp_path / "secret.wav")):
        values["capture"]["files"][0]["name"] = name
        report.write_text(json.dumps(values))
        status, results, _ = run(capsys, str(inside))
        assert status is Exit.UNREAD
        assert results["secret.wav"]["state"] == "unread"
    assert reads == []


# -- how many at once --------------------------------------------------------------------------


@pytest.mark.parametrize(("flag", "expected"), [("1\n", True), ("0\n", False), (None, None)])
def test_whether_a_disk_turns_is_asked_of_the_system(
    tmp_path: Path, flag: str | None, expected: bool | None
) -> None:
    """Linux Documentation/ABI/stable/sysfs-block: queue/rotational, of the disk of a partition."""
    device = os.stat(tmp_path).st_dev
    disk = tmp_path / "sys" / "devices" / "sda"
    (disk / "queue").mkdir(parents=True)
    (disk / "sda1").mkdir()
    if flag is not None:
        (disk / "queue" / "rotational").write_text(flag)
    (tmp_path / "sys" / "dev" / "block").mkdir(parents=True)
    link = tmp_path / "sys" / "dev" / "block" / f"{os.major(device)}:{os.minor(device)}"
    link.symlink_to(disk / "sda1")
    folder = os.fsencode(tmp_path)
    assert turns(folder, tmp_path / "sys") is expected
    jobs = jobs_for(folder, tmp_path / "sys")
    assert jobs == (min(4, os.cpu_count() or 1) if expected is False else 1)


def test_big_files_are_read_at_once_and_told_in_order(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded(tmp_path, *(f"{n}.wav" for n in range(6)))
    flip(tmp_path / "3.wav", 4000)
    _, one, _ = run(capsys, "--jobs", "1", str(tmp_path))
    monkeypatch.setattr(reverify, "_BIG", 0)
    _, many, _ = run(capsys, "--jobs", "3", str(tmp_path))
    assert list(one.items()) == list(many.items())


@pytest.mark.parametrize("when", ["begin", "_keep"])
def test_a_ledger_that_cannot_be_written_costs_no_result(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    """What a night of reading found is told, whatever becomes of the ledger meanwhile."""
    recorded(tmp_path, "a.wav", "b.wav")
    flip(tmp_path / "a.wav", 3000)
    real = getattr(verify, when)

    def full(*arguments: Any, **more: Any) -> None:
        (ledger,) = [one for one in arguments if isinstance(one, Ledger)]
        list(ledger.rows("PRAGMA max_page_count = 1"))  # sqlite.org/pragma.html: no more than now
        monkeypatch.setattr(verify, "now", lambda: "x" * 100_000)
        real(*arguments, **more)

    monkeypatch.setattr(verify, when, full)
    capsys.readouterr()
    assert main(["verify", str(tmp_path)]) is Exit.FAULT
    out = capsys.readouterr()
    assert "1 intact, 1 altered" in out.out
    assert "the ledger could not be written (database or disk is full)" in out.err


def test_a_damaged_ledger_keeps_nobody_from_verifying(
    tmp_path: Path, state_home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A page in its middle is overwritten: it still opens, and no query on it can be trusted."""
    recorded(tmp_path, "a.wav")
    main(["verify", str(tmp_path)])
    (path,) = state_home.rglob("ledger.sqlite")
    with path.open("r+b") as stream:
        stream.seek(path.stat().st_size // 2)
        stream.write(b"\xa5" * 8192)
    capsys.readouterr()
    assert main(["verify", str(tmp_path)]) is Exit.CLEAR
    out = capsys.readouterr()
    assert "going on without the ledger: " in out.err
    assert "made anew from the reports when the daemon starts again" in out.err
    assert "1 intact" in out.out
