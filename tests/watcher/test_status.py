"""``status``: what the daemon does now, whether it is heard of, what was the last trouble."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from ledgering import put

from watcher import status
from watcher.console import console_on
from watcher.daemon import RECORDING
from watcher.ledger import Ledger, State
from watcher.life import Doing, Life
from watcher.logs import Log
from watcher.troubles import Troubles, lasting


def status_text(told: dict[str, Any]) -> str:
    stream = io.StringIO()
    status.show(console_on(stream), told)
    return stream.getvalue()


def test_status_says_what_it_does_now(ledger: Ledger) -> None:
    life = Life(ledger)
    life.begin()
    life.write([Doing(capture="/store/a\\x1b.wav", share=0.43, paused=True)])
    told = status.gather(ledger, running=True)
    assert told["alive"]
    assert "Checking /store/a\\x1b.wav, 43%, stands still" in status_text(told)
    assert status.gather(ledger, running=None)["alive"]
    assert not status.gather(ledger, running=False)["alive"]
    assert not status.gather(ledger, running=False)["heard"]
    life.end()
    told = status.gather(ledger, running=None)
    assert not told["alive"]
    assert "it was ended on" in status_text(told)


def test_status_tells_the_last_trouble_though_it_is_over(ledger: Ledger) -> None:
    troubles = Troubles(ledger, Log(io.StringIO()))
    assert status.gather(ledger, running=False)["last_trouble"] is None
    troubles.begin("a", "Storage lost: /store.")
    told = status.gather(ledger, running=True)
    assert [trouble["text"] for trouble in told["troubles"]] == ["Storage lost: /store."]
    troubles.end("a")
    told = status.gather(ledger, running=True)
    assert told["troubles"] == []
    assert "The last one" in status_text(told)
    assert "Storage lost: /store." in status_text(told)


def test_mistakes_in_a_sheet_are_told_one_a_line_and_in_short_once_mended(ledger: Ledger) -> None:
    log = io.StringIO()
    troubles = Troubles(ledger, Log(log))
    first = "The transfer sheet for /store has mistakes; its captures wait:"
    troubles.begin("a", f"{first}\n/store/transfer.yaml:1: one: x\n/store/transfer.yaml:2: two: y")
    lines = status_text(status.gather(ledger, running=True)).splitlines()
    at = next(i for i, line in enumerate(lines) if line.endswith(first))
    told = ["  /store/transfer.yaml:1: one: x", "  /store/transfer.yaml:2: two: y"]
    assert lines[at + 1 : at + 3] == told
    one = f"trouble what='{first} /store/transfer.yaml:1: one: x; /store/transfer.yaml:2: two: y'"
    assert one in log.getvalue()
    troubles.end("a")
    last = " ".join(status_text(status.gather(ledger, running=True)).split())
    assert last.endswith(f"{first[:-1]}.")
    assert "one: x" not in last
    assert log.getvalue().splitlines()[-1].endswith(f"what='{first[:-1]}.'")


def test_times_are_told_in_the_unit_that_suits_them() -> None:
    times = {0.5: "0.5 s", 25: "25 s", 150: "2.5 min", 1800: "30 min", 7200: "2 h", 86_400: "24 h"}
    assert {seconds: lasting(seconds) for seconds in times} == times


def test_status_of_a_daemon_that_holds_its_lock_and_is_not_heard_of(ledger: Ledger) -> None:
    told = status.gather(ledger, running=True)  # it could not write a word yet
    assert (told["alive"], told["heard"]) == (True, False)
    assert "it has not been heard of yet" in " ".join(status_text(told).split())
    life = Life(ledger)
    life.begin()
    life.write([Doing(capture="/store/a.wav", share=0.43, paused=False)])
    assert status.gather(ledger, running=True)["heard"]
    at = datetime.now(UTC) - timedelta(minutes=5)
    ledger.change("UPDATE lives SET beat = ?", (at.isoformat(timespec="milliseconds"),))
    told = status.gather(ledger, running=True)
    assert (told["alive"], told["heard"], told["checking"]) == (True, False, [])
    text = " ".join(status_text(told).split())
    assert f"last heard of at {at.astimezone():%Y-%m-%d %H:%M}" in text
    assert "Not running" not in text
    assert "Start it" not in text
    told = status.gather(ledger, running=None)
    assert not told["alive"]
    assert "Start it" in status_text(told)


def test_status_says_what_is_waited_for(ledger: Ledger) -> None:
    for number in range(3):
        ledger.move_to(put(ledger, f"/store/{number}.wav").id, State.QUEUED)
    put(ledger, "/store/new.wav", why="a writer holds it open")
    assert "3 queued: waits for its check, since 20" in status_text(
        status.gather(ledger, running=True)
    )
    ledger.note_queue(ledger.root(Path("/c")), RECORDING)
    told = status.gather(ledger, running=True)
    assert [(one["state"], one["why"], one["captures"]) for one in told["waiting"]] == [
        ("queued", RECORDING, 3),
        ("waiting", "a writer holds it open", 1),
    ]
    text = status_text(told)
    assert f"3 queued: {RECORDING}, since 20" in text
    assert "1 waiting: a writer holds it open, since 20" in text
    for number in range(9):
        put(ledger, f"/store/x{number}.wav", why=f"reason {number}")
    assert "and 6 more reasons" in status_text(status.gather(ledger, running=True))
