"""The ledger opened: older, later, damaged, busy, none; and killed, it loses nothing."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from damage_files import patch
from ledgering import put

from watcher import commands_morning
from watcher.cli import main
from watcher.exits import Exit
from watcher.ledger import Ledger, LedgerDamagedError, LedgerError, opened
from watcher.tables import MIGRATIONS, VERSION
from watcher.troubles import read

PROJECT = Path(__file__).resolve().parents[2]


def first_version(path: Path) -> None:
    """A ledger as the first version wrote it, with a capture in it."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    for statement in MIGRATIONS[0].split(";\n"):
        db.execute(statement)
    db.execute("PRAGMA user_version = 1")
    db.execute("INSERT INTO roots (path, state, since) VALUES (x'2f63', 'present', 'then')")
    db.execute(
        "INSERT INTO captures (root, path, is_set, state, first_seen, changed_at, report)"
        " VALUES (1, x'2f63', 0, 'done', 'then', 'then', x'00')"
    )
    db.close()


def version(path: Path) -> int:
    db = sqlite3.connect(path)
    found = int(db.execute("PRAGMA user_version").fetchone()[0])
    db.close()
    return found


def test_an_older_ledger_is_brought_up_to_date_and_kept_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    first_version(path)
    with Ledger(path) as ledger:
        assert ledger.is_current(1)
    assert version(path) == VERSION
    assert version(tmp_path / f"ledger.sqlite.before-{VERSION}") == 1


def test_reading_does_not_bring_it_up_to_date(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    first_version(path)
    with pytest.raises(LedgerError, match="of version 1; the daemon brings it up to date"):
        Ledger(path, read_only=True)
    assert version(path) == 1


DIES = """
import os, sqlite3, sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
import watcher.ledger as ledger
whole = ledger.MIGRATIONS[1]
ledger.MIGRATIONS = (ledger.MIGRATIONS[0], whole + "SELECT die();\\n")
connect = sqlite3.connect
def connecting(*args, **kwargs):
    db = connect(*args, **kwargs)
    db.create_function("die", 0, lambda: os.kill(os.getpid(), 9))
    return db
sqlite3.connect = connecting
ledger.Ledger(Path(sys.argv[1]))
"""


def test_killed_within_a_migration_the_old_version_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    first_version(path)
    died = subprocess.run(
        [sys.executable, "-c", DIES, str(path), str(PROJECT)], check=False, capture_output=True
    )
    assert died.returncode == -signal.SIGKILL, died.stderr
    assert version(path) == 1
    with Ledger(path) as ledger:
        assert ledger.is_current(1)


def test_a_ledger_of_the_future_is_refused_and_untouched(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    Ledger(path).close()
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 99")
    db.close()
    for read_only in (False, True):
        with pytest.raises(LedgerError, match=r"later version [^\n]*ledger version 99") as error:
            Ledger(path, read_only=read_only)
        assert not isinstance(error.value, LedgerDamagedError)
    with pytest.raises(LedgerError, match="later version"):
        opened(path)
    assert version(path) == 99


@pytest.mark.parametrize("at", [0, 4096, 3 * 4096])
def test_a_damaged_ledger_is_seen_set_aside_and_begun_anew(tmp_path: Path, at: int) -> None:
    """A page overwritten, the very first included."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        for number in range(300):
            put(ledger, f"/c/take {number}.wav")
    patch(path, at, bytes(range(255, -1, -1)) * 16)
    broken = path.read_bytes()
    with pytest.raises(LedgerDamagedError):
        Ledger(path)
    ledger, aside = opened(path)
    with ledger:
        assert list(ledger.rows("SELECT 1 FROM captures")) == []
    assert aside is not None
    assert ".damaged-" in aside.name
    assert aside.read_bytes() == broken


def test_that_it_was_damaged_is_told_by_the_summary(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was gone by then is in no report: a list that is short must not look whole."""
    monkeypatch.setattr("watcher.daemon.Daemon.run", lambda _: Exit.CLEAR)
    path = tmp_path / "ledger.sqlite"
    (tmp_path / "captures").mkdir()
    config = tmp_path / "reelvigil.yaml"
    config.write_text("roots: [captures]\nledger: ledger.sqlite\n")
    with Ledger(path) as ledger:
        put(ledger)
    patch(path, 4096, bytes(range(255, -1, -1)) * 16)
    for _ in range(2):  # once
        assert main(["watch", "--config", str(config)]) is Exit.CLEAR
    with Ledger(path, read_only=True) as ledger:
        (told,) = read(ledger)
    assert told.text.startswith("The ledger was damaged and lies at ")
    assert "no longer told here" in told.text
    assert told.ended is not None


def test_no_ledger_at_all(tmp_path: Path) -> None:
    """Deleted; and what stands there may be no ledger."""
    with pytest.raises(LedgerError):
        Ledger(tmp_path / "none.sqlite", read_only=True)
    (tmp_path / "text").write_text("this is not a database, but long enough to be one" * 99)
    with pytest.raises(LedgerDamagedError):
        Ledger(tmp_path / "text")
    (tmp_path / "folder").mkdir()
    with pytest.raises(LedgerError) as error:
        Ledger(tmp_path / "folder")
    assert not isinstance(error.value, LedgerDamagedError)
    with pytest.raises(LedgerError):
        Ledger(tmp_path / "text" / "ledger.sqlite")
    fresh, aside = opened(tmp_path / "state" / "ledger.sqlite")
    fresh.close()
    assert aside is None


def test_a_busy_ledger_is_not_a_damaged_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Setting aside what another process is writing would lose it."""
    path = tmp_path / "ledger.sqlite"
    first_version(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    connect = sqlite3.connect
    monkeypatch.setattr(
        sqlite3, "connect", lambda *args, **kwargs: connect(*args, **(kwargs | {"timeout": 0.1}))
    )
    with pytest.raises(LedgerError, match="locked") as error:
        opened(path)
    assert not isinstance(error.value, LedgerDamagedError)
    other.close()


def test_a_second_reader_and_a_short_second_writer(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as first, Ledger(path) as second, Ledger(path, read_only=True) as reader:
        put(first)
        put(second, "/c/other.wav")
        assert len(list(reader.rows("SELECT 1 FROM captures"))) == 2
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            put(reader)


# -- killed ------------------------------------------------------------------------------------


WRITES = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from watcher.files import Identity
from watcher.ledger import Ledger, State
ledger = Ledger(Path(sys.argv[1]))
root = ledger.root(Path("/c"))
(number,) = next(ledger.rows("SELECT count(*) FROM captures"))
while True:
    path = Path(f"/c/take {number}.wav")
    names = [path.with_name(f"{number} {n}") for n in range(3)]
    files = [(name, Identity(device=1, inode=2, size=3, mtime_ns=4)) for name in names]
    row = ledger.put(root=root, path=path, is_set=True, files=files, state=State.WAITING)
    ledger.move_to(row.id, State.QUEUED)
    print(number, flush=True)
    number += 1
"""


def test_killed_again_and_again_it_loses_nothing_it_acknowledged(tmp_path: Path) -> None:
    """No half capture, no lost one, no damage."""
    path = tmp_path / "ledger.sqlite"
    chance = random.Random(4)
    acknowledged: set[int] = set()
    for _ in range(8):
        with subprocess.Popen(
            [sys.executable, "-c", WRITES, str(path), str(PROJECT)],
            stdout=subprocess.PIPE,
            text=True,
        ) as writer:
            assert writer.stdout is not None
            told = [writer.stdout.readline()]
            time.sleep(chance.random() * 0.3)
            writer.kill()
            told += writer.stdout.readlines()
        acknowledged |= {int(line) for line in told if line.endswith("\n")}
        with Ledger(path) as ledger:
            rows = list(
                ledger.rows(
                    "SELECT c.path, c.state, count(f.name) FROM captures c LEFT JOIN files f"
                    " ON f.capture = c.id GROUP BY c.id ORDER BY c.id"
                )
            )
        assert [os.fsdecode(p) for p, _, _ in rows] == [
            f"/c/take {number}.wav" for number in range(len(rows))
        ]
        assert {count for _, _, count in rows} == {3}
        states = {number: state for number, (_, state, _) in enumerate(rows)}
        assert {states.get(number) for number in acknowledged} == {"queued"}


# -- told by a command -------------------------------------------------------------------------


@pytest.mark.parametrize("damaged", [True, False])
def test_a_locked_ledger_is_not_called_damaged(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    damaged: bool,
) -> None:
    path = tmp_path / "ledger.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as holder:
        if damaged:
            path.write_bytes(b"no database" * 100)
        else:
            holder.execute("BEGIN EXCLUSIVE")

        def asks(_: object) -> Exit:
            with contextlib.closing(sqlite3.connect(path, timeout=0)) as db:
                db.execute("SELECT * FROM sqlite_master").fetchall()
            return Exit.CLEAR

        monkeypatch.setattr(commands_morning, "run_summary", asks)
        assert main(["summary"]) is Exit.FAULT
    told = capsys.readouterr().err
    assert ("damaged" in told) is damaged
    assert ("in use by another process (database is locked)" in told) is not damaged
