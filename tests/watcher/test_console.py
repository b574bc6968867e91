"""What a person reads: grouped by what there is to do, and safe for any name."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.measures import Measures
from checks.model import Remedy, Verdict, clock
from watcher.console import console_on, print_groups, size_text, working
from watcher.files import shown
from watcher.report import CaptureLine, Expected, FindingLine, Made, Report
from watcher.summary import Heading, group, ranges, track_names


def finding(verdict: str, remedy: str, tracks: tuple[int, ...] = (2,)) -> FindingLine:
    return FindingLine(
        check="dropouts",
        kind="zero-run",
        verdict=Verdict(verdict),
        remedy=Remedy(remedy),
        tracks=tracks,
        start_frame=3 * 352_800 + 176_400,
        frames=64,
        start_s=3.5,
        text="64 exact zeros in the middle of programme.",
        values={},
    )


def report(name: str, *findings: FindingLine, reel: str | None = None) -> Report:
    return Report(
        capture=CaptureLine(
            name=name,
            folder="/store/monday",
            files=(),
            rate_hz=352_800,
            channels=4,
            word_length=24,
            encoding="pcm",
            frames=3_528_000,
            duration_s=10.0,
            tracks=("reed left", "reed right", "track 3", "track 4"),
        ),
        expected=Expected(values={"reel": {"number": reel}} if reel else {}, sources={}),
        verdict=Verdict.worst(f.verdict for f in findings),
        findings=findings,
        measures=Measures(),
        made=Made(by="reelvigil 0", at="2026-01-01T00:00:00+00:00", took_s=1.0, settings="0"),
    )


@pytest.mark.parametrize(
    ("verdict", "remedy", "heading"),
    [
        ("unread", "none", Heading.UNREAD),
        ("unread", "recopy", Heading.UNREAD),
        ("redo", "replay", Heading.REPLAY),
        ("redo", "recopy", Heading.FILE),
        ("redo", "mend", Heading.FILE),
        ("listen", "mend", Heading.FILE),
        ("listen", "listen", Heading.LISTEN),
        ("listen", "replay", Heading.LISTEN),
        ("clear", "none", Heading.CLEAR),
    ],
)
def test_each_finding_stands_where_it_is_mended(
    verdict: str, remedy: str, heading: Heading
) -> None:
    groups = group([report("a.wav", finding(verdict, remedy))])
    assert [h for h in Heading if groups[h]] == [heading]


def test_being_unread_hides_nothing() -> None:
    groups = group([report("a.wav", finding("unread", "none"), finding("redo", "replay"))])
    assert [h for h in Heading if groups[h]] == [Heading.UNREAD, Heading.REPLAY]


def printed(*reports: Report) -> str:
    stream = io.StringIO()
    print_groups(console_on(stream), group(reports))
    return stream.getvalue()


def test_a_finding_tells_where_which_track_and_what() -> None:
    text = printed(report("a.wav", finding("redo", "replay"), reel="R-7"))
    for part in ("reel R-7", "a.wav", "00:00:03.500", "reed right", "64 exact zeros"):
        assert part in text
    assert "\x1b" not in text


def told_at(*seconds: float, times: int = 0) -> str:
    """A finding that stands for several of its like, the first at 3.5 s."""
    frames = [round(s * 352_800) for s in (3.5, *seconds)]
    values = {"times": times or len(frames), "start_frames": frames}
    several = replace(finding("redo", "replay"), values=values)
    return " ".join(printed(report("a.wav", several)).split())


def test_a_finding_that_stands_for_several_tells_where_each_is() -> None:
    assert "programme. Also at 00:00:04.000, 00:00:07.250. [zero-run]" in told_at(4, 7.25)


def test_of_many_places_the_first_are_told_and_the_rest_counted() -> None:
    assert "00:00:08.000, and 3 more. [zero-run]" in told_at(*range(4, 12))
    assert "00:00:08.000, and 494 more. [zero-run]" in told_at(*range(4, 12), times=500)


def test_places_within_a_millisecond_are_one() -> None:
    assert "Also at" not in told_at(3.5001)


@pytest.mark.parametrize("frames", [None, "1,2", [None, "2", 1.5, True, -7], {}, [1_234_800]])
def test_places_that_are_none_are_not_told(frames: object) -> None:
    odd = replace(finding("redo", "replay"), values={"start_frames": frames})
    assert "Also at" not in printed(report("a.wav", odd))


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("a\x1b]0;gone\x07.wav", "a\\x1b]0;gone\\x07.wav"),
        ("[bold]x[/bold].wav", "[bold]x[/bold].wav"),
        (":warning:.wav", ":warning:.wav"),
        ("a\nb.wav", "a\\nb.wav"),
        ("b\udcff.wav", "b\\xff.wav"),
        ("\u202egpj.wav", "\\u202egpj.wav"),
        ("back\\slash.wav", "back\\\\slash.wav"),
        ("\x9b31m.wav", "\\x9b31m.wav"),
    ],
)
def test_hostile_names_are_harmless(name: str, expected: str) -> None:
    assert shown(name) == expected
    lines = printed(report(name)).splitlines()
    assert any(expected in line for line in lines)


@given(st.text())
def test_nothing_unprintable_is_ever_printed(name: str) -> None:
    assert shown(name).isprintable()
    text = printed(report(name, replace(finding("listen", "listen"), text=name)))
    assert all(line.isprintable() for line in text.split("\n"))


@pytest.mark.parametrize(("columns", "width"), [("60", 60), ("", 100), ("x", 100), ("3", 100)])
def test_off_a_terminal_the_width_is_that_of_columns(
    monkeypatch: pytest.MonkeyPatch, columns: str, width: int
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    long = replace(finding("listen", "listen"), text="word " * 60)
    assert width - 10 < max(map(len, printed(report("a.wav", long)).splitlines())) <= width


@pytest.mark.parametrize(
    ("count", "text"),
    [(0, "0.0 kB"), (1234, "1.2 kB"), (2_345_678, "2.35 MB"), (30e9, "30.00 GB")],
)
def test_bytes_in_a_unit_that_suits_them(count: float, text: str) -> None:
    assert size_text(count) == text


def test_many_findings_are_cut_and_counted() -> None:
    text = printed(report("a.wav", *[finding("listen", "listen")] * 40))
    assert "and 28 more, in the report" in text


def test_tracks_by_name_number_or_together() -> None:
    one = report("a.wav")
    assert track_names(one, ()) == ""
    assert track_names(one, (1, 3)) == "reed left, track 3"
    assert track_names(one, (1, 2, 3, 4)) == "all 4 tracks"
    assert ranges([7, 1, 2, 3, 9, 10]) == "1-3, 7, 9-10"


@pytest.mark.parametrize(
    ("frame", "rate", "expected"),
    [
        (0, 96_000, "00:00:00.000"),
        (96_000 * 3661 + 48, 96_000, "01:01:01.000"),
        (1, 1000, "00:00:00.001"),
    ],
)
def test_clock_rounds_down_to_the_millisecond(frame: int, rate: int, expected: str) -> None:
    assert clock(frame, rate) == expected


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("name", "value", "live"),
    [("TERM", "xterm", True), ("TERM", "dumb", False), ("NO_COLOR", "1", False)],
)
def test_a_progress_bar_is_shown_on_a_terminal_with_colours(
    monkeypatch: pytest.MonkeyPatch, name: str, value: str, live: bool
) -> None:
    for other in ("NO_COLOR", "COLUMNS"):
        monkeypatch.delenv(other, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv(name, value)
    monkeypatch.setattr("sys.stderr", stream := Terminal())
    with working(100) as work:
        work.on("take 1")
        work.add(50)
    assert (stream.getvalue() != "") == live
