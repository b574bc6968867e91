"""When a file that is not there is believed gone.

Only on a root proven by its marker before and after the scan, only when it was absent in two scans
far enough apart, and not when so much is absent at once that the root itself must be wrong.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from watcher import booking
from watcher.files import shown
from watcher.ledger import Ledger, utc
from watcher.reconcile import Outcome
from watcher.roots import Look
from watcher.troubles import Troubles, read

_PERIODS = 2  # quiet periods between the two scans: what was moved has settled elsewhere by then


class Absence:
    """The absent files of one root, from scan to scan."""

    def __init__(
        self,
        ledger: Ledger,
        troubles: Troubles,
        root: Path,
        *,
        quiet_s: float,
        wall: Callable[[], str],
    ) -> None:
        self._ledger = ledger
        self._troubles = troubles
        self._root = root
        self._apart_s = _PERIODS * quiet_s
        self._wall = wall
        # When absences were noted, by our own clock, under the time of day in the ledger.
        self._noted: dict[str, float] = {}

    def conclude(self, outcome: Outcome, look: Look, now: float) -> list[int]:
        """What a complete scan says about absent files.

        Args:
            look: what stood at the root's place before and after it.

        Returns:
            Captures that are missing from now on.
        """
        name = shown(self._root)
        unproven = f"unenrolled {name}"
        if not look.proven:
            if outcome.absents and unproven not in self._troubles.open:
                self._troubles.begin(
                    unproven,
                    f"Files of {name} are no longer there ({_count(outcome)}). It was never "
                    "enrolled, so nobody can tell deleted files from lost storage: "
                    f"`reelvigil enrol {name}`",
                )
            elif not outcome.absents:
                self._troubles.end(unproven)
            return []
        self._troubles.end(unproven)
        wrong = f"vanished {name}"
        if outcome.looks_wrong and not self._confirmed(wrong, look):
            if wrong not in self._troubles.open:
                self._troubles.begin(
                    wrong,
                    f"The root {name} looks wrong: {_count(outcome)} are gone at once, so none of "
                    "them is called missing. If they were taken away on purpose: "
                    f"`reelvigil enrol {name}` once more",
                )
            return []
        self._troubles.end(wrong)
        return self._believe(outcome, now)

    def _confirmed(self, key: str, look: Look) -> bool:
        """Whether a person enrolled the root again after it was told to look wrong."""
        began = next((t.began for t in read(self._ledger, open_only=True) if t.key == key), None)
        return began is not None and look.marker is not None and utc(look.marker.at) > utc(began)

    def _believe(self, outcome: Outcome, now: float) -> list[int]:
        at = self._wall()
        gone: dict[int, list[bytes]] = {}
        with self._ledger.commit():
            for one in outcome.absent:
                if one.since is None:
                    self._noted[at] = now
                    self._ledger.change(
                        "UPDATE files SET missing_since = ? WHERE folder = ? AND name = ?",
                        (at, one.folder, one.name),
                    )
                elif now - self._noted.setdefault(one.since, now) >= self._apart_s:
                    path = os.path.join(one.folder, one.name)
                    if not os.path.lexists(path):
                        gone.setdefault(one.capture, []).append(one.name)
            for capture, names in gone.items():
                booking.gone(self._ledger, capture, names)
        return list(gone)


def _count(outcome: Outcome) -> str:
    return f"{outcome.absents} of {outcome.known} files"
