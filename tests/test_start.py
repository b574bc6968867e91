"""What a call need not wait for: modules that are slow to import come in where they are used."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

PROJECT = Path(__file__).resolve().parents[1]
CALL = """
import json, sys
from watcher.cli import main
try:
    status = int(main(sys.argv[2:]))
except SystemExit as said:
    status = said.code
names = [name for name in json.loads(sys.argv[1]) if name in sys.modules]
print(json.dumps([status, names]), file=sys.stderr)
"""
SLOW = ["jinja2", "multiprocessing", "pydantic", "rich.progress", "soundfile", "yaml"]


def write(path: Path) -> None:
    noise = np.random.default_rng(1).normal(0, 0.02, (20_000, 2))
    soundfile.write(path, noise, 96_000, subtype="PCM_24")


def imported(folder: Path, names: list[str], *arguments: str) -> list[str]:
    """Which of the modules a call with no configuration imports; it must end clear."""
    done = subprocess.run(
        [sys.executable, "-c", CALL, json.dumps(names), *arguments],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(PROJECT), "XDG_CONFIG_HOME": str(folder)},
        capture_output=True,
        text=True,
        check=True,
    )
    status, found = json.loads(done.stderr.splitlines()[-1])
    assert status == 0, done.stderr
    return found


def test_help_imports_nothing_that_computes(tmp_path: Path) -> None:
    assert not imported(tmp_path, ["dataclasses", "numpy", "rich", *SLOW], "--help")


@pytest.mark.parametrize("options", [(), ("--json", "--no-sidecar")])
def test_a_first_check_waits_for_what_it_uses(tmp_path: Path, options: tuple[str, ...]) -> None:
    write(tmp_path / "a.wav")
    unused = [*SLOW, "difflib", "numpy.ma", "statistics"]
    assert not imported(tmp_path, unused, "check", *options, "a.wav")


@pytest.mark.parametrize(
    ("needed", "kind"), [("soundfile", "a.flac"), ("pydantic", "a.wav"), ("yaml", "a.wav")]
)
def test_what_is_needed_comes_in(tmp_path: Path, needed: str, kind: str) -> None:
    """The test above could not fail if the names were wrong."""
    write(tmp_path / kind)
    if needed != "soundfile":
        (tmp_path / "transfer.yaml").write_text("expect: {rate_hz: 96000}\n")
    assert imported(tmp_path, [needed], "check", "--no-sidecar", kind) == [needed]


def test_a_worker_reads_no_report_and_no_configuration(tmp_path: Path) -> None:
    code = "import json, sys, watcher.worker; print(json.dumps(sorted(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"PYTHONPATH": str(PROJECT)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert not {"rich", *SLOW} & set(json.loads(done.stdout))


@pytest.mark.parametrize(("module", "needs"), [("commands_morning", False), ("pages", True)])
def test_templates_come_in_with_a_page(module: str, needs: bool) -> None:
    code = f"import sys, watcher.{module}; print('jinja2' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], env=os.environ | {"PYTHONPATH": str(PROJECT)},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.strip() == str(needs)


def test_garbage_is_looked_for_once_all_is_imported(tmp_path: Path) -> None:
    write(tmp_path / "a.wav")
    code = (
        "import gc, sys, watcher.start, watcher.commands; look = watcher.commands.run_check;"
        "watcher.commands.run_check = lambda args: sys.exit(30 + gc.isenabled());"
        "sys.argv[1:] = ['check', 'a.wav']; gc.disable(); watcher.start.run()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(PROJECT)},
        capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 31, done.stderr
