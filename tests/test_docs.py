"""What the documents say is what the program does."""

from __future__ import annotations

import argparse
import importlib
import re
from pathlib import Path

import pytest

from checks import registry
from watcher.arguments import parser
from watcher.cli import _CARRIED_OUT_BY
from watcher.exits import Exit

PROJECT = Path(__file__).resolve().parents[1]
README = (PROJECT / "README.md").read_text("utf-8")
DEVELOPERS = (PROJECT / "DEVELOPERS.md").read_text("utf-8")


def commands() -> dict[str, argparse.ArgumentParser]:
    actions = parser()._subparsers
    assert actions is not None
    (group,) = actions._group_actions
    assert isinstance(group.choices, dict)
    return group.choices


@pytest.mark.parametrize("name", sorted(commands()))
def test_every_command_is_in_the_readme(name: str) -> None:
    assert re.search(rf"\breelvigil {name}\b", README) or f"`{name}`" in README


def test_the_help_says_what_everything_is_for() -> None:
    parts = [*commands().values()]
    for command in parts:
        for action in command._actions:
            if isinstance(action, argparse._SubParsersAction):
                parts += action.choices.values()
            else:
                assert action.help, f"{command.prog} {action.dest}"
    assert max(map(len, parser().format_help().splitlines())) < 100


def test_the_readme_names_no_command_there_is_not() -> None:
    assert set(re.findall(r"\breelvigil ([a-z]+)", README)) - {"--help"} <= set(commands()) | {
        "checks",
        "looks",
    }


@pytest.mark.parametrize("status", [s for s in Exit if s is not Exit.CLEAR])
def test_every_exit_status_is_explained(status: Exit) -> None:
    assert re.search(rf"\b{int(status)}\b", README[README.index("Exit status") :][:700])


def test_the_two_set_up_lines_stand_alone() -> None:
    lines = re.findall(r"^python3 -m venv .*$", README, re.MULTILINE)
    assert len(lines) == 2
    assert lines[0].endswith("reelvigil demo")
    assert "pytest" in lines[1]


@pytest.mark.parametrize("check", registry.ORDER)
def test_every_check_says_what_it_cannot_see(check: str) -> None:
    rows = [line for line in README.splitlines() if line.startswith(f"| {check} |")]
    assert len(rows) == 1
    assert len(rows[0].split("|")[3].strip()) > 10


def test_every_kind_made_in_the_checks_is_listed() -> None:
    """Kinds are the contract: one that the code makes stands in the table of the developers."""
    listed = set(re.findall(r"`([a-z0-9-]+)`", DEVELOPERS[DEVELOPERS.index("## Kinds") :]))
    made: set[str] = set()
    for room in ("checks", "watcher"):
        for path in (PROJECT / room).rglob("*.py"):
            made |= set(re.findall(r'\bkind="([a-z0-9-]+)"', path.read_text("utf-8")))
    made -= {"flac-md5", "md5-chunk", "steady", "stable"}  # of digests, tones and sorting
    assert made - listed == set()


def test_no_path_of_a_machine_and_nothing_left_undone() -> None:
    bad = re.compile("/" + "work/|/" + "root/|TO" + "DO|FIX" + "ME|NotImpl" + "emented")
    for path in PROJECT.rglob("*"):
        if path.suffix in (".py", ".md", ".toml", ".yaml") and ".venv" not in path.parts:
            assert not bad.search(path.read_text("utf-8")), path


def test_every_command_is_carried_out_by_something() -> None:
    assert set(_CARRIED_OUT_BY) == set(commands())
    for command, module in _CARRIED_OUT_BY.items():
        assert callable(getattr(importlib.import_module(f"watcher.{module}"), f"run_{command}"))
