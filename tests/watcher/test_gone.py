"""A track set that lost a file: never clear, never forgotten, until a person signs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from verifying import capture, checked, run

from watcher.cli import main
from watcher.exits import Exit

NAMES = ("take_08_tr01.wav", "take_08_tr02.wav", "take_08_tr03.wav")


def lost_of(report: dict[str, Any]) -> list[dict[str, Any]]:
    return [f for f in report["findings"] if f["kind"] == "set-missing"]


@pytest.mark.parametrize("name", NAMES)
def test_a_lost_file_stays_missing_however_often_the_set_is_checked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    for number, one in enumerate(NAMES):
        capture(tmp_path / one, seed=number, channels=1)
    _, before = checked(capsys, str(tmp_path))
    assert lost_of(before) == []
    held = {f["name"]: f["sha256"] for f in before["capture"]["files"]}
    content = (tmp_path / name).read_bytes()
    (tmp_path / name).unlink()
    for _ in range(2):
        status, report = checked(capsys, str(tmp_path))
        assert status is Exit.REDO
        (finding,) = lost_of(report)
        assert (finding["verdict"], finding["remedy"]) == ("redo", "recopy")
        assert finding["values"]["files"] == [name]
        assert name in finding["text"]
        assert [(e["file"], e["sha256"]) for e in report["earlier"]] == [(name, held[name])]
        status, results, last = run(capsys, str(tmp_path))
        assert status is Exit.REDO
        assert results[name]["state"] == "missing"
        assert last["counts"]["intact"] == 2
    (tmp_path / name).write_bytes(content)
    _, report = checked(capsys, str(tmp_path))
    assert lost_of(report) == []
    assert run(capsys, str(tmp_path))[2]["counts"]["intact"] == 3


def test_a_person_may_sign_the_set_as_it_is_without_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number, one in enumerate(NAMES):
        capture(tmp_path / one, seed=number, channels=1)
    checked(capsys, str(tmp_path))
    (tmp_path / NAMES[2]).unlink()
    checked(capsys, str(tmp_path))
    sign = ["signoff", str(tmp_path / NAMES[0]), "--by", "AB", "--note", "two tracks only"]
    assert main(sign) is Exit.CLEAR
    _, report = checked(capsys, str(tmp_path))
    assert lost_of(report) == []
    assert report["signoff"]["by"] == "AB"
    assert NAMES[2] not in run(capsys, str(tmp_path))[1]


def test_a_file_under_another_name_with_the_same_content_is_not_lost(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number, one in enumerate(NAMES):
        capture(tmp_path / one, seed=number, channels=1)
    checked(capsys, str(tmp_path))
    (tmp_path / NAMES[2]).rename(tmp_path / "take_08_trk03.wav")
    _, report = checked(capsys, str(tmp_path))
    assert lost_of(report) == []
    assert run(capsys, str(tmp_path))[2]["counts"]["intact"] == 3


def test_an_odd_date_neither_ends_the_check_nor_signs_a_file_away(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number, one in enumerate(NAMES):
        capture(tmp_path / one, seed=number, channels=1)
    checked(capsys, str(tmp_path))
    (tmp_path / NAMES[2]).unlink()
    checked(capsys, str(tmp_path))
    (path,) = tmp_path.glob("*.vigil.json")
    report = json.loads(path.read_text())
    report["earlier"][0]["at"] = "2026-01-01T00:00:00"  # no offset
    report["signoff"] = {"by": "AB", "at": "2026-01-02", "note": None, "verdict": "clear"}
    path.write_text(json.dumps(report))
    _, again = checked(capsys, str(tmp_path))
    assert "not-run" not in [finding["kind"] for finding in again["findings"]]
    assert [finding["kind"] for finding in lost_of(again)] == ["set-missing"]
