"""A ledger that was lost comes back from the reports; what was copied here is read all the same."""

from __future__ import annotations

import dataclasses
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from watching import wav

from watcher import sidecar
from watcher.examine import examine
from watcher.files import Identity
from watcher.ledger import Ledger, State
from watcher.rebuild import adopt
from watcher.report import Earlier, Report, sidecar_path
from watcher.settings import Sheets, load
from watcher.tracksets import Capture


class Store:
    """A folder whose captures were checked, and a ledger that knows nothing of it."""

    def __init__(self, folder: Path, ledger: Ledger) -> None:
        self.folder, self.ledger = folder, ledger
        folder.mkdir()

    def checked(self, name: str, report_path: Path | None = None) -> Path:
        path = self.folder / name
        path.write_bytes(wav())
        report = examine(Capture.of_file(path), Sheets(load(None), self.folder).for_capture(path))
        sidecar.save(report, report_path or sidecar_path(path))
        return path

    def adopted(self, path: Path, report_path: Path | None = None) -> bool:
        row = self.ledger.put(
            root=self.ledger.root(self.folder),
            path=path,
            is_set=False,
            files=[(path, Identity.of(os.stat(path)))],
            state=State.QUEUED,
        )
        return adopt(self.ledger, row, Capture.of_file(path), report_path or sidecar_path(path))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Ledger(tmp_path / "state" / "ledger.sqlite") as ledger:
        yield Store(tmp_path / "store", ledger)


def test_a_report_is_believed_where_it_was_made(store: Store, tmp_path: Path) -> None:
    path = store.checked("take.wav")
    assert store.adopted(path)
    (row,) = store.ledger.in_state(State.DONE)
    assert store.ledger.report(row.id) == sidecar.load(sidecar_path(path))
    mirrored = tmp_path / "reports" / "other.wav.vigil.json"
    assert store.adopted(store.checked("other.wav", mirrored), mirrored)


def test_through_a_link_it_is_the_same_folder(store: Store, tmp_path: Path) -> None:
    path = store.checked("take.wav")
    link = tmp_path / "link"
    link.symlink_to(store.folder)
    assert store.adopted(link / path.name)


def test_what_was_copied_here_with_its_report_is_read(store: Store, tmp_path: Path) -> None:
    """Size and date come along with the copy, whatever happened to the bytes on the way."""
    path = store.checked("take.wav")
    here = tmp_path / "copied"
    shutil.copytree(store.folder, here)
    assert not store.adopted(here / path.name)
    shutil.copy2(path, store.folder / "copy.wav")
    shutil.copy2(sidecar_path(path), sidecar_path(store.folder / "copy.wav"))
    assert not store.adopted(store.folder / "copy.wav")


def test_a_file_that_left_the_set_leaves_no_content_with_another(store: Store) -> None:
    path = store.checked("take.wav")
    report = sidecar.load(sidecar_path(path))
    assert isinstance(report, Report)
    left, own = (
        Earlier(
            at=report.made.at, sha256=digest * 64, audio_sha256=None, verdict=report.verdict,
            crc32_mib="", file=file,
        )
        for digest, file in (("5", "take_tr05.wav"), ("6", "take.wav"))
    )  # fmt: skip
    sidecar.save(dataclasses.replace(report, earlier=(left, own)), sidecar_path(path))
    assert store.adopted(path)
    sha256 = report.capture.files[0].sha256
    rows = store.ledger.rows("SELECT path, sha256 FROM contents ORDER BY id")
    assert list(rows) == [(os.fsencode(path), "6" * 64), (os.fsencode(path), sha256)]
