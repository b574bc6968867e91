"""A change is never laundered by checking again."""

from __future__ import annotations

import dataclasses

from hypothesis import given, settings
from hypothesis import strategies as st

from checks.measures import ContainerFileLine, ContainerMeasures, Measures
from checks.model import Remedy, Verdict
from watcher.record import (
    Held,
    accepted,
    baseline,
    carried_signoff,
    history,
    signed_still,
    superseded,
)
from watcher.report import (
    CaptureLine,
    Expected,
    FileLine,
    FindingLine,
    Made,
    Report,
    Signoff,
    from_json,
    to_json,
)

A, B, C = (letter * 64 for letter in "ABC")  # contents, by digests of theirs


def finding(kind: str = "step") -> FindingLine:
    return FindingLine(
        check="dropouts",
        kind=kind,
        verdict=Verdict.LISTEN,
        remedy=Remedy.LISTEN,
        tracks=(1,),
        start_frame=5,
        frames=1,
        start_s=0.1,
        text="x",
        values={},
    )


def make(
    content: str | None,
    earlier: Report | None,
    number: int,
    findings: tuple[FindingLine, ...] = (),
) -> Report:
    """A report as a check of that content would make it."""
    line = FileLine(
        name="take.wav",
        bytes=1,
        modified=None,
        container="wav",
        sha256=content,
        audio_sha256=content,
        crc32_mib="00000000",
    )
    signoff = carried_signoff(earlier, [line], findings)
    return Report(
        capture=CaptureLine(
            name="take.wav",
            folder="f",
            files=(line,),
            rate_hz=50,
            channels=1,
            word_length=24,
            encoding="pcm",
            frames=10,
            duration_s=0.2,
            tracks=("track 1",),
        ),
        expected=Expected(values={}, sources={}),
        verdict=Verdict.CLEAR,
        findings=findings,
        measures=Measures(),
        earlier=history(earlier, [line], signoff),
        signoff=signoff,
        made=Made(
            by="reelvigil 0", at=f"2026-01-01T00:00:{number:02d}+00:00", took_s=0, settings=""
        ),
    )


def signed(report: Report) -> Report:
    values = {f: getattr(report, f) for f in report.__slots__}
    values["signoff"] = Signoff(by="AB", at="2026-01-02", note=None, verdict=Verdict.CLEAR)
    return Report(**values)


def counts(report: Report | None) -> str | None:
    record = baseline(report, "take.wav")
    return record.sha256 if record else None


def test_first_report_has_nothing_to_be_held_against() -> None:
    assert counts(None) is None


def test_a_change_stays_a_change_however_often_it_is_checked() -> None:
    report = make(A, None, 0)
    for number in range(1, 5):
        assert counts(report) == A
        report = make(B, report, number)
    assert counts(report) == A
    assert [e.sha256 for e in report.earlier] == [A]


def test_a_restored_content_is_intact_again() -> None:
    report = make(A, make(B, make(A, None, 0), 1), 2)
    assert counts(report) == A


def test_a_signoff_accepts_the_content_it_was_given_for_and_no_later_one() -> None:
    report = signed(make(B, make(A, None, 0), 1))
    assert counts(report) == B
    later = make(C, report, 2)
    assert later.signoff is None
    assert counts(later) == B
    assert counts(make(C, later, 3)) == B


def test_a_signoff_is_reopened_by_a_new_finding_but_its_content_still_counts() -> None:
    report = signed(make(B, make(A, None, 0), 1))
    again = make(B, report, 2, (finding(),))
    assert again.signoff is None
    assert counts(again) == B


def test_a_signoff_stands_while_nothing_changes() -> None:
    report = signed(make(A, None, 0, (finding(),)))
    again = make(A, report, 1, (finding(),))
    assert again.signoff == report.signoff
    assert make(A, again, 2, ()).signoff == report.signoff  # fewer findings ask for nothing


def test_an_unread_capture_keeps_the_record() -> None:
    report = make(None, make(A, None, 0), 1)
    assert counts(report) == A
    assert counts(make(B, report, 2)) == A


@settings(deadline=None)  # the first report read back takes a quarter of a second
@given(st.lists(st.sampled_from([A, B, C, "sign", None]), max_size=12))
def test_the_oldest_unsigned_content_counts_through_any_history(steps: list[str | None]) -> None:
    report: Report | None = None
    expected: str | None = None
    for number, step in enumerate(steps):
        if step == "sign":
            if report is not None and report.capture.files[0].sha256 is not None:
                report = signed(report)
                expected = report.capture.files[0].sha256
            continue
        report = make(step, report, number % 60)
        expected = expected or step
        assert len(report.earlier) <= 2 * len(steps)
    assert counts(report) == expected
    if report is not None:
        assert from_json(to_json(report)) == report


def redone(report: Report) -> Report:
    values = {f: getattr(report, f) for f in report.__slots__}
    values["signoff"] = Signoff(by="AB", at="2026-01-02", note=None, verdict=Verdict.REDO)
    return Report(**values)


def test_what_a_person_wants_done_again_speaks_against_no_new_content() -> None:
    """The tape is played again under the same name: that is no alteration."""
    asked = redone(make(A, None, 0, (finding(),)))
    assert counts(asked) is None
    again = make(B, asked, 1)
    assert again.signoff is None
    assert counts(again) == B
    assert counts(make(C, again, 2)) == B  # from here on it is the one that counts
    assert accepted(again, "take.wav", B) == asked.signoff


def test_a_signoff_is_reopened_where_a_finding_becomes_worse() -> None:
    listen = finding()
    redo = dataclasses.replace(listen, verdict=Verdict.REDO)
    report = signed(make(A, None, 0, (listen,)))
    assert make(A, report, 1, (listen,)).signoff is not None
    assert make(A, report, 1, (redo,)).signoff is None
    worst = signed(make(A, None, 0, (redo,)))
    assert make(A, worst, 1, (listen,)).signoff is not None


def test_a_finding_that_is_added_to_a_report_reopens_its_signoff() -> None:
    """As the line-up that a capture stands on, which is found out after its check."""
    report = signed(make(A, None, 0, (finding(),)))
    again = make(A, report, 1, (finding(),))
    assert signed_still(again, report) == again
    more = dataclasses.replace(again, findings=(*again.findings, finding("stands-on")))
    found = signed_still(more, report)
    assert found.signoff is None
    assert found.earlier[-1].signoff == report.signoff


def unfinished(kind: str, frames: int, earlier: Report | None = None, audio: str = A) -> Report:
    """A report of a file that was not whole."""
    fault = dataclasses.replace(finding(kind), check="container", verdict=Verdict.REDO)
    report = make(audio, earlier, frames, (fault,))
    return dataclasses.replace(report, measures=_holding(frames))


def whole(frames: int, earlier: Report, content: str) -> Report:
    return dataclasses.replace(make(content, earlier, frames), measures=_holding(frames))


def _holding(frames: int) -> Measures:
    line = ContainerFileLine(
        kind="wav", header_frames=0, found_frames=frames, audio_offset=44, audio_bytes=1,
        chunks=(), bext=None,
    )  # fmt: skip
    return Measures(container=ContainerMeasures(files=(line,)))


def against(
    earlier: Report,
    frames: int | None,
    audio: str | None,
    crc32_mib: str = "",
    *,
    whole: bool = True,
) -> str | None:
    """The content that a file is held against."""
    now = Held(frames=frames, audio_sha256=audio, crc32_mib=crc32_mib, whole=whole)
    record = baseline(earlier, "take.wav", held=now)
    return record.sha256 if record else None


def test_a_whole_file_takes_the_place_of_a_cut_one_that_holds_no_more() -> None:
    cut = unfinished("truncated", 40)
    assert against(cut, 40, B) is None
    assert against(cut, 50, B) is None
    assert against(cut, 39, B) == A
    assert against(cut, None, B) == A
    assert counts(cut) == A  # for one that is cut again


def test_a_header_that_was_completed_leaves_the_audio_as_it_was() -> None:
    raw = unfinished("unfinalised", 40)
    assert against(raw, 40, A) is None
    assert against(raw, 40, B) == A
    assert against(raw, 20, B) == A
    assert against(raw, 60, B) == A
    assert against(raw, 40, None) == A


def with_mebibytes(report: Report, crc32_mib: str) -> Report:
    line = dataclasses.replace(report.capture.files[0], crc32_mib=crc32_mib)
    return dataclasses.replace(report, capture=dataclasses.replace(report.capture, files=(line,)))


HEADER, COMPLETED, MUSIC, REST, MORE = "0" * 8, "9" * 8, "1" * 16, "2" * 8, "3" * 24


def test_a_recorder_that_went_on_after_a_pause_changed_nothing_stored() -> None:
    raw = with_mebibytes(unfinished("unfinalised", 40), HEADER + MUSIC + REST)
    assert against(raw, 60, B, COMPLETED + MUSIC + MORE) is None
    assert against(raw, 60, B, COMPLETED + "1" * 15 + "2" + MORE) == A
    assert against(raw, 60, B, COMPLETED + MUSIC[:8]) == A
    assert against(raw, 40, B, COMPLETED + MUSIC + REST) == A
    short = with_mebibytes(raw, HEADER + REST)  # nothing to compare
    assert against(short, 60, B, COMPLETED + MORE) == A


def test_a_recorder_may_pause_more_than_once() -> None:
    raw = with_mebibytes(unfinished("unfinalised", 40), HEADER + MUSIC + REST)
    assert against(raw, 60, B, HEADER + MUSIC + MORE, whole=False) is None
    assert against(raw, 40, A, HEADER + MUSIC + REST, whole=False) == A
    longer = with_mebibytes(unfinished("unfinalised", 60, raw, audio=B), HEADER + MUSIC + MORE)
    assert counts(longer) == B
    assert superseded(longer, "take.wav") == {A}
    assert against(longer, 60, B, COMPLETED + MUSIC + MORE) is None
    assert against(longer, 60, C, COMPLETED + MUSIC + MORE) == B
    cut = with_mebibytes(unfinished("truncated", 40), HEADER + MUSIC + REST)
    assert against(cut, 60, B, HEADER + MUSIC + MORE, whole=False) == A


def test_a_shorter_file_never_comes_to_count_by_being_checked_again() -> None:
    report = unfinished("truncated", 40)
    report = whole(20, report, B)
    assert counts(report) == A
    assert counts(whole(20, report, B)) == A
    assert counts(whole(20, from_json(to_json(whole(20, report, C))), C)) == A
    assert against(report, 50, C) is None  # fetched whole at last; what was too short never held
    found = whole(50, report, C)
    assert counts(found) == C
    assert superseded(found, "take.wav") == {A, B}


def test_a_whole_file_holds_what_all_the_cut_ones_before_it_held() -> None:
    twice = unfinished("truncated", 45, unfinished("truncated", 40), audio=B)
    assert against(twice, 42, C) == A
    assert against(twice, 45, C) is None


def disagreeing(file: str, digest: str, expected: str = "00") -> FindingLine:
    """A file that is not what a sum file beside it lists."""
    return dataclasses.replace(
        finding("stored-digest"), check="checksum", verdict=Verdict.REDO, tracks=(),
        start_frame=None, values={"file": file, "digest": digest, "expected": expected},
    )  # fmt: skip


def test_a_signoff_holds_for_the_digest_it_was_given_for() -> None:
    old = disagreeing("take.wav", "old.md5:1")
    report = signed(make(A, None, 0, (old,)))
    assert make(A, report, 1, (old,)).signoff is not None
    moved_down = disagreeing("take.wav", "old.md5:7")
    assert make(A, report, 1, (moved_down,)).signoff is not None
    for other in (
        disagreeing("other.wav", "old.md5:1"),
        disagreeing("take.wav", "SHA256SUMS:1"),
        disagreeing("take.wav", "old.md5:1", "11"),
    ):
        assert make(A, report, 1, (old, other)).signoff is None
