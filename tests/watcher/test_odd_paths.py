"""Paths and dates that lead nowhere: links in a circle, homes of nobody, no year of ours."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from watcher.cli import main
from watcher.errors import UsageError
from watcher.exits import Exit
from watcher.files import modified, real
from watcher.places import state_folder
from watcher.verify import prepare


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.02, 20_000), 96_000, "PCM_24")
    return path


# -- links in a circle ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "command",
    [
        ("check", "{}"),
        ("check", "{}/take.wav"),
        ("show", "{}"),
        ("page", "{}/take.wav"),
        ("lineup", "{}"),
        ("signoff", "{}", "--verdict", "clear", "--by", "cb"),
        ("verify", "{}"),
        ("enrol", "{}/captures"),
        ("summary", "--html", "{}/morning.html"),
        ("config", "show", "{}"),
        ("config", "check", "{}/transfers"),
    ],
)
def test_a_circle_of_links_is_wrong_usage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: tuple[str, ...]
) -> None:
    circle = tmp_path / "circle"
    os.symlink(circle, circle)
    assert main([part.format(circle) for part in command]) is Exit.USAGE
    assert str(circle) in capsys.readouterr().err


def test_a_circle_of_links_above_a_path_is_called_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    os.symlink(tmp_path / "circle", tmp_path / "circle")
    main(["check", str(tmp_path / "circle" / "take.wav")])
    assert "lead in a circle" in capsys.readouterr().err


def test_captures_are_checked_where_a_root_or_the_reports_lie_in_a_circle(
    tmp_path: Path, capture: Path
) -> None:
    os.symlink(tmp_path / "circle", tmp_path / "circle")
    config = tmp_path / "reelvigil.yaml"
    config.write_text("roots: [circle]\n")
    assert main(["check", "--config", str(config), str(capture)]) is not Exit.USAGE
    assert prepare(tmp_path, mirror=tmp_path / "circle", ledger=None).records.truths


def test_links_are_followed_to_what_they_lead_to(tmp_path: Path, capture: Path) -> None:
    os.symlink(capture, tmp_path / "link")
    assert real(tmp_path / "link") == capture.resolve()


# -- homes ---------------------------------------------------------------------------------------


def test_an_account_without_a_home_is_told_where_the_ledger_may_lie(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def nobody(_: int) -> None:
        raise KeyError

    monkeypatch.delenv("HOME")
    monkeypatch.delenv("XDG_STATE_HOME")
    monkeypatch.setattr("pwd.getpwuid", nobody)
    with pytest.raises(UsageError, match="set `ledger`"):
        state_folder()


# -- times ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("year", [-1, 11_000])
def test_a_date_outside_the_calendar_is_none(capture: Path, year: int) -> None:
    seconds = (year - 1970) * 31_556_952
    status = os.stat_result((0o100644, 1, 1, 1, 0, 0, 9, seconds, seconds, seconds))
    assert modified(status) is None


def test_a_capture_dated_outside_the_calendar_is_read(
    capture: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Few file systems hold such dates, so one is pretended."""
    monkeypatch.setattr("watcher.reading.modified", lambda _: None)
    assert main(["check", str(capture)]) is not Exit.UNREAD
    report = json.loads(capture.with_name("a.wav.vigil.json").read_bytes())
    assert report["capture"]["files"][0]["modified"] is None
    assert report["capture"]["files"][0]["sha256"]
    assert main(["page", str(capture)]) is Exit.CLEAR
    assert main(["verify", str(capture.parent)]) is Exit.CLEAR
