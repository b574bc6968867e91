"""The daemon told to stop, a disk that is full under its ledger, a changed configuration."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from rounds import Watch
from watching import wav

from watcher.daemon import LEDGER_AGAIN_S
from watcher.ledger import Ledger

# -- told to stop ------------------------------------------------------------------------------


def test_told_to_stop_it_claims_nothing_and_ends_what_takes_too_long(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Within 25 s by the daemon's own clock, the check back in the queue."""
    watch.scene.write("long.wav")
    watch.settle()
    watch.scene.write("next.wav", wav(fill=1))
    watch.settle()
    assert len(watch.pool.going) == 1

    def wait(seconds: float) -> None:
        watch.scene.seconds += seconds

    monkeypatch.setattr(watch.daemon._wake, "wait", wait)
    monkeypatch.setattr("watcher.daemon.time.sleep", wait)
    watch.daemon._wake.stops = 1
    watch.daemon._dispatch()
    began = watch.scene.seconds
    watch.daemon._wind_up()
    assert watch.scene.seconds - began < 20
    assert watch.scene.rows() == {"long.wav": "queued", "next.wav": "queued"}
    assert "watch_ended" in watch.log.getvalue()


def test_told_twice_it_waits_for_nothing(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> None:
    watch.scene.write("long.wav")
    watch.settle()

    def wait(seconds: float) -> None:
        watch.scene.seconds += seconds

    monkeypatch.setattr(watch.daemon._wake, "wait", wait)
    watch.daemon._wake.stops = 2
    began = watch.scene.seconds
    watch.daemon._wind_up()
    assert watch.scene.seconds == began
    assert watch.scene.rows() == {"long.wav": "queued"}


def test_a_check_that_ends_in_time_is_kept(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> None:
    watch.scene.write("take.wav")
    watch.settle()
    monkeypatch.setattr(watch.daemon._wake, "wait", lambda _: watch.pool.finish())
    watch.daemon._wake.stops = 1
    watch.daemon._wind_up()
    assert watch.scene.rows() == {"take.wav": "done"}


# -- a ledger that cannot be written -----------------------------------------------------------


def full(ledger: Ledger, pages: int | None = None) -> None:
    """As on a full disk: the ledger may not grow (sqlite.org/pragma.html#pragma_max_page_count)."""
    count = next(ledger.rows("PRAGMA page_count"))[0]
    next(ledger.rows(f"PRAGMA max_page_count = {pages or count}"))


def test_a_full_disk_under_the_ledger_costs_nothing_but_time(watch: Watch) -> None:
    watch.scene.write("first.wav")
    watch.settle()
    watch.pool.finish()
    full(watch.scene.ledger)
    for number in range(40):
        watch.scene.write(f"reel {number} of a long name that takes room/take.wav", wav(fill=2))
    watch.scene.intake.rescan()
    for _ in range(50):
        watch.scene.seconds += 5
        watch.daemon._try_turn()
    assert watch.log.getvalue().count("ledger_failed") == 1
    assert "ledger_works_again" not in watch.log.getvalue()
    full(watch.scene.ledger, pages=100_000)
    watch.scene.seconds += LEDGER_AGAIN_S
    watch.daemon._try_turn()
    assert "ledger_works_again" in watch.log.getvalue()
    watch.checked()
    rows = watch.scene.rows()
    assert len(rows) == 41
    assert set(rows.values()) == {"done"}
    assert len(watch.pool.tasks) == 41


def test_a_commit_that_fails_leaves_nothing_half_open(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        full(ledger)

        def much() -> None:
            with ledger.commit():
                for number in range(2000):
                    ledger.change(
                        "INSERT INTO troubles (key, text, began) VALUES (?, ?, '')",
                        (str(number), "x" * 500),
                    )

        with pytest.raises(sqlite3.OperationalError, match="full"):
            much()
        full(ledger, pages=100_000)
        assert next(ledger.rows("SELECT count(*) FROM troubles")) == (0,)
        ledger.change("INSERT INTO troubles (key, text, began) VALUES ('a', 'b', '')")
        with Ledger(tmp_path / "ledger.sqlite", read_only=True) as other:
            assert next(other.rows("SELECT count(*) FROM troubles")) == (1,)


# -- a configuration that changes --------------------------------------------------------------


@pytest.mark.parametrize("key", ["reports", "ledger"])
def test_folders_that_are_not_there_are_as_wrong_in_a_changed_one_as_at_the_start(
    watch: Watch, tmp_path: Path, key: str
) -> None:
    """They may be the places of volumes that are not mounted: nothing is written under those."""
    config = tmp_path / "changed.yaml"
    config.write_text(f"roots: [{tmp_path}]\n{key}: {tmp_path}/not mounted/here\n")
    before = watch.daemon.settings
    watch.daemon._config = config
    watch.daemon.reload()
    assert watch.daemon.settings is before
    assert f"not used: {key}: " in watch.log.getvalue()
    assert "no such folder; make it first" in watch.log.getvalue()
