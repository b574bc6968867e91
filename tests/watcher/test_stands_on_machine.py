"""May the machine be taken down: what stands on its line-up, and what is open of that."""

from __future__ import annotations

import dataclasses

import pytest
from lineup_reports import entries, finding, lineup, report, signed, states

from checks.model import Remedy, Verdict
from watcher.machine_lines import machine_lines
from watcher.stands_on import with_stands_on

GOOD = with_stands_on(report("take_1.wav", hours=1), entries(lineup()))
BAD = with_stands_on(
    report("take_2.wav", hours=2, findings=[finding(Verdict.REDO, "dropouts", "step")]),
    entries(lineup()),
)


def test_the_machine_stays_as_it_is_for_what_is_to_be_played_again() -> None:
    (line,) = machine_lines([GOOD, BAD, lineup()])
    assert line.text == (
        "lineup.wav (deck 2): leave the machine as it is; 2 captures stand on it, and not yet "
        "done: take_2.wav is to be played again"
    )
    assert not machine_lines([GOOD, signed(BAD, Verdict.REDO)])[0].done


def test_the_machine_may_be_taken_down_when_all_is_clear_or_signed_off() -> None:
    (line,) = machine_lines([GOOD, signed(BAD), lineup()])
    assert line.text == (
        "lineup.wav (deck 2): 2 captures stand on it, all clear or signed off; the machine may be "
        "taken down"
    )


def test_the_machine_stays_as_it_is_for_what_is_not_checked_yet() -> None:
    (line,) = machine_lines([GOOD], waiting={"/store/monday/lineup.wav": ["take_3.wav"]})
    assert line.why == ("take_3.wav is not checked yet",)


def test_a_line_is_told_of_line_ups_only_with_or_without_captures() -> None:
    assert machine_lines([report("alone.wav")]) == []
    assert machine_lines([lineup()])[0].text == "lineup.wav (deck 2): no capture stands on it"


@pytest.mark.parametrize(
    ("verdict", "why"),
    [
        (Verdict.LISTEN, "the line-up itself is to be listened to and signed off"),
        (Verdict.REDO, "the line-up does not hold, it is to be played again"),
    ],
)
def test_no_machine_is_taken_down_on_a_doubtful_line_up(verdict: Verdict, why: str) -> None:
    doubtful = lineup(findings=[finding(verdict)])
    take = with_stands_on(report("take.wav", hours=1), entries(doubtful))
    assert take.verdict is Verdict.CLEAR  # the sheet asks for no line-up
    assert states(take, doubtful) == [("lineup.wav", False, 1, (why,))]
    ((_, done, _, (told,)),) = states(take)  # the line-up was checked long ago
    assert not done
    assert told == why.split(",")[0]
    assert states(take, signed(doubtful)) == [("lineup.wav", True, 1, ())]


@pytest.mark.parametrize(
    ("remedy", "verdict", "why"),
    [
        (Remedy.RECOPY, Verdict.REDO, "to be mended or fetched again"),
        (Remedy.REPLAY, Verdict.LISTEN, "to be listened to"),
        (Remedy.NONE, Verdict.UNREAD, "not looked at completely"),
    ],
)
def test_what_is_open_of_a_capture_is_told(remedy: Remedy, verdict: Verdict, why: str) -> None:
    fault = dataclasses.replace(finding(verdict, "container", "truncated"), remedy=remedy)
    take = with_stands_on(report("take.wav", hours=1, findings=[fault]), entries(lineup()))
    assert states(take, lineup()) == [("lineup.wav", False, 1, (f"take.wav is {why}",))]
