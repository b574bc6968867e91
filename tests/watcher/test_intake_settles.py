"""From files to the queue: what settles and when, once, whatever the writer and the clocks do.

Clock, lease and events are in the test's hands; the file system is real.
"""

from __future__ import annotations

import os
from datetime import datetime, timedelta

import pytest
from damage_files import grow
from watching import GIVE_UP_S, QUIET_S, Scene, wav

from watcher import settling


def test_found_by_the_scan_at_start_and_queued_once(scene: Scene) -> None:
    """Created while the daemon was down."""
    scene.write("reel 1/take.wav")
    assert scene.start().waiting == 1
    assert scene.rows() == {"reel 1/take.wav": "waiting"}
    assert scene.after(QUIET_S - 5).queued == ()
    assert scene.after(10).queued == (scene.row("reel 1/take.wav").id,)
    assert scene.after(2000).queued == ()
    assert scene.state("reel 1/take.wav") == ("queued", 1)


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
    """One check, after the end; also where the file is closed in between."""
    scene.start()
    path = scene.write("take.wav", wav(claimed=10**6))
    scene.hint(path)
    for pause in (10, 100, 60, 115, 115, 30):
        assert scene.after(pause).queued == ()
        grow(path, bytes(600))
    path.write_bytes(wav(400))
    assert scene.after(QUIET_S).queued == ()
    assert len(scene.after(10).queued) == 1
    assert scene.state("take.wav") == ("queued", 1)


def test_goes_on_after_a_gap_longer_than_the_quiet_period(scene: Scene) -> None:
    """An early verdict is superseded, the capture is of a new generation."""
    scene.start()
    path = scene.write("take.wav")
    scene.hint(path)
    scene.after(200)
    scene.done("take.wav")
    path.write_bytes(wav(400))
    scene.hint(path)
    report = scene.after(5)
    assert report.reopened == (scene.row("take.wav").id,)
    assert scene.state("take.wav") == ("waiting", 2)
    assert len(scene.after(QUIET_S + 5).queued) == 1
    assert scene.state("take.wav") == ("queued", 2)


def test_waits_as_long_as_a_writer_has_it_open(scene: Scene) -> None:
    """Preallocated and stalled, or mapped without a descriptor: the lease tells."""
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
    """A writer that was killed, a copy that broke off."""
    scene.start()
    scene.hint(scene.write("take.wav", data))
    assert scene.after(GIVE_UP_S - 5).queued == ()
    assert len(scene.after(20).queued) == 1
    assert (scene.row("take.wav").why or "").startswith("checked as it is: ")


@pytest.mark.parametrize("age_s", [25 * 365 * 86_400, -3600])
def test_the_time_of_the_file_has_no_say(scene: Scene, age_s: int) -> None:
    """A copy with the old time, a clock that runs ahead."""
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
    assert scene.state("take.wav") == ("queued", 1)


@pytest.mark.parametrize("hours", [-1, 24])
def test_a_clock_that_jumps_settles_nothing_early_and_nothing_twice(
    scene: Scene, monkeypatch: pytest.MonkeyPatch, hours: int
) -> None:
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


def test_a_sheet_with_a_mistake_stops_no_intake(scene: Scene) -> None:
    scene.write("transfer.yaml", b"track_sets: {enabeld: false}\n")
    scene.write("a.wav")
    scene.start()
    assert len(scene.after(QUIET_S + 5).queued) == 1
