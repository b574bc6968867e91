"""May the machine be taken down? One line a line-up: what stands on it, and what is still open.

A machine stays as it is while anything recorded on its line-up may have to be played again: a
capture that is neither clear nor signed off, one not yet checked, and all of them while the line-up
itself does not hold or asks to be listened to.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from math import inf
from pathlib import Path
from typing import Final

from checks.model import Remedy, Verdict
from watcher.ledger import Ledger, State, utc
from watcher.lineups import LineupEntry, entry_of, joined
from watcher.report import Report
from watcher.stands_on import in_ledger, in_reach, with_stands_on
from watcher.summary import sheet_value

_MOST_TOLD: Final = 3
_UNDECIDED: Final = (State.WAITING, State.QUEUED, State.CHECKING, State.RETRY, State.GIVEN_UP)


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineLine:
    """One line-up in the summary.

    Attributes:
        done: the line-up holds, and every capture that stands on it is clear or signed off.
        captures: how many stand on it.
        why: what is not yet done; empty where all is.
    """

    lineup: str
    machine: str | None
    done: bool
    captures: int
    why: tuple[str, ...]

    @property
    def text(self) -> str:
        """One line for people."""
        name = f"{self.lineup} ({self.machine})" if self.machine else self.lineup
        one = self.captures == 1
        count = f"{self.captures} capture{'' if one else 's'} stand{'s' if one else ''} on it"
        if not self.captures and not self.why:
            return f"{name}: no capture stands on it"
        if self.done:
            return f"{name}: {count}, all clear or signed off; the machine may be taken down"
        more = len(self.why) - _MOST_TOLD
        told = "; ".join(self.why[:_MOST_TOLD]) + (f"; and {more} more" if more > 0 else "")
        return f"{name}: leave the machine as it is; {count}, and not yet done: {told}"


def machine_lines(
    reports: Sequence[Report],
    *,
    further: Iterable[LineupEntry] = (),
    waiting: Mapping[str, Sequence[str]] | None = None,
) -> list[MachineLine]:
    """One line a line-up among these reports, or that one of them stands on, in order of name.

    Args:
        further: line-ups that are not among the reports.
        waiting: by path of a line-up, captures in its reach that are not checked yet.
    """
    own = {entry.path: entry for r in reports if (entry := entry_of(r)) is not None}
    line_ups = {entry.path: entry for entry in further} | own
    standing: dict[str, list[Report]] = {}
    for report in reports:
        if (path := _stands_on(report)) is not None:
            standing.setdefault(path, []).append(report)
    wholes = {path: _whole(entry, line_ups.values()) for path, entry in line_ups.items()}
    parts = {str(whole.folder / name) for whole in wholes.values() for name in whole.others}
    lines = []
    for path in sorted({*standing, *(own.keys() - parts)}):
        group, whole = standing.get(path, []), wholes.get(path)
        why = [
            *_of_line_up(whole, group),
            *(f"{r.capture.name} is {state}" for r in group if (state := _state(r)) is not None),
            *(f"{name} is not checked yet" for name in (waiting or {}).get(path, ())),
        ]
        machine = whole.machine if whole else sheet_value(group[0], "machine")
        lines.append(
            MachineLine(
                lineup=Path(path).name,
                machine=machine,
                done=bool(group) and not why,
                captures=len(group),
                why=tuple(why),
            )
        )
    return lines


def _whole(entry: LineupEntry, entries: Iterable[LineupEntry]) -> LineupEntry:
    """The line-up with what belongs to it, as it stands now."""
    earlier = [
        (entry.recorded.since(other.recorded), other)
        for other in entries
        if (other.folder, other.machine) == (entry.folder, entry.machine) and other is not entry
    ]
    before = sorted((one for one in earlier if one[0].total_seconds() >= 0), key=lambda one: one[0])
    return joined([entry, *(other for _, other in before)]) or entry


def _of_line_up(whole: LineupEntry | None, group: Sequence[Report]) -> Iterator[str]:
    """What stands open about the line-up itself; by the captures' findings where it is not here."""
    if whole is not None:
        if whole.failed:
            yield f"the line-up does not hold, {whole.failed}"
        elif whole.doubtful:
            yield "the line-up itself is to be listened to and signed off"
        return
    told = [f.values for r in group for f in r.findings if f.kind == "stands-on"]
    if any(values.get("valid") is False for values in told):
        yield "the line-up does not hold"
    elif any(values.get("doubtful") for values in told):
        yield "the line-up itself is to be listened to and signed off"


def _state(report: Report) -> str | None:
    """What stands open about a capture; None: clear or signed off."""
    if report.signoff is not None:
        return None if report.signoff.verdict is not Verdict.REDO else "to be played again"
    if report.verdict is Verdict.CLEAR:
        return None
    if report.verdict is Verdict.UNREAD:
        return "not looked at completely"
    if report.verdict is Verdict.LISTEN:
        return "to be listened to"
    again = any(
        f.verdict is Verdict.REDO and f.remedy is Remedy.REPLAY for f in report.findings
    )  # fmt: skip
    return "to be played again" if again else "to be mended or fetched again"


# -- by the ledger -----------------------------------------------------------------------------


def stood_anew(
    ledger: Ledger,
    reports: Iterable[Report],
    *,
    known: dict[tuple[int, str], LineupEntry | None] | None = None,
) -> list[Report]:
    """Reports with their line-ups as the ledger knows them now: checked, or signed off, since.

    Args:
        known: see ``in_ledger``.
    """
    roots = [Path(os.fsdecode(path)) for (path,) in ledger.rows("SELECT path FROM roots")]
    known = {} if known is None else known
    entries: dict[Path, list[LineupEntry]] = {}
    out = []
    for report in reports:
        folder = Path(report.capture.folder)
        if folder not in entries:
            top = next((root for root in roots if folder.is_relative_to(root)), None)
            entries[folder] = list(in_ledger(ledger, folder, top=top, known=known))
        signed = report.signoff is not None
        out.append(report if signed else with_stands_on(report, entries[folder]))
    return out


def ledger_lines(ledger: Ledger, reports: Sequence[Report]) -> list[MachineLine]:
    """The lines for some reports, with everything that the ledger knows of the same line-ups."""
    every = {(r.capture.folder, r.capture.name): r for r in reports}
    paths = {path for r in reports if (path := _stands_on(r)) is not None}
    paths |= {path for r in reports if (path := _as_line_up(r)) is not None}
    further: dict[str, LineupEntry] = {}
    waiting = {}
    known: dict[tuple[int, str], LineupEntry | None] = {}
    for path in sorted(paths):
        own = _report_at(ledger, path)
        entry = entry_of(own) if own is not None else None
        if own is None or entry is None:
            continue
        beside = [e for e in in_ledger(ledger, entry.folder, top=entry.folder, known=known)
                  if (e.folder, e.machine) == (entry.folder, entry.machine)]  # fmt: skip
        further |= {e.path: e for e in (entry, *beside)}
        found = [report for _, report in in_reach(ledger, own)]
        for report in stood_anew(ledger, found, known=known):
            every.setdefault((report.capture.folder, report.capture.name), report)
        waiting[path] = _waiting(ledger, entry, beside)
    named = [r for r in every.values() if {_stands_on(r), _as_line_up(r)} & paths]
    return machine_lines(named, further=further.values(), waiting=waiting)


def _stands_on(report: Report) -> str | None:
    measured = report.measures.lineup
    stands_on = measured.stands_on if measured is not None else None
    return stands_on.capture if stands_on is not None else None


def _as_line_up(report: Report) -> str | None:
    entry = entry_of(report)
    return entry.path if entry is not None else None


def _report_at(ledger: Ledger, path: str) -> Report | None:
    """The report of a capture; that of a track set lies at its own name."""
    for text in (path, f"{path}.set"):
        row = ledger.capture(Path(text))
        if row is not None:
            return ledger.report(row.id)
    return None


def _waiting(ledger: Ledger, entry: LineupEntry, beside: Iterable[LineupEntry]) -> list[str]:
    """Captures not checked yet that may stand on a line-up: in its reach, before the next one.

    They came after the first part of it, and a file of theirs is older than the next line-up.
    """
    others = _whole(entry, beside).others
    parts = [entry, *(e for e in beside if e.name in others)]
    since = utc(min(e.recorded.files for e in parts).isoformat())
    later = [e.recorded.files for e in beside if e.recorded.since(entry.recorded) > timedelta(0)]
    until_ns = min(later).timestamp() * 1e9 if later else inf
    return [
        row.path.name
        for row in ledger.in_state(*_UNDECIDED)
        if row.path.is_relative_to(entry.reach)
        and row.first_seen >= since
        and min((file.identity.mtime_ns for file in ledger.files(row.id)), default=0) < until_ns
    ]
