"""The daemon and a track set that it has checked: what becomes of one that loses its fellows."""

from __future__ import annotations

import shutil

import pytest
from rounds import Watch
from verifying import capture

from watcher.cli import main
from watcher.exits import Exit

NAMES = ("duo.L.wav", "duo.R.wav")


def stocked(watch: Watch) -> None:
    """A pair, checked by the daemon."""
    for number, name in enumerate(NAMES):
        capture(watch.scene.root / name, seed=number, channels=1)
    watch.daemon.intake.rescan()
    watch.checked()
    assert watch.scene.rows() == {"duo.set": "done"}


def asked(watch: Watch) -> set[str]:
    """What the last report of the set asks for, by the ledger; and nothing else is there."""
    assert [*watch.scene.rows()] == ["duo.set"]
    report = watch.report(watch.scene.row("duo.set"))
    return {f.kind for f in report.findings if f.verdict.value != "clear"}


def touch(watch: Watch, name: str) -> None:
    """Written anew with the same content, which a scan sees."""
    path = watch.scene.root / name
    shutil.copy(path, copy := path.with_name("x.part"))
    copy.rename(path)
    watch.daemon.intake.rescan()
    watch.checked()


def test_a_file_that_is_left_of_a_set_is_checked_as_that_set(watch: Watch) -> None:
    stocked(watch)
    (watch.scene.root / NAMES[1]).unlink()
    touch(watch, NAMES[0])
    assert asked(watch) == {"set-missing"}


def test_a_lost_ledger_does_not_make_a_capture_of_what_is_left_of_a_set(
    watch: Watch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As with one that ``check`` had looked at before the daemon came."""
    for number, name in enumerate(NAMES):
        capture(watch.scene.root / name, seed=number, channels=1)
    assert main(["check", str(watch.scene.root)]) is Exit.CLEAR
    (watch.scene.root / NAMES[1]).unlink()
    watch.daemon.intake.rescan()
    watch.checked()
    assert asked(watch) == {"set-missing"}


def test_a_file_that_does_not_fit_is_altered(watch: Watch) -> None:
    stocked(watch)
    capture(watch.scene.root / NAMES[1], 9000, seed=9, channels=4)
    watch.daemon.intake.rescan()
    watch.after(watch.scene.settings.give_up_s)
    watch.checked()
    assert {"altered", "set-length"} <= asked(watch)


def test_the_report_of_another_set_of_that_name_is_left_to_it(
    watch: Watch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Checked by hand before the daemon came; its files come under its eyes after the others."""
    for number, name in enumerate(NAMES):
        capture(watch.scene.root / name, seed=number, channels=1)
    assert main(["check", str(watch.scene.root)]) is Exit.CLEAR
    for number, name in enumerate(NAMES):
        path = watch.scene.root / name
        capture(path.with_suffix(".flac"), seed=number, channels=1)
        path.rename(path.with_suffix(".aside"))
    watch.daemon.intake.rescan()
    watch.checked()
    for name in NAMES:
        path = watch.scene.root / name
        path.with_suffix(".aside").rename(path)
    watch.daemon.intake.rescan()
    watch.checked()
    assert watch.scene.rows() == {"duo.flac.set": "done", "duo.set": "done"}
    for row in map(watch.scene.row, watch.scene.rows()):
        report = watch.report(row)
        assert [f.kind for f in report.findings if f.verdict.value != "clear"] == []
