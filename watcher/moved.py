"""A capture under another name is the same capture: it keeps its row, its contents, its report.

It is known again by inode, size and time of change, at a place where the old one is no more. What
was never checked has no history but its row; there the inode alone will do.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import zlib
from collections.abc import Callable, Container, Mapping
from pathlib import Path

from watcher.decided import take_over
from watcher.examine import readable
from watcher.files import Identity, Stamp, shown
from watcher.ledger import CaptureRow, Ledger, State
from watcher.report import Report, to_json
from watcher.rows import split
from watcher.tracksets import Capture


def former(
    ledger: Ledger,
    root: int,
    capture: Capture,
    stamps: Mapping[Path, Stamp],
    owners: Container[int],
) -> CaptureRow | None:
    """The row of a capture that was renamed to become this one; None where there is none.

    Args:
        owners: rows that its files belong to under their present names.
    """
    first = stamps[capture.files[0]]
    rows = ledger.rows(
        "SELECT DISTINCT c.id, c.path FROM files f JOIN captures c ON c.id = f.capture"
        " WHERE f.inode = ? AND c.root = ? AND c.is_set = ? AND (f.size = ? AND f.mtime_ns = ?"
        " OR c.checked_at IS NULL AND f.device = ?)",
        (first.inode, root, capture.is_set, first.size, first.mtime_ns, first.device),
    )
    for number, path in list(rows):
        row = None if number in owners else ledger.capture(Path(os.fsdecode(path)))
        if row is None:
            continue
        old = ledger.files(row.id)
        if len(old) != len(capture.files) or any(file.path in stamps for file in old):
            continue
        pairs = zip(old, (stamps[file] for file in capture.files), strict=True)
        if all(
            file.identity.inode == stamp.inode
            and (row.checked_at is None or _unchanged(file.identity, stamp))
            and not _still_there(file.path, stamp)
            for file, stamp in pairs
        ) and not _has_past(ledger, capture):
            return row
    return None


def _unchanged(recorded: Identity, stamp: Stamp) -> bool:
    return recorded.size == stamp.size and recorded.mtime_ns == stamp.mtime_ns


def _still_there(path: Path, stamp: Stamp) -> bool:
    try:
        return os.lstat(path).st_ino == stamp.inode
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True  # unknown is not gone


def _has_past(ledger: Ledger, capture: Capture) -> bool:
    """Whether other contents are known at the new places: a check has to say which is which."""
    return any(
        next(ledger.rows("SELECT 1 FROM contents WHERE path = ?", (os.fsencode(file),)), None)
        for file in capture.files
    )


def move(
    ledger: Ledger, row: CaptureRow, capture: Capture, report_at: Callable[[Path], Path]
) -> CaptureRow:
    """Put a row, its files, its contents and its report under the names they bear now.

    A worker that reads it under the old name is no use any more: such a capture waits anew.

    Args:
        report_at: where the report of a capture stands (``settings.report_at``).
    """
    old = ledger.files(row.id)
    path = capture.report_stem
    report_path = report_at(path)
    _take_signoff(ledger, row, report_path)
    _bring_along(row, report_path)
    for file, new in zip(old, capture.files, strict=True):
        ledger.change(
            # a new name moves the time of change, and casts no doubt on the content
            "UPDATE files SET folder = ?, name = ?, missing_since = NULL, ctime_ns = NULL"
            " WHERE folder = ? AND name = ?",
            (*split(new), *split(file.path)),
        )
        ledger.change(
            "UPDATE contents SET path = ? WHERE path = ?",
            (os.fsencode(new), os.fsencode(file.path)),
        )
    ledger.change("UPDATE captures SET path = ? WHERE id = ?", (os.fsencode(path), row.id))
    report = ledger.report(row.id)
    if report is not None:
        names = {file.path.name: new.name for file, new in zip(old, capture.files, strict=True)}
        body = to_json(_renamed(report, capture, names), indent=None).encode("ascii")
        ledger.change(
            "UPDATE captures SET report = ?, report_path = ?, delivered = 0 WHERE id = ?",
            (zlib.compress(body), os.fsencode(report_path), row.id),
        )
    if row.state is State.CHECKING:
        ledger.move_to(row.id, State.WAITING, why="was renamed while it was checked")
    elif row.state is State.MISSING:
        ledger.move_to(row.id, State.DONE if ledger.is_current(row.id) else State.WAITING)
    now = ledger.capture(path)
    assert now is not None
    return now


def _take_signoff(ledger: Ledger, row: CaptureRow, new: Path) -> None:
    """Take over a sign-off that stands on disk alone, at the old place or moved along already."""
    for path in (row.report_path, new):
        report = ledger.report(row.id)
        if report is not None:
            take_over(ledger, row, report, path)


def _bring_along(row: CaptureRow, new: Path) -> None:
    """Rename the report on disk as well.

    Left behind, it would stand beside whatever is recorded under the old name next, and speak
    against it. Where that fails the report is written anew under the new name all the same.
    """
    if row.report_path is None or new == row.report_path or os.path.lexists(new):
        return
    with contextlib.suppress(OSError):
        new.parent.mkdir(parents=True, exist_ok=True)
        os.rename(row.report_path, new)


def _renamed(report: Report, capture: Capture, names: Mapping[str, str]) -> Report:
    """A report under the names that its capture bears now."""
    name, name_b64 = readable(capture.name)
    folder, folder_b64 = readable(str(capture.folder))
    files = []
    for line, file in zip(report.capture.files, capture.files, strict=True):
        new, new_b64 = readable(file.name)
        files.append(dataclasses.replace(line, name=new, name_b64=new_b64))
    told = {shown(old): new for old, new in names.items()} | dict(names)
    return dataclasses.replace(
        report,
        capture=dataclasses.replace(
            report.capture,
            name=name,
            name_b64=name_b64,
            folder=folder,
            folder_b64=folder_b64,
            files=tuple(files),
        ),
        earlier=tuple(
            dataclasses.replace(
                state, file=told.get(state.file, state.file) if state.file else None
            )
            for state in report.earlier
        ),
    )
