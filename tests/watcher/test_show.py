"""``reelvigil show`` and ``check --notes``: stored reports and their notes, as people read them."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from watcher.arguments import parser
from watcher.cli import main
from watcher.exits import Exit


def write(path: Path, tracks: int = 2, *, odd: bool = False) -> Path:
    """Hiss; 47 kHz is no preferred rate (AES5-2018), which is the note ``rate``."""
    samples = np.random.default_rng(len(path.name)).normal(0, 0.02, (20_000, tracks))
    soundfile.write(path, samples, 47_000 if odd else 96_000, subtype="PCM_24")
    return path


@pytest.fixture
def folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """Two captures and a track set, checked."""
    write(tmp_path / "a.wav", odd=True)
    (tmp_path / "below").mkdir()
    (tmp_path / "below" / "b.wav").write_bytes(b"")
    for number in (1, 2):
        write(tmp_path / f"t_tr{number}.wav", 1)
    main(["check", str(tmp_path)])
    capsys.readouterr()
    return tmp_path


def shows(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[Exit, str, str]:
    status = main(["show", *map(str, arguments)])
    said = capsys.readouterr()
    return status, " ".join(said.out.split()), said.err


def test_notes_are_counted_and_printed_where_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(write(tmp_path / "a.wav", odd=True))
    main(["check", path])
    counted = capsys.readouterr().out
    assert "notes)" in counted
    assert counted.count("check --notes") == 1
    assert "none of the preferred rates" not in counted
    main(["check", "--notes", path])
    told = capsys.readouterr().out
    assert "note: 47 kHz is none of the preferred rates (AES5).  [rate]" in told
    assert "check --notes" not in told
    assert max(map(len, told.splitlines())) <= 100


def test_no_sample_is_read(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.open

    def reports_alone(path: Any, *rest: Any) -> int:
        assert str(path).endswith(".vigil.json"), "read"
        return real(path, *rest)

    monkeypatch.setattr("watcher.files.os.open", reports_alone)
    status, out, err = shows(capsys, folder)
    assert status is Exit.UNREAD  # b.wav is empty: that status wins, as of check
    assert out.startswith("3 stored reports: 1 unread, ")
    assert "note: 47 kHz is none of the preferred rates" in out
    assert err == ""


@pytest.mark.parametrize(
    ("name", "title"),
    [
        ("a.wav", "a.wav"),
        ("a.wav.vigil.json", "a.wav"),
        ("t_tr2.wav", "t"),
        ("t.set.vigil.json", "t"),
        ("below", "b.wav"),
    ],
)
def test_it_takes_a_capture_a_set_a_report_or_a_folder(
    folder: Path, capsys: pytest.CaptureFixture[str], name: str, title: str
) -> None:
    _, out, _ = shows(capsys, folder / name)
    assert out.startswith("1 stored report: ")
    assert f" {title} " in out


def test_a_file_that_is_gone_has_its_report(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "a.wav").unlink()
    _, out, err = shows(capsys, folder / "a.wav")
    assert out.startswith("1 stored report: ")
    assert "a.wav: gone, or of another size or date than when the report was made" in err


def test_what_has_no_report_is_said(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write(folder / "new.wav")
    assert "new.wav: no report; `reelvigil check` makes one" in shows(capsys, folder)[2]
    status, out, err = shows(capsys, folder / "new.wav")
    assert (status, out) == (Exit.USAGE, "")
    assert "new.wav: no report beside it; if a configuration keeps reports elsewhere" in err
    assert "name it with --config; `reelvigil check` makes one" in err
    status, _, err = shows(capsys, folder / "absent.wav")
    assert status is Exit.USAGE
    assert "absent.wav: no such file, and no report beside it" in err
    (config := folder / "rv.yaml").write_text(f"reports: {folder / 'below'}\n")
    err = shows(capsys, "--config", config, folder / "new.wav")[2]
    assert f"no report beside it, nor in {folder / 'below'}; `reelvigil check` makes one" in err
    assert "--config" not in err


def test_what_no_report_speaks_for_is_not_all_clear(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path / "a.wav")
    main(["check", str(path)])
    assert shows(capsys, tmp_path)[0] is Exit.CLEAR
    write(tmp_path / "new.wav")
    assert shows(capsys, tmp_path)[0] is Exit.LISTEN  # as what verify calls unrecorded
    (tmp_path / "new.wav").unlink()
    write(path, 3)
    assert shows(capsys, path)[0] is Exit.LISTEN
    path.unlink()
    assert shows(capsys, path)[0] is Exit.LISTEN


def test_a_report_that_cannot_be_read_is_unread_as_with_check(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "a.wav.vigil.json").write_text("{ not json")
    status, out, err = shows(capsys, folder)
    assert status is Exit.UNREAD
    assert "a.wav.vigil.json: the report cannot be read (not JSON" in err
    assert out.startswith("2 stored reports: ")  # the others are printed all the same


def test_reports_in_a_mirror_are_found(
    folder: Path, tmp_path_factory: pytest.TempPathFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    mirror = tmp_path_factory.mktemp("mirror")
    config = mirror / "reelvigil.yaml"
    config.write_text(f"reports: {mirror / 'reports'}\n")
    for path in folder.glob("**/*.vigil.json"):
        path.unlink()
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    (elsewhere / "below").mkdir()
    write(elsewhere / "below" / "a.wav")
    for path in (folder, elsewhere):
        main(["check", "--config", str(config), str(path)])
    capsys.readouterr()
    other = mirror / "reports" / elsewhere.relative_to("/") / "below" / "a.wav.vigil.json"
    other.write_text(re.sub(r'"at": "\d{4}', '"at": "2099', other.read_text()))
    _, out, err = shows(capsys, "--config", config, folder)
    assert out.startswith("3 stored reports: ")
    assert err == ""
    for name in ("a.wav", "t_tr1.wav", "below/b.wav"):
        assert shows(capsys, "--config", config, folder / name)[1].startswith("1 stored report: ")
    assert "47 kHz" in shows(capsys, "--config", config, folder / "a.wav")[1]


def test_the_last_report_made_of_a_file_counts(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that was checked alone before the rest of its set came."""
    earlier = json.loads((folder / "t.set.vigil.json").read_text())
    earlier["made"]["at"] = "2001-01-01T00:00:00+00:00"
    earlier["capture"]["name"] = "t_tr1.wav"
    (folder / "t_tr1.wav.vigil.json").write_text(json.dumps(earlier))
    assert " t " in shows(capsys, folder / "t_tr1.wav")[1]


def test_notes_stand_once_though_a_capture_stands_twice(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = folder / "a.wav.vigil.json"
    report = json.loads(path.read_text())
    note = next(f for f in report["findings"] if f["kind"] == "rate")
    for verdict, remedy in (("redo", "replay"), ("unread", "none")):
        report["findings"].append(note | {"kind": verdict, "verdict": verdict, "remedy": remedy})
    path.write_text(json.dumps(report))
    _, out, _ = shows(capsys, path)
    assert (out.count("Could not be looked at"), out.count("Play these tapes again")) == (1, 1)
    assert out.count("note: 47 kHz") == 1


def test_the_parser_knows_both() -> None:
    assert parser().parse_args(["check", "--notes", "a"]).notes is True
    assert parser().parse_args(["check", "a"]).notes is False
    assert parser().parse_args(["show", "a", "b"]).paths == ["a", "b"]
    assert "print stored reports" in parser().format_help()
