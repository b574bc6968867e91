"""The daemon's memory: every capture seen, what it was and is, and what was found. SQLite.

The ledger is an index, the reports are the record: a lost ledger is rebuilt from sidecars and a
scan. Write-ahead log with full synchronisation: what ``commit`` acknowledged survives a power
cut. One process writes (it holds the lock of ``watcher.lock``); others open it read-only.

Paths are bytes, as the file system has them. Times of day are RFC 3339 in UTC.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import zlib
from collections.abc import Collection, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from watcher import contents
from watcher.errors import WatcherError
from watcher.files import Identity
from watcher.report import Report, from_json, to_json
from watcher.rows import COLUMNS, CaptureRow, FileRow, State, capture_row, file_row, now, split, utc
from watcher.tables import MIGRATIONS, VERSION

__all__ = [
    "CaptureRow",
    "FileRow",
    "Ledger",
    "LedgerDamagedError",
    "LedgerError",
    "State",
    "now",
    "opened",
    "utc",
]

_BROKEN: Final = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_ANEW: Final = "; it is put aside and made anew from the reports when the daemon starts again"
_ACCOUNT: Final = "; call it from the daemon's account (sudo -u reelvigil ...)"


class LedgerError(WatcherError):
    """The ledger cannot be used as it is."""


def exists(path: Path) -> bool:
    """Whether there is a ledger.

    Raises:
        LedgerError: its folder may not be looked into.
    """
    try:
        os.stat(path)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise LedgerError(f"{path}: {error.strerror}{_ACCOUNT}") from error
    return True


class LedgerDamagedError(LedgerError):
    """Its content is broken: it is to be set aside and rebuilt from the reports."""


def opened(path: Path) -> tuple[Ledger, Path | None]:
    """The ledger for writing; a damaged one is first set aside, and where it then lies.

    Raises:
        LedgerError: of a later version, or it cannot be opened for another reason.
    """
    try:
        return Ledger(path), None
    except LedgerDamagedError:
        stamp = now()[:19].replace(":", "").replace("-", "")
        aside = path.with_name(f"{path.name}.damaged-{stamp}Z")
        for ending in ("-wal", "-shm", ""):  # the ledger itself last: killed between, it goes on
            with contextlib.suppress(FileNotFoundError):
                os.replace(f"{path}{ending}", f"{aside}{ending}")
        return Ledger(path), aside


class Ledger:
    """An open ledger. Use from one thread only."""

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        """Open it, create it where there is none, bring it up to date.

        Raises:
            LedgerError: damaged, of a later version, or not there for reading.
        """
        self.path = path
        uri = path.absolute().as_uri() + ("?mode=ro" if read_only else "")
        with contextlib.ExitStack() as stack:
            try:
                if not read_only:
                    path.parent.mkdir(parents=True, exist_ok=True)
                self._db = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0)
                stack.callback(self._db.close)
                self._db.execute("PRAGMA foreign_keys = ON")
                if not read_only:
                    self._db.execute("PRAGMA journal_mode = WAL")
                    self._db.execute("PRAGMA synchronous = FULL")
                    # not for readers: it reads the whole ledger, and they ask many times a day
                    checked = self._db.execute("PRAGMA quick_check(1)").fetchone()
                    if checked != ("ok",):
                        raise LedgerDamagedError(f"{path}: damaged ({checked[0]}){_ANEW}")
                self._migrate(read_only)
            except sqlite3.Error as error:
                # the low byte is the primary code (sqlite.org/rescode.html)
                broken = getattr(error, "sqlite_errorcode", 0) & 0xFF in _BROKEN
                kind = LedgerDamagedError if broken else LedgerError
                hint = "" if os.access(path.parent, os.W_OK | os.X_OK) else _ACCOUNT
                what = f"{path}: cannot be used as a ledger: {error}"
                raise kind(f"{what}{_ANEW if broken else hint}") from error
            except OSError as error:
                raise LedgerError(f"{path}: {error.strerror or error}") from error
            stack.pop_all()

    def _migrate(self, read_only: bool) -> None:
        version = self._version()
        if version == VERSION:
            return
        if read_only:
            raise LedgerError(f"{self.path}: of version {version}; the daemon brings it up to date")
        if version > 0:
            with contextlib.closing(sqlite3.connect(f"{self.path}.before-{VERSION}")) as copy:
                self._db.backup(copy)
        with self.commit():
            # once more: another process may have done it by now
            for step in range(self._version(), VERSION):
                for statement in MIGRATIONS[step].split(";\n"):
                    if statement.strip():
                        self._db.execute(statement)
            self._db.execute(f"PRAGMA user_version = {VERSION}")

    def _version(self) -> int:
        version = int(self._db.execute("PRAGMA user_version").fetchone()[0])
        if version > VERSION:
            raise LedgerError(
                f"{self.path}: written by a later version of the program (ledger version "
                f"{version}, this one reads {VERSION}); use that, or name another ledger"
            )
        return version

    def close(self) -> None:
        self._db.close()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextlib.contextmanager
    def commit(self) -> Iterator[None]:
        """All or nothing; on disk when the block is left. Blocks may be nested."""
        if self._db.in_transaction:
            yield
            return
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:  # a full disk may have ended it already
                self._db.execute("ROLLBACK")
            raise

    # -- roots -------------------------------------------------------------------------------

    def root(self, path: Path) -> int:
        """The number of a root, known from now on."""
        with self.commit():
            self._db.execute(
                "INSERT INTO roots (path, state, since) VALUES (?, 'unknown', ?)"
                " ON CONFLICT (path) DO NOTHING",
                (os.fsencode(path), now()),
            )
            row = self._db.execute("SELECT id FROM roots WHERE path = ?", (os.fsencode(path),))
            return int(row.fetchone()[0])

    # -- captures ----------------------------------------------------------------------------

    def capture(self, path: Path) -> CaptureRow | None:
        """A capture by its path (a set's: folder / name.set)."""
        return next(self._captures("path = ?", os.fsencode(path)), None)

    def capture_of_file(self, path: Path) -> CaptureRow | None:
        """The capture that a file belongs to."""
        where = "id = (SELECT capture FROM files WHERE folder = ? AND name = ?)"
        return next(self._captures(where, *split(path)), None)

    def in_state(self, *states: State) -> Iterator[CaptureRow]:
        """Captures in any of some states, longest there first."""
        marks = ", ".join("?" * len(states))
        return self._captures(f"state IN ({marks}) ORDER BY changed_at, id", *states)

    def queued(self, most: int, *, without: Collection[int]) -> list[CaptureRow]:
        """The head of the queue, leaving out some roots."""
        marks = ", ".join("?" * len(without))
        where = f"state = ? AND root NOT IN ({marks}) ORDER BY changed_at, id LIMIT ?"
        return list(self._captures(where, State.QUEUED, *without, most))

    def _captures(self, where: str, *values: Any) -> Iterator[CaptureRow]:
        for row in self._db.execute(f"SELECT {COLUMNS} FROM captures WHERE {where}", values):
            yield capture_row(row)

    def files(self, capture: int) -> list[FileRow]:
        """The files of a capture in track order."""
        rows = self._db.execute(
            "SELECT folder, name, device, inode, size, mtime_ns, missing_since FROM files"
            " WHERE capture = ? ORDER BY position",
            (capture,),
        )
        return [file_row(row) for row in rows]

    def put(
        self,
        *,
        root: int,
        path: Path,
        is_set: bool,
        files: Sequence[tuple[Path, Identity]],
        state: State,
        why: str | None = None,
    ) -> CaptureRow:
        """A capture as it is now.

        Where its files changed it is a new generation, unless it was waiting: what has not
        settled has been nobody's basis for anything. The device of a file does not count, for
        it differs from mount to mount.
        """
        key, at = os.fsencode(path), now()
        with self.commit():
            known = self.capture(path)
            if known is None:
                self._db.execute(
                    "INSERT INTO captures (root, path, is_set, state, why, first_seen, changed_at)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (root, key, is_set, state, why, at, at),
                )
            else:
                before = [_state_of(row.path, row.identity) for row in self.files(known.id)]
                changed = before != [_state_of(file, identity) for file, identity in files]
                stood = known.state is not State.WAITING or self.is_current(known.id)
                grown = int(changed and stood)
                self._db.execute(
                    "UPDATE captures SET root = ?, is_set = ?, generation = generation + ?,"
                    " state = ?, why = ?, changed_at = ?,"
                    " attempts = CASE WHEN ? THEN 0 ELSE attempts END WHERE id = ?",
                    (root, is_set, grown, state, why, at, grown, known.id),
                )
            row = self.capture(path)
            assert row is not None
            self._db.execute("DELETE FROM files WHERE capture = ?", (row.id,))
            self._db.executemany(
                "INSERT OR REPLACE INTO files (folder, name, capture, position, device, inode,"
                " size, mtime_ns, ctime_ns) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        *split(file),
                        row.id,
                        position,
                        i.device,
                        i.inode,
                        i.size,
                        i.mtime_ns,
                        i.ctime_ns,
                    )
                    for position, (file, i) in enumerate(files)
                ],
            )
            return row

    def move_to(
        self, capture: int, state: State, *, why: str | None = None, retry_at: str | None = None
    ) -> None:
        """Another state for a capture; entering ``checking`` counts as an attempt."""
        with self.commit():
            self._db.execute(
                "UPDATE captures SET state = ?, why = ?, retry_at = ?, changed_at = ?,"
                " attempts = attempts + ? WHERE id = ?",
                (state, why, retry_at, now(), int(state is State.CHECKING), capture),
            )

    def note_queue(self, root: int, why: str) -> None:
        """What the queue of a root waits for, where nothing else is noted."""
        where = "state = ? AND root = ? AND why IS NULL"
        self.change(f"UPDATE captures SET why = ? WHERE {where}", (why, State.QUEUED, root))

    def forget_queue(self, root: int, why: str) -> None:
        """It waits for that no longer."""
        where = "state = ? AND root = ? AND why = ?"
        self.change(f"UPDATE captures SET why = NULL WHERE {where}", (State.QUEUED, root, why))

    def numbered(self, captures: Iterable[int]) -> Iterator[CaptureRow]:
        """Captures by their numbers."""
        for number in captures:
            yield from self._captures("id = ?", number)

    def attempts(self, capture: int, count: int) -> None:
        """How many checks of a capture have ended in vain."""
        self.change("UPDATE captures SET attempts = ? WHERE id = ?", (max(count, 0), capture))

    def forget(self, capture: int) -> None:
        """Take a capture out (its files became part of another, say). Contents stay known."""
        with self.commit():
            self._db.execute("DELETE FROM captures WHERE id = ?", (capture,))

    # -- results -----------------------------------------------------------------------------

    def record(
        self, capture: int, report: Report, *, report_path: Path, paths: Sequence[Path]
    ) -> None:
        """The outcome of a check, and the contents that were read.

        Args:
            paths: of the report's files, in its order.
        """
        body = zlib.compress(to_json(report, indent=None).encode("ascii"))
        with self.commit():
            self._db.execute(
                "UPDATE captures SET state = ?, why = NULL, retry_at = NULL, changed_at = ?,"
                " verdict = ?, signed = ?, checked_at = ?, settings = ?, made_by = ?, report = ?,"
                " report_path = ?, delivered = 0, attempts = 0,"
                " checked_generation = generation WHERE id = ?",
                (
                    State.DONE,
                    now(),
                    report.verdict,
                    report.signoff.verdict if report.signoff is not None else "",
                    utc(report.made.at),
                    report.made.settings,
                    report.made.by,
                    body,
                    os.fsencode(report_path),
                    capture,
                ),
            )
            for path, line in zip(paths, report.capture.files, strict=True):
                contents.note(self, path, line, report)
            if all(line.sha256 is not None for line in report.capture.files):
                self._db.execute(
                    "UPDATE captures SET verified_at = ? WHERE id = ?",
                    (utc(report.made.at), capture),
                )

    def report(self, capture: int) -> Report | None:
        """The last report of a capture."""
        row = self._db.execute("SELECT report FROM captures WHERE id = ?", (capture,)).fetchone()
        return from_json(zlib.decompress(row[0])) if row and row[0] else None

    def is_current(self, capture: int) -> bool:
        """Whether the report is about the files as they are here."""
        query = "SELECT checked_generation IS generation FROM captures WHERE id = ?"
        return bool(self._db.execute(query, (capture,)).fetchone()[0])

    def delivered(self, capture: int) -> None:
        """The report stands at its place on disk."""
        with self.commit():
            self._db.execute("UPDATE captures SET delivered = 1 WHERE id = ?", (capture,))

    def undelivered(self) -> Iterator[CaptureRow]:
        """Captures whose report is known here but not yet at its place."""
        return self._captures("delivered = 0 AND report IS NOT NULL ORDER BY id")

    def checked_since(self, since: str) -> Iterator[CaptureRow]:
        """Captures checked at or after a time, in order of path."""
        return self._captures("checked_at >= ? ORDER BY path", utc(since))

    def requeue_interrupted(self) -> int:
        """What was being checked goes back into the queue, and what was given up begins anew."""
        return self.change(
            "UPDATE captures SET state = ?, changed_at = ?,"
            " attempts = CASE state WHEN ? THEN 0 ELSE attempts END WHERE state IN (?, ?)",
            (State.QUEUED, now(), State.GIVEN_UP, State.CHECKING, State.GIVEN_UP),
        )

    # -- other modules' tables ---------------------------------------------------------------

    def rows(self, query: str, values: Iterable[Any] = ()) -> Iterator[tuple[Any, ...]]:
        """Rows of a reading query, one by one."""
        yield from self._db.execute(query, tuple(values))

    def change_many(self, statement: str, rows: Iterable[tuple[Any, ...]]) -> None:
        """One writing statement for many rows of values."""
        with self.commit():
            self._db.executemany(statement, rows)

    def change(self, statement: str, values: Iterable[Any] = ()) -> int:
        """One writing statement; the rows changed."""
        with self.commit():
            return self._db.execute(statement, tuple(values)).rowcount


def _state_of(path: Path, identity: Identity) -> tuple[Path, int, int, int]:
    return path, identity.inode, identity.size, identity.mtime_ns
