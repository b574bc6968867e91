"""The marker of a storage root: what it proves, what it does not, and whose it is."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from watching import INSTANCE, Scene

from watcher.errors import UsageError
from watcher.roots import MARKER, RootState, enrol, look, read_marker


def test_enrolled_it_is_present_and_proven(tmp_path: Path) -> None:
    marker = enrol(tmp_path, "server")
    found = look(tmp_path, expected=marker.id, instance="server")
    assert found.state is RootState.PRESENT
    assert found.proven
    assert found.detail is None
    written = json.loads((tmp_path / MARKER).read_text())
    assert written["format"] == "reelvigil-root"
    assert written["id"] == marker.id


def test_enrolled_once_more_it_keeps_its_number_and_is_confirmed(tmp_path: Path) -> None:
    first = enrol(tmp_path, "server")
    second = enrol(tmp_path, "server")
    assert (second.id, second.at >= first.at) == (first.id, True)


def test_never_enrolled_it_is_present_and_not_proven(tmp_path: Path) -> None:
    found = look(tmp_path, expected=None, instance="server")
    assert (found.state, found.proven) == (RootState.PRESENT, False)
    assert f"`reelvigil enrol {tmp_path}`" in (found.detail or "")
    enrol(tmp_path, "server")
    assert look(tmp_path, expected=None, instance="server").detail is None


def test_another_daemons_root_is_refused_unless_taken_over(tmp_path: Path) -> None:
    """Two hosts on one tree."""
    first = enrol(tmp_path, "server")
    found = look(tmp_path, expected=None, instance="other")
    assert found.state is RootState.FOREIGN
    with pytest.raises(UsageError, match=r"watched by server, this is other[^\n]*--take-over"):
        enrol(tmp_path, "other")
    assert enrol(tmp_path, "other", take_over=True).id == first.id
    assert look(tmp_path, expected=first.id, instance="server").state is RootState.FOREIGN
    assert look(tmp_path, expected=first.id, instance="other").proven


def test_another_volume_is_foreign_unless_enrolled_there_since(tmp_path: Path) -> None:
    old, new = tmp_path / "old", tmp_path / "new"
    old.mkdir()
    new.mkdir()
    expected = enrol(old, "server").id
    enrol(new, "server")
    long_ago, ahead = "2020-01-01T00:00:00.000+00:00", "2099-01-01T00:00:00.000+00:00"
    state = {
        seen: look(new, expected=expected, instance="server", seen_at=seen).state
        for seen in (None, long_ago, ahead)
    }
    assert state == {
        None: RootState.FOREIGN,
        long_ago: RootState.PRESENT,
        ahead: RootState.FOREIGN,
    }
    # enrolled elsewhere and mounted here by mistake
    shutil.copy(new / MARKER, old / MARKER)
    found = look(old, expected=expected, instance="server", seen_at=long_ago)
    assert found.state is RootState.FOREIGN


@pytest.mark.parametrize(
    "body", [b"", b"no json", b"[1]", b"[" * 4096, b'{"format": "other"}', b"\xff" * 99]
)
def test_a_marker_that_is_none_is_no_proof(tmp_path: Path, body: bytes) -> None:
    (tmp_path / MARKER).write_bytes(body)
    found = look(tmp_path, expected=None, instance="server")
    assert found.state is RootState.UNREADABLE
    assert found.detail
    with pytest.raises(UsageError, match="remove it if it is nobody's"):
        enrol(tmp_path, "server")


def test_a_marker_that_is_a_link_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "root").mkdir()
    enrol(tmp_path, "server")
    os.symlink(tmp_path / MARKER, tmp_path / "root" / MARKER)
    assert look(tmp_path / "root", expected=None, instance="server").state is RootState.UNREADABLE


def test_storage_that_is_absent_unmarked_or_empty_is_not_present(tmp_path: Path) -> None:
    assert look(tmp_path / "none", expected=None, instance="a").state is RootState.LOST
    assert look(tmp_path, expected="x", instance="a").state is RootState.LOST
    empty = look(tmp_path, expected=None, instance="a", held=lambda: True)
    assert empty.state is RootState.EMPTY_SUSPICIOUS
    assert (
        look(tmp_path, expected=None, instance="a", held=lambda: False).state is RootState.PRESENT
    )


def test_a_root_that_cannot_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As root nothing is forbidden, so the refusal is made."""

    def refused(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("watcher.roots.read_marker", refused)
    found = look(tmp_path, expected=None, instance="a")
    assert found.state is RootState.UNREADABLE
    assert "Permission denied" in (found.detail or "")


def test_enrol_tells_what_it_cannot_do(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such folder"):
        enrol(tmp_path / "none", "a")


def test_a_ledger_learns_the_marker_of_its_root(scene: Scene) -> None:
    scene.stock()
    marker = read_marker(scene.root)
    assert marker is not None
    assert list(scene.ledger.rows("SELECT marker FROM roots")) == [(marker.id,)]
    assert marker.instance == INSTANCE
