"""A report that was damaged, or written by hand, is told as one that cannot be read."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from verifying import capture

from watcher.cli import main
from watcher.exits import Exit
from watcher.report import ReportError, from_json

# RFC 8259, 6: what a receiver can hold of a number is its own affair; 4: a name with a zero byte
# is good JSON, but no name of a file (POSIX.1, "Pathname"). FIPS 180-4, 1: SHA-256 has 256 bits.
BAD: list[tuple[tuple[str | int, ...], str]] = [
    (("made", "took_s"), "1e999"),
    (("capture", "duration_s"), "-1e999"),
    (("capture", "rate_hz"), "9" * 400),
    (("capture", "name"), '"a\\u0000b.wav"'),
    (("capture", "files", 0, "name"), '"a\\u0000b.wav"'),
    (("capture", "files", 0, "name"), '"\\ud800"'),
    (("capture", "files", 0, "name_b64"), '"x"'),
    (("capture", "folder_b64"), '"\\u00e9"'),
    (("capture", "files", 0, "sha256"), f'"{"q" * 64}"'),
    (("capture", "files", 0, "sha256"), '"00ff"'),
]


@pytest.fixture
def take(tmp_path: Path) -> Path:
    path = capture(tmp_path / "a.wav")
    main(["check", str(path)])
    return path


def sidecar(take: Path) -> Path:
    return take.with_name(f"{take.name}.vigil.json")


def spoil(take: Path, place: tuple[str | int, ...], text: str) -> None:
    """Put a piece of JSON in the place of a value of the report."""
    values: Any = json.loads(sidecar(take).read_bytes())
    inner = values
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = "HERE"
    sidecar(take).write_text(json.dumps(values, indent=1).replace('"HERE"', text), "ascii")


@pytest.mark.parametrize(("place", "text"), BAD)
def test_what_is_no_number_name_or_digest_is_told(
    take: Path,
    place: tuple[str | int, ...],
    text: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    spoil(take, place, text)
    with pytest.raises(ReportError):
        from_json(sidecar(take).read_bytes())
    capsys.readouterr()
    for command in (["show"], ["signoff", "--by", "AB"]):
        assert main([*command, str(take)]) is Exit.UNREAD
        assert "cannot be read (" in capsys.readouterr().err


@pytest.mark.parametrize(("place", "text"), [bad for bad in BAD if bad[0][0] != "made"])
def test_verify_tells_it_as_well_and_goes_on(
    take: Path,
    place: tuple[str | int, ...],
    text: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    other = capture(take.with_name("b.wav"))
    main(["check", str(other)])
    spoil(take, place, text)
    capsys.readouterr()
    status = main(["verify", "--json", str(take.parent)])
    assert status is not Exit.FAULT
    assert '"intact": ' in capsys.readouterr().out


def test_what_a_header_may_claim_is_a_number(take: Path) -> None:
    """Sizes of 64 bits (EBU Tech 3306, ds64)."""
    spoil(take, ("measures", "container", "files", 0, "header_frames"), str(2**64 - 1))
    report = from_json(sidecar(take).read_bytes())
    assert report.measures.container is not None
    assert report.measures.container.files[0].header_frames == 2**64 - 1
