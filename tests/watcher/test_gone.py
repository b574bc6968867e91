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


def asked(report: dict[str, Any]) -> dict[str, str]:
    """Remedies by kind, of what asks for anything."""
    return {f["kind"]: f["remedy"] for f in report["findings"] if f["verdict"] != "clear"}


@pytest.mark.parametrize("sheet", ["", "expect: {channels: 3}\n"])
def test_a_set_of_which_one_file_is_left_is_still_that_set(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], sheet: str
) -> None:
    (tmp_path / "transfer.yaml").write_text(sheet)
    for number, one in enumerate(NAMES):
        capture(tmp_path / one, seed=number, channels=1)
    checked(capsys, str(tmp_path))
    content = {name: (tmp_path / name).read_bytes() for name in NAMES[1:]}
    lost = []
    for name in reversed(NAMES[1:]):
        (tmp_path / name).unlink()
        lost.append(name)
        for _ in range(2):
            status, report = checked(capsys, str(tmp_path))
            assert status is Exit.REDO
            assert asked(report) == {"set-missing": "recopy"}
            assert sorted(lost_of(report)[0]["values"]["files"]) == sorted(lost)
    assert [*tmp_path.glob("*.vigil.json")] == [tmp_path / "take_08.set.vigil.json"]
    for name in NAMES[1:]:
        (tmp_path / name).write_bytes(content[name])
    status, report = checked(capsys, str(tmp_path))
    assert (status, asked(report)) == (Exit.CLEAR, {})


def test_the_one_file_that_is_left_may_be_signed_as_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number, name in enumerate(("duo.L.wav", "duo.R.wav")):
        capture(tmp_path / name, seed=number, channels=1)
    checked(capsys, str(tmp_path))
    (tmp_path / "duo.R.wav").unlink()
    assert checked(capsys, str(tmp_path))[0] is Exit.REDO
    sign = ["signoff", str(tmp_path / "duo.L.wav"), "--by", "AB", "--note", "left only"]
    assert main(sign) is Exit.CLEAR
    status, report = checked(capsys, str(tmp_path))
    assert (status, lost_of(report)) == (Exit.CLEAR, [])
    assert report["signoff"]["by"] == "AB"


def test_a_file_that_does_not_fit_in_the_place_of_one_of_the_set_is_altered(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number, one in enumerate(NAMES):
        capture(tmp_path / one, seed=number, channels=1)
    checked(capsys, str(tmp_path))
    capture(tmp_path / NAMES[1], 9000, seed=9, channels=4)
    for _ in range(2):
        status, report = checked(capsys, str(tmp_path))
        assert status in (Exit.REDO, Exit.UNREAD)
        assert [line["name"] for line in report["capture"]["files"]] == [*NAMES]
        (altered,) = [f for f in report["findings"] if f["kind"] == "altered"]
        assert altered["values"]["file"] == NAMES[1]
        assert altered["text"].startswith(f"{NAMES[1]}: ")
    sign = ["signoff", str(tmp_path / NAMES[0]), "--by", "AB", "--note", "another tape"]
    assert main(sign) is Exit.CLEAR
    status, report = checked(capsys, str(tmp_path))
    assert (status, report["signoff"]["by"]) == (Exit.CLEAR, "AB")
    assert "altered" not in asked(report)


def test_a_file_of_another_kind_is_not_taken_for_what_is_left_of_a_set(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number, name in enumerate(("duo.L.wav", "duo.R.wav")):
        capture(tmp_path / name, seed=number, channels=1)
    checked(capsys, str(tmp_path))
    for name in ("duo.L.wav", "duo.R.wav"):
        (tmp_path / name).unlink()
    capture(tmp_path / "duo.L.flac", channels=1)
    _, report = checked(capsys, str(tmp_path))
    assert report["capture"]["name"] == "duo.L.flac"


def test_a_report_of_a_set_that_cannot_be_read_is_told_for_the_file_that_is_left(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capture(tmp_path / "duo.L.wav", channels=1)
    (tmp_path / "duo.set.vigil.json").write_text("{")
    assert main(["check", str(tmp_path)]) is Exit.UNREAD
    assert "earlier report cannot be read" in capsys.readouterr().err


def test_two_sets_of_one_name_have_a_report_each(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Copies of another container beside a set that was checked without them."""
    for number in (1, 2):
        capture(tmp_path / f"a_tr{number}.wav", seed=number, channels=1)
    checked(capsys, str(tmp_path))
    for number in (1, 2):
        capture(tmp_path / f"a_tr{number}.flac", seed=number, channels=1)
    for _ in range(2):
        assert main(["check", str(tmp_path)]) is Exit.CLEAR
    reports = {path.name: json.loads(path.read_text()) for path in tmp_path.glob("*.json")}
    assert {
        name: [line["name"] for line in report["capture"]["files"]]
        for name, report in reports.items()
    } == {
        "a.set.vigil.json": ["a_tr1.wav", "a_tr2.wav"],
        "a.flac.set.vigil.json": ["a_tr1.flac", "a_tr2.flac"],
    }
    (tmp_path / "a_tr2.flac").unlink()
    status, report = checked(capsys, str(tmp_path / "a_tr1.flac"))
    assert (status, report["capture"]["name"]) == (Exit.REDO, "a.flac")
    assert lost_of(report)[0]["values"]["files"] == ["a_tr2.flac"]
    assert checked(capsys, str(tmp_path / "a_tr1.wav"))[0] is Exit.CLEAR


def test_two_new_sets_of_one_name_have_a_report_each(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for kind in ("wav", "flac"):
        for number in (1, 2):
            capture(tmp_path / f"a_tr{number}.{kind}", seed=number, channels=1)
    for _ in range(2):
        assert main(["check", str(tmp_path)]) is Exit.CLEAR
    assert sorted(path.name for path in tmp_path.glob("*.json")) == [
        "a.set.vigil.json",
        "a.wav.set.vigil.json",
    ]
