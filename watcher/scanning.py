"""The scans of one root: when the next is due, how far one is, what it came upon."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from watcher import reconcile
from watcher.absence import Absence
from watcher.files import shown
from watcher.ledger import Ledger
from watcher.reconcile import Differs, Listing, Outcome
from watcher.roots import Look
from watcher.troubles import Troubles, lasting

# Scans may take this share of a processor at most: a huge tree is scanned less often.
_SHARE: Final = 1 / 250
_APART_S: Final = 10.0  # between two scans, whatever wants them. Common practice.
# What a broken-off transfer leaves behind is told when it is large enough to be one.
_LEFTOVER_BYTES: Final = 1 << 20  # from memory: shorter than any transfer


class Scanning:
    """Scans one root, again and again.

    Args:
        give_up_s: a file of an unfinished name is told once nothing changed it for so long.

    Attributes:
        folders: found by the last scan, as far as they could be listed.
    """

    def __init__(
        self,
        ledger: Ledger,
        troubles: Troubles,
        root: Path,
        *,
        quiet_s: float,
        give_up_s: float,
        every_s: float,
        wall: Callable[[], str],
    ) -> None:
        self.folders = 0
        self._ledger = ledger
        self._troubles = troubles
        self._root = root
        self._give_up_s = give_up_s
        self._every_s = every_s
        self._absence = Absence(ledger, troubles, root, quiet_s=quiet_s, wall=wall)
        self._outcome = Outcome()
        self._steps: Iterator[tuple[Listing, Differs] | None] | None = None
        self._took_s = 0.0
        self._began = float("-inf")
        self._due = float("-inf")
        self._at_once = False

    @property
    def running(self) -> bool:
        return self._steps is not None

    def want(self, now: float, *, at_once: bool = False) -> None:
        """Scan soon; a scan that runs is followed by another."""
        self._due = min(self._due, now if at_once else max(now, self._began + _APART_S))

    def drop(self) -> None:
        """End a scan that runs: its root went away."""
        self._steps = None

    def begin(self, now: float) -> bool:
        """Begin a scan where one is due; whether one runs."""
        if self._steps is None and now >= self._due:
            self._due, self._began, self._took_s = float("inf"), now, 0.0
            self._outcome = Outcome()
            self._steps = reconcile.scan(self._ledger, os.fsencode(self._root), self._outcome)
        return self.running

    def step(self) -> tuple[Listing, Differs] | None:
        """A folder that is not as it was, or None.

        Raises:
            StopIteration: the scan has reached its end.
        """
        assert self._steps is not None
        began = time.thread_time()
        try:
            return next(self._steps)
        finally:
            self._took_s += time.thread_time() - began

    def conclude(self, look: Look | None, now: float) -> tuple[Outcome | None, list[int]]:
        """Make the most of a scan that has reached its end.

        Args:
            look: what stood at the root's place before and after; None where that differs.

        Returns:
            What it came upon, and captures that are missing from now on.
        """
        self._steps = None
        self._due = min(self._due, now + max(self._every_s, self._took_s / _SHARE))
        if look is None:
            return None, []
        outcome = self._outcome
        self.folders = outcome.folders + 1 - len(outcome.unlisted)
        self._tell(outcome)
        return outcome, self._absence.conclude(outcome, look, now)

    def _tell(self, outcome: Outcome) -> None:
        """What a person should know of what the scan came upon."""
        why = outcome.unlisted[0][1] if outcome.unlisted else ""
        old_ns = (time.time() - self._give_up_s) * 1e9
        told = {
            "unlisted": (
                [folder for folder, _ in outcome.unlisted],
                f"Captures in folders that cannot be listed ({why}) are not seen",
                "Give read and search permission" if why != reconcile.TOO_DEEP else "",
            ),
            "links": (
                outcome.links,
                "Links are not followed",
                "Name what they lead to as a root of its own",
            ),
            "others": (outcome.others, "Named like captures, but no files", ""),
            "elsewhere": (
                outcome.elsewhere,
                "Volumes of their own are not looked into",
                "Name them as roots",
            ),
            "leftovers": (
                [
                    path
                    for path, stamp in sorted(outcome.leftovers.items())
                    if stamp.size >= _LEFTOVER_BYTES and stamp.mtime_ns < old_ns
                ],
                f"Names of unfinished transfers, unchanged for {lasting(self._give_up_s)}",
                "See whether a transfer broke off",
            ),
        }
        for kind, (paths, text, then) in told.items():
            key = f"{kind} {shown(self._root)}"
            if paths:
                more = f" and {len(paths) - 1} more" if len(paths) > 1 else ""
                then = f" {then}." if then else ""
                self._troubles.begin(key, f"{text}: {shown(paths[0])}{more}.{then}")
            else:
                self._troubles.end(key)
