"""The daemon's rounds: a decision stands, wherever it was signed and whatever happens meanwhile."""

from __future__ import annotations

import dataclasses
import json
import os
from typing import Any

import pytest
from rounds import Watch

from checks.model import Verdict
from watcher import sidecar
from watcher.errors import UsageError
from watcher.examine import examine
from watcher.ledger import State
from watcher.signoff import sign


def test_a_signoff_is_open_again_when_the_line_up_turns_out_bad(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = watch.scene.write("take.wav")
    watch.checked()
    row = watch.sign("take.wav", Verdict.CLEAR)

    def worse(report: Any, _: Any) -> Any:
        stands = dataclasses.replace(
            report.findings[0], check="lineup", kind="stands-on", verdict=Verdict.LISTEN, tracks=()
        )
        return dataclasses.replace(report, findings=(*report.findings, stands))

    monkeypatch.setattr("watcher.daemon.with_stands_on", worse)
    os.utime(path, (1_000_000, 1_000_000))
    watch.scene.scan()
    watch.checked()
    again = watch.report(row)
    assert again.signoff is None
    assert again.earlier[-1].signoff is not None


def test_signed_while_it_is_checked_again_the_decision_stands(watch: Watch) -> None:
    path = watch.scene.write("take.wav")
    watch.checked()
    watch.scene.ledger.move_to(watch.scene.row("take.wav").id, State.QUEUED)
    watch.daemon.turn()
    assert watch.pool.going
    row = watch.sign("take.wav", Verdict.CLEAR)
    watch.pool.finish()
    watch.daemon.turn()
    assert watch.report(row).signoff is not None
    assert row.report_path is not None
    assert json.loads(row.report_path.read_text())["signoff"]["by"] == "AB"
    assert path.exists()


@pytest.mark.parametrize("moved", ["file", "folder"])
def test_signed_on_disk_alone_and_renamed_the_decision_stands(watch: Watch, moved: str) -> None:
    """As from an account that cannot write the ledger."""
    path = watch.scene.write("reel/take.wav")
    watch.checked()
    row = watch.sign("reel/take.wav", Verdict.CLEAR, on_disk_alone=True)
    new = path.with_name("new.wav") if moved == "file" else watch.scene.root / "reel 7/take.wav"
    if moved == "file":
        os.rename(path, new)
    else:
        os.rename(path.parent, new.parent)
    watch.scene.scan()
    watch.checked()
    watch.after(70)
    assert len(watch.pool.tasks) == 1
    again = watch.report(row)
    assert again.capture.name == new.name
    assert again.signoff is not None
    assert json.loads(new.with_name(f"{new.name}.vigil.json").read_text())["signoff"]["by"] == "AB"


def test_an_old_report_is_not_signed_over_a_later_one(watch: Watch) -> None:
    """What was found since cannot be written to disk yet: nobody has seen it there."""
    path = watch.scene.write("take.wav")
    watch.checked()
    row = watch.scene.row("take.wav")
    assert row.report_path is not None
    old = sidecar.load(row.report_path)
    assert old is not None
    capture = watch.pool.tasks[row.id].capture
    made = dataclasses.replace(old.made, at="2990-01-01T00:00:00+00:00")
    later = dataclasses.replace(old, made=made, verdict=Verdict.REDO)
    watch.scene.ledger.record(row.id, later, report_path=row.report_path, paths=[path])

    place = row.report_path

    def by_hand() -> None:
        sign(old, place, capture, watch.scene.ledger, by="AB", note=None,
             verdict=Verdict.CLEAR)  # fmt: skip

    with pytest.raises(UsageError, match=r"take.wav: the daemon knows more of it"):
        by_hand()
    assert watch.scene.ledger.report(row.id) == later
    assert sidecar.load(row.report_path) == old
    sidecar.save(later, row.report_path)  # between the look at the old one and the decision
    with pytest.raises(UsageError, match=r"take.wav: was checked anew meanwhile"):
        by_hand()
    assert sidecar.load(row.report_path) == later


def test_a_report_made_by_hand_after_the_daemons_is_signed_for_both(watch: Watch) -> None:
    watch.scene.write("take.wav")
    watch.checked()
    row = watch.scene.row("take.wav")
    assert row.report_path is not None
    task = watch.pool.tasks[row.id]
    known = watch.scene.ledger.report(row.id)
    anew = examine(task.capture, task.applied, earlier=known)
    made = dataclasses.replace(anew.made, at="2990-01-01T00:00:00+00:00")
    anew = dataclasses.replace(anew, made=made)
    sidecar.save(anew, row.report_path)
    signed = sign(anew, row.report_path, task.capture, watch.scene.ledger, by="AB", note=None,
                  verdict=Verdict.CLEAR)  # fmt: skip
    assert watch.scene.ledger.report(row.id) == sidecar.load(row.report_path) == signed
    assert list(watch.scene.ledger.rows("SELECT signed_by FROM contents")) == [("AB",)]
