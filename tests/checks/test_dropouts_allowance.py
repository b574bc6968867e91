"""What is dear may be done often at once, and then so often a second of the capture."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as some

from checks.dropouts._steps._allowance import Allowance


def test_it_fills_up_as_the_capture_goes_on() -> None:
    looks = Allowance(at_once=3, a_second=2.0, rate_hz=1_000)
    assert [looks.take(10) for _ in range(4)] == [True, True, True, False]
    assert not looks.take(400)
    assert looks.take(510)
    assert not looks.take(520)
    assert [looks.take(100_000) for _ in range(4)] == [True, True, True, False]


def test_several_are_taken_together_or_not_at_all() -> None:
    looks = Allowance(at_once=5, a_second=1.0, rate_hz=1_000)
    assert looks.take(0, 3)
    assert not looks.take(0, 3)
    assert looks.take(0, 2)


@given(some.lists(some.integers(0, 60_000), min_size=1, max_size=200))
def test_no_more_than_at_once_and_so_many_a_second(frames: list[int]) -> None:
    looks = Allowance(at_once=5, a_second=1.0, rate_hz=1_000)
    done = sum(looks.take(frame) for frame in sorted(frames))
    assert done <= 5 + max(frames) / 1_000
