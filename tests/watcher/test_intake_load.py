"""From files to the queue: recordings beside, bursts, and more files than fit into memory."""

from __future__ import annotations

import io
import os
import time
from functools import partial

import pytest
from damage_files import grow
from watching import QUIET_S, Scene

from watcher.arrivals import Arrivals
from watcher.intake import Intake
from watcher.logs import Log


def test_a_growing_file_is_a_recording_on_its_volume(scene: Scene) -> None:
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
    grow(path, bytes(600))
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
    grow(path, bytes(600))
    scene.after(5)
    assert scene.intake.recording_on(os.stat(path).st_dev)


def test_a_burst_of_files_loses_none(scene: Scene) -> None:
    """Without events: the queue had overflowed."""
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


def test_thousands_at_once_through_a_queue_that_overflows(scene: Scene) -> None:
    """With real events: they overflow, and scans find the rest.

    5,000 files through a queue of 100.
    """
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


def test_a_tick_is_bounded(scene: Scene) -> None:
    """Stopping must not wait for a scan: a clock that runs with each look ends the tick."""
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
