"""Sum files that are written, and what sum files beside a capture mean for its check."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from damage_files import flip
from verifying import capture, recorded, run

from watcher import sumfiles, sums_beside
from watcher.cli import main
from watcher.exits import Exit

# -- written -------------------------------------------------------------------------------------


def test_written_from_records_without_reading(tmp_path: Path) -> None:
    recorded(tmp_path, "a.wav")
    before = hashlib.sha256((tmp_path / "a.wav").read_bytes()).hexdigest()
    flip(tmp_path / "a.wav", 5000)
    assert main(["sums", str(tmp_path)]) is Exit.CLEAR
    assert (tmp_path / "SHA256SUMS").read_text() == f"{before}  a.wav\n"


def test_no_empty_list_is_left_where_nothing_is_recorded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "take.wav").write_bytes(b"RIFF")
    assert main(["sums", str(tmp_path)]) is Exit.USAGE
    assert "--from-bytes" in capsys.readouterr().err
    assert not (tmp_path / "SHA256SUMS").exists()
    assert main(["sums", "--from-bytes", str(tmp_path)]) is Exit.CLEAR


def test_bytes_that_are_not_as_recorded_are_written_and_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "a.wav", "b.wav")
    flip(tmp_path / "a.wav", 5000)
    assert main(["sums", "--from-bytes", str(tmp_path)]) is Exit.REDO
    assert "a.wav: its bytes are not as recorded by its report" in capsys.readouterr().err
    subprocess.run(["sha256sum", "--check", "--strict", "SHA256SUMS"], cwd=tmp_path, check=True)


def test_what_cannot_be_listed_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recorded(tmp_path, "a.wav", "b.wav", "c.wav")
    (tmp_path / "a.wav").unlink()
    (tmp_path / "b.wav.vigil.json").unlink()
    (tmp_path / "MD5SUMS").write_text(f"{'0' * 32}  b.wav\n")
    assert main(["sums", str(tmp_path)]) is Exit.LISTEN
    err = capsys.readouterr().err
    assert "a.wav: missing" in err
    assert "b.wav: no SHA-256 of it is recorded" in err


def test_after_a_signed_change_the_list_is_made_anew(tmp_path: Path) -> None:
    recorded(tmp_path, "a.wav")
    main(["sums", str(tmp_path)])
    flip(tmp_path / "a.wav", 5000)
    main(["check", str(tmp_path)])
    main(["signoff", str(tmp_path / "a.wav"), "--by", "QA"])
    assert main(["verify", str(tmp_path)]) is Exit.REDO
    assert main(["sums", "--replace", str(tmp_path)]) is Exit.CLEAR
    assert main(["verify", str(tmp_path)]) is Exit.CLEAR


def test_a_link_in_its_place_is_not_written_through(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    recorded(tmp_path / "in", "a.wav")
    assert main(["sums", str(tmp_path / "in")]) is Exit.CLEAR
    (tmp_path / "in" / "SHA256SUMS").rename(outside)
    (tmp_path / "in" / "SHA256SUMS").symlink_to(outside)
    assert main(["sums", str(tmp_path / "in")]) is Exit.USAGE  # whatever it leads to
    outside.write_text("precious\n")
    assert main(["sums", "--replace", str(tmp_path / "in")]) is Exit.CLEAR
    assert outside.read_text() == "precious\n"
    assert not (tmp_path / "in" / "SHA256SUMS").is_symlink()


def test_lines_that_say_nothing_are_counted_not_all_listed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "a.wav")
    (tmp_path / "checksums.txt").write_text("made on a rainy day\n" * 100)
    status, _, last = run(capsys, str(tmp_path))
    assert status is Exit.UNREAD
    assert last["counts"]["unread"] == 6


# -- names in two Unicode forms ------------------------------------------------------------------

COMPOSED = unicodedata.normalize("NFC", "fjo\u0308rd.wav")
DECOMPOSED = unicodedata.normalize("NFD", COMPOSED)


def listing(folder: Path, name: str, *lines: tuple[str, bytes]) -> None:
    text = "".join(f"{hashlib.sha256(data).hexdigest()}  {listed}\n" for listed, data in lines)
    (folder / name).write_text(text)


def test_twins_are_two_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / COMPOSED).write_bytes(b"one")
    (tmp_path / DECOMPOSED).write_bytes(b"two")
    listing(tmp_path, "SHA256SUMS", (COMPOSED, b"one"), (DECOMPOSED, b"two"))
    _, _, last = run(capsys, str(tmp_path))
    assert last["counts"]["intact"] == 2
    (tmp_path / COMPOSED).unlink()
    status, results, _ = run(capsys, str(tmp_path))
    assert status is Exit.REDO
    assert results[COMPOSED]["state"] == "missing"
    assert results[DECOMPOSED]["state"] == "intact"


def test_records_in_different_forms_are_of_one_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / DECOMPOSED).write_bytes(b"one")
    listing(tmp_path, "SHA256SUMS", (COMPOSED, b"one"))
    listing(tmp_path, "old.sha256", (DECOMPOSED, b"other"))
    status, results, last = run(capsys, str(tmp_path))
    assert last["counts"] | {"altered": 0} == dict.fromkeys(last["counts"], 0)
    assert sorted(results[DECOMPOSED]["sources"]) == ["SHA256SUMS:1", "old.sha256:1"]
    assert "The records disagree" in results[DECOMPOSED]["text"]
    assert status is Exit.REDO


# -- beside a capture ------------------------------------------------------------------------------


def checked(capsys: pytest.CaptureFixture[str], path: Path) -> dict[str, Any]:
    capsys.readouterr()
    main(["check", "--json", "--no-sidecar", str(path)])
    report: dict[str, Any] = json.loads(capsys.readouterr().out)
    return report


def kinds(report: dict[str, Any]) -> list[str]:
    return [f["kind"] for f in report["findings"] if f["check"] == "checksum"]


@pytest.mark.parametrize(
    ("tool", "options", "name"),
    [
        ("sha256sum", [], "SHA256SUMS"),
        ("md5sum", ["--tag"], "take.md5"),
        ("b2sum", [], "B2SUMS"),
        ("sha512sum", ["-b"], "SHA512SUMS"),
    ],
)
@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_a_sum_file_beside_a_capture_is_compared(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    tool: str,
    options: list[str],
    name: str,
    suffix: str,
) -> None:
    path = capture(tmp_path / f"a.{suffix}")
    done = subprocess.run(
        [tool, *options, path.name], cwd=tmp_path, capture_output=True, check=True
    )
    (tmp_path / name).write_bytes(done.stdout)
    report = checked(capsys, path)
    assert kinds(report) == []
    (stored,) = (s for s in report["measures"]["checksum"]["stored"] if s["kind"] != "flac-md5")
    assert stored["kind"] == f"{name}:1"
    assert stored["agrees"] is True
    flip(path, path.stat().st_size - 1)
    report = checked(capsys, path)
    assert "stored-digest" in kinds(report)
    finding = next(f for f in report["findings"] if f["values"].get("digest") == f"{name}:1")
    assert (finding["verdict"], finding["remedy"]) == ("redo", "recopy")
    assert report["verdict"] in ("redo", "unread")


def test_a_sum_asked_for_and_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = capture(tmp_path / "a.wav")
    (tmp_path / "transfer.yaml").write_text("expect: {stored_digest: true}\n")
    assert kinds(checked(capsys, path)) == ["sum-missing"]
    listing(tmp_path, "SHA256SUMS", ("other.wav", b""), ("../a.wav", b""), ("sub/a.wav", b""))
    assert kinds(checked(capsys, path)) == ["sum-missing"]
    listing(tmp_path, "SHA256SUMS", ("./a.wav", path.read_bytes()))
    assert kinds(checked(capsys, path)) == []


def test_each_file_of_a_set_has_its_own_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = [capture(tmp_path / f"t_tr{n}.wav", seed=n, channels=1) for n in (1, 2)]
    listing(tmp_path, "SHA256SUMS", *((f.name, f.read_bytes()) for f in files))
    flip(files[1], 5000)
    os.utime(files[1])
    report = checked(capsys, files[0])
    assert kinds(report) == ["stored-digest"]
    (finding,) = (f for f in report["findings"] if f["check"] == "checksum")
    assert finding["values"]["file"] == "t_tr2.wav"


def bare(path: Path, algorithm: str) -> str:
    return hashlib.new(algorithm, path.read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("name", "algorithm"),
    [("a.wav.md5", "md5"), ("a.wav.sha256", "sha256"), ("a.wav.SHA1", "sha1"), ("a.wav.b2", "")],
)
def test_a_bare_digest_called_after_its_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, algorithm: str
) -> None:
    path, other = capture(tmp_path / "a.wav"), capture(tmp_path / "b.wav", seed=1)
    (tmp_path / name).write_text(f"  {bare(path, algorithm or 'blake2b').upper()}\r\n")
    report = checked(capsys, path)
    (stored,) = report["measures"]["checksum"]["stored"]
    assert (stored["kind"], stored["agrees"]) == (f"{name}:1", True)
    assert kinds(report) == kinds(checked(capsys, other)) == []
    _, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["sources"] == [f"{name}:1"]
    flip(path, 5000)
    assert kinds(checked(capsys, path)) == ["stored-digest"]
    assert run(capsys, str(tmp_path))[0] is Exit.REDO


@pytest.mark.parametrize(
    ("name", "content", "why", "verdict"),
    [
        ("a.md5", "0" * 32, "line 1 is neither digest and name nor the BSD form", "listen"),
        ("a.wav.sha256", "0" * 32, "line 1 is neither digest and name", "listen"),
        ("a.wav.md5", "", "it is empty", "clear"),
        ("MD5SUMS", "what?\nand?\n", "the BSD form, and 1 more such line", "clear"),
        ("MD5SUMS", "", "it is empty", "clear"),
        ("SHA256SUMS", None, "larger than 0 MiB", "listen"),
    ],
)
def test_a_list_that_says_nothing_is_said(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    content: str | None,
    why: str,
    verdict: str,
) -> None:
    path = capture(tmp_path / "a.wav")
    if content is None:
        monkeypatch.setattr(sumfiles, "MAX_BYTES", 100)
    (tmp_path / name).write_text("x" * 101 if content is None else content)
    (finding,) = (f for f in checked(capsys, path)["findings"] if f["check"] == "checksum")
    assert (finding["kind"], finding["verdict"]) == ("list-unread", verdict)
    assert finding["values"]["list"] == name
    assert why in finding["text"]


@pytest.mark.parametrize("name", ["b.md5", "b.wav.md5", "b.wav.sha256"])
def test_a_list_that_says_nothing_of_another_file_is_not_said_here(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    path, _ = capture(tmp_path / "a.wav"), capture(tmp_path / "b.wav", seed=1)
    (tmp_path / name).write_text("what?\n")
    assert kinds(checked(capsys, path)) == []


def test_a_list_that_cannot_be_read_or_went_drops_no_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = capture(tmp_path / "a.wav")
    real = sums_beside._read
    for name in ("1.md5", "2.md5", "3.sha256"):
        listing(tmp_path, name, ("a.wav", path.read_bytes()))

    def failing(place: bytes, *stamp: int) -> Any:
        if place.endswith(b"1.md5"):
            raise FileNotFoundError(2, "No such file or directory")
        if place.endswith(b"2.md5"):
            raise PermissionError(13, "Permission denied")
        return real(place, *stamp)

    monkeypatch.setattr(sums_beside, "_read", failing)
    report = checked(capsys, path)
    assert [s["kind"] for s in report["measures"]["checksum"]["stored"]] == ["3.sha256:1"]
    (finding,) = (f for f in report["findings"] if f["check"] == "checksum")
    assert finding["values"] == {"list": "2.md5", "why": "Permission denied"}
