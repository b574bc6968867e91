"""Which volumes are being recorded on: something there grew only just now."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from watcher.files import Stamp

_AFTER_S: Final = (
    60.0  # a recording is over only so long after growth; clients send late (from memory)
)
_MOST: Final = 1000  # files of unfinished names that are looked at


class Growth:
    """What grows, by volume.

    Captures are looked at elsewhere; files whose names say that they are unfinished are looked at
    here, for a recorder may write under such a name and rename at the end.
    """

    def __init__(self, clock: Callable[[], float], *, poll_s: float) -> None:
        self._clock = clock
        self._for_s = max(_AFTER_S, 2 * poll_s)
        self._at: dict[int, float] = {}
        self._unfinished: dict[bytes, Stamp] = {}

    def seen(self, device: int) -> None:
        """A file on a volume (``st_dev``) grew."""
        self._at[device] = self._clock()

    def on(self, device: int) -> bool:
        """Whether a file on a volume grows, or did within the last minute."""
        return self._clock() - self._at.get(device, float("-inf")) < self._for_s

    def watch(self, unfinished: Mapping[bytes, Stamp]) -> None:
        """Keep an eye on files of unfinished names that were written to lately."""
        fresh_ns = (time.time() - self._for_s) * 1e9
        for path, stamp in unfinished.items():
            if stamp.mtime_ns > fresh_ns and len(self._unfinished) < _MOST:
                self._unfinished.setdefault(path, stamp)

    def drop(self, root: Path) -> None:
        """Forget the files of unfinished names in a root: it went away."""
        below = os.path.join(os.fsencode(root), b"")
        self._unfinished = {p: s for p, s in self._unfinished.items() if not p.startswith(below)}

    def look(self) -> None:
        """Look at all of them once."""
        for path, before in list(self._unfinished.items()):
            try:
                stamp = Stamp.of(os.lstat(path))
            except OSError:
                del self._unfinished[path]
                continue
            if stamp != before:
                self._unfinished[path] = stamp
                self.seen(stamp.device)
