"""``reelvigil check`` as a person or a program uses it."""

from __future__ import annotations

import json
import os
import struct
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from watching import wav

from checks import registry
from watcher.cli import main
from watcher.exits import Exit
from watcher.report import schema


def noise(frames: int = 20_000, tracks: int = 2, seed: int = 0) -> np.ndarray[Any, Any]:
    rng = np.random.default_rng(seed)
    return (rng.normal(0, 0.02, (frames, tracks)) * 2**31).astype(np.int32)


def write(path: Path, **kind: Any) -> Path:
    soundfile.write(path, noise(seed=len(path.name)), 96_000, **({"subtype": "PCM_24"} | kind))
    return path


def reports(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def checked(
    capsys: pytest.CaptureFixture[str], *arguments: str
) -> tuple[Exit, list[dict[str, Any]]]:
    status = main(["check", "--json", *arguments])
    return status, reports(capsys.readouterr().out)


def kinds(report: dict[str, Any]) -> list[str]:
    """Of what asks for anything."""
    return [f["kind"] for f in report["findings"] if f["verdict"] != "clear"]


def test_json_is_one_report_a_line_and_nothing_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("a.wav", "b.flac", "c.aiff"):
        write(tmp_path / name)
    _, found = checked(capsys, str(tmp_path))
    assert [r["capture"]["name"] for r in found] == ["a.wav", "b.flac", "c.aiff"]
    assert {(r["format"], r["version"]) for r in found} == {("reelvigil-report", 1)}
    for report in found:
        sidecar = tmp_path / f"{report['capture']['name']}.vigil.json"
        assert json.loads(sidecar.read_text()) == report


def test_digests_are_those_of_coreutils(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "a.wav")
    _, (report,) = checked(capsys, str(path))
    line = subprocess.run(["sha256sum", str(path)], check=True, capture_output=True, text=True)
    assert report["capture"]["files"][0]["sha256"] == line.stdout.split()[0]


def test_sidecars_and_hidden_and_unfinished_files_are_no_captures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write(tmp_path / "a.wav")
    for name in (".hidden.wav", "b.wav.part", "c.wav.tmp", "notes.txt", "a.wav.vigil.json"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / ".folder").mkdir()
    write(tmp_path / ".folder" / "d.wav")
    (tmp_path / "link.wav").symlink_to("a.wav")
    _, found = checked(capsys, "--no-sidecar", str(tmp_path))
    assert [r["capture"]["name"] for r in found] == ["a.wav"]


@pytest.mark.parametrize("path", ["absent", "empty"])
def test_nothing_to_check_is_wrong_usage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], path: str
) -> None:
    (tmp_path / "empty").mkdir()
    assert main(["check", str(tmp_path / path)]) is Exit.USAGE
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "no such" in captured.err or "no capture" in captured.err


def test_a_mistake_in_a_sheet_is_told_before_anything_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write(tmp_path / "a.wav")
    (tmp_path / "transfer.yaml").write_text("expect: {rate_hz: fast}\nrell: {}\n")
    assert main(["check", str(tmp_path)]) is Exit.USAGE
    error = capsys.readouterr().err
    assert "transfer.yaml:1" in error
    assert "nothing was done" in error
    assert "transfer.yaml:2" in error
    assert not (tmp_path / "a.wav.vigil.json").exists()


def test_a_changed_byte_is_altered_until_signed_off(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path / "a.wav")
    checked(capsys, str(path))
    data = bytearray(path.read_bytes())
    data[-100] ^= 1
    path.write_bytes(data)
    for _ in range(2):
        status, (report,) = checked(capsys, str(path))
        altered = [f for f in report["findings"] if f["kind"] == "altered"]
        assert [(f["verdict"], f["remedy"]) for f in altered] == [("redo", "recopy")]
        assert altered[0]["values"]["audio_same"] is False
        assert len(report["earlier"]) == 1
        assert status is Exit.REDO


def test_a_damaged_sidecar_is_said_and_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path / "a.wav")
    sidecar = tmp_path / "a.wav.vigil.json"
    sidecar.write_text("{ not json")
    assert main(["check", str(path)]) is Exit.UNREAD
    assert "earlier report cannot be read" in capsys.readouterr().err
    assert (tmp_path / "a.wav.vigil.json.unreadable-1").read_text() == "{ not json"
    json.loads(sidecar.read_text())


@pytest.mark.parametrize("change", ["grow", "cut", "cut early", "replace", "touch", "move"])
def test_a_file_that_changes_while_it_is_read_is_unread(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    change: str,
) -> None:
    path, away = write(tmp_path / "a.wav"), tmp_path.with_name(f"{tmp_path.name} away")
    from watcher import reading

    whole = reading.Reading.read_all

    def read_all(self: reading.Reading, stack: Any) -> None:
        if change == "cut early":
            os.truncate(path, 5000)
        whole(self, stack)
        if change == "grow":
            with path.open("ab") as stream:
                stream.write(b"more")
        elif change == "cut":
            os.truncate(path, 5000)
        elif change == "replace":
            os.replace(write(tmp_path / "b.wav"), path)
        elif change == "move":
            os.rename(tmp_path, away)
        else:
            os.utime(path, (1, 1))

    monkeypatch.setattr(reading.Reading, "read_all", read_all)
    status, (report,) = checked(capsys, str(path))
    assert status is Exit.UNREAD
    assert [k for k in kinds(report) if k != "stands-on"] == ["changed-while-read"]  # told once
    assert ("moved or deleted" in report["findings"][0]["text"]) == (change == "move")
    assert (tmp_path / "a.wav.vigil.json").exists() == (change != "move")  # nothing is left there
    assert report["capture"]["files"][0]["sha256"] is None


def test_a_check_of_ours_that_fails_costs_only_itself(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(context: registry.Context) -> Any:
        raise RuntimeError("boom")

    checks = (registry.Check("clipping", broken), *registry.CHECKS)
    monkeypatch.setattr("watcher.reading.CHECKS", checks)
    status, (report,) = checked(capsys, str(write(tmp_path / "a.wav")))
    assert status is Exit.FAULT
    assert ("clipping", "not-run", "unread") in [
        (f["check"], f["kind"], f["verdict"]) for f in report["findings"]
    ]
    assert report["measures"]["checksum"] is not None


def test_several_at_once_give_the_same_reports(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("a.wav", "b.wav", "c.flac"):
        write(tmp_path / name)

    def comparable(found: list[dict[str, Any]]) -> list[dict[str, Any]]:
        for report in found:
            report["made"] = None
        return sorted(found, key=lambda r: r["capture"]["name"])

    _, one = checked(capsys, "--no-sidecar", str(tmp_path))
    _, two = checked(capsys, "--no-sidecar", "--jobs", "2", str(tmp_path))
    assert comparable(one) == comparable(two)


def test_a_name_that_is_not_utf8_stands_readable_and_exact(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = Path(os.fsdecode(os.fsencode(str(tmp_path)) + b"/b\xff\x1b.wav"))
    os.rename(write(tmp_path / "a.wav"), path)
    _, (report,) = checked(capsys, str(path))
    assert report["capture"]["name"] == "b\\xff\\x1b.wav"
    assert report["capture"]["name_b64"] == "Yv8bLndhdg=="  # base64 of 62 ff 1b 2e 77 61 76
    assert len(list(tmp_path.iterdir())) == 2


def test_a_track_set_is_one_capture_and_one_of_its_files_stands_for_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = noise(tracks=3)
    for number in (1, 2, 4):
        row = data[:, min(number, 3) - 1]
        row = row[:-7] if number == 2 else row
        soundfile.write(tmp_path / f"t_tr{number}.wav", row, 96_000, subtype="PCM_24")
    status, (report,) = checked(capsys, str(tmp_path / "t_tr2.wav"))
    assert {"set-length", "set-missing"} <= set(kinds(report))
    assert status is Exit.REDO
    assert [f["name"] for f in report["capture"]["files"]] == [f"t_tr{n}.wav" for n in (1, 2, 4)]
    assert report["capture"]["tracks"] == ["track 1", "track 2", "track 4"]
    assert report["capture"]["frames"] == len(data) - 7
    assert (tmp_path / "t.set.vigil.json").exists()


def test_files_of_mixed_word_lengths_are_still_one_set(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = noise(tracks=2)
    soundfile.write(tmp_path / "t.L.wav", data[:, 0], 96_000, subtype="PCM_24")
    soundfile.write(tmp_path / "t.R.wav", data[:, 1] / 2**31, 96_000, subtype="FLOAT")
    _, (report,) = checked(capsys, str(tmp_path))
    assert "set-word-length" in kinds(report)
    assert "not-run" not in kinds(report)


def test_beyond_four_gibibytes_and_two_to_the_31_frames(tmp_path: Path) -> None:
    """A sparse RF64 of 4.4e9 one-byte frames: the last ones arrive where they stand."""
    from watcher.reading import Reading
    from watcher.settings import Sheets, load
    from watcher.tracksets import Capture

    frames = 4_400_000_000
    path = tmp_path / "long.wav"
    ds64 = struct.pack("<QQQI", frames + 72, frames, frames, 0)
    head = b"RF64\xff\xff\xff\xffWAVEds64" + struct.pack("<I", 28) + ds64
    head += b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, 384_000, 384_000, 1, 8)
    head += b"data\xff\xff\xff\xff"
    with path.open("wb") as stream:
        stream.write(head)
        stream.seek(len(head) + frames - 3)
        stream.write(b"\x81\x82\x83")
    seen: dict[str, Any] = {}

    class Last:
        def __init__(self, *_: Any) -> None:
            pass

        def feed(self, block: Any) -> None:
            seen["stop"] = block.stop
            seen["tail"] = block.samples[0, -3:].tolist()

        def finish(self) -> Any:
            from checks.model import Outcome

            return Outcome()

    from contextlib import ExitStack
    from unittest.mock import patch

    checks = (registry.Check("format", Last),)
    with (
        patch("watcher.reading.CHECKS", checks),
        ExitStack() as stack,
    ):
        reading = Reading(
            Capture.of_file(path),
            Sheets(load(None), tmp_path).for_capture(path),
            None,
            give_back=False,
        )
        reading.open_all(stack)
        assert reading.members[0].layout is not None
        assert reading.members[0].layout.found_frames == frames
        # the digests are not what is tested here, and cost most of the time
        with patch("checks.checksum.FileDigests.update", lambda *_: None):
            reading.read_all(stack)
    assert reading.frames == frames
    assert seen == {"stop": frames, "tail": [0x01 << 24, 0x02 << 24, 0x03 << 24]}


def test_schema_describes_what_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["schema"]) is Exit.CLEAR
    printed = json.loads(capsys.readouterr().out)
    assert printed == schema()
    _, (report,) = checked(capsys, str(write(tmp_path / "a.wav")))
    assert set(report) == set(printed["properties"])
    line = printed["$defs"]["FindingLine"]["properties"]
    assert all(set(finding) == set(line) for finding in report["findings"])


def test_captures_are_left_exactly_as_they_were(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path / "a.wav")
    before, data = path.stat(), path.read_bytes()
    path.chmod(0o444)
    checked(capsys, str(path))
    after = path.stat()
    assert (before.st_mtime_ns, before.st_ino, data) == (
        after.st_mtime_ns,
        after.st_ino,
        path.read_bytes(),
    )


def test_a_completed_header_is_no_alteration_and_a_shorter_file_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wav(5000, claimed=0, fill=3))
    _, (report,) = checked(capsys, str(path))
    assert "unfinalised" in kinds(report)
    path.write_bytes(wav(2000, fill=3))
    status, (report,) = checked(capsys, str(path))
    assert "altered" in kinds(report)
    assert status == Exit.REDO
    _, (report,) = checked(capsys, str(path))
    assert "altered" in kinds(report)
    path.write_bytes(wav(5000, fill=3))
    _, (report,) = checked(capsys, str(path))
    assert "altered" not in kinds(report)


@pytest.mark.parametrize("name", ["", "/dev/null", "take.wav.vigil.json", "transfer.yaml"])
def test_what_is_no_capture_is_refused_and_gets_no_report(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for file in ("take.wav.vigil.json", "transfer.yaml"):
        (tmp_path / file).write_text("{}")
    before = sorted(tmp_path.iterdir())
    assert main(["check", name]) is Exit.USAGE
    assert capsys.readouterr().err.startswith("reelvigil: ")
    assert sorted(tmp_path.iterdir()) == before
    assert not Path("/dev/null.vigil.json").exists()


def test_a_sheet_by_another_name_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write(tmp_path / "take.wav")
    (tmp_path / "transfer.yml").write_text("expect: {channels: 3}\n")
    main(["check", str(tmp_path / "take.wav")])
    assert "transfer.yml: is not read; a transfer sheet is named transfer.yaml" in (
        capsys.readouterr().err
    )
