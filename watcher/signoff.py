"""A person has listened and decided: kept in the report and in the ledger.

The decision is about the content the report was made of. A file that changed since must be
checked first; a later change, or a new finding, opens the question again (``watcher.record``).
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import re
from datetime import datetime
from pathlib import Path

from checks.model import Verdict
from watcher import sidecar
from watcher.altered import same_time
from watcher.decided import made_at, store
from watcher.errors import UnreadError, UsageError
from watcher.files import shown
from watcher.ledger import Ledger
from watcher.record import signed_still
from watcher.recorded import name_of
from watcher.report import Report, ReportError, Signoff
from watcher.tracksets import Capture


def find_report(capture: Capture, path: Path) -> tuple[Path, Report]:
    """The report of a capture, and where it stands.

    Raises:
        UsageError: there is none.
        UnreadError: it cannot be read.
    """
    try:
        report = sidecar.load(path)
    except (ReportError, OSError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        raise UnreadError(
            f"{path}: the report cannot be read ({why}), so there is nothing to sign; check the "
            "capture again, which keeps this report aside, then sign off what is found"
        ) from error
    if report is None:
        raise UsageError(
            f"{shown(capture.report_stem.name)}: has no report ({shown(str(path))}); "
            "check it first, then sign off what was found"
        )
    return path, report


def may_be_signed(report: Report, capture: Capture, verdict: Verdict, note: str | None) -> None:
    """Refuse to call clear, without a word, what nobody could look at.

    Raises:
        UsageError: the capture is unread, or one of its checks has not run.
    """
    unread = next((f for f in report.findings if f.verdict is Verdict.UNREAD), None)
    if unread is None or verdict is Verdict.REDO or (note is not None and note.strip()):
        return
    raise UsageError(
        f"{shown(capture.report_stem.name)}: could not be looked at, or not completely "
        f"({unread.kind}); it is signed clear only with --note that says why"
    )


def unchanged_since(report: Report, folder: Path) -> bool:
    """Whether size and date of every file are as in the report."""
    for line in report.capture.files:
        name = name_of(line)
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
        UsageError: initials that are none, a file that changed since its report, a report that
            is not the last one, or one that cannot be written: nothing is signed then.
    """
    if not re.fullmatch(r"(?=.*\w)[\w. -]{1,40}", by):
        raise UsageError(f"--by {by!r}: must be initials or a name, at most 40 characters")
    if not unchanged_since(report, capture.folder):
        raise UsageError(
            f"{shown(capture.report_stem.name)}: a file of it is gone, or has another size or date "
            "than when it was checked; check it again, then sign off what is found"
        )
    signoff = Signoff(
        by=by,
        at=datetime.now().astimezone().isoformat(timespec="seconds"),
        note=note,
        verdict=verdict,
    )
    # what is known of the capture stays as it is until both are written
    with ledger.commit() if ledger is not None else contextlib.nullcontext():
        now = sidecar.load(path) or report
        if now.made != report.made:
            raise UsageError(
                f"{shown(capture.report_stem.name)}: was checked anew meanwhile; look at the new "
                "report, then sign off what it says"
            )
        signed = dataclasses.replace(now, signoff=signoff)
        if ledger is not None:
            keep(signed, capture, ledger)
        try:
            sidecar.save(signed, path)
        except OSError as error:
            raise UsageError(
                f"{shown(path)}: the decision could not be written ({error.strerror or error}), "
                "and is not kept; free space there, or sign from an account that may write"
            ) from error
    return signed


def keep(report: Report, capture: Capture, ledger: Ledger) -> None:
    """Put a signed report into the ledger, if that knows the capture by a report.

    Raises:
        UsageError: the ledger has a later report, or found more, than stands on disk.
    """
    row = ledger.capture(capture.report_stem)
    known = ledger.report(row.id) if row is not None else None
    if row is None or known is None or report.signoff is None:
        return  # the daemon takes what stands on disk
    waits = any(row.id == other.id for other in ledger.undelivered())
    same = known.made == report.made and waits  # its line-up was found since, say
    merged = signed_still(known, report) if same else report
    if made_at(known) > made_at(report) or merged.signoff is None:
        raise UsageError(
            f"{shown(capture.report_stem.name)}: the daemon knows more of it by now "
            f"({known.made.at}), and that report does not stand on disk yet; sign it off when it "
            "does (`reelvigil status` says what hinders it)"
        )
    store(ledger, row, merged)
