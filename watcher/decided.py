"""What a person has decided: by the ledger, or by a report on disk that the ledger never saw.

Whoever signs from an account that may not write the ledger signs in the report alone; the summary
must not go on asking for it, and no report that the ledger writes may take its place unsigned.
"""

from __future__ import annotations

import os
import zlib
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from watcher import contents, sidecar
from watcher.record import signed_still
from watcher.recorded import name_of
from watcher.report import Report, ReportError, to_json

if TYPE_CHECKING:
    from watcher.ledger import CaptureRow, Ledger

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


def with_signoff(report: Report, path: Path | None) -> Report:
    """The ledger's report with the sign-off that stands in the one on disk alone, if it holds.

    A report on disk that was made later than the ledger's is taken as it stands.
    """
    if report.signoff is not None or path is None:
        return report
    try:
        found = sidecar.load(path)
    except (OSError, ReportError):
        return report
    if found is None or found.signoff is None or _names(found) != _names(report):
        return report
    if made_at(found) > made_at(report):
        return found
    return signed_still(report, found)


def take_over(ledger: Ledger, row: CaptureRow, report: Report, path: Path | None) -> Report:
    """The same, and from now on the ledger has it too.

    Args:
        path: of the report on disk.
    """
    found = with_signoff(report, path)
    if found == report:
        return report
    store(ledger, row, found)
    return found


def latest(ledger: Ledger, row: CaptureRow, path: Path) -> Report | None:
    """The report on disk, which a person may have signed since; else the ledger's."""
    try:
        found = sidecar.load(path)
    except (ReportError, OSError):
        found = None
    return found or ledger.report(row.id)


def store(ledger: Ledger, row: CaptureRow, report: Report) -> None:
    """Put a capture's report, as a person signed it, in the place of the ledger's."""
    body = zlib.compress(to_json(report, indent=None).encode("ascii"))
    with ledger.commit():
        ledger.change(
            "UPDATE captures SET report = ?, verdict = ?, signed = ? WHERE id = ?",
            (body, report.verdict, report.signoff.verdict if report.signoff else "", row.id),
        )
        for line, name in zip(report.capture.files, _names(report), strict=True):
            contents.note(ledger, row.path.parent / os.fsdecode(name), line, report)


def made_at(report: Report) -> datetime:
    """When a report was made; before all others where nobody can say."""
    try:
        return datetime.fromisoformat(report.made.at).astimezone(UTC)
    except (ValueError, OverflowError):
        return datetime.min.replace(tzinfo=UTC)


def _names(report: Report) -> list[bytes]:
    return [name_of(line) for line in report.capture.files]
