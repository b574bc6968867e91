"""A take that a person wants done again is watched until another comes in its place."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest
from damage_files import flip
from verifying import capture, known, recorded, run

from watcher.cli import main
from watcher.exits import Exit
from watcher.ledger import Ledger
from watcher.report import from_json


@pytest.fixture(params=["report", "report and ledger", "report, ledger not told"])
def take(tmp_path: Path, state_home: Path, request: pytest.FixtureRequest) -> Path:
    """A capture signed as to be done again, known by these."""
    folder = tmp_path / "store"
    recorded(folder, "a.wav")
    place = state_home / "reelvigil" / "ledger.sqlite"
    if "ledger" in request.param:
        with Ledger(place) as ledger:
            known(ledger, folder, "a.wav", "a.wav")
    if "not told" in request.param:
        place.rename(tmp_path / "aside")
    call = ["signoff", str(folder / "a.wav"), "--by", "AB", "--verdict", "redo", "--note", "dull"]
    assert main(call) is Exit.CLEAR
    if "not told" in request.param:
        (tmp_path / "aside").rename(place)
    return folder / "a.wav"


def silently(path: Path) -> None:
    """Another content under the same size and date."""
    before = path.stat()
    flip(path, 3000)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


@pytest.mark.parametrize("how", [(), ("--quick",)])
def test_the_same_bytes_are_intact_and_the_decision_is_told(
    take: Path, capsys: pytest.CaptureFixture[str], how: tuple[str, ...]
) -> None:
    status, results, _ = run(capsys, *how, str(take.parent))
    assert (status, results["a.wav"]["state"]) == (Exit.CLEAR, "intact")
    assert "wants it done again (signed AB, " in results["a.wav"]["text"]
    assert "only take" in results["a.wav"]["text"]


def test_its_digest_is_listed(take: Path) -> None:
    assert main(["sums", str(take.parent)]) is Exit.CLEAR
    check = ["sha256sum", "-c", "--strict", "SHA256SUMS"]
    done = subprocess.run(check, cwd=take.parent, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, "a.wav: OK\n")


def test_a_change_behind_its_size_and_date_is_seen(
    take: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    silently(take)
    status, results, _ = run(capsys, str(take.parent))
    assert (status, results["a.wav"]["state"]) == (Exit.REDO, "altered")
    assert "pretend that nothing happened" in results["a.wav"]["text"]
    assert results["a.wav"]["mebibytes"] == 1  # by the report that stands beside it


@pytest.mark.parametrize("how", [(), ("--quick",)])
def test_what_is_played_again_is_no_alteration(
    take: Path, capsys: pytest.CaptureFixture[str], how: tuple[str, ...]
) -> None:
    capture(take, frames=5000, seed=7)
    status, results, _ = run(capsys, *how, str(take.parent))
    assert (status, results["a.wav"]["state"]) == (Exit.LISTEN, "unrecorded")
    assert "signed AB, " in results["a.wav"]["text"]
    assert main(["sums", str(take.parent)]) is Exit.USAGE  # nothing else is there to list
    assert main(["check", "--json", str(take)]) is not Exit.REDO
    report = from_json((take.parent / "a.wav.vigil.json").read_bytes())
    assert not [f for f in report.findings if f.kind == "altered"]
    status, results, _ = run(capsys, str(take.parent))
    assert (status, results["a.wav"]["state"]) == (Exit.CLEAR, "intact")
    assert results["a.wav"]["text"] is None


def test_a_list_that_knows_the_new_take_is_believed(
    take: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capture(take, frames=5000, seed=7)
    assert main(["sums", "--from-bytes", str(take.parent)]) is Exit.CLEAR
    status, results, _ = run(capsys, str(take.parent))
    assert (status, results["a.wav"]["state"]) == (Exit.CLEAR, "intact")
    assert "but as recorded by SHA256SUMS:1" in results["a.wav"]["text"]


@pytest.mark.parametrize("tool", ["sha256sum", "md5sum"])
def test_a_list_of_the_old_take_does_not_accuse_the_new_one(
    tmp_path: Path, state_home: Path, capsys: pytest.CaptureFixture[str], tool: str
) -> None:
    path = tmp_path / "a.wav"
    capture(path)
    listing = subprocess.run([tool, "a.wav"], cwd=tmp_path, capture_output=True, check=True)
    (tmp_path / "old.md5").write_bytes(listing.stdout)
    main(["check", str(path)])
    main(["signoff", str(path), "--by", "AB", "--verdict", "redo", "--note", "dull"])
    capture(path, frames=5000, seed=7)
    for _ in range(3):  # what is known of the old take is handed on
        main(["check", "--json", str(path)])
        report = from_json((tmp_path / "a.wav.vigil.json").read_bytes())
        told = [f for f in report.findings if f.check == "checksum"]
        assert [(f.kind, f.verdict, f.remedy) for f in told] == [("stored-digest", "clear", "none")]
        assert "old.md5:1" in told[0].text
        status, results, _ = run(capsys, str(tmp_path))
        assert (status, results["a.wav"]["state"]) == (Exit.CLEAR, "intact")
        assert "old.md5:1" in results["a.wav"]["text"]
    silently(path)  # and no change is hidden behind it
    main(["check", "--json", str(path)])
    report = from_json((tmp_path / "a.wav.vigil.json").read_bytes())
    assert "altered" in [f.kind for f in report.findings]
    assert run(capsys, str(tmp_path))[1]["a.wav"]["state"] == "altered"


def test_a_list_accuses_the_old_take_that_changed_by_itself(
    tmp_path: Path, state_home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.wav"
    recorded(tmp_path, path.name)
    main(["sums", str(tmp_path)])
    main(["signoff", str(path), "--by", "AB", "--verdict", "redo"])
    silently(path)
    for _ in range(2):  # nor is it forgotten
        assert main(["check", "--json", str(path)]) is Exit.REDO
        report = from_json((tmp_path / "a.wav.vigil.json").read_bytes())
        assert ("stored-digest", "redo") in [(f.kind, f.verdict) for f in report.findings]
        assert run(capsys, str(tmp_path))[1]["a.wav"]["state"] == "altered"


def test_one_that_is_gone_is_missing(take: Path, capsys: pytest.CaptureFixture[str]) -> None:
    take.unlink()
    status, results, _ = run(capsys, str(take.parent))
    assert (status, results["a.wav"]["state"]) == (Exit.REDO, "missing")
    assert "wanted it done again (signed AB, " in results["a.wav"]["text"]


def test_every_file_of_a_set_is_watched(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recorded(tmp_path, "t_tr1.wav", "t_tr2.wav")
    main(["signoff", str(tmp_path / "t_tr1.wav"), "--by", "AB", "--verdict", "redo"])
    silently(tmp_path / "t_tr2.wav")
    _, results, _ = run(capsys, str(tmp_path))
    assert [line["state"] for _, line in sorted(results.items())] == ["intact", "altered"]


def test_the_ledger_alone_knows_the_decision(
    tmp_path: Path, state_home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "a.wav")
    with Ledger(state_home / "reelvigil" / "ledger.sqlite") as ledger:
        known(ledger, tmp_path, "a.wav", "a.wav")
    main(["signoff", str(tmp_path / "a.wav"), "--by", "AB", "--verdict", "redo"])
    (tmp_path / "a.wav.vigil.json").unlink()
    _, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["state"] == "intact"
    assert "signed AB, " in results["a.wav"]["text"]
    capture(tmp_path / "a.wav", seed=7)
    assert run(capsys, str(tmp_path))[1]["a.wav"]["state"] == "unrecorded"
