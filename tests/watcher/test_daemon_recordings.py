"""The daemon's rounds: recordings go first, and checks get on beside them in the end."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from rounds import Watch
from watching import wav

from watcher.daemon import RECORDING
from watcher.intake import Intake
from watcher.ledger import State
from watcher.pacing import STARVED_S
from watcher.settings import WhileRecording


@pytest.fixture
def volumes(monkeypatch: pytest.MonkeyPatch) -> set[int]:
    """Volumes on which the test says that something is recorded."""
    volumes: set[int] = set()
    monkeypatch.setattr(Intake, "recording_on", lambda _, volume: volume in volumes)
    return volumes


def test_a_check_waits_for_a_recording_and_says_so(watch: Watch, volumes: set[int]) -> None:
    path = watch.scene.write("take.wav")
    watch.scene.write("next.wav", wav(fill=1))
    volumes.add(path.stat().st_dev)
    watch.settle()
    assert watch.pool.going == {}
    names = ("next.wav", "take.wav")
    assert [watch.scene.row(name).why for name in names] == [RECORDING, RECORDING]
    volumes.clear()
    watch.checked()
    assert [watch.scene.row(name).why for name in names] == [None, None]


def test_what_the_queue_waited_for_is_forgotten_once_it_moves(
    watch: Watch, volumes: set[int]
) -> None:
    path = watch.scene.write("take.wav")
    watch.scene.write("next.wav", wav(fill=1))
    volumes.add(path.stat().st_dev)
    watch.settle()
    volumes.clear()
    watch.daemon.turn()
    told = {row.state: row.why for row in map(watch.scene.row, ("take.wav", "next.wav"))}
    assert told == {State.CHECKING: None, State.QUEUED: None}


def test_a_check_in_hand_is_paused_by_a_recording_and_goes_on_after_it(
    watch: Watch, volumes: set[int]
) -> None:
    path = watch.scene.write("take.wav")
    watch.settle()
    (running,) = watch.pool.running
    volumes.add(path.stat().st_dev)
    watch.daemon.turn()
    assert running.paused
    volumes.clear()
    watch.daemon.turn()
    assert not running.paused


def test_slowly_beside_a_recording_and_freely_after_it(
    watch_with: Callable[..., Watch], volumes: set[int]
) -> None:
    watch = watch_with(while_recording=WhileRecording.SLOW, read_limit_mb_s=None)
    path = watch.scene.write("take.wav")
    watch.settle()
    (running,) = watch.pool.running
    assert running.limit_mb_s is None
    volumes.add(path.stat().st_dev)
    watch.daemon.turn()
    assert (running.paused, running.limit_mb_s) == (False, 10.0)
    volumes.clear()
    watch.daemon.turn()
    assert running.limit_mb_s is None


def test_a_server_that_always_records_still_checks(watch: Watch, volumes: set[int]) -> None:
    """Nothing waits longer than a day: what has waited so long is checked slowly."""
    path = watch.scene.write("old.wav")
    volumes.add(path.stat().st_dev)
    watch.settle()
    watch.scene.write("new.wav", wav(fill=1))
    watch.settle()
    assert watch.pool.going == {}
    queued = datetime.now(UTC) - timedelta(seconds=STARVED_S + 60)
    watch.scene.ledger.change(
        "UPDATE captures SET changed_at = ? WHERE id = ?",
        (queued.isoformat(timespec="milliseconds"), watch.scene.row("old.wav").id),
    )
    watch.daemon.turn()
    (running,) = watch.pool.running
    assert (running.name, running.paused, running.limit_mb_s) == ("old.wav", False, 10.0)
    watch.pool.finish()
    watch.daemon.turn()
    assert watch.pool.going == {}  # the other one has waited for minutes only
    assert watch.scene.rows() == {"new.wav": "queued", "old.wav": "done"}


def test_the_limit_of_a_volume_is_shared_by_its_readers(watch_with: Callable[..., Watch]) -> None:
    watch = watch_with(workers=2, read_limit_mb_s=100.0)
    watch.scene.write("a.wav")
    watch.scene.write("b.wav", wav(fill=1))
    watch.settle()
    watch.daemon.turn()
    assert [one.limit_mb_s for one in watch.pool.running] == [50.0, 50.0]


def test_one_root_where_all_must_wait_holds_up_no_other(
    watch_with: Callable[..., Watch],
    volumes: set[int],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    other = tmp_path / "other"
    other.mkdir()
    monkeypatch.setattr("watcher.daemon._LOOKED_AT", 3)
    watch = watch_with(roots=(tmp_path / "captures", other))
    for number in range(5):
        watch.scene.write(f"take {number}.wav", wav(fill=number))
    watch.settle()
    watch.pool.going.clear()
    watch.scene.ledger.change("UPDATE captures SET state = 'queued'")
    (other / "free.wav").write_bytes(wav(fill=9))
    watch.settle()
    watch.pool.going.clear()
    device = os.stat(tmp_path).st_dev
    watch.scene.ledger.change("UPDATE captures SET state = 'queued'")
    watch.scene.ledger.change(
        "UPDATE files SET device = ? WHERE folder = ?", (device + 1, os.fsencode(other))
    )
    volumes.add(device)
    watch.daemon.turn()
    assert [one.name for one in watch.pool.running] == ["free.wav"]
