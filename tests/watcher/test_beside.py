"""What the daemon does beside checking: the summary at its hour, the user's commands."""

from __future__ import annotations

import dataclasses
import io
import json
import signal
import sys
import time
from collections import deque
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from watching import wav

from checks.model import Verdict
from watcher import beside as module
from watcher import hooks
from watcher.beside import Beside
from watcher.examine import examine
from watcher.hooks import Hooks
from watcher.ledger import Ledger
from watcher.logs import Log
from watcher.report import Report, Signoff
from watcher.settings import Settings, Sheets, load
from watcher.tracksets import Capture
from watcher.troubles import Troubles

MORNING = datetime(2026, 3, 2, 6, 59, tzinfo=timezone(timedelta(hours=1)))


class Night:
    """Beside, with the hour in the test's hands."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        self.now = MORNING
        self.folder = folder / "state"
        self.ledger = Ledger(self.folder / "ledger.sqlite")
        self.log = Log(io.StringIO())
        self.settings = Settings(verify_every_days=None, **settings)
        self.daemon: Any = SimpleNamespace(
            settings=self.settings,
            troubles=Troubles(self.ledger, self.log),
            made=deque[Report](),
            claims={},
        )
        self.begin()

    def begin(self) -> None:
        self.beside = Beside(self.ledger, self.log, lambda: self.now)

    def at(self, hours: float) -> list[str]:
        """A round so long after the beginning; the summaries that are there then."""
        self.now = MORNING + timedelta(hours=hours)
        self.beside(self.daemon)
        return sorted(path.name for path in self.folder.glob("summary-*.txt"))


@pytest.fixture
def night(tmp_path: Path) -> Iterator[Callable[..., Night]]:
    made: list[Night] = []

    def make(**settings: Any) -> Night:
        made.append(Night(tmp_path, **settings))
        return made[-1]

    yield make
    for one in made:
        one.beside.close()
        one.ledger.close()


def rounds(attend: Callable[[], object], until: Callable[[], bool]) -> None:
    for _ in range(600):
        attend()
        if until():
            return
        time.sleep(0.05)
    raise AssertionError("it did not come to pass in time")


# -- the summary at its hour -------------------------------------------------------------------


def test_written_once_a_day_at_its_hour(night: Callable[..., Night]) -> None:
    scene = night()
    assert scene.at(0) == []
    assert scene.at(0.02) == ["summary-2026-03-02.txt"]
    text = (scene.folder / "summary-2026-03-02.txt").read_text()
    assert "No daemon has run here" in text
    assert max(map(len, text.splitlines())) <= 80
    (scene.folder / "summary-2026-03-02.txt").unlink()
    assert scene.at(5) == []
    assert scene.at(23.9) == []
    assert scene.at(24.02) == ["summary-2026-03-03.txt"]


def test_a_start_after_its_hour_makes_it_up_once(night: Callable[..., Night]) -> None:
    scene = night()
    assert scene.at(3) == ["summary-2026-03-02.txt"]
    (scene.folder / "summary-2026-03-02.txt").unlink()
    scene.begin()
    assert scene.at(4) == []


@pytest.mark.parametrize("jump", [-1.0, -26.0, 24.0])
def test_clocks_that_jump_make_no_second_one_of_a_day(
    night: Callable[..., Night], jump: float
) -> None:
    scene = night()
    scene.at(0.02)
    days: list[str] = []
    for hours in (jump, 0.1, 0.2, jump + 1, 0.3):
        before = {path: path.stat().st_mtime_ns for path in scene.folder.glob("summary-*.txt")}
        scene.at(hours)
        for path, written in before.items():
            assert path.stat().st_mtime_ns == written
        days = sorted(path.name for path in scene.folder.glob("summary-*.txt"))
    rows = [at for (at,) in scene.ledger.rows("SELECT at FROM summaries")]
    assert len(rows) == len(days)


def test_the_night_of_the_clock_change_has_one(night: Callable[..., Night]) -> None:
    """02:30 comes twice; the summary at 02:30 does not."""
    scene = night(summary_at="02:30")
    summer, winter = timezone(timedelta(hours=2)), timezone(timedelta(hours=1))
    count = []
    for moment in (
        datetime(2026, 10, 25, 2, 29, tzinfo=summer),
        datetime(2026, 10, 25, 2, 31, tzinfo=summer),
        datetime(2026, 10, 25, 2, 29, tzinfo=winter),
        datetime(2026, 10, 25, 2, 31, tzinfo=winter),
        datetime(2026, 10, 26, 2, 31, tzinfo=winter),
    ):
        scene.now = moment
        scene.beside(scene.daemon)
        count.append(next(scene.ledger.rows("SELECT count(*) FROM summaries"))[0])
    assert count == [0, 1, 1, 1, 2]


def test_what_cannot_be_written_is_told_and_tried_again(
    night: Callable[..., Night], monkeypatch: pytest.MonkeyPatch
) -> None:
    scene = night()
    (scene.folder / "summary-2026-03-02.txt").mkdir()
    scene.at(1)
    (text,) = scene.daemon.troubles.open.values()
    assert "cannot be written" in text
    (scene.folder / "summary-2026-03-02.txt").rmdir()
    assert scene.at(1.01) == []  # not in every round
    monkeypatch.setattr(module.time, "monotonic", lambda: time.perf_counter() + 1e9)
    assert scene.at(1.02) == ["summary-2026-03-02.txt"]
    assert scene.daemon.troubles.open == {}


# -- commands ----------------------------------------------------------------------------------

KEEPS = (
    "import json, sys\n"
    "given = json.load(sys.stdin)\n"
    "open(sys.argv[1], 'a').write(json.dumps([sys.argv[2:], given['format']]) + chr(10))\n"
)


def test_the_command_gets_its_arguments_as_they_stand_and_the_summary(
    night: Callable[..., Night], tmp_path: Path
) -> None:
    told = tmp_path / "told"
    odd = "$(touch no); `x` \"' *"
    scene = night(on_summary=(sys.executable, "-c", KEEPS, str(told), odd))
    rounds(lambda: scene.at(1), told.exists)
    rounds(lambda: scene.at(1), lambda: scene.beside._hooks._run == [])
    assert json.loads(told.read_text()) == [[odd], "reelvigil-summary"]
    assert scene.daemon.troubles.open == {}


def test_on_redo_is_told_of_what_is_to_be_done_again_and_of_nothing_else(
    night: Callable[..., Night], tmp_path: Path
) -> None:
    told = tmp_path / "told"
    scene = night(on_redo=(sys.executable, "-c", KEEPS, str(told)))
    scene.daemon.made += reports(tmp_path)
    rounds(
        lambda: scene.at(0),
        lambda: not scene.daemon.made and scene.beside._hooks._run == [],
    )
    assert len(told.read_text().splitlines()) == 1


def reports(folder: Path) -> list[Report]:
    """One that is cut short, one that is clear, one that is cut short and signed."""
    made = []
    for name, data in (("cut.wav", wav(claimed=10**6)), ("whole.wav", wav())):
        path = folder / name
        path.write_bytes(data)
        capture = Capture.of_file(path)
        made.append(examine(capture, Sheets(load(None), folder).for_capture(path)))
    assert made[0].verdict is Verdict.REDO
    signoff = Signoff(by="AB", at="2026-03-01T00:00:00+00:00", note=None, verdict=Verdict.CLEAR)
    return [*made, dataclasses.replace(made[0], signoff=signoff)]


@pytest.mark.parametrize(
    ("command", "why"),
    [
        (("/nowhere/command",), "cannot be started: No such file or directory"),
        ((sys.executable, "-c", "raise SystemExit(3)"), "ended with status 3"),
        (("a\0b",), "cannot be started"),
    ],
)
def test_a_command_that_fails_is_told_until_it_works(
    night: Callable[..., Night], command: tuple[str, ...], why: str
) -> None:
    scene = night()
    hooks = Hooks()
    hooks.run("on_redo", command, "{}")
    troubles = scene.daemon.troubles
    rounds(lambda: hooks.attend(troubles), lambda: bool(troubles.open))
    (text,) = troubles.open.values()
    assert why in text
    if command[0] == sys.executable:
        hooks.run("on_redo", (sys.executable, "-c", "pass"), "{}")
        rounds(lambda: hooks.attend(troubles), lambda: not troubles.open)


def test_a_command_that_takes_too_long_is_ended_with_all_it_started(
    night: Callable[..., Night], tmp_path: Path
) -> None:
    scene = night()
    seconds = [0.0]
    runner = Hooks(lambda: seconds[0])
    mark = tmp_path / "mark"
    code = (
        "import os, subprocess, sys\n"
        "child = subprocess.Popen(['sleep', '90'])\n"
        f"open({str(mark)!r} + '.new', 'w').write(str(child.pid))\n"
        f"os.rename({str(mark)!r} + '.new', {str(mark)!r})\n"
        "child.wait()"
    )
    runner.run("on_redo", (sys.executable, "-c", code), "{}")
    troubles = scene.daemon.troubles
    rounds(lambda: runner.attend(troubles), mark.exists)
    (_, process, _) = runner._run[0]
    seconds[0] = hooks.LIMIT_S + 1
    runner.attend(troubles)
    assert process.returncode == -signal.SIGKILL
    assert any("took longer" in text for text in troubles.open.values())
    child = Path(f"/proc/{mark.read_text()}/stat")
    rounds(lambda: None, lambda: not child.exists() or ") Z" in child.read_text())


def test_not_all_commands_of_a_bad_night_run_at_once(night: Callable[..., Night]) -> None:
    scene = night()
    runner = Hooks()
    for _ in range(9):
        runner.run("on_redo", (sys.executable, "-c", "pass"), "{}")
    runner.attend(scene.daemon.troubles)
    assert len(runner._run) == 4
    rounds(
        lambda: runner.attend(scene.daemon.troubles),
        lambda: not runner._run and not runner._wait,
    )


def test_a_success_of_one_hook_hides_no_failure_of_another(night: Callable[..., Night]) -> None:
    troubles = night().daemon.troubles
    runner = Hooks()
    runner.run("on_summary", (sys.executable, "-c", "raise SystemExit(3)"), "{}")
    rounds(lambda: runner.attend(troubles), lambda: bool(troubles.open))
    runner.run("on_redo", (sys.executable, "-c", "pass"), "{}")
    rounds(lambda: runner.attend(troubles), lambda: not runner._run)
    (text,) = troubles.open.values()
    assert "of `on_summary` failed: it ended with status 3" in text


def test_runs_that_are_dropped_are_told_until_none_waits(
    night: Callable[..., Night], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hooks, "_MOST", 6)
    troubles = night().daemon.troubles
    runner = Hooks()
    for _ in range(6):
        runner.run("on_redo", (sys.executable, "-c", "pass"), "{}")
    runner.attend(troubles)
    assert troubles.open == {}
    for _ in range(9):
        runner.run("on_redo", (sys.executable, "-c", "pass"), "{}")
    assert len(runner._wait) == 6
    runner.attend(troubles)
    (text,) = troubles.open.values()
    assert "More than 6 runs of commands waited: the oldest of `on_redo` were dropped" in text
    rounds(lambda: runner.attend(troubles), lambda: not runner._run and not runner._wait)
    assert troubles.open == {}
