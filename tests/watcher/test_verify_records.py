"""``verify`` and its records: a ledger beside reports; records that differ, are lost or broken."""

from __future__ import annotations

import contextlib
import os
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from damage_files import flip, grow
from verifying import known, recorded, run

from watcher import commands_verify, truths
from watcher.cli import main
from watcher.exits import Exit
from watcher.ledger import Ledger, LedgerError
from watcher.roots import enrol

pytestmark = pytest.mark.usefixtures("every_reading_seen")


@pytest.fixture
def ledger_path(state_home: Path) -> Path:
    return state_home / "reelvigil" / "ledger.sqlite"


# -- the ledger --------------------------------------------------------------------------------


def test_ledger_and_report_that_differ_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ledger_path: Path
) -> None:
    recorded(tmp_path, "a.wav")
    with Ledger(ledger_path) as ledger:
        known(ledger, tmp_path, "a.wav", "a.wav")
    _, results, _ = run(capsys, str(tmp_path))
    assert results["a.wav"]["sources"] == ["sidecar", "ledger"]
    assert results["a.wav"]["state"] == "intact"
    # somebody changes the file, takes its report away and has it checked anew
    flip(tmp_path / "a.wav", 3000)
    (tmp_path / "a.wav.vigil.json").unlink()
    main(["check", str(tmp_path)])
    status, results, _ = run(capsys, str(tmp_path))
    assert status is Exit.REDO
    assert results["a.wav"]["state"] == "altered"
    assert (
        "The records disagree: it is as recorded by its report, not as recorded by the ledger"
        in results["a.wav"]["text"]
    )


def test_several_reports_of_one_file_are_told_by_their_names(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Files of a former track set have the set's report and each its own."""
    recorded(tmp_path, "t_tr1.wav", "t_tr2.wav")
    flip(tmp_path / "t_tr2.wav", 3000)
    (tmp_path / "transfer.yaml").write_text("track_sets: {enabled: false}\n")
    main(["check", str(tmp_path)])
    _, results, _ = run(capsys, str(tmp_path))
    text = results["t_tr2.wav"]["text"]
    assert "as recorded by the report t_tr2.wav.vigil.json, not as " in text
    assert "recorded by the report t.set.vigil.json." in text
    assert "its report" not in text
    main(["verify", str(tmp_path)])
    said = " ".join(capsys.readouterr().out.split())
    assert "by the report t.set.vigil.json of " in said


# -- a quick look ------------------------------------------------------------------------------


def test_what_a_check_found_altered_is_no_less_so_at_a_quick_look(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "a.wav", "b.wav")
    flip(tmp_path / "a.wav", 3000)
    main(["check", str(tmp_path)])
    status, results, last = run(capsys, "--quick", str(tmp_path))
    assert (status, last["bytes_read"]) == (Exit.REDO, 0)
    assert {n: line["state"] for n, line in results.items()} == {
        "a.wav": "altered",
        "b.wav": "intact",
    }
    assert "Altered by its report" in results["a.wav"]["text"]
    assert results["a.wav"]["changed"] == "audio"
    assert "since" not in results["a.wav"]["text"]
    # fetched again: nobody knows by its date alone that it is the recorded content
    flip(tmp_path / "a.wav", 3000)
    _, results, _ = run(capsys, "--quick", str(tmp_path))
    assert "another size or date since" in results["a.wav"]["text"]
    assert run(capsys, str(tmp_path))[1]["a.wav"]["state"] == "intact"
    main(["check", str(tmp_path)])
    assert run(capsys, "--quick", str(tmp_path))[1]["a.wav"]["state"] == "intact"


def test_metadata_alone_that_a_check_found_altered_is_to_be_looked_at(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path, "a.wav")
    grow(tmp_path / "a.wav", b"note\x02\x00\x00\x00xx")
    main(["check", str(tmp_path)])
    status, results, _ = run(capsys, "--quick", str(tmp_path))
    assert (status, results["a.wav"]["state"]) == (Exit.LISTEN, "altered")
    assert results["a.wav"]["changed"] == "metadata"


def test_what_the_ledger_alone_knows_to_be_altered_is_so_at_a_quick_look(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ledger_path: Path
) -> None:
    recorded(tmp_path, "a.wav")
    with Ledger(ledger_path) as ledger:
        known(ledger, tmp_path, "a.wav", "a.wav")
    flip(tmp_path / "a.wav", 3000)
    main(["check", str(tmp_path)])
    with Ledger(ledger_path) as ledger:
        known(ledger, tmp_path, "a.wav", "a.wav")
    (tmp_path / "a.wav.vigil.json").unlink()
    status, results, _ = run(capsys, "--quick", str(tmp_path))
    assert (status, results["a.wav"]["state"]) == (Exit.REDO, "altered")
    assert "Altered by the ledger" in results["a.wav"]["text"]


# -- the ledger alone --------------------------------------------------------------------------


def test_the_ledger_alone_is_record_enough(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ledger_path: Path
) -> None:
    recorded(tmp_path, "a.wav", "b.wav")
    with Ledger(ledger_path) as ledger:
        for name in ("a.wav", "b.wav"):
            known(ledger, tmp_path, name, name)
    for report in tmp_path.glob("*.vigil.json"):
        report.unlink()
    (tmp_path / "b.wav").unlink()
    status, results, _ = run(capsys, str(tmp_path))
    assert status is Exit.REDO
    assert {name: line["state"] for name, line in results.items()} == {
        "a.wav": "intact",
        "b.wav": "missing",
    }
    assert results["b.wav"]["source"] == "ledger"


@pytest.mark.parametrize("told", [True, False], ids=["ledger told", "ledger not told"])
def test_a_signed_change_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ledger_path: Path, *, told: bool
) -> None:
    """Also where the person who signed could not write to the daemon's ledger."""
    recorded(tmp_path, "a.wav")
    with Ledger(ledger_path) as ledger:
        known(ledger, tmp_path, "a.wav", "a.wav")
    flip(tmp_path / "a.wav", 3000)
    main(["check", str(tmp_path)])
    status, results, _ = run(capsys, str(tmp_path))
    assert (status, results["a.wav"]["state"]) == (Exit.REDO, "altered")
    aside = ledger_path.with_name("aside")
    if not told:
        ledger_path.rename(aside)
    else:
        with Ledger(ledger_path) as ledger:
            known(ledger, tmp_path, "a.wav", "a.wav")
    assert main(["signoff", str(tmp_path / "a.wav"), "--by", "QA"]) is Exit.CLEAR
    if not told:
        for rest in ledger_path.parent.glob("ledger.sqlite*"):
            rest.unlink()
        aside.rename(ledger_path)
    status, results, _ = run(capsys, str(tmp_path))
    assert (status, results["a.wav"]["state"]) == (Exit.CLEAR, "intact")


def test_lost_storage_is_not_missing_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ledger_path: Path
) -> None:
    store = tmp_path / "store"
    recorded(store, "a.wav", "b.wav")
    marker = enrol(store, "server")
    with Ledger(ledger_path) as ledger:
        for name in ("a.wav", "b.wav"):
            known(ledger, store, name, name)
        ledger.change("UPDATE roots SET marker = ?", (marker.id,))
    shutil.rmtree(store)
    store.mkdir()
    status, results, last = run(capsys, str(store))
    assert status is Exit.UNREAD
    assert last["counts"]["missing"] == 0
    assert "2 recorded files are not there, but neither is the storage" in results["store"]["text"]
    enrol(store, "server")  # another volume
    assert run(capsys, str(store))[0] is Exit.UNREAD


def test_captures_count_as_verified_a_set_only_whole(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ledger_path: Path
) -> None:
    recorded(tmp_path, "a.wav", "t_tr1.wav", "t_tr2.wav")
    long_ago = (datetime.now(UTC) - timedelta(days=400)).isoformat(timespec="milliseconds")

    def verified() -> list[bool]:
        with Ledger(ledger_path) as ledger:
            rows = ledger.rows("SELECT verified_at != ? FROM captures ORDER BY path", (long_ago,))
            return [bool(row[0]) for row in rows]

    with Ledger(ledger_path) as ledger:
        known(ledger, tmp_path, "a.wav", "a.wav")
        known(ledger, tmp_path, "t.set", "t_tr1.wav", "t_tr2.wav")
        ledger.change("UPDATE captures SET verified_at = ?", (long_ago,))
    flip(tmp_path / "t_tr2.wav", 3000)
    run(capsys, str(tmp_path))
    assert verified() == [True, False]
    flip(tmp_path / "t_tr2.wav", 3000)
    run(capsys, str(tmp_path))
    assert verified() == [True, True]


def test_a_damaged_ledger_is_gone_without(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ledger_path: Path
) -> None:
    recorded(tmp_path, "a.wav")
    ledger_path.parent.mkdir(parents=True, exist_ok=True)
    ledger_path.write_bytes(b"no ledger at all" * 100)
    assert main(["verify", str(tmp_path)]) is Exit.CLEAR
    assert "going on without the ledger" in capsys.readouterr().err
    assert main(["verify", "--resume", str(tmp_path)]) is Exit.USAGE


def test_a_ledger_that_may_only_be_read_is_read(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    ledger_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    recorded(tmp_path, "a.wav")
    with Ledger(ledger_path) as ledger:
        known(ledger, tmp_path, "a.wav", "a.wav")

    def opened(path: Path, *, read_only: bool = False) -> Ledger:
        if not read_only:
            raise LedgerError("attempt to write a readonly database")
        return Ledger(path, read_only=True)

    monkeypatch.setattr(commands_verify, "Ledger", opened)
    status, results, _ = run(capsys, str(tmp_path))
    assert status is Exit.CLEAR
    assert results["a.wav"]["sources"] == ["sidecar", "ledger"]


# -- reports that cannot be read ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ('"version": 1', '"version": 2'),
        ('"sha256"', '"sha255"'),
        ("}", ""),
        ('"capture": {', '"capture": ' + "[" * 50_000 + "{"),
    ],
)
def test_a_report_that_cannot_be_read_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], before: str, after: str
) -> None:
    recorded(tmp_path, "a.wav", "b.wav")
    report = tmp_path / "a.wav.vigil.json"
    report.write_text(report.read_text().replace(before, after, 1))
    status, results, _ = run(capsys, str(tmp_path))
    assert status is Exit.UNREAD
    assert results["a.wav.vigil.json"]["state"] == "unread"
    assert results["a.wav"]["state"] == "unrecorded"
    assert results["b.wav"]["state"] == "intact"


def test_a_file_that_goes_while_its_folder_is_listed_hides_no_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A recorder renames what it has finished; a listing holds the former name as well."""
    recorded(tmp_path, "a.wav", "b.wav")
    (tmp_path / "c.part").touch()
    real = os.scandir

    def listed(folder: bytes) -> Any:
        entries = sorted(real(folder), key=lambda entry: entry.name, reverse=True)
        (tmp_path / "c.part").unlink(missing_ok=True)
        return contextlib.nullcontext(entries)

    monkeypatch.setattr(
        truths, "os", SimpleNamespace(scandir=listed, path=os.path, fsdecode=os.fsdecode)
    )
    status, results, last = run(capsys, str(tmp_path))
    assert (status, sorted(results)) == (Exit.CLEAR, ["a.wav", "b.wav"])
    assert last["counts"]["intact"] == 2
