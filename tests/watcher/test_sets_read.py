"""Track sets of which a file is cut short or cannot be read: what is told of it and the rest."""

from __future__ import annotations

import json
import os
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from pages import Page
from verifying import capture, checked

from checks.container import Layout, parse
from watcher.cli import main
from watcher.errors import UnreadError
from watcher.exits import Exit
from watcher.files import FdSource, open_capture
from watcher.tracksets import Capture, judge

NAMES = ("take_07_tr01.wav", "take_07_tr02.wav", "take_07_tr03.wav")
RATE_HZ = 96_000  # of verifying.capture


def asked(report: dict[str, Any]) -> dict[str, str]:
    """Remedies by kind, of what asks for anything."""
    return {f["kind"]: f["remedy"] for f in report["findings"] if f["verdict"] != "clear"}


def layout(path: Path) -> Layout:
    with open_capture(path) as fd:
        return parse(FdSource(fd), deep=False)


@pytest.fixture
def take(tmp_path: Path) -> list[Path]:
    """Three tracks of 100,000 frames."""
    return [capture(tmp_path / name, 100_000, seed, channels=1) for seed, name in enumerate(NAMES)]


@pytest.mark.parametrize("content", [b"", b"notes about the take\n" * 99], ids=["empty", "text"])
@pytest.mark.parametrize("sheet", ["", "expect: {channels: 3}\n"])
@pytest.mark.parametrize("which", [0, 1, 2])
def test_a_file_that_cannot_be_read_tells_nothing_of_its_set(
    take: list[Path], capsys: pytest.CaptureFixture[str], which: int, sheet: str, content: bytes
) -> None:
    take[which].write_bytes(content)
    (take[0].parent / "transfer.yaml").write_text(sheet)
    status, report = checked(capsys, str(take[0].parent))
    assert status is Exit.UNREAD
    assert asked(report) == {"unreadable": "recopy"}
    (finding,) = [f for f in report["findings"] if f["kind"] == "unreadable"]
    assert finding["text"].startswith(f"{NAMES[which]}: ")
    assert report["capture"]["tracks"] == [f"track {n + 1}" for n in range(3) if n != which]


def test_what_the_containers_hold_is_told_by_the_names_of_the_files(
    take: list[Path], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where one of them could not be opened, and says nothing."""

    def opened(path: Path) -> AbstractContextManager[int]:
        if path.name == NAMES[0]:
            raise UnreadError("cannot be opened: Permission denied")
        return open_capture(path)

    folder = take[0].parent
    _, report = checked(capsys, str(folder))
    assert [line["name"] for line in report["measures"]["container"]["files"]] == [*NAMES]
    monkeypatch.setattr("watcher.reading.open_capture", opened)
    main(["check", str(folder)])
    main(["page", str(folder)])
    page = Page.at(folder / "take_07.set.vigil.html")
    built = page.words.partition("Chunks and lengths")[2]
    assert NAMES[0] not in built
    assert f"{NAMES[1]} wav" in built
    assert f"{NAMES[2]} wav" in built


@pytest.mark.parametrize(("channels", "gone"), [(1, None), (1, 0), (2, None)])
def test_names_that_count_from_0_get_the_tracks_of_the_sheet_in_order(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], channels: int, gone: int | None
) -> None:
    names = ["low", "middle", "high", "click", "pilot", "spare"][: 3 * channels]
    (tmp_path / "transfer.yaml").write_text(f"tracks: [{', '.join(names)}]\n")
    for number in range(3):
        capture(tmp_path / f"take_ch{number}.wav", 9000, number, channels=channels)
    if gone is not None:
        (tmp_path / f"take_ch{gone}.wav").write_bytes(b"")
        names = names[1:]
    _, report = checked(capsys, str(tmp_path))
    assert report["capture"]["tracks"] == names
    assert "set-missing" not in asked(report)


def test_a_file_that_is_cut_short_does_not_end_the_look_at_the_others(
    take: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    samples, _ = soundfile.read(take[2], dtype="int32")
    samples[70_000:70_400] = 0
    soundfile.write(take[2], samples, RATE_HZ, subtype="PCM_24")
    os.truncate(take[1], 30_044)
    status, report = checked(capsys, str(take[0].parent))
    assert status is Exit.UNREAD
    assert report["capture"]["frames"] == 100_000
    assert report["capture"]["tracks"] == ["track 1", "track 3"]
    (zeros,) = [f for f in report["findings"] if f["kind"] == "zero-run"]
    assert (zeros["start_frame"], zeros["frames"], zeros["tracks"]) == (70_000, 400, [2])
    (unseen,) = [f for f in report["findings"] if f["kind"] == "not-looked-at"]
    assert (unseen["verdict"], unseen["remedy"]) == ("unread", "recopy")
    assert unseen["values"]["files"] == [NAMES[1]]
    assert "channels" not in asked(report)


@pytest.mark.parametrize("kind", ["wav", "flac"])
@pytest.mark.parametrize(("longer", "exit_status"), [(10_000, Exit.REDO), (100_000, Exit.UNREAD)])
def test_what_the_shortest_file_leaves_unseen_is_told(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    kind: str,
    longer: int,
    exit_status: Exit,
) -> None:
    """A little shorter: looked at together, and the rest of the others is not."""
    for number, more in enumerate((longer, 0, longer, 0, 0), 1):
        capture(tmp_path / f"take_tr0{number}.{kind}", 90_000 + more, number, channels=1)
    status, report = checked(capsys, str(tmp_path))
    assert status is exit_status
    assert report["capture"]["frames"] == 90_000
    assert set(asked(report)) >= {"set-length", "not-looked-at"}
    assert "unreadable" not in asked(report)
    (unseen,) = [f for f in report["findings"] if f["kind"] == "not-looked-at"]
    assert unseen["values"]["files"] == [f"take_tr01.{kind}", f"take_tr03.{kind}"]
    assert unseen["values"]["frames_looked_at"] == 90_000
    assert "00:00:00.937" in unseen["text"]  # 90,000 frames at 96 kHz


def test_what_differs_in_a_set_is_told_with_what_to_do(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(0, 0.02, 4000)
    kinds = ((96_000, "PCM_24", 4000), (48_000, "PCM_16", 3000))
    paths = []
    for number, (rate, subtype, frames) in enumerate(kinds, 1):
        paths.append(tmp_path / f"a_tr{number}.wav")
        soundfile.write(paths[-1], noise[:frames], rate, subtype=subtype)
    one = Capture(name="a", folder=tmp_path, files=tuple(paths), numbers=(1, 2))
    found = judge(one, [(path, layout(path)) for path in paths], channels=None)
    assert [f.kind for f in found] == ["set-length", "set-rate", "set-word-length"]
    for finding in found:
        assert any(word in finding.text for word in ("Fetch", "Look for", "look for"))


def test_a_set_of_fewer_files_than_the_sheet_names_is_missing_one(
    take: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    (take[0].parent / "transfer.yaml").write_text("tracks: [left, right, middle, ambience]\n")
    status, report = checked(capsys, str(take[0].parent))
    assert status is Exit.REDO
    assert asked(report) == {"set-missing": "recopy"}
    (finding,) = [f for f in report["findings"] if f["kind"] == "set-missing"]
    assert (finding["values"]["tracks_found"], finding["values"]["tracks_asked"]) == (3, 4)


def notes(report: dict[str, Any]) -> list[tuple[str, int]]:
    """Of a set that may lack files: the kind, and the number that the name gives."""
    return [
        (f["kind"], f["values"]["number"])
        for f in report["findings"]
        if f["kind"] == "set-missing" and (f["verdict"], f["remedy"]) == ("clear", "none")
    ]


@pytest.mark.parametrize(
    ("name", "beside", "told"),
    [
        ("take_03_tr02.wav", None, [("set-missing", 2)]),
        ("lone.L.wav", None, [("set-missing", 1)]),
        ("q_tr01.wav", "q_tr02.flac", [("set-missing", 1)]),
        ("q_tr01.wav", "p_tr02.wav", [("set-missing", 1)]),
        ("take_03.wav", "take_02.wav", []),  # bare numbers are takes
    ],
)
def test_one_track_of_several_that_is_alone_is_noted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, beside: str | None, told: Any
) -> None:
    capture(tmp_path / name, channels=1)
    if beside is not None:
        capture(tmp_path / beside, channels=1)
    status, report = checked(capsys, str(tmp_path / name))
    assert (status, asked(report), notes(report)) == (Exit.CLEAR, {}, told)


def test_pieces_one_after_the_other_and_files_of_many_tracks_are_not_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in (1, 2, 3):
        capture(tmp_path / f"track {number}.wav", 4000 * number, number, channels=1)
    capture(tmp_path / "a_tr1.wav", channels=4)
    for name in ("track 2.wav", "a_tr1.wav"):
        _, report = checked(capsys, str(tmp_path / name))
        assert report["capture"]["name"] == name
        assert notes(report) == []


@pytest.mark.parametrize("name", ["take_tr02.wav", "take_tr01.wav"])
def test_one_track_of_as_many_as_the_sheet_asks_for_is_missing_the_others(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    capture(tmp_path / name, channels=1)
    (tmp_path / "transfer.yaml").write_text("expect: {channels: 2}\n")
    status, report = checked(capsys, str(tmp_path))
    assert (status, asked(report)) == (Exit.REDO, {"set-missing": "recopy"})
    (tmp_path / "transfer.yaml").write_text("expect: {channels: 1}\n")
    status, report = checked(capsys, str(tmp_path))
    assert (status, asked(report), notes(report)) == (Exit.CLEAR, {}, [])


@pytest.mark.parametrize("name", ["take_07", "take_07.set"])
def test_the_name_of_a_set_stands_for_it(
    take: list[Path], capsys: pytest.CaptureFixture[str], name: str
) -> None:
    folder = take[0].parent
    capture(folder / "take_08.wav", seed=8)
    _, report = checked(capsys, str(folder / name), f"{folder}/./{name}")
    assert report["capture"]["name"] == "take_07"
    assert main(["signoff", str(folder / name), "--by", "AB"]) is Exit.CLEAR
    signed = json.loads((folder / "take_07.set.vigil.json").read_text())
    assert signed["signoff"]["by"] == "AB"


@pytest.mark.parametrize("name", ["take_0", "take_08", "TAKE_07", "none/take_07"])
def test_what_is_no_name_of_a_set_is_no_file(
    take: list[Path], capsys: pytest.CaptureFixture[str], name: str
) -> None:
    capture(take[0].parent / "take_08.wav", seed=8)
    assert main(["check", str(take[0].parent / name)]) is Exit.USAGE
    assert f"{name}: no such file or folder" in capsys.readouterr().err


def test_the_name_of_a_set_follows_the_pattern_of_its_sheet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "transfer.yaml").write_text("track_sets: {pattern: '{take}-{track}'}\n")
    for number in (1, 2):
        capture(tmp_path / f"x-{number}.wav", seed=number, channels=1)
    _, report = checked(capsys, str(tmp_path / "x"))
    assert [line["name"] for line in report["capture"]["files"]] == ["x-1.wav", "x-2.wav"]


def test_a_file_of_another_rate_is_not_looked_at_in_step_with_the_others(
    take: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """However long it is: what stands at one frame would not be of one moment."""
    noise = np.random.default_rng(1).normal(0, 0.02, 900_000)
    soundfile.write(take[0], noise, 48_000, subtype="PCM_24")
    status, report = checked(capsys, str(take[0].parent))
    assert status is Exit.UNREAD
    assert report["capture"]["rate_hz"] == RATE_HZ
    assert report["capture"]["tracks"] == ["track 2", "track 3"]
    assert report["capture"]["frames"] == 100_000
    assert {"set-rate", "set-length"} <= set(asked(report))
    (unseen,) = [f for f in report["findings"] if f["kind"] == "not-looked-at"]
    assert (unseen["verdict"], unseen["remedy"]) == ("unread", "none")
    assert unseen["values"]["files"] == [NAMES[0]]
