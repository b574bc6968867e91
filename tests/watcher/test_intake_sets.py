"""From files to the queue: the files of a take are one capture, late, short, lost or renamed."""

from __future__ import annotations

import pytest
from watching import GIVE_UP_S, QUIET_S, Scene, wav

from watcher.intake import capture_of
from watcher.settings import TrackSets


def test_the_files_of_a_take_are_one_capture(scene: Scene) -> None:
    """Two sets written in turns into one folder."""
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
    """The set is opened again, and none of its files stands alone."""
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
    assert scene.state("a.set") == ("waiting", 2 if opened else 1)
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
    scene.start()
    for number in (1, 2, 4):
        scene.write(f"a_tr{number}.wav")
    scene.scan()
    assert scene.after(GIVE_UP_S - 10).queued == ()
    why = scene.row("a.set").why or ""
    assert "missing" in why
    assert why[-1].isalnum()  # within a sentence
    assert len(scene.after(20).queued) == 1


def test_a_short_track_is_waited_for(scene: Scene) -> None:
    """Still being copied, though nothing moves just now."""
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
    assert scene.two_scans().missing == (scene.row("a.set").id,)
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
