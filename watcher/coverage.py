"""How well stored captures are known to be unchanged: for the morning summary, by the ledger."""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from watcher.ledger import Ledger
from watcher.reconcile import NEVER_READ
from watcher.rows import when

_CHANGED = ("altered", "missing", "elsewhere", "unread")


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How well stored captures are known to be unchanged.

    Attributes:
        captures: that stand where they were checked.
        doubtful: something was done to them that left size and date alone.
        changed: (path, state, text) of each file that verifications found to be otherwise.
        counts: files by what the last verification of each said.
    """

    captures: int
    oldest: str | None
    doubtful: int
    within_days: float | None
    share: float | None
    changed: tuple[tuple[str, str, str], ...]
    counts: dict[str, int]


def coverage_of(ledger: Ledger, since: str, now: datetime, days: float | None) -> Coverage:
    """When stored captures were last read in full, and what verifications found."""
    where = "FROM captures WHERE state = 'done'"
    (total, oldest, doubtful) = next(
        ledger.rows(
            "SELECT count(*), min(CASE WHEN verified_at > ?1 THEN verified_at END),"
            f" sum(verified_at = ?1) {where}",
            (NEVER_READ,),
        )
    )
    share = None
    if days is not None and total:
        edge = (now - timedelta(days=days)).astimezone(UTC).isoformat(timespec="milliseconds")
        query = f"SELECT count(*) {where} AND verified_at >= ?"
        share = next(ledger.rows(query, (edge,)))[0] / total
    changed, counts = _verified(ledger, since)
    return Coverage(
        captures=total,
        oldest=oldest,
        doubtful=doubtful or 0,
        within_days=days,
        share=share,
        changed=changed,
        counts=counts,
    )


def _verified(
    ledger: Ledger, since: str
) -> tuple[tuple[tuple[str, str, str], ...], dict[str, int]]:
    """What the last verification of each file said; one that was altered before is told as well."""
    last: dict[bytes, tuple[str, str, str]] = {}
    was_altered: dict[bytes, str] = {}
    rows = ledger.rows(
        "SELECT path, at, state, detail FROM verifications WHERE at >= ? ORDER BY path, id",
        (since,),
    )
    for path, at, state, detail in rows:
        last[path] = (at, state, detail or "")
        if state == "altered":
            was_altered[path] = at
    changed = []
    for path, (at, state, detail) in last.items():
        if state in _CHANGED and not (state == "altered" and _signed_since(ledger, path, at)):
            changed.append((os.fsdecode(path), state, detail))
            continue
        before = was_altered.get(path)
        if state == "intact" and before and not _signed_since(ledger, path, before):
            text = f"As recorded now; it was altered when it was read at {before}."
            changed.append((os.fsdecode(path), state, text))
    return tuple(changed), dict(Counter(state for _, state, _ in last.values()))


def _signed_since(ledger: Ledger, path: bytes, at: str) -> bool:
    """Whether a person has decided about a file since a moment."""
    rows = ledger.rows("SELECT signed_at FROM contents WHERE path = ? AND signed_at > ''", (path,))
    moment = when(at)
    signed = [when(signed_at) for (signed_at,) in rows]
    return moment is not None and any(s is not None and s > moment for s in signed)
