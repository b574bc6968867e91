"""A capture that grows while it is checked is still being recorded: nobody is sent to fetch it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from verifying import capture, checked

from watcher import reading
from watcher.exits import Exit


def growing(monkeypatch: pytest.MonkeyPatch, path: Path, count: int) -> None:
    """So many bytes are put to a file while it is read."""
    whole = reading.Reading.read_all

    def read_all(self: reading.Reading, stack: Any) -> None:
        whole(self, stack)
        with path.open("ab") as stream:
            stream.write(bytes(count))

    monkeypatch.setattr(reading.Reading, "read_all", read_all)


@pytest.mark.parametrize("header", ["whole", "half", "unwritten", "empty"])
@pytest.mark.parametrize("count", [0, 6000])
def test_what_its_end_says_is_no_fault_yet(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    header: str,
    count: int,
) -> None:
    path = capture(tmp_path / "take.wav", 40_000)
    data = bytearray(path.read_bytes())
    if header == "half":  # as where a recorder, or who sends it, tells the length beforehand
        del data[len(data) // 2 :]
    elif header != "whole":  # 0, as many recorders leave it until the end (common practice)
        data[4:8] = data[40:44] = bytes(4)
        if header == "empty":
            del data[44:]
    path.write_bytes(data)
    growing(monkeypatch, path, count)
    status, report = checked(capsys, str(path))
    asks = {f["kind"]: f["remedy"] for f in report["findings"] if f["verdict"] != "clear"}
    told = " ".join(f["text"] for f in report["findings"])
    kind = {"half": "truncated", "unwritten": "unfinalised", "empty": "empty"}.get(header)
    if count == 0:
        assert ("still growing" in told, kind is None or kind in asks) == (False, True)
        return
    assert status is Exit.UNREAD
    assert asks == {"changed-while-read": "none"}
    assert "take.wav grew by 6,000 bytes while it was read: it is still being recorded" in told
    assert not any(word in told for word in ("fetch", "mend", "play the tape"))
    assert ("still growing" in told) == (kind is not None)
    assert kind is None or kind in {f["kind"] for f in report["findings"]}


def test_one_file_of_a_set_that_grows_excuses_no_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = [capture(tmp_path / f"t_07_tr{n}.wav", 40_000, n, channels=1) for n in (1, 2)]
    for path in paths:
        path.write_bytes(path.read_bytes()[:60_000])
    growing(monkeypatch, paths[0], 3000)
    _, report = checked(capsys, str(tmp_path))
    cut = {f["values"]["file"]: f for f in report["findings"] if f["kind"] == "truncated"}
    assert cut["t_07_tr1.wav"]["verdict"] == "clear"
    assert cut["t_07_tr1.wav"]["text"].startswith("t_07_tr1.wav: ")
    assert cut["t_07_tr2.wav"]["verdict"] == "redo"


def test_a_set_that_is_being_recorded_has_no_lengths_yet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = [capture(tmp_path / f"t_07_tr{n}.wav", 40_000 + n, n, channels=1) for n in (1, 2)]
    _, report = checked(capsys, "--no-sidecar", str(tmp_path))
    assert "set-length" in [f["kind"] for f in report["findings"]]
    growing(monkeypatch, paths[0], 3)
    _, report = checked(capsys, "--no-sidecar", str(tmp_path))
    assert "set-length" not in [f["kind"] for f in report["findings"]]


@pytest.mark.parametrize(
    ("sheet", "told"), [("min_duration_s: 60", False), ("max_duration_s: 0.1", True)]
)
def test_it_may_still_become_long_enough(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    sheet: str,
    told: bool,
) -> None:
    path = capture(tmp_path / "take.wav", 40_000)
    (tmp_path / "transfer.yaml").write_text(f"expect: {{{sheet}}}\n")
    _, report = checked(capsys, "--no-sidecar", str(path))
    assert "duration" in [f["kind"] for f in report["findings"]]
    growing(monkeypatch, path, 6000)
    _, report = checked(capsys, "--no-sidecar", str(path))
    assert ("duration" in [f["kind"] for f in report["findings"]]) is told
