"""One root while it is watched: is it there, and is it the volume that it was?

A root that goes away is paused, not emptied; one that comes back is watched and scanned anew.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Final

from watcher import lease, roots
from watcher.answering import Answering
from watcher.candidates import Place
from watcher.files import shown
from watcher.ledger import Ledger
from watcher.listening import Listening
from watcher.roots import Look, RootState
from watcher.scanning import Scanning
from watcher.troubles import Troubles

_LOOK_S: Final = 30.0  # between two looks at the marker; a look costs microseconds


class Watched:
    """One root.

    Attributes:
        look: what stood at its place when it was last looked at.
    """

    def __init__(
        self,
        ledger: Ledger,
        troubles: Troubles,
        path: Path,
        *,
        instance: str,
        wall: Callable[[], str],
        listening: Listening,
        scanning: Scanning,
        answering: Answering | None = None,
    ) -> None:
        self.place = Place(id=ledger.root(path), path=path)
        self.look: Look | None = None
        self.listening = listening
        self.scanning = scanning
        self._answering = answering or Answering()
        self._ledger = ledger
        self._troubles = troubles
        self._instance = instance
        self._wall = wall
        self._key = f"root {shown(path)}"
        self._looked = float("-inf")

    @property
    def present(self) -> bool:
        return self.look is not None and self.look.state is RootState.PRESENT

    @property
    def on_network(self) -> bool:
        """Whether other machines may write there, of which no event tells."""
        return self.look is not None and lease.is_network(self.look.device or 0)

    def attend(self, now: float) -> bool | None:
        """Look whether the root is there, when that is due.

        Returns:
            True where it came (back), False where it went, None where nothing changed.
        """
        if now - self._looked < _LOOK_S and not self._replaced():
            return None
        self._looked = now
        before, self.look = self.look, self._look()
        if before is not None and _same(before, self.look):
            return None
        lease.forget_filesystems()
        self._note(self.look)
        self.listening.again()
        self.scanning.drop()
        if self.present:
            self.scanning.want(now, at_once=True)
            return True
        return False

    def same_as_before(self) -> Look | None:
        """What stands at the root's place this very moment, where that is what stood there."""
        now = self._look()
        if self.look is None or not _same(now, self.look):
            self._looked = float("-inf")
            return None
        return now

    def scanned(self) -> None:
        """Note that a scan reached its end."""
        self._ledger.change(
            "UPDATE roots SET scanned_at = ? WHERE id = ?", (self._wall(), self.place.id)
        )

    def _look(self) -> Look:
        query = "SELECT marker, scanned_at FROM roots WHERE id = ?"
        marker, scanned_at = next(self._ledger.rows(query, (self.place.id,)))
        return roots.look(
            self.place.path,
            expected=marker,
            instance=self._instance,
            held=self._holds_captures,
            seen_at=scanned_at,
            ask=self._answering.ask,
        )

    def _holds_captures(self) -> bool:
        query = "SELECT 1 FROM captures WHERE root = ? LIMIT 1"
        return next(self._ledger.rows(query, (self.place.id,)), None) is not None

    def _replaced(self) -> bool:
        """Whether another folder stands at the root's place; cheap enough for every tick."""
        if self.look is None or not self.present:
            return False
        try:
            st = self._answering.ask(partial(os.stat, self.place.path))
        except OSError:
            return True
        return (st.st_dev, st.st_ino) != (self.look.device, self.look.inode)

    def _note(self, look: Look) -> None:
        self._ledger.change(
            "UPDATE roots SET state = ?, detail = ?, since = ?, marker = coalesce(?, marker)"
            " WHERE id = ?",
            (
                look.state,
                look.detail,
                self._wall(),
                look.marker.id if look.marker is not None and look.proven else None,
                self.place.id,
            ),
        )
        if look.state is RootState.PRESENT or look.detail is None:
            self._troubles.end(self._key)
        else:
            end = "" if look.detail.endswith("?") else "."
            self._troubles.begin(self._key, f"Storage lost: {look.detail}{end}")


def _same(one: Look, other: Look) -> bool:
    """Whether two looks saw the same volume in the same state."""
    bare = {replace(look, detail=None, marker=None) for look in (one, other)}
    ids = {look.marker.id if look.marker is not None else None for look in (one, other)}
    return len(bare) == 1 and len(ids) == 1
