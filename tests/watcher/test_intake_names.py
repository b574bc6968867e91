"""From files to the queue: ways to arrive, names that are no captures, names that are hostile."""

from __future__ import annotations

import dataclasses
import os
import shutil
import socket
from contextlib import chdir

import pytest
from watching import GIVE_UP_S, QUIET_S, Scene, wav


def test_names_of_unfinished_files_are_no_captures(scene: Scene) -> None:
    """Transfer tools' temporary names, our own reports."""
    names = [".take.wav.x7Gq2a", "take.wav.part", "take.wav.tmp", "~take.wav", "._take.wav"]
    names += ["take.wav.vigil.html", ".take.wav.vigil.html.12.tmp"]
    names += ["take.wav.vigil.json", ".take.wav.vigil.json.12.tmp", ".hidden/take.wav", "notes.txt"]
    for name in names:
        scene.write(name)
    scene.start()
    scene.hint(*(scene.root / name for name in names))
    scene.after(2000)
    assert scene.rows() == {}
    scene.scan()
    assert scene.rows() == {}


def test_what_a_broken_transfer_left_is_told_the_same_night(scene: Scene) -> None:
    """Once it may no longer be waited for: a tape is still at hand then."""
    path = scene.write(".take.wav.x7Gq2a", bytes(1 << 20))
    scene.start()
    assert scene.troubles() == []
    written = os.stat(path).st_mtime
    os.utime(path, (written - GIVE_UP_S + 300,) * 2)
    scene.scan()
    assert scene.troubles() == []
    os.utime(path, (written - GIVE_UP_S - 1,) * 2)
    scene.scan()
    (told,) = scene.troubles()
    assert told.startswith("Names of unfinished transfers, unchanged for 30 min: ")
    path.unlink()
    scene.seconds += 10
    scene.scan()
    assert scene.troubles() == []


@pytest.mark.parametrize("events", [True, False])
def test_arrives_by_rename_hard_link_and_with_its_folder(scene: Scene, events: bool) -> None:
    """No close is ever seen."""
    scene.start()
    outside = scene.root.parent / "outside"
    (outside / "reel 2" / "deep").mkdir(parents=True)
    for name in ("a.wav", "b.wav", "reel 2/c.wav", "reel 2/deep/d.wav"):
        (outside / name).write_bytes(wav())
    os.rename(outside / "a.wav", scene.root / "a.wav")
    os.link(outside / "b.wav", scene.root / "b.wav")
    os.rename(outside / "reel 2", scene.root / "reel 2")
    if events:
        scene.hint(scene.root / "a.wav", scene.root / "b.wav", scene.root / "reel 2")
        scene.intake.tick()
    else:
        scene.scan()
    assert len(scene.after(QUIET_S + 5).queued) == 4


def test_links_pipes_and_odd_folders(scene: Scene) -> None:
    """Nothing is followed, nothing blocks, each kind is told once."""
    outside = scene.root.parent / "outside"
    outside.mkdir()
    (outside / "x.wav").write_bytes(wav())
    os.symlink(outside, scene.root / "folder")
    os.symlink(scene.root, scene.root / "loop")
    os.symlink(outside / "x.wav", scene.root / "link.wav")
    os.mkfifo(scene.root / "pipe.wav")
    with socket.socket(socket.AF_UNIX) as ear, chdir(scene.root):
        ear.bind("socket.wav")  # by a short name: sun_path holds 108 bytes
    scene.write("folder.wav/inside.wav")
    scene.start()
    scene.hint(*(scene.root / name for name in ("link.wav", "pipe.wav", "loop")))
    scene.after(10)
    assert scene.rows() == {"folder.wav/inside.wav": "waiting"}
    told = scene.troubles()
    assert len(told) == 2
    assert any(text.startswith("Links are not followed") and "and 2 more" in text for text in told)
    assert any(text.startswith("Named like captures") and "and 1 more" in text for text in told)


HOSTILE = [
    b"\x1b]0;x\x07.wav",
    b"a\nb.wav",
    b"[red].wav",
    b"\xff\xfe.wav",
    "\u202egnp.wav".encode(),
    b"\x9b.wav",
    b":warning:.wav",
    b"x" * 251 + b".wav",
]


def test_hostile_names_come_through_whole(scene: Scene) -> None:
    for name in HOSTILE:
        scene.write(os.fsdecode(name))
    scene.start()
    scene.hint(*(scene.root / os.fsdecode(name) for name in HOSTILE))
    assert len(scene.after(QUIET_S + 5).queued) == len(HOSTILE)
    known = [os.path.basename(path) for (path,) in scene.ledger.rows("SELECT path FROM captures")]
    assert sorted(known) == sorted(HOSTILE)
    for name in HOSTILE:
        os.unlink(os.path.join(os.fsencode(scene.root), name))
    scene.scan()
    scene.seconds += 2 * QUIET_S
    assert len(scene.scan().missing) == len(HOSTILE)
    for text in scene.troubles():
        assert text.isprintable()


def test_a_folder_that_vanishes_under_a_look_is_nothing(scene: Scene) -> None:
    scene.start()
    scene.write("reel/deep/take.wav")
    scene.hint(scene.root / "reel", scene.root / "reel/deep")
    looking = scene.intake._looking
    looking.hints(scene.intake._roots[0].place, [os.fsencode(scene.root / "reel")])
    shutil.rmtree(scene.root / "reel")
    scene.after(10)
    assert scene.rows() == {}


def test_troubles_of_roots_no_longer_watched_end(scene: Scene) -> None:
    os.symlink("nowhere", scene.root / "link.wav")
    scene.start()
    assert len(scene.troubles()) == 1
    scene.intake.stop()
    scene.settings = dataclasses.replace(scene.settings, roots=())
    scene.intake = scene.make()
    scene.intake.start()
    assert scene.troubles() == []


def test_captures_are_left_as_they_were(scene: Scene) -> None:
    paths = [scene.write(name) for name in ("a.wav", "b_tr1.wav", "b_tr2.wav", "c.wav")]
    before = [(os.stat(p).st_mode, os.stat(p).st_mtime_ns, os.stat(p).st_ctime_ns) for p in paths]
    scene.start()
    scene.settle_all()
    after = [(os.stat(p).st_mode, os.stat(p).st_mtime_ns, os.stat(p).st_ctime_ns) for p in paths]
    assert after == before
