"""Which line-up a capture stands on: nearest, earlier, same machine, in reach, still valid."""

from __future__ import annotations

import dataclasses
import os
import zlib
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from bench_lineup.signals import Part, line_up
from synth import as_float, programme

from checks.measures import (
    BextLine,
    ContainerFileLine,
    ContainerMeasures,
    LineupMeasures,
    Measures,
    ToneLine,
    ToneTrackLine,
)
from checks.model import Remedy, Verdict
from watcher import sidecar
from watcher.cli import main
from watcher.exits import Exit
from watcher.files import Identity
from watcher.ledger import Ledger, State
from watcher.lineups import entry_of, is_lineup
from watcher.machine_lines import ledger_lines, machine_lines, stood_anew
from watcher.report import (
    CaptureLine,
    Expected,
    FileLine,
    FindingLine,
    Made,
    Report,
    Signoff,
    from_json,
    sidecar_path,
    to_json,
)
from watcher.stands_on import in_ledger, nearest, on_disk, stand_again, with_stands_on

NOON = datetime(2026, 2, 3, 12, 0, tzinfo=UTC)


def bext(time: str) -> BextLine:
    return BextLine(
        description="", originator="", originator_reference="", origination_date="2026-02-03",
        origination_time=time, time_reference=0, version=1, umid=None, loudness_lufs=None,
        loudness_range_lu=None, max_true_peak_dbtp=None, max_momentary_lufs=None,
        max_short_term_lufs=None, coding_history="",
    )  # fmt: skip


def finding(verdict: Verdict, check: str = "lineup", kind: str = "level") -> FindingLine:
    return FindingLine(
        check=check, kind=kind, verdict=verdict, remedy=Remedy.REPLAY, tracks=(3,),
        start_frame=None, frames=None, start_s=None, text="0.7 dB low.", values={},
    )  # fmt: skip


def report(
    name: str,
    *,
    folder: str = "/store/monday",
    hours: float = 0.0,
    machine: str | None = "deck 2",
    kind: str = "programme",
    findings: Sequence[FindingLine] = (),
    tones: bool = False,
    required: bool = False,
    signoff: Signoff | None = None,
    header: str | None = None,
    duration_s: float = 20.0,
) -> Report:
    """A capture recorded so many hours after noon."""
    track = ToneTrackLine(track=1, level_dbfs=-18.1, deviation_db=-0.1, phase_deg=0.0,
                          flutter_percent=None)  # fmt: skip
    tone = ToneLine(start_s=1.0, end_s=16.0, frequency_hz=1000.0, nominal_hz=1000.0,
                    kind="steady", tracks=(track,))  # fmt: skip
    file = FileLine(
        name=name, bytes=1, modified=(NOON + timedelta(hours=hours)).isoformat(), container="wav",
        sha256="0" * 64, audio_sha256=None, crc32_mib="",
    )  # fmt: skip
    container = ContainerFileLine(
        kind="wav", header_frames=1, found_frames=1, audio_offset=44, audio_bytes=1, chunks=(),
        bext=bext(header) if header else None,
    )  # fmt: skip
    values: dict[str, Any] = {
        "reel": {"kind": kind}, "machine": machine,
        "lineup": {"valid_h": 12.0, "required": required},
    }  # fmt: skip
    return Report(
        capture=CaptureLine(
            name=name, folder=folder, files=(file,), rate_hz=96_000, channels=4, word_length=24,
            encoding="pcm", frames=1, duration_s=duration_s, tracks=("a", "b", "c", "d"),
        ),
        expected=Expected(values=values, sources={}),
        verdict=Verdict.worst(f.verdict for f in findings),
        findings=tuple(findings),
        measures=Measures(
            container=ContainerMeasures(files=(container,)),
            lineup=LineupMeasures(
                tones=(tone,) if tones else (), speed_error_percent=None, azimuth=(), response=()
            ),
        ),
        signoff=signoff,
        made=Made(by="reelvigil 0", at=NOON.isoformat(), took_s=1.0, settings="0"),
    )  # fmt: skip


def lineup(name: str = "lineup.wav", **settings: Any) -> Report:
    return report(name, **{"kind": "lineup", "tones": True} | settings)


def entries(*reports: Report) -> list[Any]:
    return [entry for r in reports if (entry := entry_of(r)) is not None]


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
def test_what_holds(settings: dict[str, Any], holds: bool) -> None:
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


def test_the_finding_and_the_measure() -> None:
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
def test_the_verdict(entry: Report | None, required: bool, verdict: Verdict, words: str) -> None:
    take = report("take.wav", hours=1, required=required)
    stood = with_stands_on(take, entries(entry) if entry else ())
    (told,) = stood.findings
    assert (told.verdict, stood.verdict) == (verdict, verdict)
    assert words in told.text


def _saved(r: Report, *, reports: Path | None = None, top: Path | None = None) -> None:
    path = Path(r.capture.folder) / r.capture.name
    sidecar.save(r, sidecar_path(path, reports, top))


def test_sidecars_on_disk(tmp_path: Path) -> None:
    top, day = tmp_path, tmp_path / "monday"
    _saved(lineup("above.wav", folder=str(top)))
    _saved(lineup("here.wav", folder=str(day)))
    _saved(lineup("inside.wav", folder=str(top / "lineup")))
    _saved(lineup("elsewhere.wav", folder=str(top / "tuesday")))
    _saved(report("take.wav", folder=str(day)))
    (day / "broken.wav.vigil.json").write_bytes(b'{"kind": "lineup"')
    found = sorted(entry.name for entry in on_disk(day, top=top))
    assert found == ["above.wav", "here.wav", "inside.wav"]
    inside = sorted(entry.name for entry in on_disk(top / "lineup", top=top))
    assert inside == ["above.wav", "inside.wav"]
    assert {entry.name for entry in on_disk(day, top=None)} == {"here.wav"}


def test_sidecars_in_a_mirror(tmp_path: Path) -> None:
    top, mirror = tmp_path / "store", tmp_path / "reports"
    _saved(lineup("above.wav", folder=str(top)), reports=mirror, top=top)
    found = {entry.name for entry in on_disk(top / "monday", top=top, reports=mirror)}
    assert found == {"above.wav"}


def test_the_ledger(tmp_path: Path) -> None:
    top = tmp_path / "store"
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        root = ledger.root(top)
        for r in (
            lineup("above.wav", folder=str(top)),
            lineup("elsewhere.wav", folder=str(top / "tuesday")),
            report("take.wav", folder=str(top / "monday")),
        ):
            path = Path(r.capture.folder) / r.capture.name
            identity = Identity(device=1, inode=1, size=1, mtime_ns=1)
            row = ledger.put(root=root, path=path, is_set=False, files=[(path, identity)],
                             state=State.CHECKING)  # fmt: skip
            ledger.record(row.id, r, report_path=path, paths=[path])
        found = [entry.name for entry in in_ledger(ledger, top / "monday", top=top)]
    assert found == ["above.wav"]


def states(*reports: Report, **settings: Any) -> list[tuple[str, bool, int, tuple[str, ...]]]:
    return [(x.lineup, x.done, x.captures, x.why) for x in machine_lines(reports, **settings)]


def signed(r: Report, verdict: Verdict = Verdict.CLEAR) -> Report:
    return dataclasses.replace(
        r, signoff=Signoff(by="AB", at=NOON.isoformat(), note=None, verdict=verdict)
    )


def test_may_the_machine_be_taken_down() -> None:
    stands = entries(lineup())
    good = with_stands_on(report("take_1.wav", hours=1), stands)
    bad = with_stands_on(
        report("take_2.wav", hours=2, findings=[finding(Verdict.REDO, "dropouts", "step")]), stands
    )
    (line,) = machine_lines([good, bad, lineup()])
    assert line.text == (
        "lineup.wav (deck 2): leave the machine as it is; 2 captures stand on it, and not yet "
        "done: take_2.wav is to be played again"
    )
    (line,) = machine_lines([good, signed(bad), lineup()])
    assert line.text == (
        "lineup.wav (deck 2): 2 captures stand on it, all clear or signed off; the machine may be "
        "taken down"
    )
    assert not machine_lines([good, signed(bad, Verdict.REDO)])[0].done
    assert machine_lines([report("alone.wav")]) == []
    assert machine_lines([lineup()])[0].text == "lineup.wav (deck 2): no capture stands on it"
    waits = {"/store/monday/lineup.wav": ["take_3.wav"]}
    (line,) = machine_lines([good], waiting=waits)
    assert line.why == ("take_3.wav is not checked yet",)


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
def test_what_stands_open(remedy: Remedy, verdict: Verdict, why: str) -> None:
    fault = dataclasses.replace(finding(verdict, "container", "truncated"), remedy=remedy)
    take = with_stands_on(report("take.wav", hours=1, findings=[fault]), entries(lineup()))
    assert states(take, lineup()) == [("lineup.wav", False, 1, (f"take.wav is {why}",))]


# -- one line-up in several captures ------------------------------------------------------------


def part(name: str, hz: float, minutes: float, **settings: Any) -> Report:
    """A capture with one tone of a calibration tape."""
    whole = lineup(name, hours=minutes / 60, **settings)
    assert whole.measures.lineup is not None
    tone = dataclasses.replace(whole.measures.lineup.tones[0], nominal_hz=hz, frequency_hz=hz)
    measured = dataclasses.replace(whole.measures.lineup, tones=(tone,))
    return dataclasses.replace(whole, measures=dataclasses.replace(whole.measures, lineup=measured))


def missing(*hz: float) -> FindingLine:
    found = finding(Verdict.LISTEN, kind="missing")
    return dataclasses.replace(found, text="Not there.", values={"hz": list(hz)})


REDO = [finding(Verdict.REDO)]


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


# -- the summary's lines, by the ledger ---------------------------------------------------------


def kept(ledger: Ledger, r: Report, *, is_set: bool = False) -> None:
    path = Path(r.capture.folder) / (r.capture.name + ".set" * is_set)
    at = datetime.fromisoformat(str(r.capture.files[0].modified))
    identity = Identity(device=1, inode=1, size=1, mtime_ns=int(at.timestamp() * 1e9))
    row = ledger.put(root=ledger.root(Path("/store")), path=path, is_set=is_set,
                     files=[(path, identity)], state=State.CHECKING)  # fmt: skip
    made = dataclasses.replace(r.made, at=(NOON + timedelta(days=1)).isoformat())
    ledger.record(row.id, dataclasses.replace(r, made=made), report_path=path, paths=[path])


def coming(ledger: Ledger, path: Path, *, hours: float) -> None:
    """A capture recorded so many hours after noon that is not checked yet."""
    at_ns = int((NOON + timedelta(hours=hours)).timestamp() * 1e9)
    identity = Identity(device=1, inode=2, size=1, mtime_ns=at_ns)
    ledger.put(root=ledger.root(Path("/store")), path=path, is_set=False,
               files=[(path, identity)], state=State.WAITING)  # fmt: skip


def test_what_waits_keeps_the_line_up_before_it_though_there_is_a_later_one(tmp_path: Path) -> None:
    first, second = lineup("A.wav"), lineup("B.wav", hours=2)
    one = with_stands_on(report("take_1.wav", hours=0.5), entries(first))
    three = with_stands_on(report("take_3.wav", hours=2.5), entries(first, second))
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        for r in (first, one, second, three):
            kept(ledger, r)
        assert [line.done for line in ledger_lines(ledger, [one, three])] == [True, True]
        coming(ledger, Path("/store/monday/take_2.wav"), hours=1)
        ledger.change("UPDATE captures SET first_seen = ? WHERE state = ?",
                      ((NOON + timedelta(hours=1.5)).isoformat(timespec="milliseconds"),
                       State.WAITING))  # fmt: skip
        told = {line.lineup: line.why for line in ledger_lines(ledger, [one, three])}
        assert told == {"A.wav": ("take_2.wav is not checked yet",), "B.wav": ()}


def test_the_summary_knows_what_was_checked_before_and_what_waits(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
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


def test_a_sign_off_of_the_line_up_counts_at_once(tmp_path: Path) -> None:
    failed = lineup("tones", findings=REDO)
    take = with_stands_on(report("take.wav", hours=1, required=True), entries(failed))
    assert take.verdict is Verdict.LISTEN
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
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


def test_a_second_sign_off_is_seen_whatever_its_length(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
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
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
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


def test_captures_checked_before_their_line_up_get_it_into_their_reports(tmp_path: Path) -> None:
    top = Path("/store")
    takes = [report(f"take_{k}.wav", hours=k) for k in (-1, 1, 2, 13)]
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
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


def test_a_sign_off_on_disk_alone_stands_when_the_line_up_is_known(tmp_path: Path) -> None:
    top = tmp_path / "store"
    take = with_stands_on(report("take.wav", folder=str(top), hours=1), ())
    place = sidecar_path(top / "take.wav")
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        kept(ledger, take)
        ledger.change("UPDATE captures SET delivered = 1, report_path = ?", (os.fsencode(place),))
        (row,) = ledger.in_state(State.DONE)
        known = ledger.report(row.id)
        assert known is not None
        sidecar.save(signed(known), place)
        kept(ledger, lineup(folder=str(top)))
        stand_again(ledger, lineup(folder=str(top)), top)
        assert ledger.report(row.id) == signed(known)
        assert row.id not in [other.id for other in ledger.undelivered()]


@pytest.mark.parametrize("how", [[], ["--no-sidecar"], ["--jobs", "2"], ["--json"]])
def test_a_line_up_that_is_read_last(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], how: list[str]
) -> None:
    # no sheet calls it a line-up, and its name comes last
    tones = line_up(44_100, [Part(hz=1000, dbfs=-18, seconds=3)], hiss_dbfs=-62)
    music = programme("plucks", rate_hz=44_100, tracks=2, seconds=4, seed=1)
    for name, x, at in (("take", as_float(music), 7200), ("tones", tones.samples, 0)):
        path = tmp_path / f"{name}.wav"
        soundfile.write(path, np.asarray(x).T, 44_100, subtype="PCM_24")
        os.utime(path, (1_700_000_000 + at, 1_700_000_000 + at))
    assert main(["check", *how, str(tmp_path)]) is Exit.CLEAR
    as_json = how == ["--json"]
    assert as_json or "tones.wav: 1 capture stands on it, all clear" in capsys.readouterr().out
    if not how or as_json:
        told = sidecar.load(sidecar_path(tmp_path / "take.wav", None, None))
        assert told is not None
        assert told.measures.lineup is not None
        assert told.measures.lineup.stands_on is not None


def test_a_sign_off_is_told_to_the_reports_of_what_stands_on_the_line_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tones = line_up(44_100, [Part(hz=1000, dbfs=-18, seconds=3)], hiss_dbfs=-62, gains_db=[0, -3])
    music = as_float(programme("plucks", rate_hz=44_100, tracks=2, seconds=4, seed=1))
    (tmp_path / "lineup").mkdir()
    places = {"take": tmp_path / "take.wav", "tones": tmp_path / "lineup" / "tones.wav"}
    for path, x, at in zip(places.values(), (music, tones.samples), (7200, 0), strict=True):
        soundfile.write(path, np.asarray(x).T, 44_100, subtype="PCM_24")
        os.utime(path, (1_700_000_000 + at, 1_700_000_000 + at))
    (tmp_path / "lineup" / "transfer.yaml").write_text("reel: {kind: lineup}\n")
    (tmp_path / "transfer.yaml").write_text("lineup: {required: true}\n")
    assert main(["check", str(tmp_path)]) is Exit.REDO

    def told() -> str:
        found = sidecar.load(sidecar_path(places["take"], None, None))
        assert found is not None
        return found.verdict.value

    assert told() == "listen"
    assert main(["signoff", "--by", "AB", str(places["tones"])]) is Exit.CLEAR
    assert told() == "clear"
    assert main(["signoff", "--by", "AB", "--verdict", "redo", str(places["tones"])]) is Exit.CLEAR
    assert told() == "listen"
