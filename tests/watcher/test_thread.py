"""A thread beside: order, faults, ends, and interrupts at any moment."""

from __future__ import annotations

import signal
import threading
import time
from functools import partial
from types import FrameType

import pytest

from watcher.thread import OrderedThread


def _gone(name: str) -> bool:
    until = time.monotonic() + 10
    while time.monotonic() < until:
        if all(thread.name != name for thread in threading.enumerate()):
            return True
        time.sleep(0.001)
    return False


def test_all_is_done_in_order_and_waited_for() -> None:
    done: list[int] = []
    with OrderedThread("in order") as beside:
        for k in range(1000):
            beside.do(partial(done.append, k))
            beside.wait(3)
            assert len(done) >= k - 2
        beside.wait()
        assert done == list(range(1000))
    assert _gone("in order")


def test_what_was_raised_is_told_and_the_next_goes_on() -> None:
    done: list[int] = []
    with OrderedThread("raises") as beside:
        beside.do(partial(done.remove, 1))
        beside.do(partial(done.append, 2))
        with pytest.raises(ValueError, match="not in list"):
            beside.wait()
        beside.wait()
    assert done == [2]


def test_at_an_error_what_is_under_way_ends_and_the_rest_is_left() -> None:
    begun, go = threading.Event(), threading.Event()
    done: list[str] = []

    def long() -> None:
        begun.set()
        go.wait(10)
        done.append("long")

    with pytest.raises(ValueError, match="on purpose"), OrderedThread("left") as beside:
        beside.do(long)
        beside.do(partial(done.append, "not begun"))
        begun.wait(10)
        threading.Timer(0.05, go.set).start()
        raise ValueError("on purpose")
    assert done == ["long"]
    assert _gone("left")


def test_an_interrupt_at_any_moment_ends_the_thread() -> None:
    """An executor of one thread in its place hung at a broken lock within a thousand trials."""

    class Interrupt(BaseException):
        pass

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise Interrupt

    before = signal.signal(signal.SIGALRM, interrupt)
    try:
        for k in range(400):
            with pytest.raises(Interrupt), OrderedThread("interrupted") as beside:
                signal.setitimer(signal.ITIMER_REAL, 0.0005 + 0.0000037 * k)
                while True:
                    beside.do(bool)
                    beside.wait(3)
            assert _gone("interrupted")
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
