"""Events of one kind: one place is told once."""

from __future__ import annotations

import pytest

from checks.dropouts._events import Event, EventLog
from checks.model import Remedy, Verdict


def event(verdict: Verdict, tracks: tuple[int, ...], start: int, frames: int = 1) -> Event:
    return Event(
        kind="step",
        verdict=verdict,
        remedy=Remedy.REPLAY if verdict is Verdict.REDO else Remedy.LISTEN,
        tracks=tracks,
        start=start,
        stop=start + frames,
        text="The signal jumps.",
        values={"cause": f"{verdict.value} {frames}"},
    )


def told(*events: Event) -> list[tuple[str, tuple[int, ...], int | None, int | None]]:
    log = EventLog(listed=8, gap=48_000)
    for one in events:
        log.add(one)
    found = log.findings()
    assert all(f.values["count"] == sum(o.verdict is f.verdict for o in found) for f in found)
    return [(f.verdict.value, f.tracks, f.start_frame, f.frames) for f in found]


@pytest.mark.parametrize("order", [1, -1])
def test_what_is_proven_of_a_place_is_told_and_no_doubt_beside_it(order: int) -> None:
    both = [event(Verdict.REDO, (0, 1, 2), 5_000, 81), event(Verdict.LISTEN, (0, 2), 5_001)]
    assert told(*both[::order]) == [("redo", (0, 1, 2), 5_000, 81)]


@pytest.mark.parametrize("order", [1, -1])
def test_of_two_doubts_about_a_place_that_on_more_tracks_is_told_as_long_as_both(
    order: int,
) -> None:
    both = [event(Verdict.LISTEN, (0, 1), 973_273), event(Verdict.LISTEN, (1,), 973_273, 89)]
    assert told(*both[::order]) == [("listen", (0, 1), 973_273, 89)]


@pytest.mark.parametrize(
    "other",
    [
        event(Verdict.LISTEN, (0, 3), 5_000),  # another track
        event(Verdict.LISTEN, (0,), 5_200),  # another place
    ],
)
def test_what_a_proof_does_not_tell_stays(other: Event) -> None:
    assert len(told(event(Verdict.REDO, (0, 1, 2), 5_000, 81), other)) == 2


def test_one_place_is_one_event_though_another_comes_up_between_its_tracks() -> None:
    log = EventLog(listed=8, gap=10)
    for tracks, start in (((0,), 726_784), ((4,), 726_584), ((1, 2), 726_785)):
        log.add(event(Verdict.REDO, tracks, start, 32), within=8)
    assert [f.tracks for f in log.findings()] == [(0, 1, 2), (4,)]


def test_what_comes_up_thousands_of_times_at_once_is_counted() -> None:
    log = EventLog(listed=8, gap=0)
    for k in range(3000):
        log.add(event(Verdict.REDO, (0,), 10_000 + k % 900))
    assert log.findings()[0].values["count"] == 3000
