"""The daemon's rounds: results that count, that are dropped, and what was altered since."""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Callable

import pytest
from rounds import Watch
from running import wait_for
from watching import QUIET_S, wav

from checks.model import Verdict
from watcher.beside import Beside
from watcher.ledger import State
from watcher.logs import Log
from watcher.reconcile import NEVER_READ


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
    watch_with: Callable[..., Watch], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A capture that changed is soon settled again, and its former worker may be slow to go."""
    watch = watch_with(workers=2)
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


def test_a_take_put_aside_and_played_again_under_its_name(watch: Watch) -> None:
    """The old one keeps its history, the new one has none: nothing is said to be altered."""
    path = watch.scene.write("take.wav")
    watch.checked()
    os.rename(path, path.with_name("take bad.wav"))
    path.write_bytes(wav(fill=7))
    watch.scene.scan()
    watch.checked()
    assert watch.scene.rows() == {"take bad.wav": "done", "take.wav": "done"}
    report = watch.report(watch.scene.row("take.wav"))
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
    again = watch.report(row)
    assert again.signoff is None
    assert "altered" not in [finding.kind for finding in again.findings]
    path.write_bytes(wav(fill=8))
    watch.scene.scan()
    watch.checked()
    third = watch.report(row)
    assert "altered" in [finding.kind for finding in third.findings]


# -- changes behind size and date --------------------------------------------------------------


def idle_until(watch: Watch, done: Callable[[], bool]) -> None:
    """The daemon's idle time, in which it reads stored captures again."""
    with contextlib.closing(Beside(watch.scene.ledger, Log(io.StringIO()))) as beside:
        wait_for(lambda: beside(watch.daemon) or done(), 30)


def test_a_content_changed_behind_its_date_is_read_again_and_told(watch: Watch) -> None:
    """Size and date are put back, but the time of change is not to be put back."""
    path = watch.scene.write("take.wav", wav(fill=1))
    watch.checked()
    st = path.stat()
    path.write_bytes(wav(fill=2))
    os.utime(path, ns=(st.st_atime_ns, st.st_mtime_ns))
    watch.scene.scan()
    row = watch.scene.row("take.wav")
    assert (row.state, row.verified_at) == (State.DONE, NEVER_READ)  # no alarm yet
    idle_until(watch, lambda: watch.scene.row("take.wav").state is not State.DONE)
    assert watch.scene.row("take.wav").state is State.QUEUED
    watch.checked()
    report = watch.report(row)
    assert "altered" in [finding.kind for finding in report.findings]


def test_new_rights_alone_are_read_again_and_make_no_alarm(watch: Watch) -> None:
    path = watch.scene.write("take.wav", wav(fill=1))
    watch.checked()
    path.chmod(0o600)
    watch.scene.scan()
    idle_until(watch, lambda: watch.scene.row("take.wav").verified_at != NEVER_READ)
    row = watch.scene.row("take.wav")
    assert row.state is State.DONE
    assert row.verified_at is not None
    assert row.verified_at > NEVER_READ
    watch.scene.scan()
    assert watch.scene.row("take.wav").verified_at == row.verified_at  # told once


# -- cut files ---------------------------------------------------------------------------------


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


def test_the_log_names_a_capture_that_is_gone(watch: Watch) -> None:
    watch.scene.stock()
    path = watch.scene.root / "reel/take 003.wav"
    path.unlink()
    watch.after(6 * QUIET_S)
    (line,) = [line for line in watch.log.getvalue().splitlines() if "capture_missing" in line]
    assert line.endswith(f"capture_missing path='{path}'")
