"""Storage that goes, comes back, or is another: nothing is called missing that is not."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from watching import QUIET_S, Scene, wav

from watcher.roots import enrol


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
    """One alarm, nothing missing; on return nothing is new that was known."""
    scene.stock()
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
    scene.stock()
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
    scene.stock(30)
    for number in range(5):
        (scene.root / f"reel/take {number:03}.wav").unlink()
    scene.intake.rescan()
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
    scene.stock(2)
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


def test_an_unlisted_folder_is_unknown_not_gone(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    scene.stock()
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


def test_a_root_reached_through_a_link(tmp_path: Path, scene_with: Callable[..., Scene]) -> None:
    (tmp_path / "volume").mkdir()
    os.symlink(tmp_path / "volume", tmp_path / "captures")
    scene = scene_with()
    scene.start()
    path = scene.write("take.wav")
    scene.hint(tmp_path / "volume" / "take.wav")  # as the kernel's events name it
    scene.after(5)
    assert [*scene.ledger.rows("SELECT path FROM captures")] == [(os.fsencode(path),)]


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
    """The observer stays alive and deaf, and is replaced on return."""
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
