"""Which line-up a capture stands on: nearest, earlier, same machine, in reach, still valid."""

from __future__ import annotations

from typing import Any

import pytest
from lineup_reports import NOON, entries, finding, lineup, report

from checks.model import Verdict
from watcher.lineups import entry_of, is_lineup
from watcher.report import Report, Signoff, from_json, to_json
from watcher.stands_on import nearest, with_stands_on

TAKE = report("take_1.wav", hours=3)


def test_the_nearest_earlier_one_counts() -> None:
    found = nearest(
        TAKE,
        entries(
            lineup("early.wav", hours=-1), lineup("near.wav", hours=2), lineup("late.wav", hours=4)
        ),
    )
    assert found is not None
    assert found.name == "near.wav"


@pytest.mark.parametrize(
    ("settings", "holds"),
    [
        ({}, True),
        ({"folder": "/store"}, True),  # a folder above
        ({"folder": "/store/monday/lineup"}, True),  # stands for the folder it lies in
        ({"folder": "/store/lineup"}, True),
        ({"folder": "/store/tuesday"}, False),
        ({"folder": "/store/monday/other"}, False),
        ({"machine": "deck 3"}, False),
        ({"machine": None}, False),
        ({"hours": -8.9}, True),
        ({"hours": -9.1}, False),  # more than 12 h before
        ({"hours": 3.1}, False),  # after the capture
    ],
)
def test_which_line_up_is_in_reach(settings: dict[str, Any], holds: bool) -> None:
    assert (nearest(TAKE, entries(lineup(**settings))) is not None) is holds


def test_headers_count_where_both_have_them() -> None:
    # EBU Tech 3285: origination date and time; a copy in the wrong order does not matter then
    take = report("take.wav", hours=0, header="15-00-00")
    assert nearest(take, entries(lineup(hours=5, header="14:00:00"))) is not None
    assert nearest(take, entries(lineup(hours=5))) is None


def test_a_capture_of_tones_is_a_line_up_without_a_sheet() -> None:
    assert is_lineup(report("tones.wav", tones=True))
    assert not is_lineup(report("reel.wav", tones=True, duration_s=600.0))  # a head of a reel
    assert entry_of(report("take.wav")) is None


def test_what_it_stands_on_is_a_finding_and_a_measure() -> None:
    stood = with_stands_on(TAKE, entries(lineup()))
    (told,) = stood.findings
    assert (told.check, told.kind, told.verdict) == ("lineup", "stands-on", Verdict.CLEAR)
    assert "lineup.wav; worst: level -0.10 dB at 1000 Hz on track 1." in told.text
    assert stood.measures.lineup is not None
    line = stood.measures.lineup.stands_on
    assert line is not None
    assert (line.capture, line.at) == ("/store/monday/lineup.wav", NOON.isoformat())
    assert with_stands_on(stood, entries(lineup())) == stood  # once more changes nothing
    assert from_json(to_json(stood)) == stood
    own = lineup()
    assert with_stands_on(own, entries(lineup("other.wav", hours=-1))) == own


@pytest.mark.parametrize(
    ("entry", "required", "verdict", "words"),
    [
        (None, False, Verdict.CLEAR, "No line-up"),
        (None, True, Verdict.LISTEN, "No line-up"),
        (lineup(findings=[finding(Verdict.REDO)]), True, Verdict.LISTEN, "to be played again"),
        (lineup(findings=[finding(Verdict.REDO)]), False, Verdict.CLEAR, "to be played again"),
        (lineup(tones=False), True, Verdict.LISTEN, "no tones"),
        (lineup(findings=[finding(Verdict.UNREAD)]), True, Verdict.LISTEN, "not be looked at"),
        (lineup(findings=[finding(Verdict.LISTEN)]), True, Verdict.CLEAR, "signed"),
        (
            lineup(
                findings=[finding(Verdict.REDO)],
                signoff=Signoff(by="AB", at=NOON.isoformat(), note=None, verdict=Verdict.CLEAR),
            ),
            True,
            Verdict.CLEAR,
            "Stands on",
        ),
        (
            lineup(signoff=Signoff(by="AB", at=NOON.isoformat(), note=None, verdict=Verdict.REDO)),
            True,
            Verdict.LISTEN,
            "a person",
        ),
    ],
)
def test_the_verdict_follows_the_line_up_where_one_is_required(
    entry: Report | None, required: bool, verdict: Verdict, words: str
) -> None:
    take = report("take.wav", hours=1, required=required)
    stood = with_stands_on(take, entries(entry) if entry else ())
    (told,) = stood.findings
    assert (told.verdict, stood.verdict) == (verdict, verdict)
    assert words in told.text
