"""``reelvigil summary --html``: the morning as a page, in the words of the text."""

from __future__ import annotations

import dataclasses
import json
import os
import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import unquote

import pytest
from ledgering import put
from lineup_reports import finding, report
from pages import Page

from checks.model import Remedy, Verdict
from watcher import morning, sidecar
from watcher.cli import main
from watcher.exits import Exit
from watcher.ledger import Ledger, State
from watcher.morning_page import page_of
from watcher.morning_text import text_of
from watcher.report import FindingLine, page_path, sidecar_path

REDO = dataclasses.replace(finding(Verdict.REDO), text="Zeros stand there.")
FILE = dataclasses.replace(REDO, remedy=Remedy.RECOPY, text="Cut short.")
LISTEN = dataclasses.replace(finding(Verdict.LISTEN), text="A dip.")
UNREAD = dataclasses.replace(finding(Verdict.UNREAD), text="Storage failed.")
Checked = Callable[..., Path]


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder without any configuration."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    return tmp_path


@pytest.fixture
def kept(state_home: Path) -> Path:
    """The ledger that the command takes by itself, of a daemon that lives."""
    path = state_home / "reelvigil" / "ledger.sqlite"
    path.parent.mkdir()
    now = datetime.now(UTC)
    with Ledger(path) as ledger:
        ledger.change(
            "INSERT INTO lives (began, beat, ended, version) VALUES (?, ?, NULL, '0')",
            tuple((now - timedelta(days=d)).isoformat(timespec="milliseconds") for d in (5, 0)),
        )
    return path


@pytest.fixture
def checked(kept: Path, tmp_path: Path) -> Checked:
    """Puts a capture with its report into the ledger and onto the disk."""

    def check(name: str, *findings: FindingLine, days: float = 0.0, folder: str = "store") -> Path:
        place = tmp_path / folder
        place.mkdir(exist_ok=True)
        made = report(name, folder=str(place), findings=findings)
        at = (datetime.now(UTC) - timedelta(days=days)).isoformat(timespec="milliseconds")
        made = dataclasses.replace(made, made=dataclasses.replace(made.made, at=at))
        path = sidecar_path(place / name)
        sidecar.save(made, path)
        with Ledger(kept) as ledger:
            row = put(ledger, str(place / name), state=State.CHECKING, files=[])
            ledger.record(row.id, made, report_path=path, paths=[place / name])
            ledger.change("UPDATE captures SET checked_at = ? WHERE id = ?", (at, row.id))
        return path

    return check


def summary(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[Exit, str, str]:
    status = main(["summary", *arguments])
    said = capsys.readouterr()
    return status, said.out, said.err


def read(path: Path) -> Page:
    page = Page.at(path)
    page.asks_for_nothing()
    page.leads_where_something_is()
    return page


def in_order(words: str, said: Sequence[str]) -> None:
    places = [words.index(one) for one in said]
    assert places == sorted(places)


def test_it_says_what_the_text_says_in_the_same_order(
    checked: Checked, kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    checked("a.wav", REDO, LISTEN)
    checked("b.wav", FILE)
    checked("c.wav", UNREAD)
    checked("d.wav")
    checked("e.wav", REDO, days=3)
    with Ledger(kept) as ledger:
        put(ledger, str(tmp_path / "store" / "w.wav"), why="a writer holds it open")
        put(ledger, str(tmp_path / "store" / "m.wav"), state=State.MISSING)
    status, out, err = summary(capsys, "--html", "morning.html")
    assert (status, err) == (Exit.CLEAR, "")
    assert out == f"{tmp_path / 'morning.html'}: the summary as a page\n"
    words = read(tmp_path / "morning.html").words
    _, text, _ = summary(capsys)
    said = [
        "The daemon was alive all the time.", "4 captures checked", "under more than one.",
        "Could not be looked at (1)", "Storage failed.",
        "Play these tapes again (1)", "Zeros stand there.",
        "The file is at fault, leave the tape alone (1)", "Cut short.",
        "Listen (1)", "A dip.", "Clear (1)",
        "Still open from before (1)", "e.wav", "No longer there (1)", "m.wav",
        "Waiting (1)", "w.wav", "a writer holds it open", "stored captures on record",
        "Clear means that nothing was found",
    ]  # fmt: skip
    in_order(words, said)
    in_order(" ".join(text.split()), said)


def test_captures_link_to_their_pages_where_such_stand(
    checked: Checked, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    name = "a #1 50% <b>: take?.wav"
    for one in (checked(name, REDO), checked("old.wav", REDO, days=3)):
        main(["page", str(one)])
    checked("none.wav", REDO)
    stale = checked("stale.wav", LISTEN)
    main(["page", str(stale)])
    os.utime(stale, (2e9, 2e9))  # as a signoff writes it
    (tmp_path / "out").mkdir()
    capsys.readouterr()
    summary(capsys, "--html", "out/morning.htm")
    page = read(tmp_path / "out" / "morning.htm")
    targets = [tmp_path / "out" / unquote(link) for link in page.links]
    assert [t.resolve().name for t in targets] == [
        f"{name}.vigil.html", "stale.wav.vigil.html", "old.wav.vigil.html"
    ]  # fmt: skip
    assert all(target.is_file() for target in targets)
    assert all(link.startswith("../store/") for link in page.links)
    assert not re.search("[#?:<> ]", "".join(page.links))
    assert "stale.wav (a page from before its report was last written)" in page.words
    assert page.words.count("a page from before") == 1


def test_names_alike_lead_to_their_own_pages(
    checked: Checked, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["page", str(checked("a.wav", REDO, folder="monday"))])
    checked("a.wav", REDO, folder="tuesday")
    capsys.readouterr()
    summary(capsys, "--html", "m.html")
    page = read(tmp_path / "m.html")
    assert page.links == ["monday/a.wav.vigil.html"]
    assert "tuesday/a.wav" in page.words


def test_since_and_seen_are_honoured(
    checked: Checked, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    checked("a.wav", REDO, days=3)
    summary(capsys, "--html", "m.html", "--since", "5d")
    assert "Play these tapes again (1)" in read(tmp_path / "m.html").words
    (tmp_path / "folder.html").mkdir()
    assert summary(capsys, "--html", "folder.html", "--seen")[0] is Exit.USAGE
    summary(capsys, "--html", "m.html", "--since", "5d", "--seen")
    summary(capsys, "--html", "m.html")
    span = re.search(r"From (\S+ \S+) to (\S+ \S+) ", read(tmp_path / "m.html").words)
    assert span is not None
    begins = datetime.fromisoformat(span[1]).astimezone(UTC)
    assert datetime.now(UTC) - begins < timedelta(minutes=3)  # it was marked as read just now


def test_a_summary_that_was_not_written_is_not_marked_as_read(
    kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("watcher.commands_morning.write_whole", full)
    status, out, err = summary(capsys, "--html", "m.html", "--seen")
    assert (status, out) == (Exit.USAGE, "")
    assert "m.html: the page could not be written (No space left on device)" in err
    with Ledger(kept) as ledger:
        assert list(ledger.rows("SELECT * FROM summaries")) == []


def test_beside_json_standard_output_is_json_alone(
    kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = summary(capsys, "--html", "m.html", "--json")
    assert status is Exit.CLEAR
    assert json.loads(out)["format"] == "reelvigil-summary"
    assert "m.html: the summary as a page" in err
    read(tmp_path / "m.html")


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("take.wav", "must be a file name that ends in .html"),
        ("take.wav.vigil.json", "must be a file name"),
        ("take.wav.vigil.html", "and not in .vigil.html"),
        ("", "must be a file name"),
        (".", "must be a file name"),
        ("nowhere/m.html", "there is no folder"),
        ("folder.html", "is a folder; name a file in it"),
    ],
)
def test_nothing_but_a_page_is_written_over(
    kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, why: str
) -> None:
    (tmp_path / "take.wav").write_bytes(b"a capture")
    (tmp_path / "folder.html").mkdir()
    status, out, err = summary(capsys, "--html", name)
    assert (status, out) == (Exit.USAGE, "")
    assert why in err
    assert (tmp_path / "take.wav").read_bytes() == b"a capture"
    assert [path.name for path in tmp_path.rglob("*.htm*")] == ["folder.html"]


def test_names_and_reasons_are_text_and_nothing_else(
    checked: Checked, kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    evil = "<script>alert(1)<\\script>\x1b[2J\u202egnp\n{{ 7*7 }}.wav"
    main(["page", str(checked(evil, dataclasses.replace(REDO, text=evil)))])
    with Ledger(kept) as ledger:
        put(ledger, f"/store/{evil}", why=evil)
        put(ledger, os.fsdecode(b"/store/\xff\xfe<i>.wav"), state=State.MISSING)
        ledger.change("INSERT INTO troubles (key, text, began) VALUES ('k', ?, ?)",
                      (evil, datetime.now(UTC).isoformat(timespec="milliseconds")))  # fmt: skip
    capsys.readouterr()
    assert summary(capsys, "--html", "m.html")[0] is Exit.CLEAR
    text = (tmp_path / "m.html").read_text("utf-8")
    assert all(ch.isprintable() or ch == "\n" for ch in text)
    assert "<script" not in text
    page = read(tmp_path / "m.html")
    assert page.words.count("<script>alert(1)") == 5  # names, sentences and reasons
    assert "\\xff\\xfe<i>.wav" in page.words
    assert len(page.links) == 1


def test_mistakes_of_a_sheet_stand_on_lines_of_their_own(
    kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = "The sheet has mistakes:\n/a/transfer.yaml:1: one\n/a/transfer.yaml:2: <two>"
    with Ledger(kept) as ledger:
        ledger.change("INSERT INTO troubles (key, text, began) VALUES ('k', ?, ?)",
                      (said, datetime.now(UTC).isoformat(timespec="milliseconds")))  # fmt: skip
    summary(capsys, "--html", "m.html")
    text = (tmp_path / "m.html").read_text("utf-8")
    assert "<bdi>/a/transfer.yaml:1: one</bdi> <bdi>/a/transfer.yaml:2: &lt;two&gt;</bdi>" in text
    lines = summary(capsys)[1].splitlines()
    at = next(i for i, line in enumerate(lines) if line.endswith("The sheet has mistakes:"))
    assert lines[at + 1 : at + 3] == ["  /a/transfer.yaml:1: one", "  /a/transfer.yaml:2: <two>"]


def test_many_findings_are_counted_as_in_the_text(
    checked: Checked, kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    checked("a.wav", *[dataclasses.replace(REDO, text=f"Number {k}.") for k in range(20)])
    summary(capsys, "--html", "m.html")
    words = read(tmp_path / "m.html").words
    assert "Number 11." in words
    assert "Number 12." not in words
    assert "and 8 more, in the report" in words
    with Ledger(kept) as ledger:
        now = datetime.now(UTC)
        found = morning.gather(ledger, now.isoformat(), now=now, verify_days=None)
    assert "The daemon checked no capture" in text_of(found)
    assert page_of(found, tmp_path, now).parts == ()


def test_a_page_is_beside_its_report() -> None:
    assert page_path(Path("/m/a.wav.vigil.json")) == Path("/m/a.wav.vigil.html")
    assert page_path(Path("/m/copy of it.json")) == Path("/m/copy of it.json.vigil.html")
