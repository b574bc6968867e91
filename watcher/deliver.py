"""Reports from the ledger to their places on disk; what cannot be written is told once and kept.

The ledger holds every report, so a full or read-only volume loses none: it is tried again until
it stands where it belongs.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from watcher import sidecar
from watcher.decided import take_over
from watcher.files import shown, sweep
from watcher.ledger import CaptureRow, Ledger
from watcher.report import Report, ReportError, exact
from watcher.troubles import Troubles

# A recorder needs what is left of a volume more than a report does; common practice.
_KEEP_BYTES: Final = 1 << 30
_KEEP_SHARE: Final = 0.01
_RETRY_S: Final = 60.0
_MOST: Final = 20  # folders that are tried in vain in one round
_KEY: Final = "report"
_ROOM_OR_RIGHTS: Final = (
    "free space there or give this account the right to write, or set `reports` to another folder"
)


class Delivery:
    """Writes what the ledger has to deliver, and remembers when to try again."""

    def __init__(
        self,
        ledger: Ledger,
        troubles: Troubles,
        monotonic: Callable[[], float],
        free: Callable[[Path], tuple[int, int]] | None = None,
    ) -> None:
        self._ledger = ledger
        self._troubles = troubles
        self._monotonic = monotonic
        self._free = free or free_bytes
        self._next = 0.0
        self._why: set[str] = set()
        # a daemon that was killed may have left these half written
        self._began = time.time()
        self._interrupted = {row.report_path for row in ledger.undelivered()}

    def one(self, row: CaptureRow, report: Report) -> bool:
        """Write one report to its place; False, with the trouble noted, where that fails."""
        assert row.report_path is not None
        path = row.report_path
        try:
            self._room(path)
            keep_damaged(path, report)
            sidecar.save(report, path)
        except (OSError, ReportError) as error:
            why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
            self._failed(path.parent, why, _ROOM_OR_RIGHTS)
            return False
        self._ledger.delivered(row.id)
        if path in self._interrupted:
            self._interrupted.discard(path)
            sweep(path, before=self._began)
        return True

    def _failed(self, folder: Path, why: str, what_now: str) -> None:
        """Tell it once, however many folders it is true of."""
        key = f"{_KEY} {why}"
        if key not in self._troubles.open:
            self._troubles.begin(
                key,
                f"Reports cannot be written to {shown(folder)}: {why}. They are safe in the "
                f"ledger and are tried again; {what_now}.",
            )
        self._why.add(key)

    def retry(self, present: Callable[[Path], bool] = lambda _: True) -> None:
        """Try again, once a minute, what could not be written.

        Args:
            present: whether the storage that a path is on is there.
        """
        if self._monotonic() < self._next:
            return
        self._next = self._monotonic() + _RETRY_S
        failed: set[Path] = set()
        self._why = set()
        for row in list(self._ledger.undelivered()):
            folder = row.report_path.parent if row.report_path else Path()
            if folder in failed:
                continue  # the others there would fail the same way
            if not present(folder):
                self._failed(folder, "its storage is lost", "mount it again")
            elif self._again(row):
                continue
            failed.add(folder)
            if len(failed) >= _MOST:
                return  # nothing is known of the others, so no trouble is over
        for key in self._troubles.open:
            if key.startswith(_KEY) and key not in self._why:
                self._troubles.end(key)

    def _again(self, row: CaptureRow) -> bool:
        report = self._ledger.report(row.id)
        if report is None:
            return True
        # a person may have signed what stands there
        return self.one(row, take_over(self._ledger, row, report, row.report_path))

    def _room(self, path: Path) -> None:
        folder = path.parent
        while not folder.exists() and folder != folder.parent:
            folder = folder.parent
        free, total = self._free(folder)
        keep = min(_KEEP_BYTES, total / 4)  # a small volume is not asked to keep a quarter more
        keep = max(keep, _KEEP_SHARE * total)
        if free < keep:  # no measured number in the words: they are told once
            raise ReportError(
                f"less than {keep / 1e9:.2g} GB are free there, and the recorder needs those"
            )


def keep_damaged(path: Path, report: Report) -> None:
    """What cannot be read any more, or is of another capture, is kept aside before a report."""
    try:
        found = sidecar.load(path)
    except ReportError:
        sidecar.set_aside(path)
        return
    capture = report.capture
    files = [exact(line.name, line.name_b64) for line in capture.files]
    if found and sidecar.of_another(found, exact(capture.name, capture.name_b64), files):
        sidecar.set_aside(path, "of-another")


def free_bytes(folder: Path) -> tuple[int, int]:
    """(free for us, in all) on the volume of a folder."""
    st = os.statvfs(folder)
    return st.f_bavail * st.f_frsize, st.f_blocks * st.f_frsize
