"""Recordings go first: which checks wait, which go slowly, how fast the others may read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from enum import Enum, auto
from typing import Final

from watcher.pool import Pool
from watcher.settings import Settings, WhileRecording

# A capture that has waited so long for recordings to end is checked slowly beside them: a server
# that always records must not starve it. Common practice: it is known by the next morning.
STARVED_S: Final = 20 * 3600.0
# Beside a recording. Common practice: a tenth of what left a recorder's writes alone (measured).
SLOW_MB_S: Final = 10.0


class Manner(Enum):
    """How a check may go on now."""

    FREELY = auto()
    SLOWLY = auto()
    NOT = auto()


class Pacing:
    """From what records on a volume and what the configuration says.

    Args:
        recording_on: whether a file on a volume (``st_dev``) grows.
    """

    def __init__(self, pool: Pool, recording_on: Callable[[int], bool]) -> None:
        self._pool = pool
        self._recording_on = recording_on

    def of(self, volume: int, settings: Settings, *, waited_s: float) -> Manner:
        """How the check of a capture may go on, that began to wait for it so long ago."""
        if settings.while_recording is WhileRecording.RUN or not self._recording_on(volume):
            return Manner.FREELY
        if settings.while_recording is WhileRecording.WAIT and waited_s < STARVED_S:
            return Manner.NOT
        return Manner.SLOWLY

    def limit_mb_s(self, manner: Manner, settings: Settings, *, readers: int) -> float | None:
        """What one of some readers of a volume may read a second; None for no limit."""
        limit = settings.read_limit_mb_s
        if manner is not Manner.FREELY:
            limit = min(limit or SLOW_MB_S, SLOW_MB_S)
        return None if limit is None else limit / readers

    def keep(self, settings: Settings, waited_s: Callable[[int], float]) -> None:
        """Hold the workers to it, those as well that began before a recording did.

        Args:
            waited_s: how long ago the capture of a worker began to wait for its check.
        """
        running = self._pool.running
        readers = Counter(one.volume for one in running)
        for one in running:
            manner = self.of(one.volume, settings, waited_s=waited_s(one.key))
            limit = self.limit_mb_s(manner, settings, readers=readers[one.volume])
            self._pool.pause(one.key, paused=manner is Manner.NOT)
            self._pool.limit(one.key, limit)
