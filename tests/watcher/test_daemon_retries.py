"""The daemon's rounds: workers that die, files that cannot be read, sheets with mistakes."""

from __future__ import annotations

import errno
import os
from datetime import datetime, timedelta
from typing import Any

import pytest
from rounds import Watch
from watching import QUIET_S, wav

from checks.model import Verdict
from watcher.examine import not_examined
from watcher.ledger import State
from watcher.pool import Ended
from watcher.rows import age_s


def test_three_dead_workers_and_the_capture_is_given_up(watch: Watch) -> None:
    """Its neighbour is checked all the same."""
    watch.scene.write("bad.wav")
    watch.settle()
    (key,) = watch.pool.going
    for attempt in range(3):
        assert watch.scene.row("bad.wav").state is State.CHECKING, attempt
        watch.pool.die(key)
        watch.daemon.turn()
        watch.retry_now()
        watch.daemon.turn()
    row = watch.scene.row("bad.wav")
    assert (row.state, row.verdict) == (State.GIVEN_UP, Verdict.UNREAD)
    report = watch.report(row)
    assert "the decoder crashed" in report.findings[0].text
    watch.scene.write("good.wav", wav(fill=1))
    watch.checked()
    assert watch.scene.row("good.wav").state is State.DONE
    # what was at fault may be mended by the next start: the program, its interpreter, memory
    watch.daemon._begin()
    watch.daemon.turn()
    watch.pool.die(key)
    watch.daemon.turn()
    assert watch.scene.row("bad.wav").state is State.RETRY
    watch.retry_now()
    watch.checked()
    row = watch.scene.row("bad.wav")
    assert row.state is State.DONE
    assert row.verdict is not Verdict.UNREAD


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


def test_a_check_that_cannot_be_started_is_no_fault_of_its_capture(watch: Watch) -> None:
    """A trouble of the daemon's, for as long as it lasts; no verdict, and no report."""
    path = watch.scene.write("take.wav")
    watch.settle()
    for _ in range(5):
        (key,) = watch.pool.going
        watch.pool.over.append(Ended(key=key, report=None, cause="[Errno 13]", began=False))
        watch.daemon.turn()
        row = watch.scene.row("take.wav")
        assert (row.state, row.verdict, row.attempts) == (State.RETRY, None, 0)
        (text,) = watch.daemon.troubles.open.values()
        assert text.startswith("Checks cannot be started: [Errno 13].")
        watch.retry_now()
        watch.daemon.turn()
    assert not path.with_name("take.wav.vigil.json").exists()
    watch.checked()
    assert watch.scene.row("take.wav").state is State.DONE
    assert watch.daemon.troubles.open == {}


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


def test_the_first_retry_waits_for_a_minute(watch: Watch) -> None:
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
    sheet.write_text("expect: {rate: 5, tracks: 2}\n")
    watch.scene.write("take.wav")
    watch.settle()
    assert watch.scene.row("take.wav").why == "its transfer sheet has mistakes"
    (told,) = (text for text in watch.scene.troubles() if "transfer.yaml" in text)
    what, *mistakes = told.splitlines()  # one a line, and no escape of a line break
    assert what.endswith("has mistakes; its captures wait:")
    assert [text.split(": ")[0] for text in mistakes] == [f"{sheet}:1"] * 2
    sheet.write_text("expect: {}\n")
    watch.retry_now()
    watch.checked()
    assert watch.scene.row("take.wav").state is State.DONE
    assert watch.scene.troubles() == []


def test_a_storage_error_is_no_fault_of_the_capture_and_is_tried_again(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told with its place, retried with longer and longer waits, never given up."""
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
            report = watch.report(row)
            assert "storage error at byte" in report.findings[0].text
            assert {f.verdict for f in report.findings} <= {Verdict.UNREAD, Verdict.CLEAR}
            watch.retry_now()
            watch.daemon.turn()
    assert waits == [60, 300, 900, 3600, 3600, 3600]
    watch.pool.finish()
    watch.daemon.turn()
    assert watch.scene.row("take.wav").state is State.DONE
    assert watch.scene.row("take.wav").verdict is not Verdict.UNREAD
