"""What `check FOLDER` passes by is said once; what the demo suggests can be typed as it stands."""

from __future__ import annotations

import inspect
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from running import PROJECT, record

from sample_captures.make import SHEETS
from watcher import commands
from watcher.cli import main
from watcher.exits import Exit
from watcher.walk import Passed, captures_below


def test_links_and_what_is_no_file_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "below").mkdir()
    record(tmp_path / "a.wav")
    (tmp_path / "link.wav").symlink_to("a.wav")
    (tmp_path / "dangling.wav").symlink_to("nowhere")
    (tmp_path / "folder").symlink_to("below")
    (tmp_path / "notes").symlink_to("nothing that matters")
    (tmp_path / ".hidden.wav").symlink_to("a.wav")
    os.mkfifo(tmp_path / "below" / "pipe.wav")
    for name in ("b.wav.part", "._a.wav", ".c.wav.x7Gq2a", "notes.txt~"):
        (tmp_path / "below" / name).touch()
    main(["check", "--no-sidecar", "--json", str(tmp_path)])
    said = capsys.readouterr()
    assert said.err.splitlines() == [
        f"reelvigil: {tmp_path}/dangling.wav and 2 more: links are not followed; name what they "
        "lead to",
        f"reelvigil: {tmp_path}/below/b.wav.part: the name of an unfinished transfer: not looked "
        "at; see whether it broke off",
        f"reelvigil: {tmp_path}/below/pipe.wav: named like captures, but no files (pipes, sockets "
        "or devices)",
    ]
    assert said.out.count("\n") == 1
    passed = Passed()
    assert [p.name for p in captures_below(tmp_path, None, passed)] == ["a.wav"]
    assert [p.name for p in passed.links] == ["dangling.wav", "folder", "link.wav"]


def test_folders_within_folders_are_walked_to_the_last(tmp_path: Path) -> None:
    """There may be more of them than functions may call each other."""
    below = tmp_path.joinpath(*"d" * 100)
    below.mkdir(parents=True)
    (below / "a.wav").touch()
    most = sys.getrecursionlimit()
    sys.setrecursionlimit(len(inspect.stack()) + 60)
    try:
        found = list(captures_below(tmp_path))
    finally:
        sys.setrecursionlimit(most)
    assert found == [below / "a.wav"]


def test_a_folder_of_links_alone_says_why_there_is_no_capture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "link.wav").symlink_to("elsewhere.wav")
    assert main(["check", str(tmp_path)]) is Exit.USAGE
    assert "no capture in this folder or below; " in (said := capsys.readouterr().err)
    assert "links are not followed" in said


@pytest.mark.parametrize(
    ("argv", "on_path", "shown"),
    [
        ("bin/reelvigil", False, "bin/reelvigil"),
        ("bin/reelvigil", True, "reelvigil"),
        ("watcher/__main__.py", False, f"{shlex.quote(sys.executable)} -m watcher"),
        ("pytest", False, "reelvigil"),
    ],
)
def test_the_command_is_named_as_it_was_called(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, argv: str, on_path: bool, shown: str
) -> None:
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin" / "reelvigil").touch(mode=0o755)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", [argv])
    monkeypatch.setenv("PATH", str(tmp_path / "bin") if on_path else "")
    assert commands._as_called() == shown


def test_what_the_demo_suggests_works_and_shows_a_sheet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def few(folder: Path) -> None:
        """One capture in the reel that the demo points at, and its sheet."""
        for name in SHEETS:
            (folder / name).mkdir(parents=True)
            (folder / name / "transfer.yaml").write_text("expect: {channels: 2}\n")
            record(folder / name / "take.wav")

    monkeypatch.setattr("sample_captures.make.make", few)
    monkeypatch.setattr(sys, "argv", ["watcher/__main__.py"])
    assert main(["demo", str(tmp_path / "a demo")]) is Exit.CLEAR
    lines = re.findall(r"^  (\S+ -m watcher .*?)  \(", capsys.readouterr().out, re.MULTILINE)
    assert len(lines) == 5
    for line in lines:
        done = subprocess.run(
            shlex.split(line), cwd=PROJECT, capture_output=True, text=True, check=False
        )
        assert done.returncode != Exit.USAGE, done.stderr
        if " config show " in line:
            assert "transfer.yaml:1" in done.stdout
