"""The morning summary: what came in since the last one, and what needs doing. Reads the ledger.

What could not be looked at comes first, and whether the daemon was there all the time: an empty
list is no good news by itself.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple

from checks.model import Verdict
from watcher.coverage import Coverage, coverage_of
from watcher.decided import as_signed, written_since
from watcher.deliver import free_bytes
from watcher.errors import UsageError
from watcher.ledger import Ledger, State, utc
from watcher.machine_lines import MachineLine, ledger_lines, stood_anew
from watcher.rows import WHY
from watcher.summary import CaptureRow as Row
from watcher.summary import Heading, called, group, marked
from watcher.troubles import Trouble, read

# Between two beats of a daemon that lives pass 30 s; twice that and a bit is no gap.
_GAP_S: Final = 90.0
_SPAN: Final = re.compile(r"(\d+(?:\.\d+)?)([mhd])")


class StillOpen(NamedTuple):
    """A capture from before that asks for something; ``asks``: under which headings, of a redo."""

    name: str
    folder: str
    verdict: str
    asks: tuple[Heading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A stretch of time in which no daemon was alive."""

    began: str
    ended: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    name: str
    folder: str
    why: str
    since: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """Free space of a root; ``hours`` of recording at the rate of the newest capture there."""

    root: str
    state: str
    detail: str | None
    scanned_at: str | None
    free_bytes: int | None
    hours: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Morning:
    """All that the summary tells.

    Attributes:
        clear_gone: captures that were clear and are no longer there: told under ``missing`` only.
        report_paths: where the report of each capture, by (folder, name), stands.
    """

    since: str
    until: str
    first_began: str | None  # where the daemon ran for the first time since then
    ever_alive: bool
    alive: bool
    gaps: tuple[Gap, ...]
    troubles: tuple[Trouble, ...]
    groups: dict[Heading, list[Row]]
    clear_gone: int
    line_ups: tuple[MachineLine, ...]
    checked: int
    audio_s: float
    bytes: int
    still_open: tuple[StillOpen, ...]
    missing: tuple[Waiting, ...]
    waiting: tuple[Waiting, ...]
    coverage: Coverage
    volumes: tuple[Volume, ...]
    report_paths: dict[tuple[str, str], Path]

    @property
    def tops(self) -> tuple[str, ...]:
        """The roots: nobody named a folder when asking, so captures are named from there."""
        return tuple(volume.root for volume in self.volumes)


def since_when(text: str | None, ledger: Ledger, now: datetime) -> str:
    """The moment a summary begins at.

    Args:
        text: RFC 3339, a date, or a span such as ``12h`` or ``3d``; None: since the last summary
            that was marked as read, else 24 hours. A mark that lies ahead was set by a clock that
            was wrong, and would hide all that came in.

    Raises:
        UsageError: none of these, or a moment that is yet to come.
    """
    if text is None:
        until = now.astimezone(UTC).isoformat(timespec="milliseconds")
        rows = list(
            ledger.rows("SELECT max(at) FROM summaries WHERE seen = 1 AND at <= ?", (until,))
        )
        if rows and rows[0][0]:
            return str(rows[0][0])
        text = "24h"
    if span := _SPAN.fullmatch(text):
        hours = float(span[1]) * {"m": 1 / 60, "h": 1, "d": 24}[span[2]]
        try:
            begin = (now - timedelta(hours=hours)).astimezone(UTC)
        except OverflowError:
            raise UsageError(f"--since {text!r}: begins before the year 1") from None
        return begin.isoformat(timespec="milliseconds")
    try:
        since = utc(text)
    except (ValueError, OverflowError):
        raise UsageError(
            f"--since {text!r}: must be a time like 2026-01-31T05:00:00+01:00, a date, or 12h, 3d"
        ) from None
    if datetime.fromisoformat(since) > now:
        raise UsageError(f"--since {text!r}: lies ahead; it is {now:%Y-%m-%d %H:%M} here")
    return since


def gather(
    ledger: Ledger,
    since: str,
    *,
    now: datetime,
    verify_days: float | None,
    free: Callable[[Path], tuple[int, int]] = free_bytes,
) -> Morning:
    """Everything since a moment (in the ledger's form of time)."""
    until = now.astimezone(UTC).isoformat(timespec="milliseconds")
    reports, gone = [], set()
    places: dict[tuple[str, str], Path] = {}
    for row in ledger.checked_since(since):
        if (report := ledger.report(row.id)) is not None:
            if row.report_path is not None:
                places[called(report)] = row.report_path
            reports.append(as_signed(report, row.report_path, recorded_at=row.changed_at))
            if row.state is State.MISSING:
                gone.add(called(report))
    reports = stood_anew(ledger, reports)
    groups = marked(group(reports), gone)
    clear = groups[Heading.CLEAR]
    groups[Heading.CLEAR] = [row for row in clear if not row.gone]
    gaps, ever, alive = _gaps(ledger, since, until)
    (first,) = next(iter(ledger.rows("SELECT min(began) FROM lives")))
    return Morning(
        since=since,
        until=until,
        first_began=first if first is not None and first > since else None,
        ever_alive=ever,
        alive=alive,
        gaps=tuple(gaps),
        troubles=tuple(read(ledger, since=since)),
        groups={heading: by_reel(rows) for heading, rows in groups.items()},
        clear_gone=len(clear) - len(groups[Heading.CLEAR]),
        line_ups=tuple(ledger_lines(ledger, reports)),
        checked=len(reports),
        audio_s=sum(report.capture.duration_s or 0.0 for report in reports),
        bytes=sum(line.bytes or 0 for report in reports for line in report.capture.files),
        still_open=tuple(_still_open(ledger, since, places)),
        missing=tuple(_waiting(ledger, State.MISSING)),
        waiting=tuple(
            _waiting(
                ledger, State.WAITING, State.QUEUED, State.CHECKING, State.RETRY, State.GIVEN_UP
            )
        ),
        coverage=coverage_of(ledger, since, now, verify_days),
        volumes=tuple(_volumes(ledger, free)),
        report_paths=places,
    )


def _gaps(ledger: Ledger, since: str, until: str) -> tuple[list[Gap], bool, bool]:
    """Stretches without a daemon; whether there ever was one, and whether there is now."""
    gaps: list[Gap] = []
    covered = since
    ever = False
    for began, beat, ended in ledger.rows("SELECT began, beat, ended FROM lives ORDER BY began"):
        if not ever:
            covered = max(covered, began)  # before its first start there was none to be alive
        ever = True
        last = ended or beat
        if last < since:
            continue
        if _seconds(covered, began) > _GAP_S:
            gaps.append(Gap(began=covered, ended=began))
        covered = max(covered, last)
    alive = ever and _seconds(covered, until) <= _GAP_S
    if not alive and _seconds(covered, until) > _GAP_S:
        gaps.append(Gap(began=covered, ended=until))
    return gaps, ever, alive


def _seconds(a: str, b: str) -> float:
    return (datetime.fromisoformat(b) - datetime.fromisoformat(a)).total_seconds()


def _still_open(
    ledger: Ledger, since: str, places: dict[tuple[str, str], Path]
) -> Iterator[StillOpen]:
    """Captures from before that still ask for something nobody has decided.

    Args:
        places: where the report of each stands is put in there.
    """
    rows = ledger.rows(
        "SELECT id, path, verdict, signed, report_path, changed_at FROM captures"
        " WHERE checked_at < ?"
        " AND verdict != 'clear' AND state IN ('done', 'retry', 'given-up')"
        " AND (signed IS NULL OR signed != 'clear')"
        " ORDER BY path",
        (since,),
    )
    for number, path, verdict, signed, report_path, changed_at in list(rows):
        place = Path(os.fsdecode(report_path)) if report_path else None
        # a report is looked into only where it may say more: nobody may have signed for years
        ask = signed is None or (not signed and written_since(place, changed_at))
        report = ledger.report(number) if ask else None
        if report is not None:
            signoff = as_signed(report, place, recorded_at=changed_at).signoff
            signed = signoff.verdict.value if signoff is not None else ""
        if signed in ("", Verdict.REDO):
            folder, name = os.path.split(os.fsdecode(path))
            if place is not None:
                places[folder, name] = place
            said = f"{verdict}, and a person said so" if signed else str(verdict)
            asks: list[Heading] = []
            if verdict == Verdict.REDO and (report := report or ledger.report(number)) is not None:
                asks = [heading for heading, rows in group([report]).items() if rows]
            yield StillOpen(name, folder, said, tuple(asks))


def by_reel(rows: Sequence[Row]) -> list[Row]:
    """Captures in the order of the reels' numbers, R-9 before R-114; those without one last."""

    def key(row: Row) -> tuple[bool, list[tuple[int, str]]]:
        parts = re.findall(r"\d+|\D+", row.reel or "")
        return not parts, [(int(p), "") if p.isdecimal() else (-1, p.casefold()) for p in parts]

    return sorted(rows, key=key)


def _waiting(ledger: Ledger, *states: State) -> Iterator[Waiting]:
    for row in ledger.in_state(*states):
        yield Waiting(
            name=row.path.name,
            folder=str(row.path.parent),
            why=row.why or WHY[row.state],
            since=row.changed_at if row.state is not State.WAITING else row.first_seen,
        )


def _volumes(ledger: Ledger, free: Callable[[Path], tuple[int, int]]) -> Iterator[Volume]:
    for number, path, state, detail, scanned in list(
        ledger.rows(
            "SELECT id, path, state, detail, scanned_at FROM roots WHERE state != 'unwatched'"
            " ORDER BY path"
        )
    ):
        root = Path(os.fsdecode(path))
        try:
            left = free(root)[0] if state == "present" else None
        except OSError:
            left = None
        pace = _bytes_a_second(ledger, number)
        yield Volume(
            root=str(root),
            state=str(state),
            detail=detail,
            scanned_at=scanned,
            free_bytes=left,
            hours=left / pace / 3600 if left is not None and pace else None,
        )


def _bytes_a_second(ledger: Ledger, root: int) -> float | None:
    """What recording takes at the rate of the newest capture on a root."""
    rows = ledger.rows(
        "SELECT id FROM captures WHERE root = ? AND report IS NOT NULL"
        " ORDER BY checked_at DESC LIMIT 8",
        (root,),
    )
    for (number,) in list(rows):
        report = ledger.report(number)
        if report is not None and report.capture.duration_s:
            total = sum(line.bytes or 0 for line in report.capture.files)
            return total / report.capture.duration_s
    return None


def mark_seen(ledger: Ledger, until: str) -> None:
    """A person has read everything up to a moment."""
    ledger.change("INSERT INTO summaries (at, seen) VALUES (?, 1)", (until,))
