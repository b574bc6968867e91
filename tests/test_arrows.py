"""Import arrows: who may import whom. They keep the checks testable and the heart small."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from checks import registry

PROJECT = Path(__file__).resolve().parents[1]
ROOMS = ("checks", "config", "watcher", "sample_captures")
MODULES = [p for room in ROOMS for p in sorted((PROJECT / room).rglob("*.py"))]
TESTS = sorted((PROJECT / "tests").rglob("*.py"))

MAY_IMPORT = {
    "checks": {"checks", "numpy", "annotated_types"},
    "config": {"config", "yaml", "pydantic", "pydantic_core", "annotated_types"},
    "sample_captures": {"sample_captures", "numpy", "yaml"},
    "watcher": {"watcher", "checks", "config", "sample_captures", "numpy", "annotated_types"},
}
ONLY_IN = {
    "watchdog": {"watcher/arrivals.py"},
    "soundfile": {"watcher/decoder.py"},
    "rich": {
        "watcher/console.py",
        "watcher/commands.py",
        "watcher/commands_daemon.py",
        "watcher/verify_view.py",
        "watcher/morning_text.py",
        "watcher/status.py",
    },
    "jinja2": {"watcher/pages.py"},
    "pydantic": {"watcher/report.py"},
}


def imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module.split(".")[0]


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PROJECT)))
def test_arrows(path: Path) -> None:
    where = str(path.relative_to(PROJECT))
    room = where.split("/")[0]
    outside = set(imported(path)) - set(sys.stdlib_module_names) - MAY_IMPORT[room]
    allowed = {name for name in outside if where in ONLY_IN.get(name, set())}
    assert not outside - allowed, f"{where} must not import {sorted(outside - allowed)}"


@pytest.mark.parametrize("path", [*MODULES, *TESTS], ids=lambda p: str(p.relative_to(PROJECT)))
def test_modules_stay_small(path: Path) -> None:
    lines = len(path.read_text("utf-8").splitlines())
    assert lines <= 400, f"{lines} lines: a second idea has moved in, give it a room"


def test_every_check_is_registered() -> None:
    """A module in checks/ that makes findings of its own is in the registry's order."""
    names = {p.stem for p in (PROJECT / "checks").iterdir() if not p.name.startswith(("_", "."))}
    words = {"block", "explained", "measures", "model", "registry", "sample_pass", "sheet"}
    assert names - words == set(registry.ORDER)
    assert {c.name for c in registry.CHECKS} == set(registry.ORDER) - {"container", "checksum"}


def test_checks_look_at_arguments_only() -> None:
    """No clock, no file, no print in the checks."""
    for path in (PROJECT / "checks").rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        called = {
            node.func.id
            for node in ast.walk(tree)
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        }
        assert not called & {"open", "print", "input"}, path
        assert not set(imported(path)) & {"time", "os", "pathlib", "logging", "random"}, path
