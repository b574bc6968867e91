"""The picture of a capture: whatever a report says, nothing lies outside of it."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lineup_reports import finding, report

from checks.measures import DropoutsMeasures
from checks.model import Verdict
from watcher.report import FindingLine, Report
from watcher.timeline import Timeline, timeline

RATE = 96_000


def placed(start: int | None, frames: int | None = None, **changes: Any) -> FindingLine:
    line = finding(Verdict.REDO, "dropouts", "zero-run")
    return dataclasses.replace(line, start_frame=start, frames=frames, **changes)


def of(
    findings: Sequence[FindingLine],
    *,
    frames: int | None = 10 * RATE,
    rate: int | None = RATE,
    programme: Any = (),
) -> Report:
    base = report("take.wav", findings=findings)
    capture = dataclasses.replace(base.capture, frames=frames, rate_hz=rate)
    dropouts = DropoutsMeasures(tracks=(), programme_s=programme)
    measures = dataclasses.replace(base.measures, dropouts=dropouts)
    return dataclasses.replace(base, capture=capture, measures=measures)


def drawn(findings: Sequence[FindingLine], **settings: Any) -> Timeline:
    made = timeline(of(findings, **settings), findings)
    assert made is not None
    return made


def within(made: Timeline) -> None:
    """All of it lies in the picture, marks in the lanes and times under them."""
    for one in made.marked:
        assert one.marks
        for mark in one.marks:
            assert made.left <= mark.x <= made.width
            assert mark.width >= 0
            assert mark.x + mark.width <= made.width
            assert made.top < mark.y < made.bottom
        assert one.number_x is None or 0 < one.number_x < made.width
    for span in made.programme:
        assert made.left <= span.x
        assert span.width >= 0
        assert span.x + span.width <= made.right + 0.1  # each is rounded to a tenth
    assert [tick.x for tick in made.ticks] == sorted({tick.x for tick in made.ticks})
    assert made.left <= made.ticks[0].x
    assert made.ticks[-1].x == made.right
    assert 1 <= len(made.ticks) <= 10
    assert made.bottom < made.height


ANY = st.integers(-(2**70), 2**70)
LENGTHS = st.one_of(st.integers(1, 20), st.integers(1, 2**62))
PLACES = st.one_of(st.none(), st.integers(0, 30), ANY)
WHERE = st.fixed_dictionaries(
    {},
    optional={
        "start_frames": st.one_of(st.lists(st.one_of(ANY, st.text(max_size=2))), st.integers()),
        "by_track": st.one_of(
            st.lists(
                st.fixed_dictionaries(
                    {
                        "track": st.one_of(st.integers(-1, 6), st.booleans(), st.floats(0, 2)),
                        "places": st.one_of(
                            st.integers(),
                            st.lists(
                                st.fixed_dictionaries(
                                    {"start_frame": PLACES, "frames": st.one_of(ANY, st.text())}
                                )
                            ),
                        ),
                    }
                )
            ),
            st.text(),
        ),
    },
)
FINDINGS = st.lists(
    st.builds(
        placed,
        PLACES,
        PLACES,
        tracks=st.lists(st.integers(-1, 9), max_size=5).map(tuple),
        verdict=st.sampled_from(Verdict),
        values=WHERE,
    ),
    max_size=6,
)
SPANS = st.lists(st.tuples(st.floats(-1e9, 1e300), st.floats(-1e9, 1e300)), max_size=3)


@settings(deadline=None)  # the first picture reads the templates
@given(findings=FINDINGS, frames=LENGTHS, rate=st.integers(1, 10**7), programme=SPANS)
def test_nothing_lies_outside(
    findings: list[FindingLine], frames: int, rate: int, programme: Any
) -> None:
    within(drawn(findings, frames=frames, rate=rate, programme=tuple(programme)))


@pytest.mark.parametrize(
    ("start", "frames"),
    [(0, 0), (0, None), (10 * RATE, 0), (10 * RATE, RATE), (99 * RATE, 1), (-5, 2), (5, -2)],
)
def test_nothing_long_or_past_the_end_stands_at_its_nearer_end(
    start: int, frames: int | None
) -> None:
    made = drawn([placed(start, frames)])
    within(made)
    assert made.marked[0].marks[0].x == (made.right if start >= 10 * RATE else made.left)


@pytest.mark.parametrize(("frames", "rate"), [(None, RATE), (0, RATE), (-1, RATE), (9, None),
                                              (9, 0), (9, -1), (2**63, 1)])  # fmt: skip
def test_without_a_length_there_is_no_picture(frames: int | None, rate: int | None) -> None:
    assert timeline(of([], frames=frames, rate=rate), []) is None


def test_places_and_lengths_are_true_to_scale() -> None:
    made = drawn([placed(5 * RATE, 2 * RATE, tracks=(2,))], programme=((1.0, 9.0),))
    (mark,) = made.marked[0].marks
    assert mark.x == pytest.approx((made.left + made.right) / 2, abs=0.1)
    assert mark.width == pytest.approx((made.right - made.left) * 0.2, abs=0.1)
    assert mark.y == made.lanes[2].y
    assert made.lanes[2].name == "2 b"
    assert made.programme[0].width == pytest.approx((made.right - made.left) * 0.8, abs=0.1)


def test_what_concerns_no_track_stands_in_the_lane_of_the_whole() -> None:
    made = drawn([placed(RATE, 1, tracks=()), placed(RATE, 1, tracks=(77,))])
    assert [m.y for one in made.marked for m in one.marks] == [made.lanes[0].y] * 2


def test_what_has_no_place_in_time_stands_beside_each_for_itself() -> None:
    made = drawn([placed(None, tracks=(1, 2)), placed(None, tracks=(1,)), placed(0, tracks=(1,))])
    first, second, third = made.marked
    assert made.right < first.marks[0].x == first.marks[1].x < second.marks[0].x
    assert third.marks[0].x == made.left
    assert [one.number_x for one in made.marked] == [one.marks[0].x for one in made.marked]


def test_further_places_and_those_of_each_track_are_marked() -> None:
    several = placed(RATE, 3 * RATE, tracks=(1,), values={"start_frames": [RATE, 4 * RATE]})
    each = [{"track": 1, "places": [{"start_frame": 0, "frames": 5}]},
            {"track": 3, "places": [{"start_frame": RATE, "frames": 5},
                                    {"start_frame": 2 * RATE, "frames": 5}]}]  # fmt: skip
    by_track = placed(0, 2 * RATE, tracks=(1, 3, 4), values={"by_track": each})
    made = drawn([several, by_track])
    tenth = (made.right - made.left) / 10
    at = [[(round((m.x - made.left) / tenth, 1), m.y) for m in one.marks] for one in made.marked]
    lanes = [lane.y for lane in made.lanes]
    assert at[0] == [(1.0, lanes[1]), (4.0, lanes[1])]
    assert sorted(at[1]) == [(0.0, lanes[1]), (0.0, lanes[4]), (1.0, lanes[3]), (2.0, lanes[3])]


@pytest.mark.parametrize("track", [True, 1.0, "1", None, 2])
def test_places_of_what_is_no_track_of_the_finding_are_passed_by(track: object) -> None:
    places = [{"track": track, "places": [{"start_frame": 5 * RATE, "frames": 1}]}]
    made = drawn([placed(0, tracks=(1,), values={"by_track": places})])
    assert [mark.x for mark in made.marked[0].marks] == [made.left]


@pytest.mark.parametrize(
    ("seconds", "times"),
    [
        (0.004, ["00:00:00.000", "00:00:00.001", "00:00:00.002", "00:00:00.003", "00:00:00.004"]),
        (10, ["00:00:00", "00:00:02", "00:00:04", "00:00:06", "00:00:08", "00:00:10.000"]),
        (3600, ["00:00:00", "00:10:00", "00:20:00", "00:30:00", "00:40:00", "00:50:00",
                "01:00:00.000"]),
    ],
)  # fmt: skip
def test_times_stand_at_round_distances(seconds: float, times: list[str]) -> None:
    made = drawn([], frames=round(seconds * RATE))
    assert [tick.text for tick in made.ticks] == times


def test_numbers_never_touch() -> None:
    made = drawn([placed(k * RATE // 50, 1) for k in range(100)])
    numbers = sorted(one.number_x for one in made.marked if one.number_x is not None)
    assert 5 < len(numbers) < 100
    assert min(b - a for a, b in itertools.pairwise(numbers)) >= 18


def test_names_are_safe_and_fit() -> None:
    base = of([])
    names = ("a\x1b[2J\u202egnp" * 9, "", "b", "c")
    capture = dataclasses.replace(base.capture, tracks=names)
    made = timeline(dataclasses.replace(base, capture=capture), [])
    assert made is not None
    assert all(lane.label.isprintable() and len(lane.label) <= 21 for lane in made.lanes)
