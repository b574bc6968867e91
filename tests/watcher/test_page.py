"""``reelvigil page``: a page beside each report, and nothing else is moved by it."""

from __future__ import annotations

import fnmatch
import hashlib
import json
import os
import tomllib
from importlib import resources
from pathlib import Path

import pytest
from pages import Page
from verifying import capture, recorded, run

from watcher import commands_page
from watcher.arguments import parser
from watcher.cli import main
from watcher.exits import Exit
from watcher.report import ReportError
from watcher.walk import is_capture_name, is_unfinished_name

PROJECT = Path(__file__).resolve().parents[2]
PYTHON = (".py", ".pyc")


@pytest.fixture
def folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """Two captures and a track set, checked."""
    recorded(tmp_path, "a.wav", "t_tr1.wav", "t_tr2.wav")
    recorded(tmp_path / "below", "b.wav")
    capsys.readouterr()
    return tmp_path


def pages(
    capsys: pytest.CaptureFixture[str], *arguments: str | Path
) -> tuple[Exit, list[str], str]:
    status = main(["page", *map(str, arguments)])
    said = capsys.readouterr()
    return status, said.out.splitlines(), said.err


@pytest.mark.parametrize(
    ("named", "made"),
    [
        ("a.wav.vigil.json", ["a.wav.vigil.html"]),
        ("a.wav", ["a.wav.vigil.html"]),
        ("t.set.vigil.json", ["t.set.vigil.html"]),
        ("t_tr2.wav", ["t.set.vigil.html"]),
        ("below", ["below/b.wav.vigil.html"]),
        (".", ["a.wav.vigil.html", "below/b.wav.vigil.html", "t.set.vigil.html"]),
    ],
)
def test_a_report_a_capture_a_set_or_a_folder(
    folder: Path, capsys: pytest.CaptureFixture[str], named: str, made: list[str]
) -> None:
    status, said, err = pages(capsys, folder / named)
    assert (status, err) == (Exit.CLEAR, "")  # whatever the verdicts are
    assert sorted(said) == [str(folder / name) for name in made]
    assert sorted(str(p.relative_to(folder)) for p in folder.rglob("*.html")) == made
    assert not list(folder.rglob("*.tmp"))


def test_several_are_made_in_one_call(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert len(pages(capsys, folder / "a.wav", folder / "below" / "b.wav")[1]) == 2


def test_the_page_says_which_report_it_is_of(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = folder / "a.wav.vigil.json"
    pages(capsys, report)
    words = Page.at(folder / "a.wav.vigil.html").words
    assert f"from {report.name}, whose SHA-256" in words
    assert hashlib.sha256(report.read_bytes()).hexdigest() in words
    assert "That report is the record" in words
    assert "gone, or of another size" not in words


def test_a_report_says_what_was_there_then(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capture(folder / "a.wav", 9000)
    status, said, err = pages(capsys, folder / "a.wav")
    assert status is Exit.LISTEN  # as of ``show``: no report speaks for what is there
    assert len(said) == 1
    assert "a.wav: gone, or of another size" in err
    words = Page.at(folder / "a.wav.vigil.html").words
    assert "the capture was gone, or of another size or date than in the report" in words


def test_a_capture_without_a_report_is_said(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capture(folder / "new.wav")
    assert pages(capsys, folder / "new.wav")[:2] == (Exit.USAGE, [])
    status, said, err = pages(capsys, folder)
    assert (status, len(said)) == (Exit.LISTEN, 3)
    assert "new.wav: no report; `reelvigil check` makes one" in err
    status, _, err = pages(capsys, folder / "absent.wav.vigil.json")
    assert status is Exit.USAGE
    assert "no such file" in err


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("{ no json", "not JSON"),
        ('{"format": "reelvigil-report", "version": 2}', "version 2; this program reads 1"),
        ('{"format": "something else"}', "not a report"),
    ],
)
def test_a_report_that_cannot_be_read_hinders_no_other(
    folder: Path, capsys: pytest.CaptureFixture[str], text: str, why: str
) -> None:
    (folder / "a.wav.vigil.json").write_text(text)
    status, said, err = pages(capsys, folder)
    assert status is Exit.UNREAD
    assert why in err
    assert [Path(line).name for line in said] == ["t.set.vigil.html", "b.wav.vigil.html"]
    assert not (folder / "a.wav.vigil.html").exists()


def test_a_report_that_is_changed_this_very_moment(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def half(_: bytes) -> None:
        raise ReportError("not JSON: it ends early")

    monkeypatch.setattr(commands_page, "from_json", half)
    status, said, err = pages(capsys, folder / "a.wav")
    assert (status, said) == (Exit.UNREAD, [])
    assert "a.wav.vigil.json: the report cannot be read (not JSON" in err


def test_where_it_cannot_be_written_it_says_so(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "a.wav.vigil.html").mkdir()
    status, said, err = pages(capsys, folder / "a.wav", folder / "below")
    assert status is Exit.USAGE  # as of a report that cannot be written
    assert "a.wav.vigil.html: the page could not be written" in err
    assert len(said) == 1  # the other one stands
    assert not list(folder.glob(".*.tmp"))


def test_a_page_is_made_anew_whole(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    elsewhere = folder / "below" / "precious.txt"
    elsewhere.write_text("kept")
    (folder / "a.wav.vigil.html").symlink_to(elsewhere)
    for _ in range(2):
        assert pages(capsys, folder / "a.wav")[0] is Exit.CLEAR
    assert elsewhere.read_text() == "kept"
    assert Page.at(folder / "a.wav.vigil.html").words.startswith("a.wav")


def test_where_reports_are_mirrored_so_are_pages(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    mirror = tmp_path_factory.mktemp("mirror")
    config = mirror / "reelvigil.yaml"
    config.write_text(f"reports: {mirror / 'reports'}\n")
    (tmp_path / "below").mkdir()
    capture(tmp_path / "below" / "a.wav")
    main(["check", "--json", "--config", str(config), str(tmp_path)])
    capsys.readouterr()
    status, said, _ = pages(capsys, "--config", config, tmp_path / "below" / "a.wav")
    assert status is Exit.CLEAR
    outside_the_roots = mirror / "reports" / tmp_path.relative_to("/")
    assert said == [str(outside_the_roots / "below" / "a.wav.vigil.html")]
    assert not list(tmp_path.rglob("*.html"))


def test_a_long_name_keeps_its_page_as_short_as_its_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "n" * 246 + ".wav")
    capsys.readouterr()
    status, said, err = pages(capsys, tmp_path)
    assert (status, err) == (Exit.CLEAR, "")
    assert len(os.path.basename(said[0])) < 100


def test_no_sample_is_read_and_nothing_else_is_touched(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def state() -> dict[str, tuple[int, bytes]]:
        files = [p for p in folder.rglob("*") if p.is_file() and p.suffix != ".html"]
        return {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in files}

    before = state()
    opened = []
    real = os.open
    monkeypatch.setattr(os, "open", lambda path, *rest, **named: (
        opened.append(os.path.basename(path)), real(path, *rest, **named))[1])  # fmt: skip
    pages(capsys, folder)
    assert "a.wav.vigil.json" in opened
    assert not [name for name in opened if name.endswith(".wav")]
    monkeypatch.undo()
    assert state() == before


# -- what else reads a folder ----------------------------------------------------------------


@pytest.mark.parametrize("name", ["a.wav.vigil.html", ".a.wav.vigil.html.12.tmp",
                                  "a.wav.vigil.html~", "t.set.vigil.html"])  # fmt: skip
def test_a_page_is_no_capture_nor_one_that_is_being_written(name: str) -> None:
    assert not is_capture_name(name)
    assert not is_unfinished_name(name)  # which would hold the captures of its folder up
    assert is_unfinished_name(".a.wav.12.tmp")


def test_a_page_is_not_checked(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pages(capsys, folder)
    assert main(["check", str(folder / "a.wav.vigil.html")]) is Exit.USAGE
    assert "is no capture, but a report, its page or" in capsys.readouterr().err
    main(["check", "--json", str(folder)])
    said = capsys.readouterr()
    names = [json.loads(line)["capture"]["name"] for line in said.out.splitlines()]
    assert sorted(names) == ["a.wav", "b.wav", "t"]
    assert said.err == ""


def test_verify_and_sums_pass_it_by(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = run(capsys, str(folder))
    pages(capsys, folder)
    assert run(capsys, str(folder)) == before
    assert {state: n for state, n in before[2]["counts"].items() if n} == {"intact": 4}
    for extra in ([], ["--from-bytes", "--replace"]):
        assert main(["sums", *extra, str(folder)]) is Exit.CLEAR
        assert "html" not in (folder / "SHA256SUMS").read_text()
    assert run(capsys, str(folder))[0] is Exit.CLEAR


def test_a_closed_bag_gets_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """RFC 8493, 3: a payload file that no manifest lists makes the bag incomplete."""
    payload = tmp_path / "data" / "reel"
    recorded(payload, "a.wav")
    (tmp_path / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    capsys.readouterr()
    status, said, err = pages(capsys, payload / "a.wav")
    assert (status, said) == (Exit.USAGE, [])
    assert "lies in the payload of a bag" in err
    assert not list(tmp_path.rglob("*.html"))
    (tmp_path / "bagit.txt").unlink()
    assert pages(capsys, payload / "a.wav")[0] is Exit.CLEAR


def test_the_parser_knows_it() -> None:
    assert parser().parse_args(["page", "a", "b"]).paths == ["a", "b"]
    assert "make pages of stored reports" in parser().format_help()


def test_what_pages_are_made_from_is_installed_with_the_program() -> None:
    """Data of a package that no pattern names is missing from a wheel, and from nowhere else."""
    patterns = tomllib.loads((PROJECT / "pyproject.toml").read_text())["tool"]["setuptools"]
    for room in ("checks", "config", "sample_captures", "watcher"):
        data = [p for p in (PROJECT / room).rglob("*") if p.is_file() and p.suffix not in PYTHON]
        for path in data:
            inside = path.relative_to(PROJECT / room).as_posix()
            globs = patterns["package-data"].get(room, [])
            assert any(fnmatch.fnmatch(inside, glob) for glob in globs), inside
    assert {p.name for p in resources.files("watcher").joinpath("templates").iterdir()} >= {
        "base.html", "capture.html", "page.css", "timeline.svg"
    }  # fmt: skip
