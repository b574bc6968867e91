"""One line-up in several captures: which belong together, and what each of them may lack."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from lineup_reports import REDO, entries, finding, lineup, report, signed, states

from checks.model import Remedy, Verdict
from watcher.report import FindingLine, Report
from watcher.stands_on import nearest, with_stands_on


def part(name: str, hz: float, minutes: float, **settings: Any) -> Report:
    """A capture with one tone of a calibration tape."""
    whole = lineup(name, hours=minutes / 60, **settings)
    assert whole.measures.lineup is not None
    tone = dataclasses.replace(whole.measures.lineup.tones[0], nominal_hz=hz, frequency_hz=hz)
    measured = dataclasses.replace(whole.measures.lineup, tones=(tone,))
    return dataclasses.replace(whole, measures=dataclasses.replace(whole.measures, lineup=measured))


def missing(*hz: float) -> FindingLine:
    """That tones of these frequencies are not there."""
    found = finding(Verdict.LISTEN, kind="missing")
    return dataclasses.replace(found, text="Not there.", values={"hz": list(hz)})


@pytest.mark.parametrize(
    ("reports", "verdict", "words"),
    [
        ([part("a", 1000, 0), part("b", 10_000, 5)], Verdict.CLEAR, "line-up b (with a)"),
        ([part("a", 1000, 0, findings=REDO), part("b", 10_000, 5)], Verdict.LISTEN, "not hold"),
        # done again: the later one has all the tones of the one that failed
        ([part("a", 1000, 0, findings=REDO), part("b", 1000, 5)], Verdict.CLEAR, "line-up b;"),
        ([part("a", 1000, 0, findings=REDO), part("b", 10_000, 90)], Verdict.CLEAR, "line-up b;"),
        ([part("a", 1000, 0, findings=REDO, folder="/store"), part("b", 10_000, 5)],
         Verdict.CLEAR, "line-up b;"),
        (
            [part("a", 1000, 0, findings=REDO, machine="deck 3"), part("b", 10_000, 5)],
            Verdict.CLEAR,
            "line-up b;",
        ),
        (
            [part("a", 1000, 0, findings=[missing(10_000)]),
             part("b", 10_000, 5, findings=[missing(1000)])],
            Verdict.CLEAR,
            "line-up b (with a); worst: level -0.10 dB",
        ),
        (
            [part("a", 1000, 0), part("b", 10_000, 5, findings=[missing(16_000)])],
            Verdict.CLEAR,
            "worst: 16000 Hz not there. Nobody has signed that line-up off yet.",
        ),
    ],
)  # fmt: skip
def test_a_line_up_in_several_captures(reports: list[Report], verdict: Verdict, words: str) -> None:
    take = with_stands_on(report("take.wav", hours=3, required=True), entries(*reports))
    assert take.verdict is verdict
    assert words in take.findings[0].text
    ((name, done, count, _),) = states(take, *reports[-1:], further=entries(*reports))
    assert (name, count) == ("b", 1)
    assert done is (verdict is Verdict.CLEAR and "Nobody" not in words)


def test_parts_of_a_line_up_have_no_line_of_their_own() -> None:
    assert states(part("a", 1000, 0), part("b", 10_000, 5)) == [("b", False, 0, ())]


def test_an_earlier_report_of_its_own_is_no_line_up_for_a_capture() -> None:
    take = report("take.wav", hours=1)  # which the sheet called a line-up once
    assert nearest(take, entries(lineup("take.wav", hours=1))) is None
    one = part("a", 1000, 0, findings=[missing(10_000)])
    assert with_stands_on(one, entries(part("a", 10_000, 0))) == one


def test_tones_that_another_capture_of_the_line_up_has_are_not_missed() -> None:
    one = part("a", 1000, 0, findings=[missing(10_000, 16_000)])
    others = entries(part("b", 10_300, 5), part("c", 16_000, 9))
    told = with_stands_on(one, others)
    assert (told.verdict, told.findings[0].remedy) == (Verdict.CLEAR, Remedy.NONE)
    assert told.findings[0].text == "Not there; other captures of this line-up have them."
    for entry in ([], others[:1], entries(part("b", 10_000, 70), part("c", 16_000, 9))):
        assert with_stands_on(one, entry) == one


@pytest.mark.parametrize("verdict", [Verdict.REDO, Verdict.UNREAD])
def test_tones_of_a_line_up_that_does_not_hold_are_missed(verdict: Verdict) -> None:
    lacking = part("a.wav", 1_000, 0, findings=[missing(10_000)])
    bad = part("b.wav", 10_000, 2, findings=[finding(verdict)])
    refused = signed(part("b.wav", 10_000, 2), Verdict.REDO)
    assert with_stands_on(lacking, entries(bad)).verdict is Verdict.LISTEN
    assert with_stands_on(lacking, entries(refused)).verdict is Verdict.LISTEN
    assert with_stands_on(lacking, entries(part("b.wav", 10_000, 2))).verdict is Verdict.CLEAR
