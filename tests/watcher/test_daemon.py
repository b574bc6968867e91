"""The daemon's rounds, with workers that answer when the test says so."""

from __future__ import annotations

import dataclasses
import errno
import io
import json
import os
import sqlite3
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from watching import QUIET_S, Scene, wav

from checks.model import Verdict
from watcher import sidecar
from watcher.beside import Beside
from watcher.daemon import LEDGER_AGAIN_S, RECORDING, Daemon
from watcher.errors import UsageError
from watcher.examine import examine, not_examined
from watcher.ledger import CaptureRow, Ledger, State
from watcher.logs import Log
from watcher.pacing import STARVED_S
from watcher.pool import Ended, Running
from watcher.reconcile import NEVER_READ
from watcher.rows import age_s
from watcher.settings import WhileRecording
from watcher.signoff import sign
from watcher.worker import Task


class HandPool:
    """Workers that the test ends."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.tasks: dict[int, Task] = {}
        self.going: dict[int, Running] = {}
        self.over: list[Ended] = []
        self.cancelled: list[int | None] = []

    @property
    def running(self) -> list[Running]:
        return list(self.going.values())

    @property
    def free(self) -> int:
        return self.size - len(self.going)

    def submit(self, key: int, task: Task, *, volume: int, count: int) -> None:
        self.tasks[key] = task
        self.going[key] = Running(key, task.capture.name, volume, count, task.limit_mb_s)

    def ended(self) -> list[Ended]:
        over, self.over = self.over, []
        for one in over:
            self.going.pop(one.key, None)
        return over

    def pause(self, key: int, *, paused: bool) -> None:
        self.going[key].paused = paused

    def limit(self, key: int, mb_s: float | None) -> None:
        self.going[key].limit_mb_s = mb_s

    def cancel(self, key: int | None = None) -> None:
        self.cancelled.append(key)
        self.over += [
            Ended(key=one, report=None, cause="ended", stopped_by_us=True)
            for one in self.going
            if key in (None, one)
        ]

    def finish(self, *keys: int) -> None:
        """The check of these, as a worker does it."""
        for key in keys or [*self.going]:
            task = self.tasks[key]
            report = examine(task.capture, task.applied, earlier=task.earlier)
            self.over.append(Ended(key=key, report=report))

    def die(self, key: int, cause: str = "the decoder crashed (signal 11)") -> None:
        self.over.append(Ended(key=key, report=None, cause=cause))


class Watch:
    """A scene with the daemon over it."""

    def __init__(self, folder: Path, workers: int = 1, **settings: Any) -> None:
        self.scene = Scene(folder, **{"workers": workers, "scan_every_s": 10.0, **settings})
        self.pool = HandPool(workers)
        self.log = io.StringIO()
        self.daemon = Daemon(
            self.scene.settings,
            self.scene.ledger,
            Log(self.log),
            pool=self.pool,  # type: ignore[arg-type]
            intake=lambda _, settings: self._intake(settings),
            monotonic=lambda: self.scene.seconds,
        )
        self.daemon._begin()
        self.daemon.turn()

    def _intake(self, settings: Any) -> Any:
        self.scene.settings = settings
        self.scene.intake = self.scene.make()
        return self.scene.intake

    def sign(self, name: str, verdict: Verdict) -> CaptureRow:
        """A person decides about a capture that has been checked."""
        row = self.scene.row(name)
        report = self.scene.ledger.report(row.id)
        assert report is not None
        assert row.report_path is not None
        capture = self.pool.tasks[row.id].capture
        sign(report, row.report_path, capture, self.scene.ledger, by="AB", note=None,
             verdict=verdict)  # fmt: skip
        return row

    def after(self, seconds: float) -> None:
        until = self.scene.seconds + seconds
        while self.scene.seconds < until:
            self.scene.seconds += 5
            self.daemon.turn()

    def settle(self) -> None:
        self.after(2 * QUIET_S + 10)

    def checked(self) -> None:
        """Everything that there is, settled and checked."""
        self.settle()
        while self.pool.going:
            self.pool.finish()
            self.daemon.turn()

    def close(self) -> None:
        self.daemon.intake.stop()
        self.scene.ledger.close()


@pytest.fixture
def watch(tmp_path: Path) -> Iterator[Watch]:
    watch = Watch(tmp_path)
    yield watch
    watch.close()


# -- recordings go first ----------------------------------------------------------------------


def recorded_on(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> set[int]:
    """Volumes on which the test says that something is recorded."""
    volumes: set[int] = set()
    monkeypatch.setattr(
        type(watch.daemon.intake), "recording_on", lambda _, volume: volume in volumes
    )
    return volumes


def test_a_check_waits_for_a_recording_and_says_so(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    volumes = recorded_on(watch, monkeypatch)
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


def test_a_check_in_hand_is_paused_by_a_recording_and_goes_on_after_it(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault row 38."""
    volumes = recorded_on(watch, monkeypatch)
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
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    watch = Watch(tmp_path, while_recording=WhileRecording.SLOW, read_limit_mb_s=None)
    volumes = recorded_on(watch, monkeypatch)
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
    watch.close()


def test_a_server_that_always_records_still_checks(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing waits longer than a day: what has waited so long is checked slowly."""
    volumes = recorded_on(watch, monkeypatch)
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


def test_the_limit_of_a_volume_is_shared_by_its_readers(tmp_path: Path) -> None:
    watch = Watch(tmp_path, workers=2, read_limit_mb_s=100.0)
    watch.scene.write("a.wav")
    watch.scene.write("b.wav", wav(fill=1))
    watch.settle()
    watch.daemon.turn()
    assert [one.limit_mb_s for one in watch.pool.running] == [50.0, 50.0]
    watch.close()


def test_one_root_where_all_must_wait_holds_up_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = tmp_path / "other"
    other.mkdir()
    monkeypatch.setattr("watcher.daemon._LOOKED_AT", 3)
    watch = Watch(tmp_path, roots=(tmp_path / "captures", other))
    volumes = recorded_on(watch, monkeypatch)
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
    watch.close()


# -- results ----------------------------------------------------------------------------------


def test_checked_once_recorded_and_delivered(watch: Watch) -> None:
    path = watch.scene.write("take.wav")
    watch.checked()
    row = watch.scene.row("take.wav")
    assert (row.state, row.delivered) == (State.DONE, True)
    assert path.with_name("take.wav.vigil.json").exists()
    watch.after(3600)
    assert len(watch.pool.tasks) == 1


def test_the_result_of_a_former_state_is_dropped(watch: Watch) -> None:
    path = watch.scene.write("take.wav")
    watch.settle()
    (key,) = watch.pool.going
    watch.pool.finish()
    path.write_bytes(wav(fill=5))
    watch.scene.hint(path)
    watch.daemon.turn()
    assert key in watch.pool.cancelled
    assert "result_dropped" in watch.log.getvalue()
    assert watch.scene.row("take.wav").verdict is None
    watch.checked()
    assert watch.scene.row("take.wav").state is State.DONE


def test_no_second_worker_before_the_first_has_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A capture that changed is soon settled again, and its former worker may be slow to go."""
    watch = Watch(tmp_path, workers=2)
    path = watch.scene.write("take.wav")
    watch.settle()
    (key,) = watch.pool.going
    monkeypatch.setattr(watch.pool, "cancel", lambda _: None)
    path.write_bytes(wav(fill=5))
    watch.scene.hint(path)
    watch.after(2 * QUIET_S + 10)
    assert watch.scene.row("take.wav").state is State.QUEUED
    watch.pool.finish(key)
    watch.daemon.turn()  # dropped, and begun anew
    assert watch.scene.row("take.wav").state is State.CHECKING
    watch.checked()
    assert watch.scene.row("take.wav").state is State.DONE
    watch.close()


def test_three_dead_workers_and_the_capture_is_given_up(watch: Watch) -> None:
    """Fault row 36; its neighbour is checked all the same."""
    watch.scene.write("bad.wav")
    watch.settle()
    (key,) = watch.pool.going
    for attempt in range(3):
        assert watch.scene.row("bad.wav").state is State.CHECKING, attempt
        watch.pool.die(key)
        watch.daemon.turn()
        watch.scene.ledger.change("UPDATE captures SET retry_at = '2020-01-01T00:00:00.000+00:00'")
        watch.daemon.turn()
    row = watch.scene.row("bad.wav")
    assert (row.state, row.verdict) == (State.GIVEN_UP, Verdict.UNREAD)
    report = watch.scene.ledger.report(row.id)
    assert report is not None
    assert "the decoder crashed" in report.findings[0].text
    watch.scene.write("good.wav", wav(fill=1))
    watch.checked()
    assert watch.scene.row("good.wav").state is State.DONE


def test_a_worker_that_we_ended_is_no_attempt(watch: Watch) -> None:
    watch.scene.write("take.wav")
    watch.settle()
    (key,) = watch.pool.going
    for _ in range(5):
        watch.pool.cancel(key)
        watch.daemon.turn()
        assert key in watch.pool.going
    watch.pool.die(key)
    watch.daemon.turn()
    assert watch.scene.row("take.wav").state is State.RETRY


def test_a_take_put_aside_and_played_again_under_its_name(watch: Watch) -> None:
    """The old one keeps its history, the new one has none: nothing is said to be altered."""
    path = watch.scene.write("take.wav")
    watch.checked()
    os.rename(path, path.with_name("take bad.wav"))
    path.write_bytes(wav(fill=7))
    watch.scene.scan()
    watch.checked()
    assert watch.scene.rows() == {"take bad.wav": "done", "take.wav": "done"}
    report = watch.scene.ledger.report(watch.scene.row("take.wav").id)
    assert report is not None
    assert "altered" not in [finding.kind for finding in report.findings]
    assert report.earlier == ()
    assert len(watch.pool.tasks) == 2  # the renamed one was not checked again
    assert path.with_name("take bad.wav.vigil.json").exists()


def test_played_again_under_its_name_after_a_person_asked_for_it(watch: Watch) -> None:
    path = watch.scene.write("take.wav")
    watch.checked()
    row = watch.sign("take.wav", Verdict.REDO)
    path.write_bytes(wav(fill=7))
    watch.scene.scan()
    watch.checked()
    again = watch.scene.ledger.report(row.id)
    assert again is not None
    assert again.signoff is None
    assert "altered" not in [finding.kind for finding in again.findings]
    path.write_bytes(wav(fill=8))
    watch.scene.scan()
    watch.checked()
    third = watch.scene.ledger.report(row.id)
    assert third is not None
    assert "altered" in [finding.kind for finding in third.findings]


def test_a_signoff_is_open_again_when_the_line_up_turns_out_bad(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    from watcher.report import FindingLine

    path = watch.scene.write("take.wav")
    watch.checked()
    row = watch.sign("take.wav", Verdict.CLEAR)

    def worse(report: Any, _: Any) -> Any:
        found = next(f for f in report.findings)
        stands = dataclasses.replace(
            found, check="lineup", kind="stands-on", verdict=Verdict.LISTEN, tracks=()
        )
        assert isinstance(stands, FindingLine)
        return dataclasses.replace(report, findings=(*report.findings, stands))

    monkeypatch.setattr("watcher.daemon.with_stands_on", worse)
    os.utime(path, (1_000_000, 1_000_000))
    watch.scene.scan()
    watch.checked()
    again = watch.scene.ledger.report(row.id)
    assert again is not None
    assert again.signoff is None
    assert again.earlier[-1].signoff is not None


def test_signed_while_it_is_checked_again_the_decision_stands(watch: Watch) -> None:
    path = watch.scene.write("take.wav")
    watch.checked()
    row = watch.scene.row("take.wav")
    report = watch.scene.ledger.report(row.id)
    assert report is not None
    assert row.report_path is not None
    capture = watch.pool.tasks[row.id].capture
    watch.scene.ledger.move_to(row.id, State.QUEUED)
    watch.daemon.turn()
    assert watch.pool.going
    sign(report, row.report_path, capture, watch.scene.ledger, by="AB", note=None,
         verdict=Verdict.CLEAR)  # fmt: skip
    watch.pool.finish()
    watch.daemon.turn()
    again = watch.scene.ledger.report(row.id)
    assert again is not None
    assert again.signoff is not None
    assert json.loads(row.report_path.read_text())["signoff"]["by"] == "AB"
    assert path.exists()


@pytest.mark.parametrize("moved", ["file", "folder"])
def test_signed_on_disk_alone_and_renamed_the_decision_stands(watch: Watch, moved: str) -> None:
    """As from an account that cannot write the ledger."""
    path = watch.scene.write("reel/take.wav")
    watch.checked()
    row = watch.scene.row("reel/take.wav")
    assert row.report_path is not None
    report = watch.scene.ledger.report(row.id)
    assert report is not None
    capture = watch.pool.tasks[row.id].capture
    sign(report, row.report_path, capture, None, by="AB", note=None, verdict=Verdict.CLEAR)
    new = path.with_name("new.wav") if moved == "file" else watch.scene.root / "reel 7/take.wav"
    if moved == "file":
        os.rename(path, new)
    else:
        os.rename(path.parent, new.parent)
    watch.scene.scan()
    watch.checked()
    watch.after(70)
    assert len(watch.pool.tasks) == 1
    again = watch.scene.ledger.report(row.id)
    assert again is not None
    assert again.capture.name == new.name
    assert again.signoff is not None
    assert json.loads(new.with_name(f"{new.name}.vigil.json").read_text())["signoff"]["by"] == "AB"


def test_an_old_report_is_not_signed_over_a_later_one(watch: Watch) -> None:
    """What was found since cannot be written to disk yet: nobody has seen it there."""
    path = watch.scene.write("take.wav")
    watch.checked()
    row = watch.scene.row("take.wav")
    assert row.report_path is not None
    old = sidecar.load(row.report_path)
    assert old is not None
    capture = watch.pool.tasks[row.id].capture
    made = dataclasses.replace(old.made, at="2990-01-01T00:00:00+00:00")
    later = dataclasses.replace(old, made=made, verdict=Verdict.REDO)
    watch.scene.ledger.record(row.id, later, report_path=row.report_path, paths=[path])

    place = row.report_path

    def by_hand() -> None:
        sign(old, place, capture, watch.scene.ledger, by="AB", note=None,
             verdict=Verdict.CLEAR)  # fmt: skip

    with pytest.raises(UsageError, match=r"take.wav: the daemon knows more of it"):
        by_hand()
    assert watch.scene.ledger.report(row.id) == later
    assert sidecar.load(row.report_path) == old
    sidecar.save(later, row.report_path)  # between the look at the old one and the decision
    with pytest.raises(UsageError, match=r"take.wav: was checked anew meanwhile"):
        by_hand()
    assert sidecar.load(row.report_path) == later


def test_a_report_made_by_hand_after_the_daemons_is_signed_for_both(watch: Watch) -> None:
    watch.scene.write("take.wav")
    watch.checked()
    row = watch.scene.row("take.wav")
    assert row.report_path is not None
    task = watch.pool.tasks[row.id]
    known = watch.scene.ledger.report(row.id)
    anew = examine(task.capture, task.applied, earlier=known)
    made = dataclasses.replace(anew.made, at="2990-01-01T00:00:00+00:00")
    anew = dataclasses.replace(anew, made=made)
    sidecar.save(anew, row.report_path)
    signed = sign(anew, row.report_path, task.capture, watch.scene.ledger, by="AB", note=None,
                  verdict=Verdict.CLEAR)  # fmt: skip
    assert watch.scene.ledger.report(row.id) == sidecar.load(row.report_path) == signed
    assert list(watch.scene.ledger.rows("SELECT signed_by FROM contents")) == [("AB",)]


# -- stopping ---------------------------------------------------------------------------------


def test_told_to_stop_it_claims_nothing_and_ends_what_takes_too_long(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault row 40: within 25 s by the daemon's own clock, the check back in the queue."""
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


# -- a ledger that cannot be written ------------------------------------------------------------


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
    watch.scene.intake.rescan("test")
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


# -- changes behind size and date ---------------------------------------------------------------


def test_a_content_changed_behind_its_date_is_read_again_and_told(watch: Watch) -> None:
    """Fault row 35: size and date are put back, but the time of change is not to be put back."""
    path = watch.scene.write("take.wav", wav(fill=1))
    watch.checked()
    st = path.stat()
    path.write_bytes(wav(fill=2))
    os.utime(path, ns=(st.st_atime_ns, st.st_mtime_ns))
    watch.scene.scan()
    row = watch.scene.row("take.wav")
    assert (row.state, row.verified_at) == (State.DONE, NEVER_READ)  # no alarm yet
    beside = Beside(watch.scene.ledger, Log(io.StringIO()))
    until = time.monotonic() + 30
    while watch.scene.row("take.wav").state is State.DONE and time.monotonic() < until:
        beside(watch.daemon)
        time.sleep(0.05)
    beside.close()
    assert watch.scene.row("take.wav").state is State.QUEUED
    watch.checked()
    report = watch.scene.ledger.report(row.id)
    assert report is not None
    assert "altered" in [finding.kind for finding in report.findings]


def test_new_rights_alone_are_read_again_and_make_no_alarm(watch: Watch) -> None:
    """Fault row 48."""
    path = watch.scene.write("take.wav", wav(fill=1))
    watch.checked()
    path.chmod(0o600)
    watch.scene.scan()
    beside = Beside(watch.scene.ledger, Log(io.StringIO()))
    until = time.monotonic() + 30
    while watch.scene.row("take.wav").verified_at == NEVER_READ and time.monotonic() < until:
        beside(watch.daemon)
        time.sleep(0.05)
    beside.close()
    row = watch.scene.row("take.wav")
    assert row.state is State.DONE
    assert row.verified_at is not None
    assert row.verified_at > NEVER_READ
    watch.scene.scan()
    assert watch.scene.row("take.wav").verified_at == row.verified_at  # told once


def kinds(watch: Watch, name: str) -> list[str]:
    report = watch.scene.ledger.report(watch.scene.row(name).id)
    assert report is not None
    return [finding.kind for finding in report.findings]


def test_a_cut_file_that_was_fetched_again_is_what_was_asked_for(watch: Watch) -> None:
    """And a recording that went on after it was given up is no alteration of itself."""
    whole = wav(5000, fill=3)
    path = watch.scene.write("take.wav", whole[:4000])
    watch.after(1900)
    watch.checked()
    assert "truncated" in kinds(watch, "take.wav")
    path.write_bytes(whole)
    watch.scene.scan()
    watch.checked()
    assert "altered" not in kinds(watch, "take.wav")
    rows = watch.scene.ledger.rows("SELECT count(*) FROM contents")
    assert next(rows) == (1,)  # what verification holds it against
    # from here on it counts: another content, and a cut one, are told
    path.write_bytes(wav(5000, fill=4))
    watch.scene.scan()
    watch.checked()
    assert "altered" in kinds(watch, "take.wav")


def test_a_cut_file_that_changes_and_stays_cut_is_altered(watch: Watch) -> None:
    path = watch.scene.write("take.wav", wav(5000, fill=3)[:4000])
    watch.after(1900)
    watch.checked()
    path.write_bytes(wav(5000, fill=4)[:4000])
    watch.scene.scan()
    watch.after(1900)
    watch.checked()
    assert "altered" in kinds(watch, "take.wav")


# -- what cannot be read ------------------------------------------------------------------------


def test_deleted_while_it_is_checked_is_no_fault_of_reading(watch: Watch) -> None:
    path = watch.scene.write("take.wav")
    watch.settle()
    path.unlink()
    watch.pool.finish()
    watch.daemon.turn()
    assert watch.scene.row("take.wav").verdict is None
    assert not path.with_name("take.wav.vigil.json").exists()
    watch.after(4 * QUIET_S)
    assert watch.scene.row("take.wav").state is State.MISSING


def test_one_that_could_not_be_read_is_checked_again_when_its_rights_change(watch: Watch) -> None:
    path = watch.scene.write("take.wav")
    watch.settle()
    (key,) = watch.pool.going
    task = watch.pool.tasks[key]
    report = not_examined(task.capture, task.applied, "cannot be opened: Permission denied")
    watch.pool.over.append(Ended(key=key, report=report))
    watch.daemon.turn()
    assert watch.scene.row("take.wav").verdict is Verdict.UNREAD
    watch.after(600)
    assert watch.pool.going == {}
    path.chmod(0o644 if path.stat().st_mode & 0o777 != 0o644 else 0o640)
    watch.scene.scan()
    watch.checked()
    assert watch.scene.row("take.wav").verdict is not Verdict.UNREAD


@pytest.mark.parametrize("hours", [-30, 30])
def test_a_clock_that_jumps_makes_no_retry_wait_for_a_day(watch: Watch, hours: int) -> None:
    """Fault row 39."""
    watch.scene.write("take.wav")
    watch.settle()
    watch.pool.die(*watch.pool.going)
    watch.daemon.turn()
    row = watch.scene.row("take.wav")
    assert row.state is State.RETRY
    assert row.retry_at is not None
    at = datetime.fromisoformat(row.retry_at) - timedelta(hours=hours)  # as seen after the jump
    watch.scene.ledger.change(
        "UPDATE captures SET retry_at = ?", (at.isoformat(timespec="milliseconds"),)
    )
    watch.daemon.turn()
    assert watch.scene.row("take.wav").state is State.CHECKING


def test_retried_later_and_later(watch: Watch) -> None:
    watch.scene.write("take.wav")
    watch.settle()
    watch.pool.die(*watch.pool.going)
    watch.daemon.turn()
    row = watch.scene.row("take.wav")
    assert row.retry_at is not None
    assert 30 < -age_s(row.retry_at) <= 60
    watch.daemon.turn()
    assert watch.scene.row("take.wav").state is State.RETRY


def test_a_sheet_with_a_mistake_holds_its_captures_until_it_is_mended(watch: Watch) -> None:
    sheet = watch.scene.root / "transfer.yaml"
    sheet.write_text("expect: {rate: 5}\n")
    watch.scene.write("take.wav")
    watch.settle()
    assert watch.scene.row("take.wav").why == "its transfer sheet has mistakes"
    assert any("transfer.yaml:1" in text for text in watch.scene.troubles())
    sheet.write_text("expect: {}\n")
    watch.scene.ledger.change("UPDATE captures SET retry_at = '2020-01-01T00:00:00.000+00:00'")
    watch.checked()
    assert watch.scene.row("take.wav").state is State.DONE
    assert watch.scene.troubles() == []


def test_a_storage_error_is_no_fault_of_the_capture_and_is_tried_again(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault row 33: told with its place, retried with longer and longer waits, never given up."""
    watch.scene.write("take.wav", wav(40_000, fill=1))
    watch.settle()
    real = os.preadv

    def broken(fd: int, buffers: Any, offset: int) -> int:
        if offset + len(buffers[0]) > 50_000:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(fd, buffers, offset)

    waits = []
    with monkeypatch.context() as patched:
        patched.setattr("watcher.reader.os.preadv", broken)
        for _ in range(6):
            watch.pool.finish()
            watch.daemon.turn()
            row = watch.scene.row("take.wav")
            assert (row.state, row.verdict) == (State.RETRY, Verdict.UNREAD)
            assert row.retry_at is not None
            waits.append(round(-age_s(row.retry_at), -1))
            report = watch.scene.ledger.report(row.id)
            assert report is not None
            assert "storage error at byte" in report.findings[0].text
            assert {f.verdict for f in report.findings} <= {Verdict.UNREAD, Verdict.CLEAR}
            watch.scene.ledger.change(
                "UPDATE captures SET retry_at = '2020-01-01T00:00:00.000+00:00'"
            )
            watch.daemon.turn()
    assert waits == [60, 300, 900, 3600, 3600, 3600]
    watch.pool.finish()
    watch.daemon.turn()
    assert watch.scene.row("take.wav").state is State.DONE
    assert watch.scene.row("take.wav").verdict is not Verdict.UNREAD
