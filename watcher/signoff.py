"""A person has listened and decided: kept in the report and in the ledger.

The decision is about the content the report was made of. A file that changed since must be
checked first; a later change, or a new finding, opens the question again (``watcher.record``).
"""

from __future__ import annotations

import dataclasses
import os
import re
import zlib
from datetime import datetime
from pathlib import Path

from checks.model import Verdict
from watcher import sidecar
from watcher.altered import same_time
from watcher.errors import UsageError
from watcher.files import shown
from watcher.ledger import Ledger
from watcher.report import Report, Signoff, to_json
from watcher.tracksets import Capture
from watcher.truths import exact_name


def find_report(capture: Capture, path: Path) -> tuple[Path, Report]:
    """The report of a capture, and where it stands.

    Raises:
        UsageError: there is none.
    """
    report = sidecar.load(path)
    if report is None:
        raise UsageError(
            f"{shown(capture.report_stem.name)}: has no report ({shown(str(path))}); "
            "check it first, then sign off what was found"
        )
    return path, report


def unchanged_since(report: Report, folder: Path) -> bool:
    """Whether size and date of every file are as in the report."""
    for line in report.capture.files:
        name = exact_name({"name": line.name, "name_b64": line.name_b64})
        try:
            st = os.stat(os.fsencode(folder) + b"/" + name, follow_symlinks=False)
        except OSError:
            return False
        if line.bytes is not None and st.st_size != line.bytes:
            return False
        if line.modified is not None and not same_time(line.modified, st.st_mtime_ns):
            return False
    return True


def sign(
    report: Report,
    path: Path,
    capture: Capture,
    ledger: Ledger | None,
    *,
    by: str,
    note: str | None,
    verdict: Verdict,
) -> Report:
    """Write the decision into the report on disk and, where there is one, into the ledger.

    Raises:
        UsageError: initials that are none, or a file that changed since its report.
        OSError: the report cannot be written.
    """
    if not re.fullmatch(r"[\w. -]{1,40}", by):
        raise UsageError(f"--by {by!r}: must be initials or a name, at most 40 characters")
    if not unchanged_since(report, capture.folder):
        raise UsageError(
            f"{shown(capture.report_stem.name)}: the file has another size or date than when it "
            "was checked; check it again, then sign off what is found"
        )
    signoff = Signoff(
        by=by,
        at=datetime.now().astimezone().isoformat(timespec="seconds"),
        note=note,
        verdict=verdict,
    )
    signed = dataclasses.replace(report, signoff=signoff)
    sidecar.save(signed, path)
    if ledger is not None:
        keep(signed, capture, ledger)
    return signed


def keep(report: Report, capture: Capture, ledger: Ledger) -> None:
    """Put a signed report into the ledger, if it knows the capture."""
    row = ledger.capture(capture.report_stem)
    if row is None or report.signoff is None:
        return
    body = zlib.compress(to_json(report, indent=None).encode("ascii"))
    with ledger.commit():
        ledger.change(
            "UPDATE captures SET report = ?, signed = ? WHERE id = ?",
            (body, report.signoff.verdict, row.id),
        )
        for path, line in zip(capture.files, report.capture.files, strict=False):
            ledger.change(
                "UPDATE contents SET signed_by = ?, signed_at = ? WHERE id ="
                " (SELECT max(id) FROM contents WHERE path = ? AND sha256 = ?)",
                (report.signoff.by, report.signoff.at, os.fsencode(path), line.sha256),
            )
