"""From files to the queue: what was known and then is changed, renamed or copied."""

from __future__ import annotations

import os

import pytest
from damage_files import grow
from watching import QUIET_S, Scene, wav

# -- changed -----------------------------------------------------------------------------------


def test_a_second_scan_of_unchanged_captures_makes_no_work(scene: Scene) -> None:
    for name in ("a.wav", "reel/b_tr1.wav", "reel/b_tr2.wav"):
        scene.write(name)
    scene.start()
    scene.settle_all()
    before = list(scene.ledger.rows("SELECT * FROM captures"))
    scene.write("a.wav.vigil.json", b"{}")
    for _ in range(2):
        scene.seconds += 20
        assert scene.scan().waiting == 0
    assert list(scene.ledger.rows("SELECT * FROM captures")) == before
    assert scene.restart().waiting == 0
    assert list(scene.ledger.rows("SELECT * FROM captures")) == before


def test_changed_in_place_with_size_and_time_put_back_is_seen_while_it_waits(scene: Scene) -> None:
    """The time of change cannot be put back."""
    scene.start()
    path = scene.write("take.wav")
    scene.hint(path)
    scene.after(100)
    st = os.stat(path)
    path.write_bytes(wav(fill=1))
    os.utime(path, ns=(st.st_atime_ns, st.st_mtime_ns))
    assert scene.after(100).queued == ()
    assert len(scene.after(30).queued) == 1


@pytest.mark.parametrize("how", ["truncated", "appended", "overwritten", "replaced"])
def test_changed_while_it_is_checked(scene: Scene, how: str) -> None:
    """The running check is of a former generation."""
    scene.start()
    path = scene.write("take.wav")
    scene.hint(path)
    scene.after(130)
    row = scene.row("take.wav")
    scene.ledger.move_to(row.id, type(row.state).CHECKING)
    if how == "truncated":
        os.truncate(path, 300)
    elif how == "appended":
        grow(path, bytes(600))
    elif how == "overwritten":
        path.write_bytes(wav(fill=1))
    else:
        other = scene.write(".new")
        st = os.stat(path)
        os.utime(other, ns=(st.st_atime_ns, st.st_mtime_ns))
        os.rename(other, path)
    report = scene.scan()
    assert report.reopened == (row.id,)
    assert scene.state("take.wav") == ("waiting", 2)


def test_put_back_to_wait_by_the_daemon_it_is_looked_at_again(scene: Scene) -> None:
    """A worker found it changed; nothing about it may differ from the ledger by now."""
    scene.write("take.wav")
    scene.start()
    scene.settle_all()
    row = scene.row("take.wav")
    scene.ledger.move_to(row.id, type(row.state).WAITING, why="changed while it was checked")
    scene.scan()
    assert len(scene.after(QUIET_S + 5).queued) == 1


def test_changed_rights_and_times_of_reading_mean_nothing(scene: Scene) -> None:
    path = scene.write("take.wav")
    scene.start()
    scene.settle_all()
    os.chmod(path, 0o440)
    os.utime(path, ns=(1, os.stat(path).st_mtime_ns))
    assert scene.scan().waiting == 0


# -- renamed and copied ------------------------------------------------------------------------


@pytest.mark.parametrize("new", ["renamed.wav", "reel 7/take.wav"])
def test_a_renamed_capture_keeps_its_row(scene: Scene, new: str) -> None:
    path = scene.write("take.wav")
    scene.start()
    scene.settle_all()
    row = scene.row("take.wav")
    scene.ledger.change(
        "INSERT INTO contents (path, at, sha256) VALUES (?, 'x', 'ab')", (os.fsencode(path),)
    )
    (scene.root / new).parent.mkdir(exist_ok=True)
    os.rename(path, scene.root / new)
    report = scene.scan()
    assert report.waiting == 0
    assert scene.rows() == {new: "done"}
    assert scene.row(new).id == row.id
    assert [p for (p,) in scene.ledger.rows("SELECT path FROM contents")] == [
        os.fsencode(scene.root / new)
    ]
    scene.seconds += 1000
    assert scene.scan().missing == ()


def test_a_folder_renamed_takes_its_sets_along(scene: Scene) -> None:
    for name in ("reel/a_tr1.wav", "reel/a_tr2.wav", "reel/b.wav"):
        scene.write(name)
    scene.start()
    scene.settle_all()
    ids = {name: scene.row(name).id for name in scene.rows()}
    os.rename(scene.root / "reel", scene.root / "reel 9")
    scene.hint(scene.root / "reel 9")
    assert scene.intake.tick().waiting == 0
    assert {name: scene.row(name).id for name in scene.rows()} == {
        name.replace("reel/", "reel 9/"): number for name, number in ids.items()
    }


def test_members_renamed_one_by_one_are_one_move_in_the_end(scene: Scene) -> None:
    for number in (1, 2, 3):
        scene.write(f"a_tr{number}.wav")
    scene.start()
    scene.settle_all()
    row = scene.row("a.set")
    for number in (1, 2, 3):
        os.rename(scene.root / f"a_tr{number}.wav", scene.root / f"b_tr{number}.wav")
        scene.scan()
        scene.seconds += 15
    scene.after(1000)
    assert scene.rows() == {"b.set": "done"}
    assert scene.row("b.set").id == row.id


def test_renamed_while_it_waits_leaves_nothing_behind(scene: Scene) -> None:
    scene.start()
    path = scene.write("new take.wav")
    scene.hint(path)
    scene.after(50)
    os.rename(path, scene.root / "R-114 take 3.wav")
    scene.scan()
    assert [*scene.rows()] == ["R-114 take 3.wav"]
    assert len(scene.after(QUIET_S + 5).queued) == 1


def test_renamed_while_it_is_checked_waits_anew(scene: Scene) -> None:
    path = scene.write("a.wav")
    scene.start()
    scene.after(130)
    row = scene.row("a.wav")
    scene.ledger.move_to(row.id, type(row.state).CHECKING)
    os.rename(path, scene.root / "b.wav")
    report = scene.scan()
    assert report.reopened == (row.id,)
    assert scene.rows() == {"b.wav": "waiting"}
    assert len(scene.after(QUIET_S + 5).queued) == 1


def test_renamed_and_written_to_while_it_is_queued_waits_anew(scene: Scene) -> None:
    path = scene.write("a.wav")
    scene.start()
    scene.after(130)
    row = scene.row("a.wav")
    assert row.state == "queued"
    new = scene.root / "b.wav"
    os.rename(path, new)
    grow(new, b"more")
    report = scene.scan()
    assert report.reopened == (row.id,)
    assert scene.rows() == {"b.wav": "waiting"}
    assert scene.row("b.wav").id == row.id
    (file,) = scene.ledger.files(row.id)
    assert file.identity.size == new.stat().st_size
    assert len(scene.after(QUIET_S + 5).queued) == 1


def test_renamed_while_it_is_queued_stays_queued(scene: Scene) -> None:
    path = scene.write("a.wav")
    scene.start()
    scene.after(130)
    os.rename(path, scene.root / "b.wav")
    assert scene.scan().reopened == ()
    assert scene.rows() == {"b.wav": "queued"}


def test_a_copy_and_a_second_name_are_captures_of_their_own(scene: Scene) -> None:
    """The old name is still there, so nothing was moved."""
    path = scene.write("a.wav")
    scene.start()
    scene.settle_all()
    os.link(path, scene.root / "b.wav")
    scene.write("c.wav", path.read_bytes())
    scene.scan()
    assert scene.rows() == {"a.wav": "done", "b.wav": "waiting", "c.wav": "waiting"}
    scene.after(2 * QUIET_S + 10)
    assert scene.rows() == {"a.wav": "done", "b.wav": "queued", "c.wav": "queued"}


def test_a_file_renamed_over_another_is_a_change_of_that(scene: Scene) -> None:
    """The content at a known name changed: nobody may take that for a mere rename."""
    first = scene.write("a.wav")
    second = scene.write("b.wav", wav(fill=1))
    scene.start()
    scene.settle_all()
    row = scene.row("a.wav")
    os.rename(second, first)
    report = scene.scan()
    assert report.reopened == (row.id,)
    assert scene.state("a.wav") == ("waiting", 2)
