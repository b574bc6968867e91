"""A configuration and the machine it is read on: folders and programs that are not there."""

from __future__ import annotations

from pathlib import Path

import pytest

from watcher import config_commands
from watcher.cli import main
from watcher.exits import Exit
from watcher.fits import STATE, misfits
from watcher.settings import Settings


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("captures", "reports", "state"):
        (tmp_path / name).mkdir()
    return tmp_path


def checked(folder: Path, text: str, capsys: pytest.CaptureFixture[str]) -> tuple[Exit, list[str]]:
    """Exit status and lines of ``config check``; each without the file's name."""
    config = folder / "reelvigil.yaml"
    config.write_text(text)
    capsys.readouterr()
    status = main(["config", "check", "--config", str(config)])
    return status, [
        line.removeprefix(f"{config}:") for line in capsys.readouterr().out.splitlines()
    ]


def test_what_is_there_is_no_mistake(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (
        f"roots: [{folder}/captures]\nreports: {folder}/reports\n"
        f"ledger: {folder}/state/ledger.sqlite\non_redo: [cat]\non_summary: [/bin/sh, -c, x]\n"
    )
    config = folder / "reelvigil.yaml"
    told = [f"No mistakes in {config}.", f"Looked at 0 transfer sheets below {folder}/captures."]
    assert checked(folder, text, capsys) == (Exit.CLEAR, told)


def test_sheets_below_the_roots_are_looked_at(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "captures" / "reel 1").mkdir()
    sheet = folder / "captures" / "reel 1" / "transfer.yaml"
    sheet.write_text("machne: x\n")
    text = f"roots: [{folder}/captures, {folder}/reports]\n"
    status, lines = checked(folder, text, capsys)
    assert status is Exit.USAGE
    assert len(lines) == 1
    assert lines[0].startswith(f"{sheet}:1: machne: unknown key (did you mean 'machine'?)")
    sheet.write_text("machine: x\n")
    told = f"Looked at 1 transfer sheet below {folder}/captures, {folder}/reports."
    assert checked(folder, text, capsys)[1][1:] == [told]
    monkeypatch.setattr(config_commands, "_LONGEST_S", -1.0)
    status, lines = checked(folder, text, capsys)
    assert "0 transfer sheets" in lines[1]
    assert "not all folders were seen" in lines[1]
    none = "No transfer sheets were looked at: name their folder, or roots to watch."
    assert checked(folder, "machine: x\n", capsys)[1][1:] == [none]


def test_all_that_is_not_there_is_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "file").touch()
    text = (
        f"roots:\n  - {folder}/captures\n  - {folder}/lost\n  - {folder}/file\n"
        f"reports: {folder}/no\nledger: {folder}/x/y/ledger.sqlite\n"
        "on_redo: [/bin/nosuchthing]\non_summary: [nosuchthing, mail]\n"
    )
    status, lines = checked(folder, text, capsys)
    assert status is Exit.USAGE
    assert sorted(lines) == [
        f"3: roots[2]: '{folder}/lost': no such folder; mount its volume, or make it",
        f"4: roots[3]: '{folder}/file': is no folder; mount its volume, or make it",
        f"5: reports: '{folder}/no': no such folder; make it first",
        f"6: ledger: '{folder}/x/y': no such folder; make it first",
        "7: on_redo: '/bin/nosuchthing': no such program, or none that may be run from here",
        "8: on_summary: 'nosuchthing': no such program, or none that may be run from here",
    ]
    assert not (folder / "x").exists()


def test_a_relative_path_says_what_it_comes_to(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, lines = checked(folder, "roots: [captures]\nledger: state/l.sqlite\n", capsys)
    assert status is Exit.CLEAR
    assert lines[:2] == [
        f"1: roots[1]: 'captures' counts from this file's folder: it is '{folder}/captures'",
        f"2: ledger: 'state/l.sqlite' counts from this file's folder: it is "
        f"'{folder}/state/l.sqlite'",
    ]
    status, lines = checked(folder, "roots: [relative/path]\n", capsys)
    assert status is Exit.USAGE
    assert f"'{folder}/relative/path': no such folder" in lines[0]


def test_the_folder_that_the_service_manager_makes_may_be_missing() -> None:
    if not STATE.exists():
        assert misfits(Settings(ledger=STATE / "ledger.sqlite")) == []
    assert misfits(Settings(ledger=STATE / "no/ledger.sqlite")) != []


def test_the_configuration_that_counts_is_checked_without_being_named(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "reelvigil.yaml").write_text("rots: []\nexpect: {rate_hz: 96000}\n")
    monkeypatch.chdir(folder)
    assert main(["config", "check"]) is Exit.USAGE
    assert "rots: unknown key" in capsys.readouterr().out
    (folder / "reelvigil.yaml").write_text("expect: {rate_hz: 96000}\n")
    assert main(["config", "show", "captures"]) is Exit.CLEAR
    assert "expect.rate_hz: 96000  (" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("nowhere", "nowhere: no such file or folder"),
        ("reelvigil.yaml", "config check --config reelvigil.yaml"),
    ],
)
def test_config_check_looks_at_no_sheets_where_none_can_be_meant(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    path: str,
    said: str,
) -> None:
    """It called a configuration without --config right, and walked through what lay around."""
    (folder / "below").mkdir()
    (folder / "reelvigil.yaml").write_text("roots: []\n")
    (folder / "below" / "transfer.yaml").write_text("traks: []\n")
    monkeypatch.chdir(folder)
    assert main(["config", "check", path]) is Exit.USAGE
    told = capsys.readouterr()
    assert told.out == ""
    assert said in told.err


@pytest.mark.parametrize("command", ["watch", "unit"])
def test_nothing_to_watch_is_said(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    command: str,
) -> None:
    monkeypatch.setattr("watcher.daemon.Daemon.run", lambda _: pytest.fail("it began"))
    (folder / "reelvigil.yaml").write_text("")
    monkeypatch.chdir(folder)
    assert main([command]) is Exit.USAGE
    told = capsys.readouterr()
    assert told.out == ""
    assert "no roots to watch" in told.err


@pytest.mark.parametrize("key", ["ledger", "reports"])
def test_the_daemon_makes_no_folder_and_says_which_to_make(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    key: str,
) -> None:
    monkeypatch.setattr("watcher.daemon.Daemon.run", lambda _: pytest.fail("it began"))
    config = folder / "reelvigil.yaml"
    places = {"ledger": folder / "state/l.sqlite", "reports": folder / "reports"}
    places[key] = folder / "x/y/z"
    rest = "".join(f"{name}: {place}\n" for name, place in places.items())
    config.write_text(f"roots: [{folder}/captures]\n{rest}")
    assert main(["watch", "--config", str(config)]) is Exit.USAGE
    wanted = places[key].parent if key == "ledger" else places[key]
    assert f"{key}: '{wanted}': no such folder; make it first" in capsys.readouterr().err
    assert not (folder / "x").exists()
    assert not list((folder / "state").iterdir())
