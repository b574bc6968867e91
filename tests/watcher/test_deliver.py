"""Reports to their places: what cannot be written is kept, told once, and written later."""

from __future__ import annotations

import dataclasses
import errno
import io
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from watching import wav

from checks.model import Verdict
from watcher import deliver, files, sidecar
from watcher.deliver import Delivery
from watcher.examine import examine
from watcher.files import Identity
from watcher.ledger import CaptureRow, Ledger, State
from watcher.logs import Log
from watcher.report import Report, sidecar_path
from watcher.settings import Sheets, load
from watcher.signoff import sign
from watcher.tracksets import Capture
from watcher.troubles import Troubles

PROJECT = Path(__file__).resolve().parents[2]


class Desk:
    """Checked captures whose reports are to be delivered."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ledger = Ledger(folder / "state" / "ledger.sqlite")
        self.troubles = Troubles(self.ledger, Log(io.StringIO()))
        self.seconds = 1000.0
        self.room = (10**12, 10**12)
        self.delivery = Delivery(
            self.ledger, self.troubles, lambda: self.seconds, lambda _: self.room
        )

    def checked(self, name: str) -> tuple[CaptureRow, Report]:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(wav())
        capture = Capture.of_file(path)
        report = examine(capture, Sheets(load(None), self.folder).for_capture(path))
        row = self.ledger.put(
            root=self.ledger.root(self.folder),
            path=path,
            is_set=False,
            files=[(path, Identity.of(os.stat(path)))],
            state=State.QUEUED,
        )
        self.ledger.record(row.id, report, report_path=sidecar_path(path), paths=[path])
        stored = self.ledger.capture(path)
        assert stored is not None
        return stored, report

    def told(self) -> list[tuple[str, str | None]]:
        return list(self.ledger.rows("SELECT text, ended FROM troubles ORDER BY id"))


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    desk = Desk(tmp_path)
    yield desk
    desk.ledger.close()


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EDQUOT])
def test_told_once_kept_and_delivered_later(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    """Over many folders one trouble; the former report whole; the verdict kept."""
    rows = [desk.checked(f"reel {n}/take.wav") for n in range(5)]
    former = sidecar_path(rows[0][0].path)
    former.write_text("a former report")

    def refused(*_: Any) -> None:
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", refused)
        for row, report in rows:
            assert not desk.delivery.one(row, report)
        for _ in range(5):
            desk.seconds += 61
            desk.delivery.retry()
    ((text, ended),) = desk.told()
    assert os.strerror(number) in text
    assert ended is None
    assert not list(desk.folder.rglob("*.tmp"))
    assert [r.verdict for r, _ in rows] == [row.verdict for row in desk.ledger.in_state(State.DONE)]
    desk.delivery.retry()
    assert not sidecar_path(rows[1][0].path).exists()  # not in every round
    desk.seconds += 61
    desk.delivery.retry()
    for row, _ in rows:
        assert json.loads(sidecar_path(row.path).read_text())["format"] == "reelvigil-report"
    assert desk.told()[0][1] is not None
    assert list(desk.ledger.undelivered()) == []
    assert (former.parent / f"{former.name}.unreadable-1").read_text() == "a former report"


def test_the_last_room_of_a_volume_is_the_recorders(desk: Desk) -> None:
    row, report = desk.checked("take.wav")
    desk.room = (10**8, 10**12)
    assert not desk.delivery.one(row, report)
    desk.room = (10**8 - 10**6, 10**12)
    assert not desk.delivery.one(row, report)
    ((text, _),) = desk.told()
    assert "the recorder needs" in text
    desk.room = (10**11, 10**12)
    assert desk.delivery.one(row, report)


def test_many_folders_in_vain_do_not_hold_up_a_round(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    row, report = desk.checked("take.wav")
    for number in range(100):
        path = desk.folder / f"reel {number}" / "take.wav"
        one = desk.ledger.put(
            root=row.root,
            path=path,
            is_set=False,
            files=[(path, Identity(device=1, inode=number, size=1, mtime_ns=1))],
            state=State.QUEUED,
        )
        desk.ledger.record(one.id, report, report_path=sidecar_path(path), paths=[path])
    tried = []

    def refused(_: Report, path: Path) -> None:
        tried.append(path)
        raise OSError(errno.EROFS, "read-only")

    monkeypatch.setattr(sidecar, "save", refused)
    desk.seconds += 61
    desk.delivery.retry()
    assert 0 < len(tried) <= 25


def test_storage_that_is_lost_is_not_asked_for_room(desk: Desk) -> None:
    """It needs its volume back, not space nor rights."""
    desk.checked("take.wav")
    desk.seconds += 61
    desk.delivery.retry(lambda _: False)
    ((text, _),) = desk.told()
    assert "storage is lost" in text
    assert "free space" not in text
    assert "mount it" in text
    desk.seconds += 61
    desk.delivery.retry()
    assert [ended is None for _, ended in desk.told()] == [False]


def test_in_the_order_that_survives_a_power_cut(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Content on disk, then the name, then the folder, and only then the ledger.

    Without the first, ext4 was left with an empty report after a simulated cut, xfs with none;
    the ledger's own commits lost hundreds of acknowledged rows unless synchronous was FULL (2).
    """
    row, report = desk.checked("take.wav")
    order = []
    fsync, replace, delivered = os.fsync, os.replace, desk.ledger.delivered

    def syncing(fd: int) -> None:
        name = os.readlink(f"/proc/self/fd/{fd}")
        order.append("folder" if os.path.isdir(name) else "content")
        fsync(fd)

    def replacing(old: Any, new: Any) -> None:
        order.append("name")
        replace(old, new)

    def noting(capture: int) -> None:
        order.append("ledger")
        delivered(capture)

    monkeypatch.setattr(files.os, "fsync", syncing)
    monkeypatch.setattr(files.os, "replace", replacing)
    monkeypatch.setattr(desk.ledger, "delivered", noting)
    assert desk.delivery.one(row, report)
    assert order == ["content", "name", "folder", "ledger"]
    assert next(desk.ledger.rows("PRAGMA synchronous")) == (2,)
    assert next(desk.ledger.rows("PRAGMA journal_mode")) == ("wal",)


FULL = """
import os, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from watcher.files import write_whole
folder = Path(sys.argv[1])
write_whole(folder / "report", b"former")
try:
    write_whole(folder / "report", b"x" * 10**6)
except OSError as error:
    print(error.errno)
print((folder / "report").read_bytes() == b"former", os.listdir(folder) == ["report"])
os.system(f"mount -o remount,ro {folder}")
try:
    write_whole(folder / "report", b"new")
except OSError as error:
    print(error.errno)
print((folder / "report").read_bytes() == b"former", os.listdir(folder) == ["report"])
"""


def test_really_full_and_really_read_only(tmp_path: Path) -> None:
    """On a file system of 64 kB in a name space of its own."""
    if shutil.which("unshare") is None:
        pytest.skip("no unshare here")
    mount = f"mount -t tmpfs -o size=64k tmpfs {tmp_path} && exec {sys.executable} -c '{FULL}'"
    done = subprocess.run(
        ["unshare", "-Urm", "sh", "-c", f"{mount} {tmp_path} {PROJECT}"],
        capture_output=True,
        text=True,
        check=False,
    )
    if "Operation not permitted" in done.stderr:
        pytest.skip("no name spaces for this user")
    assert done.stdout.splitlines() == [
        str(errno.ENOSPC),
        "True True",
        str(errno.EROFS),
        "True True",
    ], done.stderr


def test_a_name_of_255_bytes(desk: Desk) -> None:
    """Another name for the report, the capture's own inside."""
    name = "x" * 251 + ".wav"
    row, report = desk.checked(name)
    assert desk.delivery.one(row, report)
    (path,) = desk.folder.glob("*.vigil.json")
    assert json.loads(path.read_text())["capture"]["name"] == name


def test_free_space_is_that_of_the_volume(tmp_path: Path) -> None:
    st = os.statvfs(tmp_path)
    free, total = deliver.free_bytes(tmp_path)
    assert total == st.f_blocks * st.f_frsize
    assert free <= total


def test_what_a_killed_daemon_left_half_written_is_removed(desk: Desk) -> None:
    """No temporary file is left. Others' and newer ones stay."""
    row, report = desk.checked("take.wav")
    path = sidecar_path(row.path)
    left = path.with_name(f".{path.name}.4711.tmp")
    new = path.with_name(f".{path.name}.4712.tmp")
    foreign = path.with_name(f".{path.name}x.4711.tmp")
    for one in (left, new, foreign):
        one.write_text("half")
        os.utime(one, (1_000_000, 1_000_000))
    later = time.time() + 60
    os.utime(new, (later, later))
    anew = Delivery(desk.ledger, desk.troubles, lambda: desk.seconds, lambda _: desk.room)
    assert anew.one(row, report)
    assert [one.exists() for one in (left, new, foreign)] == [False, True, True]


def test_a_sign_off_that_stands_in_the_report_alone_is_delivered_with_it(desk: Desk) -> None:
    """Signed from an account that cannot write the ledger, while the report waits to be written."""
    row, report = desk.checked("take.wav")
    place = sidecar_path(row.path)
    sidecar.save(report, place)
    capture = Capture.of_file(row.path)
    sign(report, place, capture, None, by="AB", note=None, verdict=Verdict.CLEAR)
    desk.delivery.retry()
    found, known = sidecar.load(place), desk.ledger.report(row.id)
    assert found is not None
    assert found.signoff is not None
    assert known == found
    assert list(desk.ledger.rows("SELECT signed, delivered FROM captures")) == [("clear", 1)]
    assert list(desk.ledger.rows("SELECT signed_by FROM contents")) == [("AB",)]


def test_a_later_report_on_disk_that_was_signed_is_not_written_over(desk: Desk) -> None:
    row, report = desk.checked("take.wav")
    place = sidecar_path(row.path)
    made = dataclasses.replace(report.made, at="2990-01-01T00:00:00+00:00")
    later = dataclasses.replace(report, made=made)
    sidecar.save(later, place)
    capture = Capture.of_file(row.path)
    signed = sign(later, place, capture, None, by="AB", note=None, verdict=Verdict.CLEAR)
    desk.delivery.retry()
    assert sidecar.load(place) == signed
    assert desk.ledger.report(row.id) == signed


def test_an_odd_date_of_a_signed_report_on_disk_holds_up_no_delivery(desk: Desk) -> None:
    row, report = desk.checked("take.wav")
    place = sidecar_path(row.path)
    made = dataclasses.replace(report.made, at="yesterday")
    odd = dataclasses.replace(report, made=made)
    sidecar.save(odd, place)
    sign(odd, place, Capture.of_file(row.path), None, by="AB", note=None, verdict=Verdict.CLEAR)
    desk.delivery.retry()
    found = sidecar.load(place)
    assert found is not None
    assert found.made == report.made
    assert found.signoff is not None  # the same content, the same findings
