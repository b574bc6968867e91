"""Where an altered file differs: audio or metadata, which mebibyte, which time, how much longer."""

from __future__ import annotations

import dataclasses
import json
import os
from pathlib import Path
from typing import Any

import pytest
from damage_files import flip
from verifying import KINDS, capture, recorded, run

from watcher import readings, reverify
from watcher.altered import same_time
from watcher.cli import main
from watcher.exits import Exit
from watcher.files import Identity
from watcher.ledger import Ledger, State
from watcher.lineups import recorded_at
from watcher.rebuild import adopt
from watcher.report import FileLine, Report, from_json
from watcher.tracksets import Capture

MIB = 1 << 20


pytestmark = pytest.mark.usefixtures("every_reading_seen")


@pytest.mark.parametrize("kind", ["wav", "aiff", "caf", "w64", "flac"])
def test_place_and_time(tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str) -> None:
    """Two tracks, 24 bit, 96 kHz: a mebibyte of raw audio holds 174,762.7 frames, 1.820 s."""
    path = capture(tmp_path / f"a.{kind}", frames=600_000)
    main(["check", "--json", str(path)])
    flip(path, MIB + 5000)
    status, results, _ = run(capsys, str(tmp_path))
    line = results[path.name]
    (stretch,) = line["stretches"]
    assert (stretch["first_mebibyte"], stretch["last_mebibyte"]) == (1, 1)
    assert line["changed"] == "audio"
    assert stretch["approximate"] is (kind == "flac")
    if kind != "flac":
        assert stretch["from_s"] == pytest.approx(MIB / 576_000, abs=0.01)
        assert stretch["to_s"] == pytest.approx(2 * MIB / 576_000, abs=0.01)
    assert "In mebibyte 1 (" in line["text"]
    assert status is Exit.REDO


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_header_that_was_hit_leaves_the_audio_as_recorded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    """The size of the whole file, or what stands for it, in each container."""
    path = capture(tmp_path / f"a.{kind}")
    main(["check", "--json", str(path)])
    flip(path, {"flac": 12, "w64": 17, "caf": 9}.get(kind, 5))
    status, results, _ = run(capsys, str(tmp_path))
    line = results[path.name]
    assert line["state"] == "altered"
    assert [s["first_mebibyte"] for s in line["stretches"]] == [0]
    assert line["changed"] == "metadata"
    assert status is Exit.LISTEN


def test_a_size_of_the_audio_that_lies_is_metadata(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Byte 41 of a plain WAV: bits 8 to 15 of the size of the data chunk (Microsoft RIFF)."""
    recorded(tmp_path, "a.wav")
    flip(tmp_path / "a.wav", 41, 4)
    _, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["changed"] == "metadata"


def test_cut_short_and_grown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recorded(tmp_path, "a.wav", "b.wav")
    os.truncate(tmp_path / "a.wav", 44 + 2000 * 6)
    with (tmp_path / "b.wav").open("ab") as stream:
        stream.write(b"x" * 5)
    _, results, _ = run(capsys, str(tmp_path))
    text = results["a.wav"]["text"]  # 2000 of 4000 frames at 96 kHz
    assert "It is cut short by 12000 bytes, and ends at 00:00:00.020 of 00:00:00.041." in text
    assert results["a.wav"]["grown_bytes"] == -12000
    assert results["a.wav"]["changed"] == "audio"
    assert "It has grown by 5 bytes." in results["b.wav"]["text"]
    assert results["b.wav"]["changed"] == "metadata"


def test_without_checksums_of_mebibytes_the_place_is_not_known(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "a.wav")
    main(["sums", str(tmp_path)])
    (tmp_path / "a.wav.vigil.json").unlink()
    flip(tmp_path / "a.wav", 5000)
    _, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["changed"] is None
    assert "where it differs cannot be said" in results["a.wav"]["text"]


# -- the second reading --------------------------------------------------------------------------


def test_both_readings_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recorded(tmp_path, "a.wav")
    flip(tmp_path / "a.wav", 5000)
    main(["verify", str(tmp_path)])
    out = " ".join(capsys.readouterr().out.split())
    assert "Read twice, the second time " in out
    assert "both readings agree" in out
    assert "read twice, both times sha256 " in out
    assert "recorded sha256 " in out


def test_the_storage_itself_answers_the_second_time(tmp_path: Path) -> None:
    """O_DIRECT of open(2): whole pages, whatever the length of the file."""
    past = set()
    for size in (0, 1, 4095, 4096, 4 * MIB, 4 * MIB + 1, 8 * MIB - 1):
        path = tmp_path / "a"
        path.write_bytes(os.urandom(size))
        first = readings.read(os.fsencode(path), ["sha256", "md5"])
        second = readings.read_past_cache(os.fsencode(path), ["sha256", "md5"])
        assert first.digests == second.digests
        assert first.size == second.size == size
        assert first.stamp == second.stamp
        past.add(second.past_cache)
    assert len(past) == 1  # the file system has it or has it not


def test_without_a_way_past_the_cache_that_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded(tmp_path, "a.wav")
    flip(tmp_path / "a.wav", 5000)
    monkeypatch.setattr(readings, "_read_direct", lambda *_: None)
    _, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["state"] == "altered"
    assert "as far as the system does that" in results["a.wav"]["text"]


def test_a_wrong_copy_in_memory_is_no_altered_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded(tmp_path, "a.wav")

    def wrong(path: bytes, *rest: Any) -> Any:
        reading = readings.read(path, *rest)
        return reading._replace(digests={name: bytes(32) for name in reading.digests})

    monkeypatch.setattr(reverify, "read", wrong)
    status, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["state"] == "unread"
    assert "is as recorded. Storage or memory" in results["a.wav"]["text"]
    assert status is Exit.UNREAD


@pytest.mark.parametrize("size", [100, 3 * MIB], ids=["small", "big"])
def test_a_file_that_is_written_to_meanwhile_is_not_called_altered(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(bytes(size))
    main(["sums", "--from-bytes", str(tmp_path)])

    def growing(there: bytes, *rest: Any) -> Any:
        with path.open("ab") as stream:
            stream.write(b"x")
        reading = readings.read(there, *rest)
        with path.open("ab") as stream:
            stream.write(b"x")
        return reading

    monkeypatch.setattr(reverify, "read", growing)
    status, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["state"] == "unread"
    assert "written to or replaced while it was read" in results["a.wav"]["text"]
    assert status is Exit.UNREAD


def test_an_error_of_the_storage_says_its_byte(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(bytes(9 * MIB))
    main(["sums", "--from-bytes", str(tmp_path)])
    real, calls = os.readv, iter(range(10))

    def failing(fd: int, buffers: Any) -> int:
        if next(calls) == 2:
            raise OSError(5, "Input/output error")
        return real(fd, buffers)

    monkeypatch.setattr(os, "readv", failing)
    status, results, _ = run(capsys, str(tmp_path))
    assert "Input/output error at byte 8388608" in results["a.wav"]["text"]
    assert status is Exit.UNREAD


# -- what must not cost the result ---------------------------------------------------------------


@pytest.mark.parametrize("date", ["2026-01-01T00:00:00", "yesterday", ""])
@pytest.mark.parametrize("quick", [True, False])
def test_an_odd_date_of_a_report_is_another_date(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], date: str, quick: bool
) -> None:
    """Without an offset from UTC, and none at all."""
    recorded(tmp_path, "a.wav")
    sidecar = tmp_path / "a.wav.vigil.json"
    report = json.loads(sidecar.read_text())
    report["capture"]["files"][0]["modified"] = date
    sidecar.write_text(json.dumps(report))
    flip(tmp_path / "a.wav", 3000)
    _, results, _ = run(capsys, *(["--quick"] if quick else []), str(tmp_path))
    line = results["a.wav"]
    if quick:
        assert line["state"] == "intact"
        assert line["text"].startswith(reverify.DATE_DIFFERS)
    else:
        assert line["state"] == "altered"
        assert "pretend" not in line["text"]


def test_a_date_beyond_the_calendar_is_another_date() -> None:
    """Some file systems hold seconds in 64 bits; datetime ends with the year 9999."""
    assert not same_time("2026-01-01T00:00:00+00:00", 2**62)
    assert not same_time("2026-01-01T00:00:00+00:00", 10**21)


def test_a_place_that_cannot_be_told_costs_no_altered_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def vanished(*_: Any) -> Any:
        raise FileNotFoundError(2, "No such file or directory")

    recorded(tmp_path, "a.wav", "b.wav")
    flip(tmp_path / "a.wav", 3000)
    monkeypatch.setattr(reverify, "locate", vanished)
    status, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["state"] == "altered"
    assert "Where it differs cannot be said: FileNotFoundError" in results["a.wav"]["text"]
    assert results["b.wav"]["state"] == "intact"
    assert status is Exit.REDO


@pytest.mark.parametrize("date", ["2026-02-03T11:00:00", "yesterday"])
def test_a_report_with_an_odd_date_has_no_place_among_line_ups(tmp_path: Path, date: str) -> None:
    """Compared with others it would end the check of every capture that stands on a line-up."""
    recorded(tmp_path, "t_tr1.wav", "t_tr2.wav")
    report = from_json((tmp_path / "t.set.vigil.json").read_bytes())
    good, other = report.capture.files
    odd = dataclasses.replace(other, modified=date)
    known = recorded_at(_of(report, good, odd))
    assert known is not None
    assert known.files.isoformat() == good.modified
    assert recorded_at(_of(report, odd)) is None


def _of(report: Report, *files: FileLine) -> Report:
    return dataclasses.replace(report, capture=dataclasses.replace(report.capture, files=files))


@pytest.mark.parametrize("times", [("made", "yesterday"), ("made", ""), ("earlier", "0001-01-01")])
def test_a_report_with_an_odd_time_is_not_believed_for_a_lost_ledger(
    tmp_path: Path, times: tuple[str, str]
) -> None:
    """East of Greenwich the year 1 began before the calendar of UTC does."""
    path = tmp_path / "a.wav"
    recorded(tmp_path, path.name)
    sidecar = tmp_path / "a.wav.vigil.json"
    flip(path, 3000)
    assert main(["check", str(path)]) is Exit.REDO
    report = json.loads(sidecar.read_text())
    where, time = times
    odd = report["made"] if where == "made" else report["earlier"][0]
    odd["at"] = f"{time}T00:00:00+14:00" if where == "earlier" else time
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        row = ledger.put(
            root=ledger.root(tmp_path),
            path=path,
            is_set=False,
            files=[(path, Identity.of(path.stat()))],
            state=State.WAITING,
        )
        sidecar.write_text(json.dumps(report))
        assert not adopt(ledger, row, Capture.of_file(path), sidecar)
        odd["at"] = "2026-02-03T11:00:00+00:00"
        sidecar.write_text(json.dumps(report))
        assert adopt(ledger, row, Capture.of_file(path), sidecar)
