"""The morning summary: gaps, what is open, what waits; silence is never good news by itself."""

from __future__ import annotations

import dataclasses
import json
import os
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from ledgering import put

from checks.measures import Measures
from checks.model import Remedy, Verdict
from watcher import morning, sidecar
from watcher.errors import UsageError
from watcher.files import Identity
from watcher.ledger import Ledger, State
from watcher.life import forget_roots
from watcher.morning_json import as_json
from watcher.morning_text import text_of
from watcher.reconcile import NEVER_READ
from watcher.report import CaptureLine, Expected, FileLine, FindingLine, Made, Report, Signoff
from watcher.settings import Settings
from watcher.summary import Heading

NOW = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)


def at(hours: float) -> str:
    return (NOW - timedelta(hours=hours)).isoformat(timespec="milliseconds")


def lived(ledger: Ledger, began: float, beat: float, *, ended: bool) -> None:
    ledger.change(
        "INSERT INTO lives (began, beat, ended, version) VALUES (?, ?, ?, '0')",
        (at(began), at(beat), at(beat) if ended else None),
    )


def gather(ledger: Ledger, hours: float = 24) -> morning.Morning:
    return morning.gather(
        ledger, at(hours), now=NOW, verify_days=90.0, free=lambda _: (36_000_000_000, 10**12)
    )


def test_no_daemon_at_all_is_said(ledger: Ledger) -> None:
    found = gather(ledger)
    assert not found.ever_alive
    assert "No daemon has run here" in text_of(found)


def test_alive_all_the_time(ledger: Ledger) -> None:
    lived(ledger, 100, 0.001, ended=False)
    found = gather(ledger)
    assert (found.alive, found.gaps) == (True, ())
    text = text_of(found)
    assert "alive all the time" in text
    assert "The daemon checked no capture" in text


def test_gaps_are_told(ledger: Ledger) -> None:
    lived(ledger, 100, 20, ended=False)  # killed
    lived(ledger, 18, 10, ended=True)
    lived(ledger, 9.99, 0.001, ended=False)  # 36 s later: no gap
    found = gather(ledger)
    assert [(gap.began, gap.ended) for gap in found.gaps] == [(at(20), at(18))]
    assert found.alive


def test_a_daemon_that_is_gone_is_told(ledger: Ledger) -> None:
    lived(ledger, 100, 3, ended=False)
    found = gather(ledger)
    assert not found.alive
    assert [(gap.began, gap.ended) for gap in found.gaps] == [(at(3), at(0))]
    assert "not running now" in text_of(found)


def test_what_waits_and_for_what_is_told_safely(ledger: Ledger) -> None:
    put(ledger, "/store/take\x1b[31m.wav", why="a writer holds it open")
    found = gather(ledger)
    assert [item.why for item in found.waiting] == ["a writer holds it open"]
    text = text_of(found)
    assert "a writer holds it open" in text
    assert "\x1b" not in text
    assert json.loads(json.dumps(as_json(found)))["waiting"][0]["why"]


@pytest.mark.parametrize(
    ("text", "hours"),
    [("12h", 12), ("3d", 72), ("30m", 0.5), (None, 24), ("2026-03-01T07:00:00+00:00", 24)],
)
def test_since_is_a_length_or_a_date_or_the_last_day(
    ledger: Ledger, text: str | None, hours: float
) -> None:
    assert morning.since_when(text, ledger, NOW) == at(hours)


@pytest.mark.parametrize(
    "text", ["yesterday", "5", "-3d", "", "99999999999d", "9999-12-31T23:59:59-12:00"]
)
def test_since_nonsense_is_wrong_usage(ledger: Ledger, text: str) -> None:
    with pytest.raises(UsageError, match="--since"):
        morning.since_when(text, ledger, NOW)


def test_marked_as_read_the_next_begins_there(ledger: Ledger) -> None:
    morning.mark_seen(ledger, at(5))
    assert morning.since_when(None, ledger, NOW) == at(5)


def test_a_mark_that_lies_ahead_hides_nothing(ledger: Ledger) -> None:
    morning.mark_seen(ledger, at(5))
    morning.mark_seen(ledger, at(-5))  # the clock was wrong, and was put right since
    assert morning.since_when(None, ledger, NOW) == at(5)


def test_since_a_moment_to_come_is_wrong_usage(ledger: Ledger) -> None:
    with pytest.raises(UsageError, match="lies ahead"):
        morning.since_when("2026-03-03", ledger, NOW)


def test_free_space_in_hours_needs_a_rate(ledger: Ledger) -> None:
    root = ledger.root(Path("/store"))
    ledger.change("UPDATE roots SET state = 'present' WHERE id = ?", (root,))
    (volume,) = gather(ledger).volumes
    assert (volume.free_bytes, volume.hours) == (36_000_000_000, None)


def test_its_first_day_is_no_gap(ledger: Ledger) -> None:
    lived(ledger, 2, 0.001, ended=False)
    found = gather(ledger)
    assert found.gaps == ()
    assert found.alive
    assert "ran here for the first time" in text_of(found)
    lived(ledger, 1, 0.001, ended=False)
    assert gather(ledger, 1.5).first_began is None


# -- captures of a night -----------------------------------------------------------------------


def checked(
    ledger: Ledger,
    path: str,
    kinds: tuple[tuple[str, str, str], ...] = (),
    *,
    reel: str | None = None,
    hours: float = 1,
    signed: str | None = None,
) -> None:
    """A capture with findings (kind, verdict, remedy) in the ledger."""
    findings = tuple(
        FindingLine(
            check="dropouts",
            kind=kind,
            verdict=Verdict(verdict),
            remedy=Remedy(remedy),
            tracks=(1, 2),
            start_frame=48_000 * 61,
            frames=1,
            start_s=61.0,
            text="Something was seen.",
            values={},
        )
        for kind, verdict, remedy in kinds
    )
    place = Path(path)
    report = Report(
        capture=CaptureLine(
            name=place.name,
            folder=str(place.parent),
            files=(
                FileLine(
                    name=place.name,
                    bytes=48_000 * 3600 * 6,
                    modified=None,
                    container="wav",
                    sha256="00" * 32,
                    audio_sha256=None,
                    crc32_mib="",
                ),
            ),
            rate_hz=48_000,
            channels=2,
            word_length=24,
            encoding="pcm",
            frames=48_000 * 3600,
            duration_s=3600.0,
            tracks=("woodwind left", "woodwind right"),
        ),
        expected=Expected(values={"reel": {"number": reel}}, sources={}),
        verdict=Verdict.worst(f.verdict for f in findings),
        findings=findings,
        measures=Measures(),
        signoff=Signoff(by="AB", at=at(0.5), note=None, verdict=Verdict(signed))
        if signed
        else None,
        made=Made(by="reelvigil 0", at=at(hours), took_s=1.0, settings=""),
    )
    row = ledger.put(
        root=ledger.root(Path("/store")),
        path=place,
        is_set=False,
        files=[(place, Identity(device=1, inode=hash(path) % 10**9, size=1, mtime_ns=1))],
        state=State.QUEUED,
    )
    ledger.record(row.id, report, report_path=place.with_suffix(".json"), paths=[place])


REDO = (("zero-run", "redo", "replay"),)


def test_in_the_order_of_the_reels(ledger: Ledger) -> None:
    for number, reel in enumerate(("R-114", "R-9", None, "R-20a")):
        checked(ledger, f"/store/take {number}.wav", REDO, reel=reel)
    rows = gather(ledger).groups[Heading.REPLAY]
    assert [row.reel for row in rows] == ["R-9", "R-20a", "R-114", None]


def test_names_alike_are_told_apart_by_their_folders(ledger: Ledger) -> None:
    checked(ledger, "/store/monday/take.wav", REDO, reel="R-1")
    checked(ledger, "/store/tuesday/take.wav", REDO, reel="R-2")
    text = text_of(gather(ledger))
    assert "reel R-1  monday/take.wav" in text
    assert "reel R-2  tuesday/take.wav" in text
    assert "woodwind left, woodwind right: " not in text  # both of two are all
    assert "00:01:01.000  both tracks: Something was seen." in text


def test_one_capture_alone_is_told_with_its_folder_below_the_root(ledger: Ledger) -> None:
    root = ledger.root(Path("/store"))
    ledger.change("UPDATE roots SET state = 'present' WHERE id = ?", (root,))
    checked(ledger, "/store/monday/take.wav", REDO)
    checked(ledger, "/store/tuesday/old.wav", REDO, hours=30)
    put(ledger, "/store/tuesday/new.wav", root=root)
    text = text_of(gather(ledger))
    assert "  monday/take.wav" in text
    assert "  tuesday/old.wav  redo" in text
    assert "  tuesday/new.wav  " in text


def test_every_heading_its_own_and_the_tape_left_alone_where_the_file_is_at_fault(
    ledger: Ledger,
) -> None:
    checked(ledger, "/store/a.wav", REDO)
    checked(ledger, "/store/b.wav", (("truncated", "redo", "recopy"),))
    checked(ledger, "/store/c.wav", (("step", "listen", "listen"),))
    checked(ledger, "/store/d.wav")
    checked(ledger, "/store/e.wav", (("not-run", "unread", "none"), *REDO))
    checked(ledger, "/store/f.wav", REDO, signed="clear")
    checked(ledger, "/store/g.wav", (("step", "listen", "listen"),), signed="redo")
    found = gather(ledger)
    stems = {h: [Path(row.name).stem for row in found.groups[h]] for h in Heading}
    assert stems == {
        Heading.UNREAD: ["e"],
        Heading.REPLAY: ["a", "e", "g"],
        Heading.FILE: ["b"],
        Heading.LISTEN: ["c"],
        Heading.CLEAR: ["d", "f"],
    }
    text = " ".join(text_of(found).split())
    assert text.index("Could not be looked at") < text.index("Play these tapes again")
    assert "1 not looked at, 3 to play again, 1 with the file at fault, 1 to listen to" in text
    assert "7 captures checked, 7.0 h of audio, 7.3 GB" in text


def test_a_capture_that_stands_twice_is_said(ledger: Ledger) -> None:
    checked(ledger, "/store/a.wav", (*REDO, ("truncated", "redo", "recopy")))
    checked(ledger, "/store/b.wav", (*REDO, ("step", "listen", "listen")))
    checked(ledger, "/store/c.wav", REDO)
    text = " ".join(text_of(gather(ledger)).split())
    assert "3 captures checked" in text
    assert "one of its findings asks for: 2 of them under more than one." in text
    assert text.index("more than one.") < text.index("Play these tapes again (3)")
    ledger.change("DELETE FROM captures WHERE path != ?", (b"/store/c.wav",))
    assert "more than one" not in text_of(gather(ledger))


def test_a_capture_that_is_gone_is_not_clear_as_well(ledger: Ledger) -> None:
    checked(ledger, "/store/a.wav", REDO)
    checked(ledger, "/store/b.wav")
    checked(ledger, "/store/c.wav")
    for name in (b"a", b"b"):
        ledger.change(
            "UPDATE captures SET state = 'missing' WHERE path = ?", (b"/store/%s.wav" % name,)
        )
    found = gather(ledger)
    assert [row.name for row in found.groups[Heading.CLEAR]] == ["c.wav"]
    assert [row.gone for row in found.groups[Heading.REPLAY]] == [True]
    text = " ".join(text_of(found).split())
    assert "1 to play again, 1 clear, 1 clear, and no longer there." in text
    assert "a.wav 2 tracks, 48 kHz, 24 bit, 01:00:00.000 (no longer there)" in text
    assert "No longer there (2)" in text
    assert as_json(found)["checked"]["clear_and_gone"] == 1


def test_what_was_left_open_before_is_told_until_somebody_decides(ledger: Ledger) -> None:
    checked(ledger, "/store/open.wav", REDO, hours=50)
    checked(ledger, "/store/signed.wav", REDO, hours=50, signed="clear")
    checked(ledger, "/store/again.wav", REDO, hours=50, signed="redo")
    checked(ledger, "/store/clear.wav", hours=50)
    found = gather(ledger)
    assert [(name, verdict[:4]) for name, _, verdict, _ in found.still_open] == [
        ("again.wav", "redo"),
        ("open.wav", "redo"),
    ]
    ledger.change("UPDATE captures SET state = 'queued' WHERE path = ?", (b"/store/open.wav",))
    assert [one.name for one in gather(ledger).still_open] == ["again.wav"]  # it is read anew
    ledger.change("UPDATE captures SET state = 'done'")
    # written by an earlier version of the program, which did not note it beside the report
    ledger.change("UPDATE captures SET signed = NULL")
    assert gather(ledger).still_open == found.still_open


def test_what_was_left_open_says_whether_the_tape_or_the_file(ledger: Ledger) -> None:
    fetch = ("truncated", "redo", "recopy")
    checked(ledger, "/store/tape.wav", REDO, hours=50)
    checked(ledger, "/store/file.wav", (fetch,), hours=50)
    checked(ledger, "/store/both.wav", (*REDO, fetch), hours=50)
    text = " ".join(text_of(gather(ledger)).split())
    assert "both.wav redo: the tape to play again, the file at fault" in text
    assert "file.wav redo: the file at fault" in text
    assert "tape.wav redo: the tape to play again" in text


@pytest.mark.parametrize("hours", [1.0, 50.0])
def test_a_report_signed_from_another_account_is_believed(
    ledger: Ledger, tmp_path: Path, hours: float
) -> None:
    """It could not write the ledger; what it was made of must be what the ledger has."""
    checked(ledger, str(tmp_path / "take.wav"), REDO, hours=hours)
    (row,) = ledger.in_state(State.DONE)
    report = ledger.report(row.id)
    assert report is not None
    assert row.report_path is not None
    sidecar.save(report, row.report_path)

    def asked() -> int:
        found = gather(ledger)
        return len(found.groups[Heading.REPLAY]) + len(found.still_open)

    assert asked() == 1
    signoff = Signoff(by="AB", at=at(0), note=None, verdict=Verdict.CLEAR)
    sidecar.save(dataclasses.replace(report, signoff=signoff), row.report_path)
    later = time.time() + 60
    os.utime(row.report_path, (later, later))
    assert asked() == 0
    other = dataclasses.replace(report.made, at=at(40))
    sidecar.save(dataclasses.replace(report, signoff=signoff, made=other), row.report_path)
    os.utime(row.report_path, (later, later))
    assert asked() == 1


def test_captures_touched_behind_size_and_date_are_counted(ledger: Ledger) -> None:
    checked(ledger, "/store/a.wav")
    checked(ledger, "/store/b.wav")
    assert gather(ledger).coverage.doubtful == 0
    ledger.change("UPDATE captures SET verified_at = ? WHERE id = 1", (NEVER_READ,))
    found = gather(ledger)
    assert found.coverage.doubtful == 1
    assert found.coverage.oldest == at(1)
    assert "1 was touched" in text_of(found)


def test_roots_that_are_watched_no_more_are_not_told(ledger: Ledger) -> None:
    ledger.root(Path("/store"))
    ledger.root(Path("/old"))
    forget_roots(ledger, Settings(roots=(Path("/store"),)))
    assert [volume.root for volume in gather(ledger).volumes] == ["/store"]


def test_free_space_in_hours_at_the_rate_of_the_newest_capture(ledger: Ledger) -> None:
    checked(ledger, "/store/a.wav")  # 48 kHz, 2 tracks, 24 bit: 288,000 bytes a second
    ledger.change("UPDATE roots SET state = 'present'")
    (volume,) = gather(ledger).volumes
    assert volume.hours == pytest.approx(36e9 / 288_000 / 3600)


def test_a_night_of_forty_stays_within_eighty_columns(ledger: Ledger) -> None:
    lived(ledger, 100, 8, ended=False)
    lived(ledger, 5, 0.001, ended=False)
    for number in range(40):
        name = f"/store/an evening session of a long name/{'x' * (number * 3)} take {number}.wav"
        checked(ledger, name, (REDO, (), (("step", "listen", "listen"),))[number % 3], reel="R-1")
    text = text_of(gather(ledger))
    assert "not alive from" in text
    # a word that is longer than the line stands as it is
    assert [line for line in text.splitlines() if len(line) > 80 and "xxxx" not in line] == []
