"""The report of another capture in the place of one's own: told, and never written over."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from verifying import capture, recorded, run

from watcher import sidecar
from watcher.cli import main
from watcher.deliver import keep_damaged
from watcher.exits import Exit
from watcher.report import SUFFIX, Report, from_json


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    """Two captures; the report of the first was copied over that of the second."""
    recorded(tmp_path, "one.wav", "two.wav")
    shutil.copyfile(tmp_path / f"one.wav{SUFFIX}", tmp_path / f"two.wav{SUFFIX}")
    return tmp_path


def test_verify_says_whose_report_stands_there(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, results, _ = run(capsys, str(copied))
    assert status is Exit.LISTEN
    assert results["one.wav"]["state"] == "intact"
    assert results["two.wav"]["state"] == "unrecorded"
    assert results["two.wav"]["text"] == (
        "No digest of it is recorded anywhere: two.wav.vigil.json is the report of another "
        "capture, one.wav."
    )


def test_a_check_says_it_and_keeps_that_report(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    foreign = (copied / f"two.wav{SUFFIX}").read_bytes()
    capsys.readouterr()
    main(["check", "--no-sidecar", str(copied / "two.wav")])
    (line,) = capsys.readouterr().err.splitlines()
    assert "is the report of another capture, one.wav" in line
    assert (copied / f"two.wav{SUFFIX}").read_bytes() == foreign
    assert main(["check", str(copied)]) is not Exit.CLEAR
    (line,) = capsys.readouterr().err.splitlines()
    assert line == (
        f"reelvigil: {copied}/two.wav.vigil.json: is the report of another capture, one.wav, so "
        "nobody can say whether the content changed since; it is kept as "
        "two.wav.vigil.json.of-another-1"
    )
    assert (copied / f"two.wav{SUFFIX}.of-another-1").read_bytes() == foreign
    now = from_json((copied / f"two.wav{SUFFIX}").read_bytes())
    assert (now.capture.name, now.earlier) == ("two.wav", ())
    main(["check", str(copied)])
    assert capsys.readouterr().err == ""


def test_what_cannot_be_kept_is_not_written_over(
    copied: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    foreign = (copied / f"two.wav{SUFFIX}").read_bytes()

    def refused(*_: object, **__: object) -> Path:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(sidecar, "set_aside", refused)
    capsys.readouterr()
    main(["check", str(copied / "two.wav")])
    assert "it stays, and no new one is written" in capsys.readouterr().err
    assert (copied / f"two.wav{SUFFIX}").read_bytes() == foreign


def test_the_daemon_keeps_it_too(copied: Path) -> None:
    own = from_json((copied / f"one.wav{SUFFIX}").read_bytes())
    keep_damaged(copied / f"one.wav{SUFFIX}", own)
    assert (copied / f"one.wav{SUFFIX}").exists()
    body = json.loads((copied / f"one.wav{SUFFIX}").read_text())
    assert body["capture"]["name"] == "one.wav"
    body["capture"]["name"] = body["capture"]["files"][0]["name"] = "two.wav"
    two: Report = from_json(json.dumps(body))
    keep_damaged(copied / f"two.wav{SUFFIX}", two)
    assert (copied / f"two.wav{SUFFIX}.of-another-1").exists()


def test_a_set_whose_files_got_other_names_keeps_its_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for n in (1, 2):
        capture(tmp_path / f"take_07_tr{n}.wav", seed=n, channels=1)
    main(["check", str(tmp_path)])
    for n in (1, 2):
        (tmp_path / f"take_07_tr{n}.wav").rename(tmp_path / f"take_07_tr0{n}.wav")
    capsys.readouterr()
    main(["check", str(tmp_path)])
    assert "another capture" not in capsys.readouterr().err
    assert not list(tmp_path.glob("*.of-another-*"))
