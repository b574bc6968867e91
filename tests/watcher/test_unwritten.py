"""Reports that cannot be read or written: no fault of the program, and nothing is lost by it."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from verifying import capture

from watcher import sidecar
from watcher.cli import main
from watcher.exits import Exit
from watcher.report import Report


@pytest.fixture
def full(monkeypatch: pytest.MonkeyPatch) -> None:
    """No report can be written any more."""

    def refused(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(sidecar, "save", refused)


@pytest.mark.usefixtures("full")
def test_a_report_that_cannot_be_written_is_to_be_mended_by_whoever_called(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capture(tmp_path / "a.wav")
    assert main(["check", str(tmp_path)]) is Exit.USAGE
    said = capsys.readouterr()
    assert "a.wav.vigil.json: the report could not be written (No space left" in said.err
    assert "1 capture checked: " in said.out


def test_a_report_that_cannot_be_read_nor_moved_is_not_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a change would be taken for the first record."""
    path = capture(tmp_path / "a.wav")
    main(["check", str(path)])
    before = (tmp_path / "a.wav.vigil.json").read_bytes()
    capsys.readouterr()

    def refused(*_: Any) -> Report:
        raise PermissionError(errno.EACCES, "Permission denied")

    with monkeypatch.context() as patched:
        patched.setattr(sidecar, "load", refused)
        patched.setattr(sidecar, "set_aside", refused)
        assert main(["check", str(path)]) is Exit.UNREAD
    said = capsys.readouterr().err
    assert "cannot be read (Permission denied)" in said
    assert "it stays, and no new one is written" in said
    assert (tmp_path / "a.wav.vigil.json").read_bytes() == before
    with monkeypatch.context() as patched:
        patched.setattr(sidecar, "load", refused)
        assert main(["check", str(path)]) is Exit.UNREAD
    assert "it is kept as a.wav.vigil.json.unreadable-1" in capsys.readouterr().err
    assert (tmp_path / "a.wav.vigil.json.unreadable-1").read_bytes() == before


def test_a_damaged_report_is_not_signed_and_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = capture(tmp_path / "a.wav")
    report = tmp_path / "a.wav.vigil.json"
    report.write_text("{ not json")
    assert main(["signoff", str(path), "--by", "AB"]) is Exit.UNREAD
    said = capsys.readouterr().err
    assert said.startswith(f"reelvigil: {report}: the report cannot be read (not JSON")
    assert said.count("\n") == 1
    assert report.read_text() == "{ not json"


def test_a_decision_that_cannot_be_written_is_not_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], request: pytest.FixtureRequest
) -> None:
    path = capture(tmp_path / "a.wav")
    main(["check", str(path)])
    capsys.readouterr()
    request.getfixturevalue("full")
    assert main(["signoff", str(path), "--by", "AB"]) is Exit.USAGE
    said = capsys.readouterr()
    assert "a.wav.vigil.json: the decision could not be written (No space left" in said.err
    assert said.out == ""


def _pipe(path: Path) -> str:
    path.unlink()
    os.mkfifo(path)
    return "it is not a regular file"


def _no_number(path: Path) -> str:
    path.write_text(path.read_text().replace('"bytes": 24044', '"bytes": NaN'))
    return "NaN is no number"


def _line_up(path: Path) -> str:
    """Reports of line-ups beside a capture are read for every capture there."""
    os.mkfifo(path.with_name("z.wav.vigil.json"))
    return _pipe(path)


@pytest.mark.parametrize("damage", [_pipe, _no_number, _line_up])
def test_what_has_only_the_name_of_a_report_holds_nobody_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], damage: Callable[[Path], str]
) -> None:
    path = str(capture(tmp_path / "a.wav"))
    main(["check", path])
    why = damage(tmp_path / "a.wav.vigil.json")
    for call in (["show"], ["signoff", "--by", "AB"], ["check"]):
        capsys.readouterr()
        assert main([call[0], path, *call[1:]]) is Exit.UNREAD
        assert why in capsys.readouterr().err
    assert (tmp_path / "a.wav.vigil.json.unreadable-1").exists()
    assert main(["check", path]) is Exit.CLEAR
