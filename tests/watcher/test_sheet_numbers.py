"""Track numbers of a sheet that the capture does not have: told once the capture is known."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from verifying import capture, checked


def told(report: dict[str, Any]) -> list[str]:
    return [f["text"] for f in report["findings"] if f["kind"] == "channels"]


@pytest.mark.parametrize(
    ("sheet", "number"),
    [
        ("same: [[1, 3]]", 3),
        ("same: [[1, 2], [2, 5, 4]]", 5),
        ("reel: {kind: lineup}\nlineup: {reference_track: 4}", 4),
    ],
)
def test_a_number_beyond_the_last_track_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], sheet: str, number: int
) -> None:
    wav = capture(tmp_path / "take.wav", 20_000, 1, channels=2)
    (tmp_path / "transfer.yaml").write_text(sheet)
    _, report = checked(capsys, str(wav))
    (text,) = told(report)
    key = "same" if "same" in sheet else "lineup.reference_track"
    assert text.startswith(f"There are 2 tracks, the sheet speaks of track {number} ({key}, ")
    assert f"transfer.yaml:{len(sheet.splitlines())}" in text
    (finding,) = [f for f in report["findings"] if f["kind"] == "channels"]
    # as where the sheet names more tracks than there are, but for what comes first
    assert (finding["verdict"], finding["remedy"]) == ("redo", "mend")


@pytest.mark.parametrize(
    ("sheet", "tracks", "count"),
    [
        ("same: [[1, 2]]", 2, 0),
        ("lineup: {reference_track: 4}", 2, 0),  # no line-up: nothing is held against it
        ("", 1, 0),
        ("tracks: [a, b, c]\nsame: [[1, 3]]", 2, 1),  # told once: there are fewer than named
    ],
)
def test_nothing_more_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], sheet: str, tracks: int, count: int
) -> None:
    wav = capture(tmp_path / "take.wav", 20_000, 1, channels=tracks)
    (tmp_path / "transfer.yaml").write_text(sheet)
    _, report = checked(capsys, str(wav))
    assert len(told(report)) == count
    assert not any("speaks of" in text for text in told(report))


@pytest.mark.parametrize(("numbers", "count"), [((1, 2), 1), ((1, 3), 0)])
def test_a_set_that_lacks_a_file_is_told_by_that_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], numbers: tuple[int, ...], count: int
) -> None:
    for n in numbers:
        capture(tmp_path / f"take_07_tr{n:02}.wav", 20_000, n, channels=1)
    (tmp_path / "transfer.yaml").write_text("same: [[1, 3]]")
    _, report = checked(capsys, str(tmp_path))
    assert len(told(report)) == count
