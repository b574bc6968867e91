"""The morning summary: gaps, what is open, what waits; silence is never good news by itself."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from watcher import morning
from watcher.errors import UsageError
from watcher.files import Identity
from watcher.ledger import Ledger, State
from watcher.morning_json import as_json
from watcher.morning_text import text_of

NOW = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)


def at(hours: float) -> str:
    return (NOW - timedelta(hours=hours)).isoformat(timespec="milliseconds")


@pytest.fixture
def ledger(tmp_path: Path) -> Any:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        yield ledger


def lived(ledger: Ledger, began: float, beat: float, *, ended: bool) -> None:
    ledger.change(
        "INSERT INTO lives (began, beat, ended, version) VALUES (?, ?, ?, '0')",
        (at(began), at(beat), at(beat) if ended else None),
    )


def gather(ledger: Ledger, hours: float = 24) -> morning.Morning:
    return morning.gather(
        ledger, at(hours), now=NOW, verify_days=90.0, free=lambda _: (36_000_000_000, 10**12)
    )


def test_no_daemon_at_all_is_said(ledger: Ledger) -> None:
    found = gather(ledger)
    assert not found.ever_alive
    assert "No daemon has run here" in text_of(found)


def test_alive_all_the_time(ledger: Ledger) -> None:
    lived(ledger, 100, 0.001, ended=False)
    found = gather(ledger)
    assert (found.alive, found.gaps) == (True, ())
    text = text_of(found)
    assert "alive all the time" in text
    assert "No capture was checked" in text


def test_gaps_are_told(ledger: Ledger) -> None:
    lived(ledger, 100, 20, ended=False)  # killed
    lived(ledger, 18, 10, ended=True)
    lived(ledger, 9.99, 0.001, ended=False)  # 36 s later: no gap
    found = gather(ledger)
    assert [(gap.began, gap.ended) for gap in found.gaps] == [(at(20), at(18))]
    assert found.alive


def test_a_daemon_that_is_gone_is_told(ledger: Ledger) -> None:
    lived(ledger, 100, 3, ended=False)
    found = gather(ledger)
    assert not found.alive
    assert [(gap.began, gap.ended) for gap in found.gaps] == [(at(3), at(0))]
    assert "not running now" in text_of(found)


def test_what_waits_and_for_what(ledger: Ledger) -> None:
    root = ledger.root(Path("/store"))
    ledger.put(
        root=root,
        path=Path("/store/take\x1b[31m.wav"),
        is_set=False,
        files=[
            (
                Path("/store/take\x1b[31m.wav"),
                Identity(device=1, inode=1, size=1, mtime_ns=1),
            )
        ],
        state=State.WAITING,
        why="a writer holds it open",
    )
    found = gather(ledger)
    assert [item.why for item in found.waiting] == ["a writer holds it open"]
    text = text_of(found)
    assert "a writer holds it open" in text
    assert "\x1b" not in text
    assert json.loads(json.dumps(as_json(found)))["waiting"][0]["why"]


@pytest.mark.parametrize(
    ("text", "hours"),
    [("12h", 12), ("3d", 72), ("30m", 0.5), (None, 24), ("2026-03-01T07:00:00+00:00", 24)],
)
def test_since_when(ledger: Ledger, text: str | None, hours: float) -> None:
    assert morning.since_when(text, ledger, NOW) == at(hours)


@pytest.mark.parametrize("text", ["yesterday", "5", "-3d", ""])
def test_since_nonsense_is_wrong_usage(ledger: Ledger, text: str) -> None:
    with pytest.raises(UsageError, match="--since"):
        morning.since_when(text, ledger, NOW)


def test_marked_as_read_the_next_begins_there(ledger: Ledger) -> None:
    morning.mark_seen(ledger, at(5))
    assert morning.since_when(None, ledger, NOW) == at(5)


def test_free_space_in_hours_needs_a_rate(ledger: Ledger) -> None:
    root = ledger.root(Path("/store"))
    ledger.change("UPDATE roots SET state = 'present' WHERE id = ?", (root,))
    (volume,) = gather(ledger).volumes
    assert (volume.free_bytes, volume.hours) == (36_000_000_000, None)


def test_changes_found_by_verifications_are_told(ledger: Ledger) -> None:
    for state in ("intact", "altered", "altered"):
        ledger.change(
            "INSERT INTO verifications (run, path, at, state, detail) VALUES ('r', ?, ?, ?, ?)",
            (b"/store/a.wav", at(2), state, "the audio differs"),
        )
    found = gather(ledger)
    assert found.coverage.counts == {"intact": 1, "altered": 2}
    assert found.coverage.changed == (("/store/a.wav", "altered", "the audio differs"),)
    assert "the audio differs" in text_of(found)
