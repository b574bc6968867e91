"""Results that nobody can take, paths that may not be looked at: a sentence, never a traceback."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path
from typing import IO, Any

import numpy as np
import pytest
import soundfile
from running import PROJECT

from watcher.cli import main
from watcher.exits import Exit


def capture(folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    noise = np.random.default_rng(1).normal(0, 0.02, (4800, 2))
    soundfile.write(folder / "a.wav", noise, 48_000, subtype="PCM_24")
    return folder / "a.wav"


def called(
    *arguments: str, stdout: int | IO[Any] = subprocess.PIPE, unbuffered: bool = False, **how: Any
) -> tuple[int, str]:
    """Exit status and what stands on standard error."""
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONUNBUFFERED"}
    environment |= {"OPENBLAS_NUM_THREADS": "1"} | ({"PYTHONUNBUFFERED": "1"} if unbuffered else {})
    done = subprocess.run(
        [sys.executable, "-m", "watcher", *arguments],
        cwd=PROJECT,
        stdout=stdout,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
        timeout=120,
        check=False,
        **how,
    )
    return done.returncode, done.stderr


CALLS = (["check", "--no-sidecar"], ["check", "--no-sidecar", "--json"], ["config", "show"])


@pytest.mark.parametrize("unbuffered", [False, True])
@pytest.mark.parametrize("call", [*CALLS, ["check", "--help"]])
def test_output_that_cannot_be_written_is_a_fault_in_one_sentence(
    tmp_path: Path, call: list[str], unbuffered: bool
) -> None:
    if not os.path.exists("/dev/full"):
        pytest.skip("no /dev/full here (Linux has it)")
    with open("/dev/full", "w") as full:
        status, said = called(*call, str(capture(tmp_path)), stdout=full, unbuffered=unbuffered)
    assert status == Exit.FAULT
    assert said.startswith("reelvigil: standard output cannot be written (No space left on device)")
    assert said.count("\n") == 1


@pytest.mark.parametrize("call", CALLS)
def test_a_reader_that_went_away_is_not_told_that_all_is_clear(
    tmp_path: Path, call: list[str]
) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as nobody:
        assert called(*call, str(capture(tmp_path)), stdout=nobody) == (Exit.INTERRUPTED, "")


def test_closed_standard_output_is_wrong_use_and_nothing_is_done(tmp_path: Path) -> None:
    path = capture(tmp_path)
    status, said = called("check", str(path), preexec_fn=lambda: os.close(1))
    assert status == Exit.USAGE
    assert said.startswith("reelvigil: standard output is closed")
    assert [p.name for p in tmp_path.iterdir()] == ["a.wav"]


def test_closed_standard_error_hides_no_result_and_gets_none(tmp_path: Path) -> None:
    """With no standard error, messages would land among the results."""
    path = capture(tmp_path)
    (tmp_path / "transfer.yml").write_text("")  # is told on standard error
    with (tmp_path / "out").open("w+") as out:
        called("check", "--no-sidecar", "--json", str(path), stdout=out,
               preexec_fn=lambda: os.close(2))  # fmt: skip
        out.seek(0)
        assert [line[:10] for line in out] == ['{"format":']


@pytest.mark.parametrize("command", ["check", "lineup", "show"])
def test_a_folder_that_may_not_be_entered(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    command: str,
) -> None:
    path = capture(tmp_path / "closed")
    path.parent.chmod(0)
    if os.access(path.parent, os.X_OK):  # root may: then as the system answers all others
        whole = os.lstat

        def lstat(name: Any, **how: Any) -> os.stat_result:
            if Path(name).parent == path.parent:
                raise PermissionError(errno.EACCES, "Permission denied", str(name))
            return whole(name, **how)

        monkeypatch.setattr("watcher.check.os.lstat", lstat)
    try:
        assert main([command, str(path)]) is Exit.USAGE
    finally:
        path.parent.chmod(0o700)
    said = capsys.readouterr().err
    assert "a.wav: cannot be looked at (Permission denied)" in said
    assert said.count("\n") == 1


def test_a_folder_that_may_be_entered_but_not_listed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = capture(tmp_path)

    def listdir(name: Any) -> list[str]:
        raise PermissionError(errno.EACCES, "Permission denied", str(name))

    monkeypatch.setattr("watcher.commands.os.listdir", listdir)
    assert main(["check", "--no-sidecar", "--json", str(path)]) is not Exit.FAULT
    assert capsys.readouterr().out.startswith('{"format":')


def test_a_full_disk_ends_the_demo_with_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> Path:
        raise OSError(errno.ENOSPC, "No space left on device")  # as write(2): with no name

    monkeypatch.setattr("sample_captures.make.make_one", full)
    assert main(["demo", str(tmp_path / "demo")]) is Exit.FAULT
    said = capsys.readouterr().err
    assert "demo: the sample captures could not be written (No space left on device)" in said
    assert "Traceback" not in said


def test_what_the_system_refuses_anywhere_else_is_said_with_its_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: Any, **__: Any) -> None:
        raise OSError(errno.EIO, "Input/output error", "/store/a\n.wav")

    monkeypatch.setattr("watcher.check.plan", refused)
    assert main(["check", str(tmp_path)]) is Exit.FAULT
    assert capsys.readouterr().err == "reelvigil: /store/a\\n.wav: Input/output error\n"
