"""One run of the daemon in the ledger: when it began, that it lives, what it does, how it ended."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Final

from watcher import __version__, notify
from watcher.ledger import Ledger, now
from watcher.settings import Settings

BEAT_S: Final = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Doing:
    """A check that runs; ``share`` of its work is done, None where that is not known."""

    capture: str
    share: float | None
    paused: bool


class Life:
    """Written when the daemon begins, every half minute, and whenever it does something else."""

    def __init__(self, ledger: Ledger, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._ledger = ledger
        self._monotonic = monotonic
        self._id = 0
        self._beat = float("-inf")
        self._told: tuple[tuple[str, bool], ...] | None = None

    def begin(self) -> None:
        at = now()
        self._ledger.change(
            "INSERT INTO lives (began, beat, version) VALUES (?, ?, ?)", (at, at, __version__)
        )
        (number,) = next(iter(self._ledger.rows("SELECT max(id) FROM lives")))
        self._id = int(number)

    def beat(self, doing: Sequence[Doing], *, waiting: int) -> None:
        """Say that the daemon lives, and what it does, when that is due or something else."""
        every = min(BEAT_S, notify.watchdog_s() or BEAT_S)
        now_told = tuple((one.capture, one.paused) for one in doing)
        if self._monotonic() - self._beat < every and now_told == self._told:
            return
        self.write(doing)
        self._beat, self._told = self._monotonic(), now_told
        notify.tell("WATCHDOG=1", f"STATUS={len(doing)} being checked, {waiting} not settled yet")

    def write(self, doing: Sequence[Doing] = ()) -> None:
        """Put it into the ledger now."""
        self._ledger.change(
            "UPDATE lives SET beat = ?, doing = ? WHERE id = ?",
            (now(), json.dumps([asdict(one) for one in doing]), self._id),
        )

    def end(self) -> None:
        at = now()
        self._ledger.change(
            "UPDATE lives SET beat = ?, ended = ?, doing = NULL WHERE id = ?", (at, at, self._id)
        )


def forget_roots(ledger: Ledger, settings: Settings) -> None:
    """Roots that are configured no more are not told as if they were watched."""
    marks = ", ".join("?" * len(settings.roots))
    ledger.change(
        f"UPDATE roots SET state = 'unwatched', detail = NULL WHERE path NOT IN ({marks})",
        [os.fsencode(root) for root in settings.roots],
    )
