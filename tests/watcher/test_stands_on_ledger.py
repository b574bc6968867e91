"""Line-ups found by the ledger: what waits, what was checked before, what is signed meanwhile."""

from __future__ import annotations

import dataclasses
import zlib
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from lineup_reports import NOON, REDO, entries, finding, kept, lineup, report, signed

from checks.model import Verdict
from watcher.files import Identity
from watcher.ledger import Ledger, State
from watcher.machine_lines import ledger_lines, stood_anew
from watcher.report import to_json
from watcher.stands_on import in_ledger, stand_again, with_stands_on


def test_line_ups_in_reach_are_found_in_the_ledger(ledger: Ledger) -> None:
    kept(ledger, lineup("above.wav", folder="/store"))
    kept(ledger, lineup("elsewhere.wav", folder="/store/tuesday"))
    kept(ledger, report("take.wav"))
    found = in_ledger(ledger, Path("/store/monday"), top=Path("/store"))
    assert [entry.name for entry in found] == ["above.wav"]


def coming(ledger: Ledger, path: Path, *, hours: float) -> None:
    """A capture recorded so many hours after noon that is not checked yet."""
    at_ns = int((NOON + timedelta(hours=hours)).timestamp() * 1e9)
    identity = Identity(device=1, inode=2, size=1, mtime_ns=at_ns)
    ledger.put(root=ledger.root(Path("/store")), path=path, is_set=False,
               files=[(path, identity)], state=State.WAITING)  # fmt: skip


def test_what_waits_keeps_the_line_up_before_it_though_there_is_a_later_one(ledger: Ledger) -> None:
    first, second = lineup("A.wav"), lineup("B.wav", hours=2)
    one = with_stands_on(report("take_1.wav", hours=0.5), entries(first))
    three = with_stands_on(report("take_3.wav", hours=2.5), entries(first, second))
    for r in (first, one, second, three):
        kept(ledger, r)
    assert [line.done for line in ledger_lines(ledger, [one, three])] == [True, True]
    coming(ledger, Path("/store/monday/take_2.wav"), hours=1)
    ledger.change("UPDATE captures SET first_seen = ? WHERE state = ?",
                  ((NOON + timedelta(hours=1.5)).isoformat(timespec="milliseconds"),
                   State.WAITING))  # fmt: skip
    told = {line.lineup: line.why for line in ledger_lines(ledger, [one, three])}
    assert told == {"A.wav": ("take_2.wav is not checked yet",), "B.wav": ()}


def test_the_summary_knows_what_was_checked_before_and_what_waits(ledger: Ledger) -> None:
    bad = report("take_1.wav", hours=1, findings=[finding(Verdict.REDO, "dropouts", "step")])
    other = report("other.wav", folder="/store/tuesday")
    for r in (lineup(), with_stands_on(bad, entries(lineup())), other):
        kept(ledger, r)
    take = report("take_2.wav", hours=2)
    kept(ledger, take)  # before its line-up was: its report knows of none
    (fresh,) = stood_anew(ledger, [take])
    assert fresh.measures.lineup is not None
    assert fresh.measures.lineup.stands_on is not None
    assert stood_anew(ledger, [signed(take)]) == [signed(take)]
    (line,) = ledger_lines(ledger, [fresh])  # since the last summary only this one
    assert (line.captures, line.why) == (2, ("take_1.wav is to be played again",))
    path = Path("/store/monday/take_3.wav")
    coming(ledger, path, hours=6)
    (line,) = ledger_lines(ledger, [fresh])
    assert line.why[1:] == ("take_3.wav is not checked yet",)
    change = "UPDATE captures SET first_seen = '2026-02-03T11:00:00.000+00:00' WHERE state = ?"
    ledger.change(change, ("waiting",))  # before the line-up was recorded
    (line,) = ledger_lines(ledger, [fresh])
    assert len(line.why) == 1
    ledger.change("UPDATE captures SET first_seen = changed_at")
    kept(ledger, lineup("later.wav", hours=5))  # what waits stands on this one
    (line,) = ledger_lines(ledger, [fresh])
    assert (line.lineup, line.captures, len(line.why)) == ("lineup.wav", 2, 1)
    assert ledger_lines(ledger, [other]) == []


def test_a_sign_off_of_the_line_up_counts_at_once(ledger: Ledger) -> None:
    failed = lineup("tones", findings=REDO)
    take = with_stands_on(report("take.wav", hours=1, required=True), entries(failed))
    assert take.verdict is Verdict.LISTEN
    kept(ledger, failed, is_set=True)
    known: dict[tuple[int, str], Any] = {}
    place = Path("/store/monday")
    assert [e.failed for e in in_ledger(ledger, place, top=place, known=known)] != [None]
    (line,) = ledger_lines(ledger, [take])
    assert line.why[0] == "the line-up does not hold, it is to be played again"
    body = zlib.compress(to_json(signed(failed), indent=None).encode("ascii"))
    ledger.change("UPDATE captures SET report = ?", (body,))
    assert [e.failed for e in in_ledger(ledger, place, top=place, known=known)] == [None]
    (fresh,) = stood_anew(ledger, [take])
    assert fresh.verdict is Verdict.CLEAR
    assert ledger_lines(ledger, [fresh])[0].done


def test_a_second_sign_off_is_seen_whatever_its_length(ledger: Ledger) -> None:
    kept(ledger, lineup(findings=REDO))
    known: dict[tuple[int, str], Any] = {}
    place, bodies = Path("/store/monday"), {}
    for day in range(40):  # until two are of one length, as deflated
        for verdict in (Verdict.CLEAR, Verdict.REDO):
            one = signed(lineup(findings=REDO), verdict)
            assert one.signoff is not None
            at = (NOON + timedelta(days=day)).isoformat()
            one = dataclasses.replace(one, signoff=dataclasses.replace(one.signoff, at=at))
            body = zlib.compress(to_json(one, indent=None).encode("ascii"))
            bodies[len(body), verdict] = body
    size = next(n for n, v in bodies if v is Verdict.CLEAR and (n, Verdict.REDO) in bodies)
    for verdict in (Verdict.CLEAR, Verdict.REDO):
        ledger.change("UPDATE captures SET report = ?", (bodies[size, verdict],))
        (entry,) = in_ledger(ledger, place, top=place, known=known)
        assert (entry.failed is None) == (verdict is Verdict.CLEAR)
        assert len(known) == 1


def test_reports_are_read_once_for_all_captures_of_a_folder(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    for k in range(1, 6):
        kept(ledger, with_stands_on(report(f"take_{k}.wav", hours=k), ()))
    kept(ledger, lineup())
    kept(ledger, lineup("second.wav", hours=2.5))
    read: list[int] = []
    load = ledger.report
    monkeypatch.setattr(ledger, "report", lambda number: read.append(number) or load(number))
    known: dict[tuple[int, str], Any] = {}
    stand_again(ledger, lineup(), Path("/store"), known=known)
    assert len(known) == 7
    assert len(read) <= 3 * 7  # not 7 for each of 5
    read.clear()
    takes = [with_stands_on(report("take_1.wav", hours=1), entries(lineup()))]
    assert len(ledger_lines(ledger, [*takes, lineup("second.wav", hours=2.5)])) == 2
    assert len(read) <= 7 + 2 * 8  # those of the folder once, and those in reach of each


def test_captures_checked_before_their_line_up_get_it_into_their_reports(ledger: Ledger) -> None:
    top = Path("/store")
    takes = [report(f"take_{k}.wav", hours=k) for k in (-1, 1, 2, 13)]
    for r in (*takes, report("other.wav", folder="/store/tuesday", hours=1)):
        kept(ledger, with_stands_on(r, ()))
    kept(ledger, signed(takes[2]))
    ledger.change("UPDATE captures SET delivered = 1")
    kept(ledger, lineup())
    stand_again(ledger, lineup(), top)
    found = [ledger.report(row.id) for row in ledger.undelivered()]
    assert [r.capture.name for r in found if r] == ["take_1.wav", "lineup.wav"]
    assert found[0] is not None
    assert "Stands on the line-up lineup.wav" in found[0].findings[0].text
    assert found[0].findings == with_stands_on(takes[1], entries(lineup())).findings
    ledger.change("UPDATE captures SET delivered = 1")
    stand_again(ledger, lineup(), top)
    stand_again(ledger, takes[1], top)  # on which nothing stands
    assert not list(ledger.undelivered())
