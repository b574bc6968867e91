"""Storage that goes, comes back, or is another: nothing is called missing that is not."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from watching import INSTANCE, QUIET_S, Scene, wav

from watcher.errors import UsageError
from watcher.roots import MARKER, RootState, enrol, look, read_marker


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    scene = Scene(tmp_path)
    yield scene
    scene.intake.stop()
    scene.ledger.close()


# -- the marker ------------------------------------------------------------------------------------


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
    """Fault row 30: two hosts on one tree."""
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


@pytest.mark.parametrize("body", [b"", b"no json", b"[1]", b'{"format": "other"}', b"\xff" * 99])
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


def test_what_is_lost(tmp_path: Path) -> None:
    assert look(tmp_path / "none", expected=None, instance="a").state is RootState.LOST
    assert look(tmp_path, expected="x", instance="a").state is RootState.LOST
    empty = look(tmp_path, expected=None, instance="a", held=lambda: True)
    assert empty.state is RootState.EMPTY_SUSPICIOUS
    assert (
        look(tmp_path, expected=None, instance="a", held=lambda: False).state is RootState.PRESENT
    )


def test_a_root_that_cannot_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fault row 18; as root nothing is forbidden, so the refusal is made."""

    def refused(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("watcher.roots.read_marker", refused)
    found = look(tmp_path, expected=None, instance="a")
    assert found.state is RootState.UNREADABLE
    assert "Permission denied" in (found.detail or "")


def test_enrol_tells_what_it_cannot_do(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such folder"):
        enrol(tmp_path / "none", "a")


# -- while it is watched -------------------------------------------------------------------------


def known(scene: Scene, count: int = 20) -> None:
    for number in range(count):
        scene.write(f"reel/take {number:03}.wav")
    scene.start()
    scene.settle_all()


def unmount(scene: Scene) -> Path:
    """What unmounting leaves: an empty folder at the root's place."""
    away = scene.root.with_name("away")
    os.rename(scene.root, away)
    scene.root.mkdir()
    return away


def mount(scene: Scene, away: Path) -> None:
    scene.root.rmdir()
    os.rename(away, scene.root)


def test_storage_lost_and_back(scene: Scene) -> None:
    """Fault rows 19 and 21: one alarm, nothing missing; on return nothing is new that was known."""
    known(scene)
    query = "SELECT * FROM captures WHERE state = 'done' ORDER BY id"
    before = list(scene.ledger.rows(query))
    away = unmount(scene)
    report = scene.after(2000)
    assert (report.missing, report.queued, report.waiting) == ((), (), 0)
    assert len(scene.troubles()) == 1
    assert "Storage lost" in scene.troubles()[0]
    assert not scene.intake.present(scene.root / "reel/take 000.wav")
    (state,) = next(scene.ledger.rows("SELECT state FROM roots"))
    assert state == "lost"
    (away / "reel" / "new.wav").write_bytes(wav())
    mount(scene, away)
    started = scene.source.started if scene.source else 0
    report = scene.after(40)
    assert scene.troubles() == []
    assert scene.intake.present(scene.root / "reel/take 000.wav")
    assert scene.rows()["reel/new.wav"] == "waiting"
    assert list(scene.ledger.rows(query)) == before
    assert scene.source is not None
    assert scene.source.started == started + 1


def test_what_waited_on_lost_storage_waits_again_on_its_return(scene: Scene) -> None:
    scene.start()
    scene.hint(scene.write("take.wav"))
    scene.after(60)
    away = unmount(scene)
    assert scene.after(600).queued == ()
    assert scene.rows() == {"take.wav": "waiting"}
    mount(scene, away)
    scene.after(30)
    assert scene.after(QUIET_S - 40).queued == ()
    assert len(scene.after(60).queued) == 1


def test_another_volume_in_its_place_is_not_looked_into(scene: Scene) -> None:
    """Fault row 20."""
    known(scene)
    away = unmount(scene)
    enrol(scene.root, "somebody else")
    scene.write("theirs.wav")
    scene.hint(scene.root / "theirs.wav")
    report = scene.after(1000)
    assert report.missing == ()
    assert "theirs.wav" not in scene.rows()
    assert ["watched by somebody else" in text for text in scene.troubles()] == [True]
    shutil.rmtree(scene.root)
    os.rename(away, scene.root)
    scene.after(40)
    assert scene.troubles() == []


def test_gone_before_the_scan_ends_nothing_is_believed(scene: Scene) -> None:
    """The marker must be there before and after."""
    known(scene, 30)
    for number in range(5):
        (scene.root / f"reel/take {number:03}.wav").unlink()
    scene.intake.rescan("test")
    root = scene.intake._roots[0]
    assert root.scanning.begin(scene.seconds)
    while True:
        try:
            root.scanning.step()
        except StopIteration:
            break
    unmount(scene)
    assert root.same_as_before() is None
    outcome, missing = root.scanning.conclude(root.same_as_before(), scene.seconds)
    assert (outcome, missing) == (None, [])
    assert not list(scene.ledger.rows("SELECT 1 FROM files WHERE missing_since IS NOT NULL"))


def test_a_scan_that_ran_into_the_loss_is_dropped(scene: Scene) -> None:
    """What it did not see while the storage was away must not count on its return."""
    for number in range(15):
        scene.write(f"take {number}.wav")
    known(scene, 2)
    scanning = scene.intake._roots[0].scanning
    scanning.want(scene.seconds, at_once=True)
    assert scanning.begin(scene.seconds)
    away = unmount(scene)
    scanning.step()  # lists the empty folder
    scene.after(40)
    mount(scene, away)
    scene.after(40)
    told = [text.split(":")[0] for (text,) in scene.ledger.rows("SELECT text FROM troubles")]
    assert told == ["Storage lost"]
    assert not list(scene.ledger.rows("SELECT 1 FROM files WHERE missing_since IS NOT NULL"))


def test_one_deleted_capture_is_missing_after_two_scans(scene: Scene) -> None:
    """Fault row 22."""
    known(scene)
    (scene.root / "reel/take 003.wav").unlink()
    assert scene.scan().missing == ()
    scene.seconds += 2 * QUIET_S - 20
    assert scene.scan().missing == ()
    scene.seconds += 40
    assert scene.scan().missing == (scene.row("reel/take 003.wav").id,)
    row = scene.row("reel/take 003.wav")
    assert (row.state.value, row.why) == ("missing", "take 003.wav is gone")
    scene.seconds += 1000
    assert scene.scan().missing == ()


def test_a_missing_capture_that_returns_unchanged_stands_where_it_stood(scene: Scene) -> None:
    known(scene)
    path = scene.root / "reel/take 003.wav"
    aside = scene.root.parent / "aside.wav"
    os.rename(path, aside)
    scene.scan()
    scene.seconds += 1000
    assert len(scene.scan().missing) == 1
    os.rename(aside, path)
    scene.seconds += 20
    report = scene.scan()
    assert (report.waiting, scene.rows()["reel/take 003.wav"]) == (0, "done")


def test_its_return_is_seen_by_an_event_as_well(scene: Scene) -> None:
    known(scene)
    path = scene.root / "reel/take 003.wav"
    aside = scene.root.parent / "aside.wav"
    os.rename(path, aside)
    scene.scan()
    scene.seconds += 1000
    assert len(scene.scan().missing) == 1
    os.rename(aside, path)
    scene.hint(path)
    assert scene.after(5).waiting == 0
    assert scene.rows()["reel/take 003.wav"] == "done"


def test_one_that_returns_changed_or_unchecked_is_checked(scene: Scene) -> None:
    known(scene)
    scene.write("new.wav")
    scene.scan()
    changed, unchecked = scene.root / "reel/take 003.wav", scene.root / "new.wav"
    data = changed.read_bytes()
    changed.unlink()
    aside = scene.root.parent / "aside.wav"
    os.rename(unchecked, aside)
    scene.seconds += 20
    scene.scan()
    scene.seconds += 1000
    assert len(scene.scan().missing) == 2
    changed.write_bytes(data + b"x")
    os.rename(aside, unchecked)
    scene.seconds += 20
    assert scene.scan().waiting == 2
    assert len(scene.after(GIVE_UP).queued) == 2


GIVE_UP = 1900.0


def test_a_deleted_folder_is_found_missing(scene: Scene) -> None:
    known(scene, 100)
    for number in range(3):
        scene.write(f"other/more/x {number}.wav")
    scene.scan()
    scene.settle_all()
    shutil.rmtree(scene.root / "other")
    scene.scan()
    scene.seconds += 1000
    assert len(scene.scan().missing) == 3


def test_one_track_of_a_set_is_gone(scene: Scene) -> None:
    known(scene)
    for number in (1, 2, 3):
        scene.write(f"a_tr{number}.wav")
    scene.scan()
    scene.settle_all()
    (scene.root / "a_tr3.wav").unlink()
    scene.scan()
    scene.seconds += 1000
    assert scene.scan().missing == (scene.row("a.set").id,)
    assert scene.row("a.set").why == "a_tr3.wav is gone"


def test_a_set_stands_again_when_all_its_tracks_are_back(scene: Scene) -> None:
    known(scene)
    paths = [scene.write(f"a_tr{number}.wav") for number in (1, 2, 3)]
    scene.scan()
    scene.settle_all()
    for path in paths[1:]:
        os.rename(path, scene.root.parent / path.name)
    scene.scan()
    scene.seconds += 1000
    assert len(scene.scan().missing) == 1
    assert scene.row("a.set").why == "a_tr2.wav, a_tr3.wav are gone"
    for path, state in ((paths[1], "missing"), (paths[2], "done")):
        os.rename(scene.root.parent / path.name, path)
        scene.seconds += 20
        scene.scan()
        assert scene.rows()["a.set"] == state


def test_much_gone_at_once_is_one_alarm_until_a_person_confirms(scene: Scene) -> None:
    """Fault row 22: 60 % of the captures."""
    known(scene, 50)
    for number in range(30):
        (scene.root / f"reel/take {number:03}.wav").unlink()
    for _ in range(4):
        assert scene.scan().missing == ()
        scene.seconds += 1000
    (told,) = scene.troubles()
    assert "looks wrong: 30 of 50 files are gone at once" in told
    body = json.loads((scene.root / MARKER).read_text())
    body["at"] = "2099-01-01T00:00:00.000+00:00"  # the test's clock is not the marker's
    (scene.root / MARKER).write_text(json.dumps(body))
    scene.scan()
    scene.seconds += 1000
    assert len(scene.scan().missing) == 30
    assert scene.troubles() == []


def test_without_a_marker_nothing_is_ever_missing(tmp_path: Path) -> None:
    scene = Scene(tmp_path, enrolled=False)
    known(scene)
    (scene.root / "reel/take 003.wav").unlink()
    for _ in range(4):
        assert scene.scan().missing == ()
        scene.seconds += 1000
    (told,) = scene.troubles()
    assert "never enrolled" in told
    scene.write("reel/take 003.wav")
    scene.scan()
    assert scene.troubles() == []
    scene.ledger.close()


def test_a_restart_between_the_two_scans_begins_the_wait_anew(scene: Scene) -> None:
    """The time of day may have jumped meanwhile; our own clock begins anew as well."""
    known(scene)
    (scene.root / "reel/take 003.wav").unlink()
    scene.scan()
    scene.seconds += 1000
    assert scene.restart().missing == ()
    scene.seconds += 1000
    assert len(scene.scan().missing) == 1


def test_an_unlisted_folder_is_unknown_not_gone(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault row 18."""
    known(scene)
    real = os.scandir

    def refused(path: bytes) -> object:
        if os.fsencode(path).endswith(b"/reel"):
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr("watcher.reconcile.os.scandir", refused)
    for _ in range(3):
        assert scene.scan().missing == ()
        scene.seconds += 1000
    (told,) = scene.troubles()
    assert "cannot be listed (Permission denied)" in told
    assert "/reel." in told
    monkeypatch.undo()
    scene.scan()
    assert scene.troubles() == []
    assert set(scene.rows().values()) == {"done"}


def test_a_root_reached_through_a_link(tmp_path: Path) -> None:
    (tmp_path / "volume").mkdir()
    os.symlink(tmp_path / "volume", tmp_path / "captures")
    scene = Scene(tmp_path)
    scene.start()
    path = scene.write("take.wav")
    scene.hint(tmp_path / "volume" / "take.wav")  # as the kernel's events name it
    scene.after(5)
    assert [*scene.ledger.rows("SELECT path FROM captures")] == [(os.fsencode(path),)]
    scene.ledger.close()


def test_the_marker_is_known_after_the_ledger_was_lost(scene: Scene) -> None:
    known(scene)
    marker = read_marker(scene.root)
    assert marker is not None
    assert list(scene.ledger.rows("SELECT marker FROM roots")) == [(marker.id,)]
    assert marker.instance == INSTANCE


MOUNTED = """
import subprocess, sys, time
sys.path[:0] = sys.argv[2:]
from pathlib import Path
from watching import Scene, wav
from watcher.arrivals import Arrivals
folder = Path(sys.argv[1])
volume, root = folder / "volume", folder / "captures"
volume.mkdir()
root.mkdir()
def mount():
    subprocess.run(["mount", "--bind", volume, root], check=True)
mount()
scene = Scene(folder, source=False)
scene.intake._roots[0].listening._make = Arrivals
def until(name):
    end = time.monotonic() + 20
    while name not in scene.rows() and time.monotonic() < end:
        time.sleep(0.05)
        scene.after(5)
for number in range(12):
    scene.write(f"reel/take {number}.wav")
scene.start()
scene.settle_all()
subprocess.run(["umount", "-l", root], check=True)
lost = scene.after(2000)
def told():  # the clock runs ahead of real events: those may seem late
    return [text.split(":")[0] for text in scene.troubles() if not text.startswith("Events")]
print(lost.missing, told(), scene.intake.present(root / "reel/take 1.wav"))
mount()
scene.after(40)
print(set(scene.rows().values()), len(scene.rows()), told())
scene.write("reel/new.wav")  # an event of the volume as it is mounted now
until("reel/new.wav")
print(scene.rows().get("reel/new.wav"))
scene.intake.stop()
"""


def test_a_volume_really_unmounted_and_mounted_again(tmp_path: Path) -> None:
    """Fault rows 19 and 21: the observer stays alive and deaf, and is replaced on return."""
    project = Path(__file__).resolve().parents[2]
    done = subprocess.run(
        [
            "unshare",
            "-Urm",
            sys.executable,
            "-c",
            MOUNTED,
            str(tmp_path),
            str(project),
            str(project / "tests"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    if "unshare" in done.stderr or "mount:" in done.stderr:
        pytest.skip(f"no mounts of its own here: {done.stderr[-200:]}")
    assert done.stdout.splitlines() == [
        "() ['Storage lost'] False",
        "{'done'} 12 []",
        "waiting",
    ], done.stderr
