"""Files that are gone from storage that is there: when they are missing, and when they are back."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable

import pytest
from watching import GIVE_UP_S, QUIET_S, Scene

from watcher.roots import MARKER


def test_one_deleted_capture_is_missing_after_two_scans(scene: Scene) -> None:
    scene.stock()
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


@pytest.mark.parametrize("seen_by", ["scan", "event"])
def test_a_missing_capture_that_returns_unchanged_stands_where_it_stood(
    scene: Scene, seen_by: str
) -> None:
    scene.stock()
    path = scene.root / "reel/take 003.wav"
    aside = scene.root.parent / "aside.wav"
    os.rename(path, aside)
    assert len(scene.two_scans().missing) == 1
    os.rename(aside, path)
    if seen_by == "event":
        scene.hint(path)
        report = scene.after(5)
    else:
        scene.seconds += 20
        report = scene.scan()
    assert (report.waiting, scene.rows()["reel/take 003.wav"]) == (0, "done")


def test_one_that_returns_changed_or_unchecked_is_checked(scene: Scene) -> None:
    scene.stock()
    scene.write("new.wav")
    scene.scan()
    changed, unchecked = scene.root / "reel/take 003.wav", scene.root / "new.wav"
    data = changed.read_bytes()
    changed.unlink()
    aside = scene.root.parent / "aside.wav"
    os.rename(unchecked, aside)
    scene.seconds += 20
    assert len(scene.two_scans().missing) == 2
    changed.write_bytes(data + b"x")
    os.rename(aside, unchecked)
    scene.seconds += 20
    assert scene.scan().waiting == 2
    assert len(scene.after(GIVE_UP_S + 100).queued) == 2


def test_a_deleted_folder_is_found_missing(scene: Scene) -> None:
    scene.stock(100)
    for number in range(3):
        scene.write(f"other/more/x {number}.wav")
    scene.scan()
    scene.settle_all()
    shutil.rmtree(scene.root / "other")
    assert len(scene.two_scans().missing) == 3


def test_one_track_of_a_set_is_gone(scene: Scene) -> None:
    scene.stock()
    for number in (1, 2, 3):
        scene.write(f"a_tr{number}.wav")
    scene.scan()
    scene.settle_all()
    (scene.root / "a_tr3.wav").unlink()
    assert scene.two_scans().missing == (scene.row("a.set").id,)
    assert scene.row("a.set").why == "a_tr3.wav is gone"


def test_a_set_stands_again_when_all_its_tracks_are_back(scene: Scene) -> None:
    scene.stock()
    paths = [scene.write(f"a_tr{number}.wav") for number in (1, 2, 3)]
    scene.scan()
    scene.settle_all()
    for path in paths[1:]:
        os.rename(path, scene.root.parent / path.name)
    assert len(scene.two_scans().missing) == 1
    assert scene.row("a.set").why == "a_tr2.wav, a_tr3.wav are gone"
    for path, state in ((paths[1], "missing"), (paths[2], "done")):
        os.rename(scene.root.parent / path.name, path)
        scene.seconds += 20
        scene.scan()
        assert scene.rows()["a.set"] == state


def test_much_gone_at_once_is_one_alarm_until_a_person_confirms(scene: Scene) -> None:
    """60 % of the captures."""
    scene.stock(50)
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
    assert len(scene.two_scans().missing) == 30
    assert scene.troubles() == []


def test_without_a_marker_nothing_is_ever_missing(scene_with: Callable[..., Scene]) -> None:
    scene = scene_with(enrolled=False)
    scene.stock()
    (scene.root / "reel/take 003.wav").unlink()
    for _ in range(4):
        assert scene.scan().missing == ()
        scene.seconds += 1000
    (told,) = scene.troubles()
    assert "never enrolled" in told
    scene.write("reel/take 003.wav")
    scene.scan()
    assert scene.troubles() == []


def test_a_restart_between_the_two_scans_begins_the_wait_anew(scene: Scene) -> None:
    """The time of day may have jumped meanwhile; our own clock begins anew as well."""
    scene.stock()
    (scene.root / "reel/take 003.wav").unlink()
    scene.scan()
    scene.seconds += 1000
    assert scene.restart().missing == ()
    scene.seconds += 1000
    assert len(scene.scan().missing) == 1
