"""What stands on the page of a capture: all that the report says, and nothing that does harm."""

from __future__ import annotations

import dataclasses
import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lineup_reports import finding, lineup, report, signed
from pages import Page

from checks.measures import (
    BandLine,
    ChecksumMeasures,
    ClippingLine,
    ClippingMeasures,
    ContainerMeasures,
    StandsOnLine,
    StoredDigestLine,
    TrackLine,
    TracksMeasures,
    UltrasonicMeasures,
    UltrasonicTrackLine,
)
from checks.model import Remedy, Verdict
from sample_captures.make import TAKES, make_one, sheet_text
from watcher.cli import main
from watcher.page_view import Source, page_of
from watcher.pages import rendered
from watcher.report import Earlier, Expected, FindingLine, Report, Signoff, from_json, to_json
from watcher.summary import CAUTION

NOW = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
SOURCE = Source(name="take.wav.vigil.json", sha256="5" * 64, changed=False)
EVIL = "<script>alert(1)</script>\"'><img src=x onerror=y>&amp;{{ 7*7 }}\x1b[2J\x00\u202egnp\ud800"
# with a hole, clear, cut short: enough kinds for a test that makes real captures
REAL = ("ferry_song_take_3", "tidewater_take_1", "tidewater_take_2")


def page(made: Report, **changes: Any) -> Page:
    source = dataclasses.replace(SOURCE, **changes)
    read = Page(rendered("capture.html", page=page_of(made, source, NOW)).decode("utf-8"))
    read.asks_for_nothing()
    read.leads_where_something_is()
    return read


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Some of the sample captures, with their reports and pages."""
    folder = tmp_path_factory.mktemp("real")
    for number, take in enumerate(TAKES):
        if any(name in take.path for name in REAL):
            reel = folder / Path(take.path).parent
            reel.mkdir(exist_ok=True)
            (reel / "transfer.yaml").write_text(sheet_text(reel.name))
            make_one(folder, number)
    assert main(["check", "--json", str(folder)]) is not None
    main(["page", str(folder)])
    return folder


@pytest.mark.parametrize("name", REAL)
def test_all_that_a_real_report_says_stands_there(real: Path, name: str) -> None:
    (path,) = real.rglob(f"{name}.wav.vigil.json")
    values = json.loads(path.read_text())
    read = Page.at(path.with_name(f"{name}.wav.vigil.html"))
    read.asks_for_nothing()
    read.leads_where_something_is()
    assert len(values["findings"]) > 1
    for one in values["findings"]:
        assert one["text"] in read.words
        assert f"{one['check']}/{one['kind']}" in read.words
        if one["start_frame"] is not None:
            assert f"frame {one['start_frame']:,}" in read.words
    assert [i for i in read.ids if re.fullmatch(r"f\d+", i)] == [
        f"f{n + 1}" for n in range(len(values["findings"]))
    ]
    for file in values["capture"]["files"]:
        assert file["sha256"] in read.words
        assert file["audio_sha256"] in read.words
    assert values["verdict"] in read.words.split()
    assert "reel MG-" in read.words
    assert "deck by the window" in read.words
    for track in values["capture"]["tracks"]:
        assert track in read.words
    assert "expect.rate_hz" in read.words
    assert "transfer.yaml:2" in read.words
    assert read.words.count(CAUTION) == 1
    for part in ("clipping", "tracks"):
        for line in values["measures"][part]["tracks"]:
            for key in ("sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "hiss_dbfs"):
                if line.get(key) is not None:
                    assert f"{line[key]:.1f}".replace("-0.0", "0.0") in read.words
    for line in values["measures"]["ultrasonic"]["tracks"]:
        for band in line["bands"]:
            assert f"{band['level_dbfs']:.1f}" in read.words


def test_what_is_to_be_done_comes_first_as_in_the_summary() -> None:
    findings = [
        dataclasses.replace(finding(Verdict.REDO), remedy=Remedy.RECOPY, text="Cut short."),
        dataclasses.replace(finding(Verdict.LISTEN), text="Perhaps."),
        dataclasses.replace(finding(Verdict.CLEAR), text="By the way."),
        dataclasses.replace(finding(Verdict.UNREAD), text="Not to the end."),
        dataclasses.replace(finding(Verdict.REDO), text="Holes."),
    ]
    words = page(report("take.wav", findings=findings)).words
    said = ["take.wav unread", "What to do first", "Could not be looked at.", "Then: Play these",
            "Then: The file is at fault", "Then: Listen", "Where the findings lie",
            "Not to the end.", "Holes.", "Cut short.", "Perhaps.", "1 note, which asks",
            "By the way."]  # fmt: skip
    places = [words.index(one) for one in said]
    assert places == sorted(places)
    assert words.count("to mend it: play the tape again") == 4
    assert words.count("to mend it: fetch the file again") == 1


def test_a_clear_one_says_so_in_a_word() -> None:
    words = page(report("take.wav")).words
    assert words.startswith("take.wav: clear take.wav clear ")
    assert "Clear. Nothing found that asks for anything" in words


def test_a_decision_stands_above_what_was_found() -> None:
    found = [dataclasses.replace(finding(Verdict.REDO), text="Holes.")]
    decided = Signoff(by="AB", at="2026-02-03", note="<b>on the tape</b>", verdict=Verdict.CLEAR)
    made = dataclasses.replace(report("take.wav", findings=found), signoff=decided)
    words = page(made).words
    assert words.startswith("take.wav: clear ")
    assert "signed AB, 2026-02-03: <b>on the tape</b>. A person decided" in words
    assert "what was found, before that, was redo" in words
    assert words.index("A person decided") < words.index("Holes.")
    assert "signed" not in page(signed(report("b.wav"), Verdict.CLEAR)).words[:5]


def test_further_places_are_all_told() -> None:
    starts = [96_000 * k for k in range(1, 10)]
    line = dataclasses.replace(
        finding(Verdict.REDO), start_frame=starts[0], frames=96_000 * 8,
        values={"start_frames": starts, "times": 12},
    )  # fmt: skip
    words = page(report("take.wav", findings=[line])).words
    for second in range(1, 10):
        assert f"00:00:0{second}.000" in words
    assert "and 3 more." in words
    assert "frame 96,000, 768,000 frames (8.00 s)" in words


def test_a_length_under_a_millisecond_is_not_told_as_none() -> None:
    """40 frames at 96 kHz: 40 / 96,000 s = 417 us."""
    line = dataclasses.replace(finding(Verdict.REDO), start_frame=72_000, frames=40)
    words = page(report("take.wav", findings=[line])).words
    assert "frame 72,000, 40 frames (417 us)" in words
    assert "00:00:00.000)" not in words


def test_nulls_are_dashes_with_their_reasons() -> None:
    base = report("take.wav")
    none: Any = dict.fromkeys(("sample_peak_dbfs", "true_peak_dbtp", "flat_top_dbfs"))
    clipping = ClippingLine(
        track=1, full_scale_runs=0, longest_run=0, flat_tops=0, why="digital zero", **none
    )
    line = TrackLine(
        track=1, rms_dbfs=None, hiss_dbfs=None, dc_percent=None, hum_dbfs=None, hum_hz=None,
        why="no frames",
    )  # fmt: skip
    above = UltrasonicTrackLine(
        track=1, information_hz=None, brickwall_hz=None, lines=(), why="no rest to measure in",
        bands=(BandLine(from_hz=2e4, to_hz=25e3, level_dbfs=None, movement_db=None,
                        correlation=None),),
    )  # fmt: skip
    measures = dataclasses.replace(
        base.measures,
        clipping=ClippingMeasures(tracks=(clipping,)),
        tracks=TracksMeasures(tracks=(line,), pairs=()),
        ultrasonic=UltrasonicMeasures(tracks=(above,), spectra_share=None),
    )
    words = page(dataclasses.replace(base, measures=measures)).words
    assert "None" not in words
    assert " ".join(["1 a", *["\N{EN DASH}"] * 6, "digital zero; no frames"]) in words
    assert "no rest to measure in" in words
    assert "A dash (\N{EN DASH}): not measured" in words


def test_a_line_up_and_what_stands_on_it() -> None:
    base = lineup()
    words = page(base).words
    assert "1 kHz 00:00:01.000 15.00 1000.000" in words
    assert "-18.10 -0.10 dB; +0.0\N{DEGREE SIGN}" in words
    stands_on = StandsOnLine(capture="lineup.wav", at="2026-02-03", worst="listen")
    assert base.measures.lineup is not None
    measured = dataclasses.replace(base.measures.lineup, tones=(), stands_on=stands_on)
    measures = dataclasses.replace(base.measures, lineup=measured)
    words = page(dataclasses.replace(base, measures=measures)).words
    assert "stands on the line-up lineup.wav of 2026-02-03; worst: listen" in words


def test_digests_and_earlier_contents_stand_in_full() -> None:
    stored = StoredDigestLine(kind="flac-md5", expected="e" * 32, found="d" * 32, agrees=False)
    base = report("take.wav")
    made = dataclasses.replace(
        base,
        measures=dataclasses.replace(base.measures, checksum=ChecksumMeasures(stored=(stored,))),
        earlier=(Earlier(at="2025-01-01", sha256="9" * 64, audio_sha256=None,
                         verdict=Verdict.CLEAR),),
        expected=Expected(values={"expect": {"rate_hz": 96000, "channels": 4}},
                          sources={"expect.rate_hz": "transfer.yaml:7",
                                   "expect.channels": "default"}),
    )  # fmt: skip
    words = page(made).words
    assert f"flac-md5 {'e' * 32} {'d' * 32} NO" in words
    assert "9" * 64 in words
    assert "expect.rate_hz 96000 transfer.yaml:7" in words
    assert "expect.channels 4 default" in words


def hostile(text: str) -> Report:
    """Everything that a report can say, said by somebody who means harm."""
    line = dataclasses.replace(
        finding(Verdict.REDO), check=text, kind=text, text=text, tracks=(1, 2), start_frame=-5,
        frames=10**30, values={"start_frames": [text, 10**40], "by_track": [text, {text: text}]},
    )  # fmt: skip
    base = report("take.wav", findings=[line], header=text, tones=True, machine=text)
    files = tuple(dataclasses.replace(f, name=text, modified=text) for f in base.capture.files)
    return dataclasses.replace(
        base,
        capture=dataclasses.replace(base.capture, name=text, folder=text, files=files,
                                    tracks=(text, text, text), encoding=text),
        expected=Expected(values={text: {text: [text]}, "machine": text, "reel": {"number": text}},
                          sources={text: text}),
        signoff=Signoff(by=text, at=text, note=text, verdict=Verdict.REDO),
        earlier=(Earlier(at=text, sha256=text, audio_sha256=text, verdict=Verdict.REDO,
                         file=text),),
        made=dataclasses.replace(base.made, by=text, at=text),
    )  # fmt: skip


def clean(text: str) -> None:
    assert all(ch.isprintable() or ch == "\n" for ch in text)


def test_names_and_notes_are_text_and_nothing_else() -> None:
    made = hostile(EVIL)
    text = rendered("capture.html", page=page_of(made, SOURCE, NOW)).decode("utf-8")
    clean(text)
    assert "<script" not in text
    assert "<img" not in text
    words = page(made, name=EVIL).words
    assert "<script>alert(1)</script>" in words  # readable, as it was written
    assert "{{ 7*7 }}" in words
    assert "\\u202egnp" in words
    assert "&amp;" in words


@settings(deadline=None)
@given(st.text(max_size=40))
def test_whatever_a_report_says_the_page_is_whole(text: str) -> None:
    made = hostile(text.replace("\0", ""))
    whole = rendered("capture.html", page=page_of(made, SOURCE, NOW)).decode("utf-8")
    clean(whole)
    read = Page(whole)
    read.asks_for_nothing()
    read.leads_where_something_is()


def test_a_report_from_a_file_may_be_as_hostile(tmp_path: Path) -> None:
    """The same through the reader of reports, which lets such names pass."""
    text = EVIL.replace("\0", "").replace("\ud800", "")
    base = hostile(text)
    stored = dataclasses.replace(base, earlier=())
    assert page(from_json(to_json(stored))).words.count("alert(1)") > 10


def test_what_is_nested_too_deeply_is_left_to_the_report() -> None:
    inner: dict[str, Any] = {}
    for _ in range(5000):
        inner = {"a": inner}
    base = report("take.wav")
    for values in (inner, {"a": [inner]}):
        made = dataclasses.replace(base, expected=Expected(values=values, sources={}))
        assert "nested too deeply to be shown" in page(made).words


@pytest.mark.parametrize("count", [0, 1, 3])
def test_what_the_containers_hold_may_be_of_more_files_than_there_are(count: int) -> None:
    made = report("take.wav")
    (line,) = made.measures.container.files if made.measures.container else ()
    container = ContainerMeasures(files=(dataclasses.replace(line, kind="rf64"),) * count)
    measures = dataclasses.replace(made.measures, container=container)
    words = page(dataclasses.replace(made, measures=measures)).words
    built = words.partition("Chunks and lengths")[2]
    assert built.count("rf64") == count
    assert ("take.wav rf64" in built) == (count == 1)


def test_a_capture_of_unknown_length_has_no_picture() -> None:
    base = report("take.wav")
    capture = dataclasses.replace(base.capture, frames=None, rate_hz=None, channels=None,
                                  word_length=None, tracks=())  # fmt: skip
    words = page(dataclasses.replace(base, capture=capture)).words
    assert "so there is no picture of it" in words
    assert "nothing is known of its form" in words


def test_every_mark_says_what_it_is_and_leads_to_its_finding() -> None:
    lines: list[FindingLine] = [
        dataclasses.replace(finding(v), start_frame=0, frames=None) for v in Verdict
    ]
    read = page(report("take.wav", findings=lines))
    titles = [one.text for picture in read.pictures for one in picture.iter("title")]
    for word in ("listen", "redo", "unread", "note"):
        assert any(t and f": {word}, level, c at 00:00:00.000" in t for t in titles)
    assert {"#f1", "#f2", "#f3", "#f4"} <= set(read.links)
    shapes = {
        g.get("class"): [next(iter(g)).tag, (next(iter(g)).get("d") or "")[-5:]]
        for picture in read.pictures
        for g in picture.iter("g")
        if g.get("class", "").startswith("mark ")
    }
    assert len({str(shape) for shape in shapes.values()}) == 4  # no two alike but in colour


def test_tables_wrap_before_they_are_cut_off() -> None:
    """CSS 2.2, 17.5.2: without a width a table is as wide as its text, or as what holds it."""
    css = rendered("page.css").decode()
    rules = re.findall(r"(?:^|\})\s*([^{}@]+)\{([^{}]*)\}", css)
    assert any(name.strip() == "table" for name, _ in rules)
    assert not any(
        re.search(r"(?:^|[;\s])(?:min-)?width:", body)
        for name, body in rules
        if {"table", "th", "td"} & set(re.findall(r"[a-z]+", name))
    )
