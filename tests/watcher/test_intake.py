"""From files to the queue: what settles, what is reopened, what is never lost or taken twice.

Clock, lease and events are in the test's hands; the file system is real.
"""

from __future__ import annotations

import dataclasses
import io
import os
import shutil
import socket
import time
from collections.abc import Iterator
from contextlib import chdir
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from watching import GIVE_UP_S, QUIET_S, Scene, wav

from watcher import settling
from watcher.arrivals import Arrivals
from watcher.intake import Intake, capture_of
from watcher.logs import Log
from watcher.settings import TrackSets


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    scene = Scene(tmp_path)
    yield scene
    scene.intake.stop()
    scene.ledger.close()


def append(path: Path, count: int = 600) -> None:
    with path.open("ab") as stream:
        stream.write(bytes(count))


def state(scene: Scene, name: str) -> tuple[str, int]:
    row = scene.row(name)
    return row.state.value, row.generation


# -- settling, end to end ----------------------------------------------------------------------


def test_found_by_the_scan_at_start_and_queued_once(scene: Scene) -> None:
    """Fault row 23: created while the daemon was down."""
    scene.write("reel 1/take.wav")
    assert scene.start().waiting == 1
    assert scene.rows() == {"reel 1/take.wav": "waiting"}
    assert scene.after(QUIET_S - 5).queued == ()
    assert scene.after(10).queued == (scene.row("reel 1/take.wav").id,)
    assert scene.after(2000).queued == ()
    assert state(scene, "reel 1/take.wav") == ("queued", 1)


def test_queued_within_one_poll_of_the_end_of_the_quiet_period(scene: Scene) -> None:
    scene.start()
    scene.hint(scene.write("take.wav"))
    scene.intake.tick()
    scene.after(QUIET_S)
    assert scene.rows() == {"take.wav": "queued"}


@pytest.mark.parametrize("phase", range(6))
def test_queued_within_five_seconds_whenever_it_was_written(scene: Scene, phase: int) -> None:
    """The daemon's rounds come a little more than a second apart; the event waits for one."""
    scene.start()
    for _ in range(phase):
        scene.seconds += 1.02
        scene.intake.tick()
    scene.hint(scene.write("take.wav"))
    wrote = scene.seconds
    queued: tuple[int, ...] = ()
    while not queued and scene.seconds < wrote + 2 * QUIET_S:
        scene.seconds += 1.02
        queued = scene.intake.tick().queued
    assert QUIET_S <= scene.seconds - wrote <= QUIET_S + 5


def test_grows_for_long_with_pauses(scene: Scene) -> None:
    """Fault rows 1 and 2: one check, after the end; also where the file is closed in between."""
    scene.start()
    path = scene.write("take.wav", wav(claimed=10**6))
    scene.hint(path)
    for pause in (10, 100, 60, 115, 115, 30):
        assert scene.after(pause).queued == ()
        append(path)
    path.write_bytes(wav(400))
    assert scene.after(QUIET_S).queued == ()
    assert len(scene.after(10).queued) == 1
    assert state(scene, "take.wav") == ("queued", 1)


def test_goes_on_after_a_gap_longer_than_the_quiet_period(scene: Scene) -> None:
    """Fault row 3: an early verdict is superseded, the capture is of a new generation."""
    scene.start()
    path = scene.write("take.wav")
    scene.hint(path)
    scene.after(200)
    scene.done("take.wav")
    path.write_bytes(wav(400))
    scene.hint(path)
    report = scene.after(5)
    assert report.reopened == (scene.row("take.wav").id,)
    assert state(scene, "take.wav") == ("waiting", 2)
    assert len(scene.after(QUIET_S + 5).queued) == 1
    assert state(scene, "take.wav") == ("queued", 2)


@pytest.mark.parametrize("why", ["preallocated and stalled", "mapped without a descriptor"])
def test_waits_as_long_as_a_writer_has_it_open(scene: Scene, why: str) -> None:
    """Fault rows 4 and 5."""
    scene.start()
    path = scene.write("take.wav")
    scene.busy.add(path)
    scene.hint(path)
    assert scene.after(600).queued == ()
    assert scene.row("take.wav").why == settling.OPEN
    scene.busy.clear()
    assert len(scene.after(5).queued) == 1


def test_held_open_for_hours_is_told_and_told_to_be_over(scene: Scene) -> None:
    scene.start()
    path = scene.write("take.wav")
    scene.busy.add(path)
    scene.hint(path)
    scene.intake.tick()
    for _ in range(13):
        scene.seconds += 3600
        scene.intake.tick()
    assert [text for text in scene.troubles() if "has been open for writing for 12 hours" in text]
    scene.busy.clear()
    scene.after(10)
    assert scene.troubles() == []
    assert scene.rows() == {"take.wav": "queued"}


@pytest.mark.parametrize("data", [wav(claimed=0), wav()[:-30], b"", b"RIFF"])
def test_never_finished_is_checked_as_it_is(scene: Scene, data: bytes) -> None:
    """Fault rows 6 and 7: a writer that was killed, a copy that broke off."""
    scene.start()
    scene.hint(scene.write("take.wav", data))
    assert scene.after(GIVE_UP_S - 5).queued == ()
    assert len(scene.after(20).queued) == 1
    assert (scene.row("take.wav").why or "").startswith("checked as it is: ")


@pytest.mark.parametrize("age_s", [25 * 365 * 86_400, -3600])
def test_the_time_of_the_file_has_no_say(scene: Scene, age_s: int) -> None:
    """Fault rows 10 and 11: a copy with the old time, a clock that runs ahead."""
    scene.start()
    path = scene.write("take.wav")
    at = os.stat(path).st_mtime - age_s
    os.utime(path, (at, at))
    scene.hint(path)
    scene.intake.tick()
    assert scene.after(QUIET_S - 5).queued == ()
    assert len(scene.after(10).queued) == 1


def test_a_restart_begins_the_quiet_period_anew(scene: Scene) -> None:
    scene.start()
    scene.hint(scene.write("take.wav"))
    scene.after(100)
    assert scene.restart().waiting == 1
    assert scene.after(QUIET_S - 5).queued == ()
    assert len(scene.after(10).queued) == 1
    assert state(scene, "take.wav") == ("queued", 1)


def test_names_of_unfinished_files_are_no_captures(scene: Scene) -> None:
    """Fault rows 9 and 47: transfer tools' temporary names, our own reports."""
    names = [".take.wav.x7Gq2a", "take.wav.part", "take.wav.tmp", "~take.wav", "._take.wav"]
    names += ["take.wav.vigil.json", ".take.wav.vigil.json.12.tmp", ".hidden/take.wav", "notes.txt"]
    for name in names:
        scene.write(name)
    scene.start()
    scene.hint(*(scene.root / name for name in names))
    scene.after(2000)
    assert scene.rows() == {}
    scene.scan()
    assert scene.rows() == {}


def test_what_a_broken_transfer_left_is_told_after_a_day(scene: Scene) -> None:
    """Fault row 9."""
    path = scene.write(".take.wav.x7Gq2a", bytes(1 << 20))
    scene.start()
    assert scene.troubles() == []
    at = os.stat(path).st_mtime - 25 * 3600
    os.utime(path, (at, at))
    scene.scan()
    assert ["unfinished transfers" in text for text in scene.troubles()] == [True]
    path.unlink()
    scene.seconds += 10
    scene.scan()
    assert scene.troubles() == []


@pytest.mark.parametrize("events", [True, False])
def test_arrives_by_rename_hard_link_and_with_its_folder(scene: Scene, events: bool) -> None:
    """Fault row 8: no close is ever seen."""
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
    """Fault rows 24 and 25: nothing is followed, nothing blocks, each kind is told once."""
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


# -- changes after the check -------------------------------------------------------------------


def test_a_second_scan_of_unchanged_captures_makes_no_work(scene: Scene) -> None:
    """Fault row 47, and idempotence."""
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
    """Fault row 35: the time of change cannot be put back."""
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
    """Fault rows 34 and 35: the running check is of a former generation."""
    scene.start()
    path = scene.write("take.wav")
    scene.hint(path)
    scene.after(130)
    row = scene.row("take.wav")
    scene.ledger.move_to(row.id, type(row.state).CHECKING)
    if how == "truncated":
        os.truncate(path, 300)
    elif how == "appended":
        append(path)
    elif how == "overwritten":
        path.write_bytes(wav(fill=1))
    else:
        other = scene.write(".new")
        st = os.stat(path)
        os.utime(other, ns=(st.st_atime_ns, st.st_mtime_ns))
        os.rename(other, path)
    report = scene.scan()
    assert report.reopened == (row.id,)
    assert state(scene, "take.wav") == ("waiting", 2)


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
    """Fault row 48."""
    path = scene.write("take.wav")
    scene.start()
    scene.settle_all()
    os.chmod(path, 0o440)
    os.utime(path, ns=(1, os.stat(path).st_mtime_ns))
    assert scene.scan().waiting == 0


# -- renames ------------------------------------------------------------------------------------


@pytest.mark.parametrize("new", ["renamed.wav", "reel 7/take.wav"])
def test_a_renamed_capture_keeps_its_row(scene: Scene, new: str) -> None:
    """Fault row 48."""
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
    with new.open("ab") as stream:
        stream.write(b"more")
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


def test_a_copy_is_a_capture_of_its_own(scene: Scene) -> None:
    path = scene.write("a.wav")
    scene.start()
    scene.settle_all()
    os.link(path, scene.root / "b.wav")
    scene.write("c.wav", path.read_bytes())
    scene.scan()
    assert scene.rows() == {"a.wav": "done", "b.wav": "waiting", "c.wav": "waiting"}


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
    assert state(scene, "a.wav") == ("waiting", 2)


# -- track sets -----------------------------------------------------------------------------------


def test_the_files_of_a_take_are_one_capture(scene: Scene) -> None:
    """Fault row 13: two sets written in turns into one folder."""
    scene.start()
    for number in (1, 2, 3):
        for take in ("a", "b"):
            scene.hint(scene.write(f"{take}_tr{number}.wav"))
            scene.after(10)
    scene.write("solo.wav")
    assert scene.after(QUIET_S).queued == ()
    assert len(scene.after(QUIET_S + 10).queued) == 2
    assert scene.rows() == {"a.set": "queued", "b.set": "queued"}
    row = scene.row("a.set")
    capture = capture_of(row, scene.ledger.files(row.id), TrackSets())
    assert [path.name for path in capture.files] == [f"a_tr{n}.wav" for n in (1, 2, 3)]
    assert capture.numbers == (1, 2, 3)
    assert capture.report_stem == row.path


@pytest.mark.parametrize("stage", ["waiting", "queued", "done"])
def test_a_late_track_joins_its_set(scene: Scene, stage: str) -> None:
    """Fault row 12: the set is opened again, and none of its files stands alone."""
    for number in (1, 2, 3):
        scene.write(f"a_tr{number}.wav")
    scene.start()
    if stage != "waiting":
        scene.after(2 * QUIET_S + 10)
    if stage == "done":
        scene.done()
    scene.hint(scene.write("a_tr4.wav"))
    report = scene.after(5)
    opened = stage != "waiting"
    assert report.reopened == ((scene.row("a.set").id,) if opened else ())
    assert state(scene, "a.set") == ("waiting", 2 if opened else 1)
    assert len(scene.after(2 * QUIET_S + 10).queued) == 1
    assert len(scene.ledger.files(scene.row("a.set").id)) == 4


def test_the_second_track_makes_a_set_of_the_first(scene: Scene) -> None:
    scene.start()
    scene.hint(scene.write("a_tr1.wav"))
    scene.after(2 * QUIET_S + 10)
    scene.done("a_tr1.wav")
    scene.hint(scene.write("a_tr2.wav"))
    scene.after(5)
    assert scene.rows() == {"a.set": "waiting"}


def test_a_track_with_a_gap_waits_and_is_then_checked_as_it_is(scene: Scene) -> None:
    """Fault row 12."""
    scene.start()
    for number in (1, 2, 4):
        scene.write(f"a_tr{number}.wav")
    scene.scan()
    assert scene.after(GIVE_UP_S - 10).queued == ()
    assert "missing" in (scene.row("a.set").why or "")
    assert len(scene.after(20).queued) == 1


def test_a_short_track_is_waited_for(scene: Scene) -> None:
    """Fault row 12: still being copied, though nothing moves just now."""
    scene.start()
    scene.write("a_tr1.wav", wav(400))
    second = scene.write("a_tr2.wav", wav(399))
    scene.scan()
    assert scene.after(1000).queued == ()
    second.write_bytes(wav(400))
    assert len(scene.after(2 * QUIET_S + 10).queued) == 1


def test_the_count_of_the_sheet_decides_how_long_to_wait(scene: Scene) -> None:
    scene.write("transfer.yaml", b"expect: {channels: 3}\n")
    scene.start()
    for number in (1, 2):
        scene.hint(scene.write(f"a_tr{number}.wav"))
    assert scene.after(1000).queued == ()
    scene.hint(scene.write("a_tr3.wav"))
    assert len(scene.after(QUIET_S + 10).queued) == 1


def test_the_pattern_of_the_sheet_makes_the_sets(scene: Scene) -> None:
    scene.write("transfer.yaml", b"track_sets: {pattern: '{take}-{track}'}\n")
    for name in ("x-01.wav", "x-02.wav", "x_tr1.wav"):
        scene.write(name)
    scene.start()
    assert [*scene.rows()] == ["x.set", "x_tr1.wav"]


def test_multichannel_files_with_track_tokens_stay_apart(scene: Scene) -> None:
    for number in (1, 2):
        scene.write(f"a_tr{number}.wav", wav(channels=8))
    scene.start()
    assert [*scene.rows()] == ["a_tr1.wav", "a_tr2.wav"]
    scene.settle_all()
    scene.hint(scene.write("a_tr3.wav", wav(channels=8)))
    scene.after(5)
    assert scene.rows() == {"a_tr1.wav": "done", "a_tr2.wav": "done", "a_tr3.wav": "waiting"}


def test_two_sets_of_one_name_do_not_mix(scene: Scene) -> None:
    """One of each container: each has a row of its own, and none takes the other's files."""
    for number in (1, 2):
        scene.write(f"a_tr{number}.wav")
        scene.write(f"a_tr{number}.wave")
    scene.start()
    assert [*scene.rows()] == ["a.set", "a.wave.set"]
    scene.settle_all()
    assert scene.scan().waiting == 0
    assert [*scene.rows().values()] == ["done", "done"]


def test_sets_switched_off_later_fall_apart_when_touched(scene: Scene) -> None:
    for number in (1, 2):
        scene.write(f"a_tr{number}.wav")
    scene.start()
    scene.settle_all()
    scene.write("transfer.yaml", b"track_sets: {enabled: false}\n")
    scene.hint(scene.write("a_tr2.wav", wav(300)))
    scene.after(5)
    assert [*scene.rows()] == ["a_tr1.wav", "a_tr2.wav"]


def test_a_sheet_with_a_mistake_stops_no_intake(scene: Scene) -> None:
    scene.write("transfer.yaml", b"track_sets: {enabeld: false}\n")
    scene.write("a.wav")
    scene.start()
    assert len(scene.after(QUIET_S + 5).queued) == 1


def test_a_set_that_loses_a_track_while_it_waits(scene: Scene) -> None:
    for number in (1, 2, 3):
        scene.write(f"a_tr{number}.wav")
    scene.start()
    scene.after(60)
    (scene.root / "a_tr3.wav").unlink()
    scene.after(10)
    assert len(scene.ledger.files(scene.row("a.set").id)) == 2
    (scene.root / "a_tr2.wav").unlink()
    scene.after(2 * QUIET_S + 10)
    assert scene.rows() == {"a.set": "waiting", "a_tr1.wav": "queued"}
    scene.scan()
    scene.seconds += 1000
    assert scene.scan().missing == (scene.row("a.set").id,)
    assert scene.row("a.set").why == "a_tr2.wav is gone"


def test_a_set_keeps_its_row_where_its_name_follows_a_new_first_track(scene: Scene) -> None:
    """The set is named after its first file: another case of letters is no other set."""
    for number in (1, 2):
        scene.write(f"a_tr{number}.wav")
    scene.start()
    scene.settle_all()
    row = scene.row("a.set")
    scene.hint(scene.write("A_tr0.wav"))
    scene.after(5)
    assert scene.rows() == {"a.set": "waiting"}
    assert scene.row("a.set").id == row.id


# -- recordings, volume of work --------------------------------------------------------------------


def test_a_growing_file_is_a_recording_on_its_volume(scene: Scene) -> None:
    """Fault row 38."""
    old = scene.write("old.wav")
    at = os.stat(old).st_mtime - 3600
    os.utime(old, (at, at))
    scene.start()
    device = os.stat(scene.root).st_dev
    assert not scene.intake.recording_on(device)
    path = scene.write("take.wav")
    os.utime(path, (at, at))
    scene.hint(path)
    scene.intake.tick()
    assert not scene.intake.recording_on(device)
    append(path)
    scene.after(5)
    assert scene.intake.recording_on(device)
    assert not scene.intake.recording_on(device + 1)
    scene.after(61)
    assert not scene.intake.recording_on(device)


def test_a_recording_under_a_temporary_name_counts(scene: Scene) -> None:
    scene.start()
    path = scene.write("take.wav.part", bytes(1000))
    scene.hint(path)
    scene.after(5)
    append(path)
    scene.after(5)
    assert scene.intake.recording_on(os.stat(path).st_dev)


def test_a_burst_of_files_loses_none(scene: Scene) -> None:
    """Fault row 16, without events: the queue had overflowed."""
    for folder in range(3):
        for number in range(150):
            scene.write(f"reel {folder}/take {number}.wav", b"")
    scene.start()
    assert scene.source is not None
    for number in range(100):
        scene.write(f"reel 9/take {number}.wav", b"")
    scene.source.lost = True
    scene.after(15)
    assert len(scene.rows()) == 550


def test_thousands_at_once_through_a_queue_that_overflows(tmp_path: Path) -> None:
    """Fault row 16, with real events: they overflow, and scans find the rest.

    A quarter of the row's 20,000 files through a queue of a fifth of its 512.
    """
    scene = Scene(tmp_path)
    factory = partial(Arrivals, most=100)
    intake = Intake(scene.ledger, scene.settings, observer_factory=factory, log=Log(io.StringIO()))
    intake.start()
    intake.tick()
    try:
        for folder in range(50):
            (scene.root / f"reel {folder}").mkdir()
            for number in range(100):
                (scene.root / f"reel {folder}" / f"take {number}.wav").touch()
        until = time.monotonic() + 120
        known = 0
        while known < 5_000 and time.monotonic() < until:
            intake.tick()
            (known,) = next(scene.ledger.rows("SELECT count(*) FROM captures"))
            time.sleep(0.01)
        assert known == 5_000
    finally:
        intake.stop()
        scene.ledger.close()


def test_a_second_name_of_a_known_capture_is_a_capture_of_its_own(scene: Scene) -> None:
    """A hard link: the old name is still there, so nothing was moved."""
    path = scene.write("take.wav")
    scene.start()
    scene.settle_all()
    os.link(path, path.with_name("again.wav"))
    scene.scan()
    scene.after(2 * QUIET_S + 10)
    assert scene.rows() == {"again.wav": "queued", "take.wav": "done"}


@pytest.mark.parametrize("hours", [-1, 24])
def test_a_clock_that_jumps_settles_nothing_early_and_nothing_twice(
    scene: Scene, monkeypatch: pytest.MonkeyPatch, hours: int
) -> None:
    """Fault row 39."""
    scene.write("take.wav")
    scene.start()
    scene.after(QUIET_S / 2)
    right = scene.wall

    def jumped() -> str:
        moment = datetime.fromisoformat(right()) + timedelta(hours=hours)
        return moment.isoformat(timespec="milliseconds")

    monkeypatch.setattr(scene.intake._candidates, "_wall", jumped)
    assert scene.after(QUIET_S / 2 - 5).queued == ()
    assert len(scene.after(30).queued) == 1
    scene.done()
    assert scene.after(2000).queued == ()


def test_all_that_waited_is_taken_up_after_a_start(scene: Scene) -> None:
    for number in range(500):
        scene.write(f"take {number}.wav", b"")
        if number < 3:
            scene.write(f"set/a_tr{number}.wav")
    scene.start()
    scene.after(30)
    assert scene.restart().waiting == 501
    assert scene.after(QUIET_S - 5).queued == ()
    assert len(scene.after(QUIET_S + 10).queued) == 1


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


def test_a_tick_is_bounded(tmp_path: Path) -> None:
    """Stopping must not wait for a scan: a clock that runs with each look ends the tick."""
    scene = Scene(tmp_path)
    for number in range(1000):
        scene.write(f"take {number}.wav", b"")
    scene.intake.start()
    real, steps = scene.intake._clock, [0.0]

    def running() -> float:
        steps[0] += 0.05
        return real() + steps[0]

    scene.intake._clock = running
    report = scene.intake.tick()
    assert report.scanning or report.waiting < 1000
    assert report.more  # the next one need not wait
    for _ in range(50):
        scene.intake.tick()
    still = real() + steps[0]
    scene.intake._clock = lambda: still
    scene.intake.tick()
    assert not scene.intake.tick().more
    assert len(scene.rows()) == 1000
    scene.ledger.close()


def test_a_scan_waits_where_too_much_is_looked_at_already(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Memory does not grow with an archive that is met for the first time."""
    monkeypatch.setattr("watcher.looking._ROOM", 100)
    for folder in range(5):
        for number in range(60):
            scene.write(f"reel {folder}/take {number}.wav")
    scene.start()
    assert len(scene.rows()) < 300
    scene.hint(scene.write("new.wav"))
    scene.after(5)
    assert "new.wav" in scene.rows()
    scene.after(5 * (QUIET_S + 10))
    assert [*scene.rows().values()] == ["queued"] * 301


def test_a_folder_too_full_for_the_room_is_taken_in_by_and_by(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("watcher.looking._ROOM", 100)
    for number in range(450):
        scene.write(f"take {number}.wav")
    scene.start()
    assert len(scene.rows()) == 200
    scene.after(3 * (QUIET_S + 10))
    assert [*scene.rows().values()] == ["queued"] * 450


def test_events_that_are_lost_again_and_again_do_not_scan_without_end(scene: Scene) -> None:
    scene.start()
    assert scene.source is not None
    began = scene.seconds
    scans = set()
    while scene.seconds < began + 60:
        scene.source.lost = True
        scene.seconds += 1
        scene.intake.tick()
        scans |= set(scene.ledger.rows("SELECT scanned_at FROM roots"))
    assert 4 <= len(scans) <= 7


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
    """Fault rows 32 and 43."""
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


def test_captures_are_left_as_they_were(scene: Scene) -> None:
    """Fault row 51."""
    paths = [scene.write(name) for name in ("a.wav", "b_tr1.wav", "b_tr2.wav", "c.wav")]
    before = [(os.stat(p).st_mode, os.stat(p).st_mtime_ns, os.stat(p).st_ctime_ns) for p in paths]
    scene.start()
    scene.settle_all()
    after = [(os.stat(p).st_mode, os.stat(p).st_mtime_ns, os.stat(p).st_ctime_ns) for p in paths]
    assert after == before
