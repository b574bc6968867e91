"""Captures that changed places: both are altered, and each is said to hold the other's content."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest
from damage_files import flip
from verifying import capture, recorded, run

from watcher.cli import main
from watcher.exits import Exit


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_each_of_two_is_said_to_hold_the_others_content(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], jobs: str
) -> None:
    for seed, name in enumerate(("a/take.wav", "b/take.wav", "b/other.wav")):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        capture(tmp_path / name, seed=seed)
    main(["check", "--json", str(tmp_path)])
    one, two, aside = (tmp_path / part for part in ("a/take.wav", "b/take.wav", "aside"))
    flip(tmp_path / "b" / "other.wav", 5000)
    for old, new in ((one, aside), (two, one), (aside, two)):
        os.rename(old, new)
    capsys.readouterr()
    status = main(["verify", "--jobs", jobs, str(tmp_path)])
    assert status is Exit.REDO
    told = " ".join(capsys.readouterr().out.split())
    for own, other in ((one, two), (two, one)):
        assert f"altered {own} " in told
        assert f"Its content is the one recorded of {other}: " in told
    assert told.count("Its content is the one recorded of") == 2  # not of the one that is damaged
    _, results, _ = run(capsys, str(tmp_path))
    assert results["other.wav"]["state"] == "altered"


def test_a_copy_over_another_is_told_beside_the_one_that_is_intact(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "one.wav", "two.wav")
    (tmp_path / "two.wav").write_bytes((tmp_path / "one.wav").read_bytes())
    _, results, _ = run(capsys, str(tmp_path))
    assert results["one.wav"]["state"] == "intact"
    assert f"the one recorded of {tmp_path}/one.wav: " in results["two.wav"]["text"]


def test_what_a_file_of_its_own_is_recorded_with_is_no_other_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A list agrees with it and its report does not: the records disagree, nothing changed places.

    Another file holds the same, as a copy does.
    """
    recorded(tmp_path, "one.wav", "two.wav")
    (tmp_path / "two.wav").write_bytes((tmp_path / "one.wav").read_bytes())
    digest = hashlib.sha256((tmp_path / "one.wav").read_bytes()).hexdigest()
    (tmp_path / "SHA256SUMS").write_text(f"{digest}  two.wav\n")
    _, results, _ = run(capsys, str(tmp_path))
    assert results["two.wav"]["state"] == "altered"
    assert "The records disagree" in results["two.wav"]["text"]
    assert "recorded of" not in results["two.wav"]["text"]
