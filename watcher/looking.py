"""What is to be looked at, and in which order: hints first, then what scans brought.

All of it ends in ``Candidates.consider``; here it is only kept in line, so that no single folder,
however full, holds up a tick.
"""

from __future__ import annotations

import os
import stat
from collections import deque
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final, NamedTuple

from watcher import booking, reconcile
from watcher.candidates import Candidates, Place
from watcher.files import Stamp
from watcher.growth import Growth
from watcher.ledger import Ledger, State
from watcher.reconcile import Differs, Listing, Outcome
from watcher.walk import is_capture_name, is_unfinished_name

_CHUNK: Final = 200  # files of one folder taken in at once
# Captures looked at at once before a scan waits for them to settle: some 20 MB. Common practice.
_ROOM: Final = 20_000


class _Folder(NamedTuple):
    """Files of one folder that are to be looked at; ``listed``: all of it, where a scan came by."""

    place: Place
    folder: Path
    names: list[str]
    listed: list[str] | None


class Looking:
    """The line of files and folders to look at."""

    def __init__(self, ledger: Ledger, candidates: Candidates, growth: Growth) -> None:
        self._ledger = ledger
        self._candidates = candidates
        self._growth = growth
        self._folders: deque[_Folder] = deque()
        self._trees: deque[tuple[Place, Iterator[tuple[Listing, Differs] | None]]] = deque()

    @property
    def has_room(self) -> bool:
        """Whether a scan may bring more to look at; hints may always."""
        return self._candidates.units < _ROOM

    def drop(self, place: Place) -> None:
        """Forget what lies in a root: it went away."""
        self._folders = deque(one for one in self._folders if one.place != place)
        self._trees = deque(tree for tree in self._trees if tree[0] != place)

    def hints(self, place: Place, paths: Iterable[bytes]) -> None:
        """Sort hints: files that differ, files of unfinished names, folders, and nothing."""
        files: dict[bytes, dict[bytes, None]] = {}
        for path in dict.fromkeys(paths):
            folder, name = os.path.split(path)
            if b"/." in folder[len(os.fsencode(place.path)) :]:
                continue  # in a hidden folder
            try:
                st = os.lstat(path)
            except OSError:
                continue  # gone: the scans find that out
            if stat.S_ISDIR(st.st_mode):
                if not name.startswith(b"."):
                    steps = reconcile.below(self._ledger, path, Outcome())
                    self._trees.append((place, steps))
            elif stat.S_ISREG(st.st_mode):
                if is_capture_name(os.fsdecode(name)):
                    found = reconcile.compare_file(self._ledger, folder, name, Stamp.of(st))
                    self._back(place, folder, found.back)
                    if found.touched:
                        files.setdefault(folder, {})[name] = None
                elif is_unfinished_name(os.fsdecode(name)):
                    self._growth.watch({path: Stamp.of(st)})
        for folder, names in files.items():
            self._folders.appendleft(_folder(place, folder, names, None))

    def differs(self, place: Place, listing: Listing, found: Differs) -> None:
        """Take in what a scan found in one folder."""
        self._back(place, listing.folder, found.back)
        if found.touched:
            one = _folder(place, listing.folder, found.touched, listing.captures)
            self._folders.append(one)

    def resume(self, place: Place) -> None:
        """Take up what waits and is not looked at, after a start or the root's return."""
        for folder, names in self._candidates.to_resume(place):
            self._folders.append(_Folder(place, folder, names, None))

    def step(self, now: float) -> bool:
        """Look at a little of it; False where there is nothing to look at now."""
        if self._folders and (self._folders[0].listed is None or self.has_room):
            one = self._folders.popleft()
            names, left = one.names[:_CHUNK], one.names[_CHUNK:]
            if left:
                self._folders.appendleft(one._replace(names=left))
            self._candidates.consider(one.place, one.folder, names, now=now, listed=one.listed)
            return True
        if not self._trees:
            return False
        place, steps = self._trees[0]
        try:
            found = next(steps)
        except StopIteration:
            self._trees.popleft()
            return True
        if found is not None:
            self.differs(place, *found)
        return True

    def _back(self, place: Place, folder: bytes, names: list[bytes]) -> None:
        """Files that were absent are there: their captures stand again, or wait for a check."""
        for row in booking.back(self._ledger, folder, names):
            if row.state is State.WAITING:
                files = [file.path.name for file in self._ledger.files(row.id)]
                self._folders.append(_Folder(place, Path(os.fsdecode(folder)), files, None))


def _folder(
    place: Place, folder: bytes, names: Iterable[bytes], listed: Iterable[bytes] | None
) -> _Folder:
    return _Folder(
        place,
        Path(os.fsdecode(folder)),
        [os.fsdecode(name) for name in names],
        None if listed is None else [os.fsdecode(name) for name in listed],
    )
