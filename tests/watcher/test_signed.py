"""A decision that stands: count, heading and exit status follow it; its note is told."""

from __future__ import annotations

from pathlib import Path

import pytest
from verifying import capture

from watcher.cli import main
from watcher.exits import Exit


@pytest.fixture(autouse=True)
def _own_state(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[Exit, str]:
    capsys.readouterr()
    status = main([*arguments])
    return status, " ".join(capsys.readouterr().out.split())


def test_a_clear_capture_that_is_to_be_done_again_counts_as_such(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(capture(tmp_path / "a.wav", frames=40_000))
    status, text = said(capsys, "check", path)
    assert (status, "checked: 1 clear" in text) == (Exit.CLEAR, True)
    main(["signoff", path, "--by", "AB", "--verdict", "redo", "--note", "wrong tape"])
    status, text = said(capsys, "check", path)
    assert status is Exit.REDO
    assert "1 capture checked: 1 redo" in text
    again = text.partition("Play these tapes again (1)")[2]
    assert "signed AB, " in again
    assert ": wrong tape" in again


def test_a_finding_that_a_person_signed_clear_is_clear_and_still_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = capture(tmp_path / "a.wav", frames=40_000)
    path.write_bytes(path.read_bytes()[:-6000])
    status, text = said(capsys, "check", str(path))
    assert status is Exit.REDO
    main(["signoff", str(path), "--by", "AB", "--note", "the end is not wanted"])
    status, text = said(capsys, "check", str(path))
    assert status is Exit.CLEAR
    assert "1 capture checked: 1 clear" in text
    clear = text.partition("Clear (1)")[2]
    assert "signed AB, " in clear
    assert ": the end is not wanted" in clear
    assert "[truncated]" in clear
