"""A thread beside: order, faults, ends, and interrupts at any moment."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable
from functools import partial
from types import FrameType

import pytest

from watcher.thread import Threads


def _gone(name: str) -> bool:
    until = time.monotonic() + 10
    while time.monotonic() < until:
        if all(thread.name != name for thread in threading.enumerate()):
            return True
        time.sleep(0.001)
    return False


def test_all_is_done_in_order_and_waited_for() -> None:
    done: list[int] = []
    with Threads("in order") as beside:
        for k in range(1000):
            beside.do(partial(done.append, k))
            beside.wait(3)
            assert len(done) >= k - 2
        beside.wait()
        assert done == list(range(1000))
    assert _gone("in order 0")


def test_what_was_raised_is_told_and_the_next_goes_on() -> None:
    done: list[int] = []
    with Threads("raises") as beside:
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

    def fail() -> None:
        with Threads("left") as beside:
            beside.do(long)
            beside.do(partial(done.append, "not begun"))
            begun.wait(10)
            threading.Timer(0.05, go.set).start()
            raise ValueError("on purpose")

    with pytest.raises(ValueError, match="on purpose"):
        fail()
    assert done == ["long"]
    assert _gone("left 0")


def test_several_threads_work_at_once_and_each_answer_is_its_own() -> None:
    both = threading.Barrier(2, timeout=10)
    with Threads("several", 2) as threads:
        met = [threads.give(both.wait) for _ in range(2)]  # each waits for the other
        assert sorted(result() for result in met) == [0, 1]
        squares = [threads.give(partial(pow, k, 2)) for k in range(200)]
        fails = threads.give(partial(divmod, 1, 0))
        assert [result() for result in squares] == [k * k for k in range(200)]
        with pytest.raises(ZeroDivisionError):
            fails()
    assert _gone("several 0")
    assert _gone("several 1")


class Interrupt(BaseException):
    pass


def in_order(seconds: float) -> None:
    with Threads("interrupted") as beside:
        signal.setitimer(signal.ITIMER_REAL, seconds, 5.0)  # again, if a destructor swallows it
        while True:
            beside.do(bool)
            beside.wait(3)


def several(seconds: float) -> None:
    with Threads("interrupted", 2) as threads:
        signal.setitimer(signal.ITIMER_REAL, seconds, 5.0)  # again, if a destructor swallows it
        while True:
            [threads.give(bool) for _ in range(4)][-1]()


# An interrupt in a callback of the garbage collector is swallowed there, and comes again.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("work", [in_order, several])
def test_an_interrupt_at_any_moment_ends_the_threads(work: Callable[[float], None]) -> None:
    """An executor in their place hung at a broken lock within a thousand trials."""

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise Interrupt

    before = signal.signal(signal.SIGALRM, interrupt)
    try:
        for k in range(300):
            with pytest.raises(Interrupt):
                work(0.0005 + 0.0000053 * k)
            assert _gone("interrupted 0")
            assert _gone("interrupted 1")
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
