"""What a person has decided: by the ledger, or by a report on disk that the ledger never saw.

Whoever signs from an account that may not write the ledger signs in the report alone; the summary
must not go on asking for it.
"""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import Final

from watcher import sidecar
from watcher.report import Report, ReportError

_AFTER_S: Final = 1.0  # a report that was written later than it was made was perhaps signed


def written_since(path: Path | None, recorded_at: str) -> bool:
    """Whether a report on disk was written after the ledger took it; cheap, and no proof."""
    if path is None:
        return False
    try:
        written = os.stat(path).st_mtime
    except OSError:
        return False
    return written >= datetime.fromisoformat(recorded_at).timestamp() + _AFTER_S


def as_signed(report: Report, path: Path | None, *, recorded_at: str) -> Report:
    """The same report as it stands on disk, where it was signed there.

    Args:
        path: of the report on disk.
        recorded_at: when the ledger took it.
    """
    if report.signoff is not None or path is None or not written_since(path, recorded_at):
        return report
    try:
        found = sidecar.load(path)
    except (OSError, ReportError):
        return report
    if found is None or found.signoff is None or found.made != report.made:
        return report
    return found
