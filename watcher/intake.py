"""From files on the storage to captures in the queue: the daemon's eyes.

Events are hints, scans are the truth; a capture is queued once it is settled, and again whenever it
changes afterwards. Everything here runs in the thread that owns the ledger; ``tick`` does a bounded
piece of work and returns.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from checks.container import Layout
from watcher import lease as leases
from watcher.files import Identity
from watcher.ledger import CaptureRow, FileRow, Ledger, State, now
from watcher.settings import Settings, Sheets, TrackSets
from watcher.tracksets import Capture, grouped, header, token
from watcher.walk import captures_below


@dataclass(frozen=True, slots=True, kw_only=True)
class TickReport:
    """What one tick did.

    Attributes:
        queued: captures (their numbers in the ledger) that are settled and now wait for a worker.
        reopened: captures that changed after they were queued, being checked or checked: a check
            of theirs that runs is of a former generation, its result is to be dropped.
        missing: captures now known to be gone.
        waiting: how many captures are not settled yet.
        scanning: a scan is going on.
    """

    queued: tuple[int, ...] = ()
    reopened: tuple[int, ...] = ()
    missing: tuple[int, ...] = ()
    waiting: int = 0
    scanning: bool = False


def capture_of(row: CaptureRow, files: Iterable[FileRow], rule: TrackSets) -> Capture:
    """A ledger row as what is checked."""
    paths = tuple(file.path for file in files)
    if not row.is_set:
        return Capture.of_file(paths[0])
    found = [token(path.stem, rule.pattern) for path in paths]
    return Capture(
        name=row.path.name.removesuffix(".set"),
        folder=row.path.parent,
        files=paths,
        numbers=tuple(one[1] if one else place + 1 for place, one in enumerate(found)),
    )


@dataclass(slots=True)
class _Seen:
    identity: Identity
    since: float


@dataclass(slots=True)
class Intake:
    """Watches the roots of a configuration.

    Args:
        monotonic: the clock that measures quiet.
        wall: the time of day as the ledger writes it.
        lease: tells whether a file is open for writing.
        layout_of: reads a file's header; None where it cannot be read.
        observer_factory: makes what delivers events; None for scans only.
    """

    ledger: Ledger
    settings: Settings
    monotonic: Callable[[], float] = time.monotonic
    wall: Callable[[], str] = now
    lease: Callable[[Path], leases.Lease] = leases.test
    layout_of: Callable[[Path], Layout | None] = header
    observer_factory: Callable[..., Any] | None = None
    _seen: dict[Path, _Seen] = field(default_factory=dict)
    _scan_at: float = float("-inf")
    _poll_at: float = float("-inf")
    _grew: dict[int, float] = field(default_factory=dict)

    def start(self) -> None:
        """Begin to watch: observers first, then the scan at start. In the main thread."""
        leases.ignore_breaks()

    def stop(self) -> None:
        """End all threads of its own."""

    def rescan(self, reason: str) -> None:
        """Scan all roots soon, whatever was seen so far."""
        self._scan_at = float("-inf")

    def recording_on(self, volume_device: int) -> bool:
        """Whether a file on a volume (``st_dev``) grows, or grew within the last 60 s."""
        return self.monotonic() - self._grew.get(volume_device, float("-inf")) < 60

    def tick(self) -> TickReport:
        """A bounded piece of work; about once a second."""
        moment = self.monotonic()
        if moment - self._scan_at >= self.settings.scan_every_s:
            self._scan_at = moment
            for root in self.settings.roots:
                for path in captures_below(root):
                    row = self.ledger.capture_of_file(path)
                    if row is None or row.state is State.WAITING:
                        st = os.lstat(path)
                        self._seen.setdefault(path, _Seen(Identity.of(st), moment))
        if moment - self._poll_at < self.settings.poll_s:
            return TickReport(waiting=len(self._seen))
        self._poll_at = moment
        settled = []
        for path, seen in list(self._seen.items()):
            try:
                identity = Identity.of(os.lstat(path))
            except OSError:
                del self._seen[path]
                continue
            if identity != seen.identity:
                seen.identity, seen.since = identity, moment
                self._grew[identity.device] = moment
            elif moment - seen.since >= self.settings.quiet_s:
                settled.append(path)
        sheets = Sheets(self.settings)
        queued = []
        with self.ledger.commit():
            for capture in grouped(settled, lambda p: sheets.for_capture(p).track_sets):
                root = next(r for r in self.settings.roots if capture.folder.is_relative_to(r))
                row = self.ledger.put(
                    root=self.ledger.root(root),
                    path=capture.report_stem,
                    is_set=capture.is_set,
                    files=[(path, self._seen.pop(path).identity) for path in capture.files],
                    state=State.QUEUED,
                )
                queued.append(row.id)
        return TickReport(queued=tuple(queued), waiting=len(self._seen))
