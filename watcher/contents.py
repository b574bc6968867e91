"""Every content that a file was ever seen to have: what was recorded, what a person accepted."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from watcher.record import accepted, superseded
from watcher.report import FileLine, Report
from watcher.rows import utc

if TYPE_CHECKING:
    from watcher.ledger import Ledger


def note(ledger: Ledger, path: Path, line: FileLine, report: Report) -> None:
    """Note what was read of a file, unless it is the content last noted; a sign-off with it."""
    if line.sha256 is None:
        return
    key = os.fsencode(path)
    query = "SELECT sha256 FROM contents WHERE path = ? ORDER BY id DESC LIMIT 1"
    if next(ledger.rows(query, (key,)), None) != (line.sha256,):
        ledger.change(
            "INSERT INTO contents (path, at, sha256, audio_sha256, crc32_mib, verdict)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (
                key,
                utc(report.made.at),
                line.sha256,
                line.audio_sha256,
                line.crc32_mib,
                report.verdict,
            ),
        )
    for former in superseded(report, line.name) - {line.sha256}:
        ledger.change(
            "DELETE FROM contents WHERE path = ? AND sha256 = ? AND signed_by IS NULL",
            (key, former),
        )
    signoff = accepted(report, line.name, line.sha256)
    if signoff is not None:
        ledger.change(
            "UPDATE contents SET signed_by = ?, signed_at = ? WHERE id ="
            " (SELECT max(id) FROM contents WHERE path = ?)",
            (signoff.by, signoff.at, key),
        )
