"""The scan: a root as it is, held against the ledger, folder by folder.

What events missed is found here, and only here is a file believed gone: it must be absent in two
scans, in a folder that could be listed, on a root proven by its marker before and after. Where a
large share of a root vanishes at once the root itself is taken to be wrong, and nothing is
believed until a person confirms it.

Memory does not grow with the tree but by what differs; the scan yields often, so that whoever runs
it can stop, or do something else meanwhile.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, NamedTuple, TypeVar

from watcher.files import Stamp
from watcher.lease import is_mount_point, keeps_inodes
from watcher.ledger import Ledger, State
from watcher.ledger import now as wall_time
from watcher.walk import is_capture, is_unfinished_name

_BREATH: Final = 1000  # entries between two chances to stop
_DEEPEST: Final = 64  # folders; only a damaged or hostile tree is deeper
TOO_DEEP: Final = f"more than {_DEEPEST} folders deep"
_MOST_ABSENT: Final = 10_000  # taken in hand in one scan; the others in the next
# More files and a larger share than this do not vanish by anybody's will at once. From memory.
_FEW: Final = 10
_SHARE: Final = 0.2

# Of a capture whose content is in doubt: before any that was read (the ledger's form of time).
NEVER_READ: Final = "1970-01-01T00:00:00.000+00:00"

_T = TypeVar("_T")


@dataclass(slots=True)
class Listing:
    """One folder.

    Attributes:
        captures: files named like captures.
        unfinished: files whose name says that they are still being written.
        unsure: names that could not be looked at.
    """

    folder: bytes
    captures: dict[bytes, Stamp] = field(default_factory=dict)
    unfinished: dict[bytes, Stamp] = field(default_factory=dict)
    unsure: set[bytes] = field(default_factory=set)


class Absent(NamedTuple):
    """A known file that was not there."""

    folder: bytes
    name: bytes
    capture: int
    since: str | None


@dataclass(slots=True)
class Outcome:
    """What a scan came upon.

    Attributes:
        folders: how many were listed, hidden ones counted too.
        known: files the ledger has there and does not call missing.
        absent: those of them not found; ``absents`` counts, the list is cut.
        unlisted: folders that could not be listed, and why.
        links, others: named like captures, but no files.
        elsewhere: folders on which another volume is mounted.
        leftovers: unfinished files.
    """

    folders: int = 0
    captures: int = 0
    known: int = 0
    absents: int = 0
    newly_absent: int = 0
    absent: list[Absent] = field(default_factory=list)
    unlisted: list[tuple[bytes, str]] = field(default_factory=list)
    links: list[bytes] = field(default_factory=list)
    others: list[bytes] = field(default_factory=list)
    elsewhere: list[bytes] = field(default_factory=list)
    leftovers: dict[bytes, Stamp] = field(default_factory=dict)

    @property
    def looks_wrong(self) -> bool:
        """Too much has vanished at once to be believed."""
        return self.newly_absent > _FEW and self.newly_absent > _SHARE * self.known


@dataclass(slots=True)
class Differs:
    """What is not as the ledger has it, in one folder."""

    touched: list[bytes]  # new or changed
    back: list[bytes]  # were absent


def walk(root: bytes, outcome: Outcome) -> Iterator[Listing | None]:
    """Every folder of a root; None now and then, for whoever wants to stop. No link is followed."""
    try:
        stack = [(root, 0, os.stat(root).st_dev)]
    except OSError as error:
        _note(outcome.unlisted, (root, error.strerror or str(error)))
        return
    count = 0
    while stack:
        folder, depth, device = stack.pop()
        listing = Listing(folder)
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    count += 1
                    if count % _BREATH == 0:
                        yield None
                    if entry.is_dir(follow_symlinks=False):
                        outcome.folders += 1
                        below = _below(entry, depth, device, outcome)
                        if below is not None:
                            stack.append(below)
                    else:
                        _take(entry, listing, outcome)
        except OSError as error:
            _note(outcome.unlisted, (folder, error.strerror or str(error)))
            continue
        outcome.captures += len(listing.captures)
        yield listing


def _below(
    entry: os.DirEntry[bytes], depth: int, device: int, outcome: Outcome
) -> tuple[bytes, int, int] | None:
    """A folder to go into; None for hidden ones, other volumes and the bottomless."""
    if entry.name.startswith(b"."):
        return None
    try:
        found = entry.stat(follow_symlinks=False).st_dev
    except OSError as error:
        _note(outcome.unlisted, (entry.path, error.strerror or str(error)))
        return None
    if found != device and is_mount_point(Path(os.fsdecode(entry.path))):
        _note(outcome.elsewhere, entry.path)
        return None
    if depth >= _DEEPEST:
        _note(outcome.unlisted, (entry.path, TOO_DEEP))
        return None
    return entry.path, depth + 1, found


def _take(entry: os.DirEntry[bytes], listing: Listing, outcome: Outcome) -> None:
    """Sort one entry that is no folder."""
    capture = is_capture(entry.name)
    if not capture and not is_unfinished_name(os.fsdecode(entry.name)):
        if entry.is_symlink() and _leads_to_folder(entry):
            _note(outcome.links, entry.path)
        return
    try:
        st = entry.stat(follow_symlinks=False)
    except FileNotFoundError:
        return
    except OSError:
        listing.unsure.add(entry.name)
        return
    if stat.S_ISLNK(st.st_mode):
        _note(outcome.links, entry.path)
    elif not stat.S_ISREG(st.st_mode):
        _note(outcome.others, entry.path)
    elif capture:
        listing.captures[entry.name] = Stamp.of(st)
    else:
        listing.unfinished[entry.name] = Stamp.of(st)


def _leads_to_folder(entry: os.DirEntry[bytes]) -> bool:
    with contextlib.suppress(OSError):  # a loop, or nothing behind it
        return entry.is_dir()
    return False


def _note(notes: list[_T], one: _T) -> None:
    if len(notes) < _MOST_ABSENT:
        notes.append(one)


def compare(ledger: Ledger, listing: Listing, outcome: Outcome) -> Differs:
    """One folder against the ledger; known files that are absent go into the outcome."""
    left = dict(listing.captures)
    differs = Differs([], [])
    moved_device = False
    rows = ledger.rows(
        "SELECT name, capture, device, inode, size, mtime_ns, ctime_ns, missing_since,"
        " CASE WHEN missing_since IS NOT NULL THEN"
        " (SELECT state FROM captures WHERE id = files.capture) END"
        " FROM files WHERE folder = ?",
        (listing.folder,),
    )
    behind: list[tuple[bytes, int, int | None]] = []
    for name, capture, device, inode, size, mtime_ns, ctime_ns, since, state in rows:
        stamp = left.pop(name, None)
        if stamp is None:
            if name not in listing.unsure and state != State.MISSING:
                _absent(outcome, Absent(listing.folder, name, capture, since))
            continue
        outcome.known += 1
        if since is not None:
            differs.back.append(name)
        replaced = inode != stamp.inode and keeps_inodes(stamp.device)
        if replaced or size != stamp.size or mtime_ns != stamp.mtime_ns:
            differs.touched.append(name)
        elif ctime_ns != stamp.ctime_ns:
            behind.append((name, stamp.ctime_ns, ctime_ns))
        moved_device = moved_device or device != stamp.device
    differs.touched.extend(left)
    for one in behind:
        _changed_behind(ledger, listing.folder, *one)
    if moved_device:  # mounted anew: the number says on which volume a check will read
        device = next(iter(listing.captures.values())).device
        ledger.change("UPDATE files SET device = ? WHERE folder = ?", (device, listing.folder))
    return differs


def _changed_behind(
    ledger: Ledger, folder: bytes, name: bytes, ctime_ns: int, before: int | None
) -> None:
    """Size and date are as they were, but something was done to the file since it was known.

    New rights, a second link, or a content with the date put back: only reading tells. Nothing is
    alarmed; the capture comes first among those that are read again in idle time. One that could
    not be read is checked again: somebody may have mended the cause.
    """
    with ledger.commit():
        ledger.change(
            "UPDATE files SET ctime_ns = ? WHERE folder = ? AND name = ?", (ctime_ns, folder, name)
        )
        if before is not None:
            ledger.change(
                "UPDATE captures SET verified_at = ? WHERE verified_at IS NOT NULL AND id ="
                " (SELECT capture FROM files WHERE folder = ? AND name = ?)",
                (NEVER_READ, folder, name),
            )
            ledger.change(
                "UPDATE captures SET state = ?, changed_at = ?, attempts = 0 WHERE id ="
                " (SELECT capture FROM files WHERE folder = ? AND name = ?)"
                " AND verdict = 'unread' AND state IN (?, ?)",
                (State.QUEUED, wall_time(), folder, name, State.DONE, State.GIVEN_UP),
            )


def compare_file(ledger: Ledger, folder: bytes, name: bytes, stamp: Stamp) -> Differs:
    """One file against the ledger."""
    query = "SELECT size, mtime_ns, inode, missing_since FROM files WHERE folder = ? AND name = ?"
    row = next(ledger.rows(query, (folder, name)), None)
    if row is None:
        return Differs([name], [])
    replaced = row[2] != stamp.inode and keeps_inodes(stamp.device)
    touched = replaced or row[:2] != (stamp.size, stamp.mtime_ns)
    return Differs([name] if touched else [], [name] if row[3] is not None else [])


def _absent(outcome: Outcome, one: Absent) -> None:
    outcome.known += 1
    outcome.absents += 1
    outcome.newly_absent += one.since is None
    _note(outcome.absent, one)


def vanished_folders(ledger: Ledger, root: bytes, outcome: Outcome) -> Iterator[None]:
    """Known files of folders that are gone altogether."""
    folder, end = root.rstrip(b"/") + b"/", root.rstrip(b"/") + b"0"  # "0" follows "/"
    while True:
        found = next(
            ledger.rows(
                "SELECT folder FROM files WHERE folder > ? AND folder < ? ORDER BY folder LIMIT 1",
                (folder, end),
            ),
            None,
        )
        if found is None:
            return
        (folder,) = found
        try:
            os.lstat(folder)
        except (FileNotFoundError, NotADirectoryError):
            compare(ledger, Listing(folder), outcome)
        except OSError:
            pass  # unknown is not gone; the walk has told why
        yield None


def scan(ledger: Ledger, root: bytes, outcome: Outcome) -> Iterator[tuple[Listing, Differs] | None]:
    """The whole of a root: each folder that is not as it was, and None now and then."""
    yield from below(ledger, root, outcome)
    yield from vanished_folders(ledger, root, outcome)


def below(
    ledger: Ledger, folder: bytes, outcome: Outcome
) -> Iterator[tuple[Listing, Differs] | None]:
    """A folder and all below it, the same way."""
    for listing in walk(folder, outcome):
        if listing is None:
            yield None
            continue
        found = compare(ledger, listing, outcome)
        for name, stamp in listing.unfinished.items():
            outcome.leftovers[os.path.join(listing.folder, name)] = stamp
        yield (listing, found) if found.touched or found.back else None
