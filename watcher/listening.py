"""Do the events of a root arrive? Proven now and then; begun anew, or given up, if they do not."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Final

from watcher.arrivals import Source
from watcher.files import shown
from watcher.troubles import Troubles

_ASK_S: Final = 30.0  # between two proofs. Common practice: noticed while nothing is late yet.
_ANSWER_S: Final = 2.0  # an event came out after 0.5 ms, at worst 1.3 ms (measured)
# So many failures within so long: give events up for a while and rely on scans. Common practice.
_FAILURES: Final = 3
_FAILURES_S: Final = 600.0
_GIVEN_UP_S: Final = 3600.0

MakeSource = Callable[[Path], Source]


class Listening:
    """The source of hints about one root, kept alive.

    Args:
        make: makes a source for a folder without links in its path; None: scans only.
    """

    def __init__(self, root: Path, troubles: Troubles, make: MakeSource | None) -> None:
        self._root = root
        self._real = root
        self._troubles = troubles
        self._key = f"events {shown(root)}"
        self._make = make
        self._source: Source | None = None
        self._asked: float | None = None
        self._ask_at = float("-inf")
        self._failures: list[float] = []
        self._not_before = float("-inf")

    @property
    def alive(self) -> bool:
        return self._source is not None

    def keep(self, now: float) -> bool:
        """See to it that events arrive; True where a source was begun, so that a scan is due."""
        if self._make is None:
            return False
        if self._source is not None:
            failed = self._failed(self._source, now)
            if failed is None:
                return False
            self.stop()
            self._count(failed, now)
        if now < self._not_before:
            return False
        self._real = Path(os.path.realpath(self._root))
        source = self._make(self._real)
        try:
            source.start()
        except OSError as error:
            self._not_before = now + _GIVEN_UP_S
            self._tell(error.strerror or str(error), anew=False)
            return False
        self._source, self._asked, self._ask_at = source, None, now
        return True

    def stop(self) -> None:
        """End the source's threads."""
        source, self._source = self._source, None
        if source is not None:
            source.stop()

    def again(self) -> None:
        """Another volume may stand there: what failed before says nothing about it."""
        self.stop()
        self._failures.clear()
        self._not_before = float("-inf")

    def overflowed(self) -> bool:
        """Whether events were lost since this was last asked."""
        return self._source is not None and self._source.overflowed()

    def hints(self, most: int) -> list[bytes]:
        """Paths to look at soon, under the name that the root has in the configuration."""
        if self._source is None:
            return []
        found = self._source.drain(most)
        if self._real == self._root:
            return found
        real, name = os.fsencode(self._real), os.fsencode(self._root)
        return [name + path[len(real) :] for path in found if path.startswith(real)]

    def _failed(self, source: Source, now: float) -> str | None:
        """What is wrong with the source, if anything."""
        trouble = source.trouble()
        if trouble is not None:
            return trouble
        if self._asked is None:
            if now >= self._ask_at:
                self._asked = now if source.ask() else None
                self._ask_at = now + _ASK_S
            return None
        if source.answered():
            self._asked = None
            self._troubles.end(self._key)
        elif now - self._asked >= _ANSWER_S:
            return "the event of opening the marker did not come"
        return None

    def _count(self, why: str, now: float) -> None:
        self._failures = [t for t in self._failures if now - t < _FAILURES_S] + [now]
        if len(self._failures) >= _FAILURES:
            self._not_before = now + _GIVEN_UP_S
        self._tell(why, anew=now >= self._not_before)

    def _tell(self, why: str, *, anew: bool) -> None:
        then = "it is watched and scanned anew" if anew else "new captures are found by scans only"
        self._troubles.begin(
            self._key, f"Events of {shown(self._root)} did not arrive ({why}): {then}"
        )
