"""What a lost ledger knew comes back from the reports on disk: no known capture is checked again.

A report is believed where it was made of these files at this place, and size and date of every
one are still the ones it names. What was copied here with its reports is read: it is held against
them, for nobody knows what the way did to it.
"""

from __future__ import annotations

import os
from pathlib import Path

from watcher import sidecar
from watcher.ledger import CaptureRow, Ledger, utc
from watcher.recorded import name_of
from watcher.report import Report, ReportError, in_bytes
from watcher.signoff import unchanged_since
from watcher.tracksets import Capture


def adopt(ledger: Ledger, row: CaptureRow, capture: Capture, path: Path) -> bool:
    """Take a capture's report from disk into the ledger; False where there is none to believe."""
    try:
        report = sidecar.load(path)
    except (ReportError, OSError):
        return False
    if report is None or not _speaks_of(report, capture) or not _dated(report):
        return False
    with ledger.commit():
        _history(ledger, report, capture)
        ledger.record(row.id, report, report_path=path, paths=capture.files)
        ledger.delivered(row.id)
    return True


def _dated(report: Report) -> bool:
    """Whether its times can be read, for the ledger orders contents by them."""
    try:
        for time in (report.made.at, *(state.at for state in report.earlier)):
            utc(time)
    except (ValueError, OverflowError):
        return False
    return True


def _speaks_of(report: Report, capture: Capture) -> bool:
    """Whether a report is whole and about these very files as they are, and where they are."""
    lines = report.capture.files
    line = report.capture
    folder = in_bytes(line.folder, line.folder_b64)
    names = [name_of(file) for file in lines]
    return (
        names == [os.fsencode(file.name) for file in capture.files]
        # through a link it is the same folder
        and os.path.realpath(folder) == os.fsencode(os.path.realpath(capture.folder))
        and all(line.sha256 is not None for line in lines)
        and unchanged_since(report, capture.folder)
    )


def _history(ledger: Ledger, report: Report, capture: Capture) -> None:
    """Earlier contents, so that a change nobody has accepted stays one."""
    by_name = {
        line.name: path for line, path in zip(report.capture.files, capture.files, strict=True)
    }
    for state in report.earlier:
        path = by_name.get(state.file) if state.file else capture.files[0]
        if state.sha256 is None or path is None:  # or of a file that left the set
            continue
        ledger.change(
            "INSERT INTO contents (path, at, sha256, audio_sha256, crc32_mib, verdict, signed_by,"
            " signed_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (
                os.fsencode(path),
                utc(state.at),
                state.sha256,
                state.audio_sha256,
                state.crc32_mib,
                state.verdict,
                state.signoff.by if state.signoff else None,
                state.signoff.at if state.signoff else None,
            ),
        )
