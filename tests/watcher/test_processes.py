"""Several processes at work: every task has its answer, and Ctrl-C leaves nothing behind."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from pathlib import Path
from types import FrameType

import pytest
from verifying import capture

from checks.model import Verdict
from watcher.check import plan, run_all, status
from watcher.console import Work
from watcher.exits import Exit
from watcher.processes import Died, Processes
from watcher.settings import load


def test_every_task_has_its_answer_and_one_that_dies_costs_only_its_own() -> None:
    killed = f"__import__('os').kill(__import__('os').getpid(), {signal.SIGKILL})"
    ended = "__import__('os')._exit(3)"
    with Processes(eval, 2) as processes:
        came = dict(processes.each(["1 + 1", killed, "2 + 2", ended, "3 + 3"]))
        assert came == {
            "1 + 1": 2,
            killed: Died("its process ended by signal 9, perhaps for want of memory", -9),
            "2 + 2": 4,
            ended: Died("its process ended with status 3", 3),
            "3 + 3": 6,
        }
        assert dict(processes.each(["4 + 4"])) == {"4 + 4": 8}
        assert threading.active_count() == 1  # a lock of another one could be left taken
    assert not multiprocessing.active_children()


# one while a socket is made leaves it to the collector, which warns; the process ends all the same
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_an_interrupt_at_any_moment_ends_the_processes() -> None:
    def interrupt(number: int, frame: FrameType | None) -> None:
        signal.raise_signal(signal.SIGINT)

    def work(seconds: float) -> None:
        with Processes(eval, 2) as processes:
            signal.setitimer(signal.ITIMER_REAL, seconds)
            while True:
                dict(processes.each(["1"] * 4))

    alarm = signal.signal(signal.SIGALRM, interrupt)
    heard = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        for k in range(12):
            with pytest.raises(KeyboardInterrupt):
                work(0.001 + 0.05 * k)
            assert not multiprocessing.active_children()
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, alarm)
        signal.signal(signal.SIGINT, heard)


def test_a_check_that_dies_leaves_its_capture_unread_and_the_others_checked(
    tmp_path: Path,
) -> None:
    for number in range(12):
        capture(tmp_path / f"take {chr(97 + number)}.wav", seed=number)
    run = run_all(plan([str(tmp_path)], load(None)), at_once=2, keep=True, work=Work(None, 0))
    done = [next(run)]
    os.kill(multiprocessing.active_children()[0].pid or 0, signal.SIGKILL)
    done += run
    unread = [one for one in done if one.report.verdict is Verdict.UNREAD]
    (text,) = [f.text for one in unread for f in one.report.findings if f.verdict is Verdict.UNREAD]
    assert "could not be checked: its process ended by signal 9" in text
    assert (len(done), len(list(tmp_path.glob("*.vigil.json")))) == (12, 12)
    assert status(done) is Exit.UNREAD
