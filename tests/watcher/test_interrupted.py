"""Ctrl-C at any moment: one sentence or none, exit status 130, and nobody waits for it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from running import PROJECT, wait_for

from watcher.cli import main
from watcher.exits import Exit

# what a shell makes of the first is the second
ENDED = (-signal.SIGINT, Exit.INTERRUPTED)


def started(code: str, *arguments: str, cwd: Path = PROJECT) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        cwd=cwd,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(PROJECT)},
        start_new_session=True,  # as a terminal has it: the signal reaches all of its processes
    )


HEARD = """
import signal
signal.signal(signal.SIGINT, signal.default_int_handler)  # whoever started the tests may ignore it
from watcher.start import run
run()
"""

AT_IMPORT = """
import os, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
wanted, *sys.argv[1:] = sys.argv[1:]
class Interrupts:
    def find_spec(self, name, path=None, target=None):
        if name == wanted:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Interrupts())
from watcher.start import run
run()
"""


@pytest.mark.parametrize(
    ("at", "said"),
    [("watcher.cli", ""), ("watcher.arguments", ""), ("watcher.check", "reelvigil: interrupted")],
)
def test_while_modules_come_in(tmp_path: Path, at: str, said: str) -> None:
    process = started(AT_IMPORT, at, "check", "--no-sidecar", str(tmp_path))
    _, told = process.communicate(timeout=60)
    assert process.returncode in ENDED
    assert told.strip() == said


def test_several_at_once_end_together(tmp_path: Path) -> None:
    """The signal reaches the processes that check, too."""
    noise = np.random.default_rng(1).normal(0, 0.02, (48_000, 2))
    for number in range(60):  # far more than can be checked before the signal is there
        soundfile.write(tmp_path / f"{number}_a.wav", noise, 48_000, subtype="PCM_24")
    half = tmp_path / ".0_a.wav.vigil.json.4711.tmp"  # as a process leaves it that is ended
    half.touch()
    process = started(HEARD, "check", "--json", "--jobs", "2", str(tmp_path))
    assert process.stdout is not None
    process.stdout.readline()
    os.killpg(process.pid, signal.SIGINT)
    _, told = process.communicate(timeout=120)
    assert process.returncode in ENDED
    assert told == "reelvigil: interrupted; reports written so far stand\n"
    assert len(list(tmp_path.glob("*.vigil.json"))) < 60  # the rest was not waited for
    assert not half.exists()
    wait_for(lambda: not there(process.pid), 60)


def there(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


DEMO = """
import os, signal, sys, threading, time
import sample_captures.make
def slowly(*_):
    threading.Timer(0.2, os.kill, (os.getpid(), signal.SIGINT)).start()
    time.sleep(600)
sample_captures.make.make_one = slowly
signal.signal(signal.SIGINT, signal.default_int_handler)
from watcher.start import run
run()
"""


def test_the_demo_does_not_finish_what_it_makes(tmp_path: Path) -> None:
    process = started(DEMO, "demo", str(tmp_path / "demo"))
    try:
        _, told = process.communicate(timeout=60)
    finally:
        process.kill()
    assert process.returncode in ENDED
    assert "interrupted" in told
    assert "Traceback" not in told


@pytest.mark.parametrize(
    ("arguments", "where", "stand"),
    [
        (["check"], "watcher.check.plan", True),
        (["check", "--no-sidecar"], "watcher.check.plan", False),
        (["lineup"], "watcher.check.plan", False),
        (["verify"], "watcher.verify.prepare", False),
        (["show"], "watcher.commands.find_config", False),
    ],
)
def test_reports_stand_only_where_some_are_written(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    where: str,
    stand: bool,
) -> None:
    def interrupted(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(where, interrupted)
    assert main([*arguments, str(tmp_path)]) is Exit.INTERRUPTED
    said = "reelvigil: interrupted" + ("; reports written so far stand" if stand else "")
    assert capsys.readouterr().err == said + "\n"
