"""Captures as the ledger has them: which row a capture is, what its files belonged to before.

A row follows its files: a capture that was renamed or moved within its root keeps its history, a
track set that gained a file is still that set, a file that became part of a set has no row of its
own any more (its former contents stay known).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from watcher.files import Stamp, shown
from watcher.gone import apart, is_anothers
from watcher.ledger import CaptureRow, Ledger, State
from watcher.moved import former, move
from watcher.tracksets import Capture


@dataclass(frozen=True, slots=True, kw_only=True)
class Booked:
    """A capture as it now stands in the ledger.

    Attributes:
        reopened: it was queued, being checked or checked in a former state.
        known: it was only moved and needs no check.
        left: files that shared a row with these and are in none of theirs: look at them again.
    """

    row: CaptureRow
    reopened: bool = False
    known: bool = False
    left: tuple[Path, ...] = ()


def same_as_known(ledger: Ledger, capture: Capture) -> CaptureRow | None:
    """The row that holds exactly the files of a capture."""
    owner = ledger.capture_of_file(capture.files[0])
    if owner is None or owner.is_set != capture.is_set:
        return None
    files = [file.path for file in ledger.files(owner.id)]
    return owner if files == list(capture.files) else None


def book(
    ledger: Ledger,
    root: int,
    capture: Capture,
    stamps: Mapping[Path, Stamp],
    *,
    state: State,
    why: str | None,
    report_at: Callable[[Path], Path],
) -> Booked:
    """Put a capture that is not settled, or is now, into the ledger.

    Args:
        report_at: where the report of a capture stands (``settings.report_at``).
    """
    with ledger.commit():
        owners = _owners(ledger, capture)
        if all(owner.checked_at is None and owner.generation == 1 for owner in owners):
            before = former(ledger, root, capture, stamps, {owner.id for owner in owners})
            if before is not None:
                for owner in owners:
                    ledger.forget(owner.id)
                row = move(ledger, before, capture, report_at)
                reopened = before.state is State.CHECKING
                if _written_to(ledger, row, stamps):  # nothing was known of it but that it is there
                    row = ledger.put(
                        root=root,
                        path=row.path,
                        is_set=capture.is_set,
                        files=[(file, stamps[file].identity) for file in capture.files],
                        state=state,
                        why=why,
                    )
                    reopened = reopened or row.generation != before.generation
                return Booked(row=row, reopened=reopened, known=row.state is not State.WAITING)
        path = next(
            (row.path for row in owners if row.is_set == capture.is_set),
            _free_path(ledger, capture, owners, report_at),
        )
        before = ledger.capture(path)
        row = ledger.put(
            root=root,
            path=path,
            is_set=capture.is_set,
            files=[(file, stamps[file].identity) for file in capture.files],
            state=state,
            why=why,
        )
        left: list[Path] = []
        for owner in owners:
            if owner.id != row.id:
                rest = ledger.files(owner.id)
                if not rest:
                    ledger.forget(owner.id)
                left += (file.path for file in rest)
        reopened = before is not None and before.generation != row.generation
        return Booked(row=row, reopened=reopened, left=tuple(left))


def _written_to(ledger: Ledger, row: CaptureRow, stamps: Mapping[Path, Stamp]) -> bool:
    """Whether files of a capture have another size or date than the ledger has."""
    return any(
        (file.identity.size, file.identity.mtime_ns)
        != (stamps[file.path].size, stamps[file.path].mtime_ns)
        for file in ledger.files(row.id)
    )


def _owners(ledger: Ledger, capture: Capture) -> list[CaptureRow]:
    """The rows that its files belong to."""
    found = (ledger.capture_of_file(file) for file in capture.files)
    return [*{row.id: row for row in found if row is not None}.values()]


def _free_path(
    ledger: Ledger,
    capture: Capture,
    owners: list[CaptureRow],
    report_at: Callable[[Path], Path],
) -> Path:
    """The path under which a capture is booked: not that of another set of the same name."""
    path = capture.report_stem
    if not capture.is_set:
        return path
    row = ledger.capture(path)
    if row is None:
        taken = is_anothers(capture, report_at(path))
    else:
        taken = row.id not in {owner.id for owner in owners} and any(
            os.path.lexists(file.path) for file in ledger.files(row.id)
        )
    return apart(capture).report_stem if taken else path


# -- captures that went, and came back -------------------------------------------------------


def gone(ledger: Ledger, capture: int, files: list[bytes]) -> None:
    """A capture of which files are believed to be no more."""
    names = ", ".join(shown(file) for file in files[:3]) + (" ..." if len(files) > 3 else "")
    verb = "is" if len(files) == 1 else "are"
    ledger.move_to(capture, State.MISSING, why=f"{names} {verb} gone")


def back(ledger: Ledger, folder: bytes, names: list[bytes]) -> Iterator[CaptureRow]:
    """Files that were absent are there again; captures that are whole again by that.

    Yields:
        Rows that were missing and now stand where they stood before, or wait for a check.
    """
    for name in names:
        ledger.change(
            "UPDATE files SET missing_since = NULL WHERE folder = ? AND name = ?", (folder, name)
        )
    for name in names:
        row = ledger.capture_of_file(Path(os.fsdecode(folder)) / os.fsdecode(name))
        if row is None or row.state is not State.MISSING:
            continue
        if any(file.missing_since is not None for file in ledger.files(row.id)):
            continue
        state = State.DONE if ledger.is_current(row.id) else State.WAITING
        ledger.move_to(row.id, state)
        now = ledger.capture(row.path)
        assert now is not None
        yield now
