"""The words of the ledger: states, and rows as its callers get them."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from checks.model import Verdict
from watcher.files import Identity


class State(StrEnum):
    """Where a capture stands on its way."""

    WAITING = "waiting"  # not settled yet
    QUEUED = "queued"
    CHECKING = "checking"
    DONE = "done"
    RETRY = "retry"  # could not be read; again at retry_at
    GIVEN_UP = "given-up"  # ended its worker too often
    MISSING = "missing"


WHY: Final = {
    State.WAITING: "is not settled yet",
    State.QUEUED: "waits for its check",
    State.CHECKING: "is being checked",
    State.RETRY: "could not be read and is tried again",
    State.GIVEN_UP: "ended its check three times; tried again when the daemon starts anew",
    State.MISSING: "is no longer there",
}
"""What a capture in a state waits for, where nothing else is noted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileRow:
    """One file of a capture, as it was when the capture was last looked at."""

    path: Path
    identity: Identity
    missing_since: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureRow:
    """One capture without its report."""

    id: int
    root: int
    path: Path
    is_set: bool
    generation: int
    state: State
    why: str | None
    first_seen: str
    changed_at: str
    attempts: int
    retry_at: str | None
    verdict: Verdict | None
    checked_at: str | None
    settings: str | None
    report_path: Path | None
    delivered: bool
    verified_at: str | None


COLUMNS: Final = (
    "id, root, path, is_set, generation, state, why, first_seen, changed_at, attempts, retry_at,"
    " verdict, checked_at, settings, report_path, delivered, verified_at"
)


def now() -> str:
    """This moment as the ledger writes it."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def utc(time: str) -> str:
    """An RFC 3339 time in the ledger's form (UTC, milliseconds), so that text compares as time."""
    return datetime.fromisoformat(time).astimezone(UTC).isoformat(timespec="milliseconds")


def when(time: str) -> datetime | None:
    """A moment in a report; None where it cannot be read, or tells no offset and has no order."""
    try:
        moment = datetime.fromisoformat(time)
    except ValueError:
        return None
    return None if moment.tzinfo is None else moment


def age_s(time: str) -> float:
    """How long ago a moment in the ledger's form of time was, by the wall clock."""
    return (datetime.now(UTC) - datetime.fromisoformat(time)).total_seconds()


def split(path: Path) -> tuple[bytes, bytes]:
    """Folder and name as the ledger holds them."""
    return os.fsencode(path.parent), os.fsencode(path.name)


def file_row(row: Sequence[Any]) -> FileRow:
    """From folder, name, device, inode, size, mtime_ns, missing_since."""
    return FileRow(
        path=Path(os.fsdecode(row[0])) / os.fsdecode(row[1]),
        identity=Identity(device=row[2], inode=row[3], size=row[4], mtime_ns=row[5]),
        missing_since=row[6],
    )


def capture_row(row: Sequence[Any]) -> CaptureRow:
    """From ``COLUMNS``."""
    return CaptureRow(
        id=row[0],
        root=row[1],
        path=Path(os.fsdecode(row[2])),
        is_set=bool(row[3]),
        generation=row[4],
        state=State(row[5]),
        why=row[6],
        first_seen=row[7],
        changed_at=row[8],
        attempts=row[9],
        retry_at=row[10],
        verdict=Verdict(row[11]) if row[11] else None,
        checked_at=row[12],
        settings=row[13],
        report_path=Path(os.fsdecode(row[14])) if row[14] else None,
        delivered=bool(row[15]),
        verified_at=row[16],
    )
