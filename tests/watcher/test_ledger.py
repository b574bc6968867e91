"""The ledger: captures, their files, states, generations and results; any name comes back."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from ledgering import IDENTITY, put
from watching import wav

from checks.model import Verdict
from watcher import ledger as ledgers
from watcher.check import plan, run_job
from watcher.files import Identity
from watcher.ledger import Ledger, State, now, utc
from watcher.report import Report
from watcher.settings import Settings


def checked(folder: Path) -> tuple[Report, Path]:
    """A real report of a small file."""
    path = folder / "take.wav"
    path.write_bytes(wav())
    (job,) = plan([str(path)], Settings())
    return run_job(job, keep=False).report, path


def test_a_capture_and_its_generations(ledger: Ledger) -> None:
    """What has not settled has been nobody's basis: only later changes are a new generation."""
    grown = [(Path("/c/take.wav"), Identity(device=1, inode=2, size=9, mtime_ns=4))]
    assert put(ledger).generation == 1
    assert put(ledger, files=grown).generation == 1
    assert put(ledger, files=grown, state=State.QUEUED).generation == 1
    assert put(ledger, files=grown, state=State.QUEUED).generation == 1
    assert put(ledger).generation == 2
    assert put(ledger, state=State.QUEUED).generation == 2
    assert [file.identity for file in ledger.files(put(ledger).id)] == [IDENTITY]


def test_another_device_number_is_no_new_generation(ledger: Ledger) -> None:
    put(ledger, state=State.DONE)
    moved = [(Path("/c/take.wav"), Identity(device=7, inode=2, size=3, mtime_ns=4))]
    assert put(ledger, files=moved, state=State.DONE).generation == 1


def test_files_belong_to_one_capture(ledger: Ledger) -> None:
    paths = [Path(f"/c/a_tr{n}.wav") for n in (2, 1)]
    single = put(ledger, str(paths[0]))
    files = [(path, IDENTITY) for path in paths]
    group = put(ledger, "/c/a.set", is_set=True, files=files)
    assert ledger.files(single.id) == []
    assert [file.path for file in ledger.files(group.id)] == paths
    assert {ledger.capture_of_file(path) for path in paths} == {group}
    ledger.forget(group.id)
    assert ledger.files(group.id) == []
    assert {ledger.capture_of_file(path) for path in paths} == {None}


NAMES = [b"\xff\xfe.wav", b"a\nb.wav", b"'; DROP TABLE captures; --.wav", b"\xe2\x80\xae.wav"]


@pytest.mark.parametrize("name", NAMES)
def test_any_name_comes_back_byte_for_byte(ledger: Ledger, name: bytes) -> None:
    """Bytes that are not UTF-8 would not fit into a text column."""
    path = os.fsdecode(b"/c/\xfe/" + name)
    row = put(ledger, path)
    assert os.fsencode(row.path) == b"/c/\xfe/" + name
    assert ledger.capture(Path(path)) == row
    assert ledger.capture_of_file(Path(path)) == row
    assert [os.fsencode(f.path) for f in ledger.files(row.id)] == [b"/c/\xfe/" + name]


def test_states_attempts_and_the_next_try(ledger: Ledger) -> None:
    row = put(ledger)
    ledger.move_to(row.id, State.CHECKING)
    ledger.move_to(row.id, State.RETRY, why="storage error", retry_at="2026-02-01T00:00:00Z")
    ledger.move_to(row.id, State.CHECKING)
    found = ledger.capture(row.path)
    assert found is not None
    assert (found.attempts, found.why, found.retry_at) == (2, None, None)
    assert ledger.requeue_interrupted() == 1
    (found,) = ledger.in_state(State.QUEUED)
    assert found.attempts == 2
    assert put(ledger, files=[], state=State.WAITING).attempts == 0


def test_the_longest_in_a_state_comes_first(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    times = iter(f"2026-01-01T00:00:0{n}.000+00:00" for n in (3, 1, 2))
    monkeypatch.setattr(ledgers, "now", lambda: next(times))
    ledger.change("INSERT INTO roots (path, state, since) VALUES (x'2f63', 'unknown', 'then')")
    for name in ("b", "c", "a"):
        ledger.put(root=1, path=Path(f"/c/{name}"), is_set=False, files=[], state=State.QUEUED)
    assert [row.path.name for row in ledger.in_state(State.QUEUED)] == ["c", "a", "b"]


def test_a_result_with_its_contents(ledger: Ledger, tmp_path: Path) -> None:
    report, path = checked(tmp_path)
    row = put(ledger, str(path), state=State.QUEUED)
    assert not ledger.is_current(row.id)
    ledger.record(row.id, report, report_path=tmp_path / "r.json", paths=[path])
    ledger.record(row.id, report, report_path=tmp_path / "r.json", paths=[path])
    assert ledger.report(row.id) == report
    assert ledger.is_current(row.id)
    found = ledger.capture(path)
    assert found is not None
    assert (found.state, found.verdict) == (State.DONE, report.verdict)
    assert found.verified_at == utc(report.made.at)
    contents = list(ledger.rows("SELECT path, sha256 FROM contents"))
    assert contents == [(os.fsencode(path), report.capture.files[0].sha256)]
    assert [one.id for one in ledger.undelivered()] == [row.id]
    ledger.delivered(row.id)
    assert list(ledger.undelivered()) == []
    assert [one.id for one in ledger.checked_since("2020-01-01T00:00:00+02:00")] == [row.id]
    assert list(ledger.checked_since("2099-01-01T00:00:00+00:00")) == []
    changed = [(path, Identity(device=1, inode=2, size=99, mtime_ns=4))]
    put(ledger, str(path), files=changed)
    assert not ledger.is_current(row.id)


def test_checked_and_put_back_to_wait_a_change_is_a_new_generation(
    ledger: Ledger, tmp_path: Path
) -> None:
    """Else the report of a file that changed under it would pass for one of its new content."""
    report, path = checked(tmp_path)
    row = put(ledger, str(path), state=State.QUEUED)
    ledger.record(row.id, report, report_path=tmp_path / "r.json", paths=[path])
    ledger.move_to(row.id, State.WAITING)
    assert ledger.is_current(row.id)
    changed = [(path, Identity(device=1, inode=2, size=99, mtime_ns=4))]
    assert put(ledger, str(path), files=changed, state=State.QUEUED).generation == 2
    assert not ledger.is_current(row.id)


def test_times_compare_as_text() -> None:
    assert utc("2026-01-31T05:12:09+01:00") == "2026-01-31T04:12:09.000+00:00"
    assert utc("2026-01-31T04:12:09.0009Z") == "2026-01-31T04:12:09.000+00:00"
    moment = now()
    assert utc(moment) == moment


def test_all_or_nothing(ledger: Ledger) -> None:
    def fails() -> None:
        with ledger.commit():
            put(ledger)
            with ledger.commit():
                put(ledger, "/c/other.wav")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fails()
    assert list(ledger.rows("SELECT 1 FROM captures")) == []
    put(ledger)  # and it goes on


def test_a_verdict_comes_back_as_one_of_ours(ledger: Ledger) -> None:
    row = put(ledger)
    ledger.change("UPDATE captures SET verdict = 'redo' WHERE id = ?", (row.id,))
    found = ledger.capture(row.path)
    assert found is not None
    assert found.verdict is Verdict.REDO
