"""A report whose capture is not there: ``check`` of its folder says so, and changes no status."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from verifying import capture

from watcher.cli import main
from watcher.exits import Exit


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[str]:
    """What a check says of reports without their captures."""
    capsys.readouterr()
    main(["check", "--json", *arguments])
    return [line for line in capsys.readouterr().err.splitlines() if "not there" in line]


def test_a_capture_that_is_missing_is_told_beside_those_that_are_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number, name in enumerate(("one.wav", "two.wav", "three.wav")):
        capture(tmp_path / name, seed=number)
    status = main(["check", "--json", str(tmp_path)])
    assert said(capsys, str(tmp_path)) == []
    (tmp_path / "two.wav").unlink()
    assert main(["check", "--json", str(tmp_path)]) is status
    (line,) = said(capsys, str(tmp_path))
    assert line == (
        f"reelvigil: {tmp_path}/two.wav.vigil.json: the capture that it speaks of is not there; "
        "`reelvigil verify` tells more"
    )
    (tmp_path / "three.wav").unlink()
    (line,) = said(capsys, str(tmp_path))
    assert line.startswith(f"reelvigil: {tmp_path}/three.wav.vigil.json and 1 more: ")
    (tmp_path / "one.wav").unlink()
    capsys.readouterr()
    assert main(["check", str(tmp_path)]) is Exit.USAGE
    told = capsys.readouterr().err
    assert "no capture in this folder" in told
    assert "one.wav.vigil.json and 2 more: " in told


def test_a_set_of_which_something_is_there_is_told_by_its_own_check(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for n in (1, 2, 3):
        capture(tmp_path / f"take_07_tr0{n}.wav", seed=n, channels=1)
    capture(tmp_path / "other.wav", seed=9)
    main(["check", "--json", str(tmp_path)])
    (tmp_path / "take_07_tr02.wav").unlink()
    assert said(capsys, str(tmp_path)) == []
    for n in (1, 3):
        (tmp_path / f"take_07_tr0{n}.wav").unlink()
    (line,) = said(capsys, str(tmp_path))
    assert "take_07.set.vigil.json: " in line


def test_the_same_name_in_another_unicode_form_is_no_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = capture(tmp_path / unicodedata.normalize("NFC", "\u00fcbung.wav"))
    main(["check", "--json", str(tmp_path)])
    first.rename(tmp_path / unicodedata.normalize("NFD", first.name))
    assert said(capsys, str(tmp_path)) == []


def test_reports_in_a_folder_of_their_own_are_looked_at_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "store"
    for folder in ("monday", "tuesday"):
        (store / folder).mkdir(parents=True)
        capture(store / folder / "one.wav", seed=1)
        capture(store / folder / "two.wav", seed=2)
    (tmp_path / "reports").mkdir()
    config = tmp_path / "reelvigil.yaml"
    config.write_text(f"roots: [{store}]\nreports: {tmp_path}/reports\n")
    main(["check", "--json", "--config", str(config), str(store)])
    (store / "monday" / "two.wav").unlink()
    (line,) = said(capsys, "--config", str(config), str(store / "monday"))
    assert line.startswith(f"reelvigil: {tmp_path}/reports/monday/two.wav.vigil.json: ")
    assert said(capsys, "--config", str(config), str(store / "tuesday")) == []
