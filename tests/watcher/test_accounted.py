"""What the files account for is not asked of the tape a second time."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from verifying import capture

from checks.measures import ContainerMeasures, DropoutsMeasures
from checks.model import Finding, Outcome, Remedy, Verdict
from watcher.accounted import accounted
from watcher.cli import main
from watcher.exits import Exit

SHEET = "expect:\n  channels: {}\n"


def found(check: str, kind: str, verdict: Verdict, at: int | None) -> Finding:
    return Finding(
        check=check,
        kind=kind,
        verdict=verdict,
        remedy=Remedy.NONE,
        text="x",
        start_frame=at,
        frames=None if at is None else 1,
    )


@pytest.mark.parametrize(
    ("file", "grows", "kept"),
    [
        (found("container", "truncated", Verdict.REDO, 1_000_000), False, [400_000]),
        (found("container", "unreadable", Verdict.UNREAD, 1_000_000), False, [400_000]),
        (
            found("container", "trailing-bytes", Verdict.CLEAR, None),
            False,
            [400_000, 950_000, 999_999],
        ),
        (
            found("container", "unreadable", Verdict.UNREAD, None),
            False,
            [400_000, 950_000, 999_999],
        ),
        (found("container", "changed-while-read", Verdict.UNREAD, None), True, [400_000]),
    ],
)
def test_an_end_that_the_file_accounts_for(file: Finding, grows: bool, kept: list[int]) -> None:
    ends = (
        found("dropouts", "signal-lost", Verdict.REDO, 400_000),  # long before the end: the tape's
        found("dropouts", "signal-lost", Verdict.REDO, 950_000),
        found("dropouts", "cut-end", Verdict.LISTEN, 999_999),
    )
    outcomes = {
        "container": Outcome(findings=(file,), measures=ContainerMeasures(files=())),
        "dropouts": Outcome(findings=ends, measures=DropoutsMeasures(tracks=(), programme_s=())),
    }
    told = accounted(outcomes, rate_hz=96_000, frames=1_000_000, grows=grows)
    assert [f.start_frame for f in told["dropouts"].findings] == kept
    assert told["container"].findings == (file,)


def report_of(capsys: pytest.CaptureFixture[str], folder: Path) -> tuple[Exit, dict[str, Any]]:
    capsys.readouterr()
    status = main(["check", "--json", "--no-sidecar", str(folder)])
    (line,) = capsys.readouterr().out.splitlines()
    return status, json.loads(line)


def test_a_missing_file_of_a_set_is_no_tape_to_be_played_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in (1, 2, 4):
        capture(tmp_path / f"take_tr0{number}.wav", seed=number, channels=1)
    (tmp_path / "transfer.yaml").write_text(SHEET.format(4))
    _, report = report_of(capsys, tmp_path)
    asked = {f["kind"]: f["remedy"] for f in report["findings"] if f["verdict"] == "redo"}
    assert asked == {"set-missing": "recopy"}


@pytest.mark.parametrize(("asked", "remedy"), [(4, "replay"), (2, "mend")])
def test_a_count_that_no_missing_file_accounts_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], asked: int, remedy: str
) -> None:
    capture(tmp_path / "a.wav", channels=3)
    (tmp_path / "transfer.yaml").write_text(SHEET.format(asked))
    _, report = report_of(capsys, tmp_path)
    (finding,) = [f for f in report["findings"] if f["kind"] == "channels"]
    assert finding["remedy"] == remedy
    assert ("play the tape again" in finding["text"]) is (asked == 4)
    assert "put the sheet right" in finding["text"]


def test_a_damaged_flac_is_told_in_a_sentence_with_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = capture(tmp_path / "a.flac", frames=60_000)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    data[len(data) // 2 + 1] ^= 0xFF
    path.write_bytes(data)
    status, report = report_of(capsys, tmp_path)
    assert status is Exit.UNREAD
    texts = [f["text"] for f in report["findings"] if f["verdict"] == "unread"]
    (text,) = [t for t in texts if "decoded" in t]
    assert text.startswith("a.flac cannot be decoded beyond frame ")
    assert "Error" not in text
    assert text.endswith(
        "fetch it again from where it was recorded before the tape is played again."
    )
