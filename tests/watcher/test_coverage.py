"""What the summary says of stored captures: each once, as it is known to be now."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from ledgering import put

from watcher.coverage import Coverage, coverage_of
from watcher.ledger import Ledger, State
from watcher.morning import gather
from watcher.morning_text import text_of

NOW = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)


def at(hours: float) -> str:
    return (NOW - timedelta(hours=hours)).isoformat(timespec="milliseconds")


def verified(ledger: Ledger, name: str, *states: str) -> None:
    """Verifications of a file, an hour apart, the last an hour ago."""
    for number, state in enumerate(states):
        ledger.change(
            "INSERT INTO verifications (run, path, at, state, detail) VALUES ('r', ?, ?, ?, ?)",
            (f"/store/{name}".encode(), at(len(states) - number), state, f"it is {state}"),
        )


def coverage(ledger: Ledger) -> Coverage:
    return coverage_of(ledger, at(24), NOW, 90.0)


def text(ledger: Ledger) -> str:
    found = gather(ledger, at(24), now=NOW, verify_days=90.0, free=lambda _: (1, 1))
    return " ".join(text_of(found).split())


def test_changes_found_by_verifications_are_told(ledger: Ledger) -> None:
    verified(ledger, "a.wav", "intact", "altered", "altered")
    found = coverage(ledger)
    assert found.counts == {"altered": 1}
    assert found.changed == (("/store/a.wav", "altered", "it is altered"),)
    assert "it is altered" in text(ledger)
    assert "verified in this time: 1 altered." in text(ledger)


@pytest.mark.parametrize(
    ("states", "told"),
    [
        (["altered", "unread", "missing"], ["missing"]),
        (["missing", "intact"], []),
        (["unread", "unrecorded"], []),
        (["altered", "intact"], ["intact"]),
    ],
)
def test_each_file_is_told_once_as_it_was_last_found(
    ledger: Ledger, states: list[str], told: list[str]
) -> None:
    verified(ledger, "a.wav", *states)
    found = coverage(ledger)
    assert [state for _, state, _ in found.changed] == told
    assert found.counts == {states[-1]: 1}


def test_a_change_that_is_no_more_is_told_with_its_time(ledger: Ledger) -> None:
    verified(ledger, "a.wav", "altered", "intact")
    assert f"As recorded now; it was altered when it was read at {at(2)}." in text(ledger)


@pytest.mark.parametrize("states", [["altered"], ["altered", "intact"]])
def test_what_a_person_has_decided_since_is_changed_no_more(
    ledger: Ledger, states: list[str]
) -> None:
    verified(ledger, "a.wav", *states)
    signed = "INSERT INTO contents (path, at, sha256, signed_by, signed_at) VALUES (?, ?, ?, ?, ?)"
    ledger.change(signed, (b"/store/a.wav", at(9), "00", "AB", at(8)))
    assert len(coverage(ledger).changed) == 1
    local = (NOW - timedelta(minutes=20)).astimezone().isoformat(timespec="seconds")
    ledger.change(signed, (b"/store/a.wav", at(0.5), "11", "AB", local))
    assert coverage(ledger).changed == ()


def test_no_capture_on_record_is_said_of_the_daemon(ledger: Ledger) -> None:
    assert "The daemon has no stored capture on record yet." in text(ledger)
    verified(ledger, "a.wav", "altered")
    said = text(ledger)
    assert "The daemon has no stored capture on record yet; verified in this time: 1 al" in said


def test_captures_that_are_gone_or_wait_are_on_record(ledger: Ledger) -> None:
    for name, state in (("a", State.MISSING), ("b", State.MISSING), ("c", State.QUEUED)):
        row = put(ledger, f"/store/{name}.wav")
        ledger.move_to(row.id, state)
    said = text(ledger)
    assert "on record yet" not in said
    assert "on record none is stored and checked: 2 no longer there and 1 waiting." in said
    put(ledger, str(Path("/store/d.wav")))
    ledger.change("UPDATE captures SET state = 'done' WHERE path = ?", (b"/store/d.wav",))
    assert "1 stored capture on record" in text(ledger)
