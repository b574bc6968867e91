"""Events: real ones of the kernel, and what becomes of them when the chain breaks."""

from __future__ import annotations

import logging
import os
import queue
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from watchdog.events import FileCreatedEvent
from watching import FakeSource, Scene, wav

from watcher import arrivals
from watcher.arrivals import Arrivals, watches
from watcher.ledger import Ledger
from watcher.listening import Listening
from watcher.logs import Log
from watcher.roots import MARKER, enrol
from watcher.troubles import Troubles

PROJECT = Path(__file__).resolve().parents[2]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    root = tmp_path / "captures"
    root.mkdir()
    enrol(root, "server")
    return root


@pytest.fixture
def source(root: Path) -> Iterator[Arrivals]:
    source = Arrivals(root)
    source.start()
    yield source
    source.stop()


def until(condition: Callable[[], bool], seconds: float = 20.0) -> bool:
    """Events take their time on a busy machine; what never comes fails the test."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.02)
    return False


def hints(source: Arrivals, *wanted: Path) -> bool:
    got: set[bytes] = set()

    def came() -> bool:
        got.update(source.drain(1000))
        return {os.fsencode(path) for path in wanted} <= got

    return until(came)


def test_hints_of_every_way_to_arrive(source: Arrivals, root: Path) -> None:
    """As the kernel tells it: written, renamed in, linked, without a name at first."""
    outside = root.parent / "outside"
    (outside / "reel").mkdir(parents=True)
    for name in ("b.wav", "c.wav", "reel/d.wav"):
        (outside / name).write_bytes(wav())
    (root / "a.wav").write_bytes(wav())
    os.rename(outside / "b.wav", root / "b.wav")
    os.link(outside / "c.wav", root / "c.wav")
    os.rename(outside / "reel", root / "reel")
    fd = os.open(root, os.O_TMPFILE | os.O_WRONLY)
    os.write(fd, wav())
    os.link(f"/proc/self/fd/{fd}", root / "e.wav", src_dir_fd=fd, follow_symlinks=True)
    os.close(fd)
    assert hints(source, *(root / name for name in ("a.wav", "b.wav", "c.wav", "reel", "e.wav")))


def test_a_name_that_is_no_text_comes_through(source: Arrivals, root: Path) -> None:
    path = root / os.fsdecode(b"\xff\n.wav")
    path.write_bytes(wav())
    assert hints(source, path)


def test_the_marker_answers_and_is_no_hint(source: Arrivals, root: Path) -> None:
    assert source.ask()
    assert until(source.answered)
    assert source.drain(10) == []
    assert source.trouble() is None


def test_without_a_marker_nothing_can_be_asked(tmp_path: Path) -> None:
    source = Arrivals(tmp_path)
    source.start()
    assert not source.ask()
    source.stop()


def test_a_full_queue_drops_and_says_so(root: Path) -> None:
    """Hints are lost, that they were lost is not."""
    source = Arrivals(root, most=3)
    source.start()
    for number in range(20):
        (root / f"{number}.wav").touch()
    assert until(source.overflowed)
    assert len(source.drain(100)) == 3
    source.stop()


def test_the_kernels_overflow_is_heard(source: Arrivals) -> None:
    """It is only logged: by watchdog 7 as a warning."""
    assert not source.overflowed()
    logging.getLogger("watchdog.observers.inotify_c").warning("Inotify queue overflowed")
    assert source.overflowed()
    assert not source.overflowed()


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, MemoryError])
def test_nothing_raised_in_the_handler_ends_the_thread(
    source: Arrivals, root: Path, monkeypatch: pytest.MonkeyPatch, error: type[BaseException]
) -> None:

    def fails(*_: object) -> None:
        raise error

    monkeypatch.setattr(source._hints, "put_nowait", fails)
    (root / "a.wav").touch()
    assert until(source.overflowed)
    monkeypatch.undo()
    (root / "b.wav").touch()
    assert hints(source, root / "b.wav")
    assert source.trouble() is None


def test_dead_threads_are_seen(source: Arrivals) -> None:
    observer = source._observer
    assert observer is not None
    emitter = next(iter(observer.emitters))
    emitter.stop()
    emitter.join(10)
    assert source.trouble() == "a thread that reads events has ended"
    observer.stop()
    observer.join(10)
    assert source.trouble() == "the thread that hands events on has ended"


def test_a_root_renamed_away_gives_no_answer(source: Arrivals, root: Path) -> None:
    """The observer stays alive and is deaf: only the marker shows it."""
    away = root.with_name("away")
    os.rename(root, away)
    root.mkdir()
    enrol(root, "server")
    assert source.ask()
    assert not until(source.answered, 1.0)


def test_a_dead_reader_is_replaced(source: Arrivals, root: Path) -> None:
    """watchdog 7 keeps one reader for all observers, dead or alive."""
    inotify = pytest.importorskip("watchdog.observers.inotify_c")
    if not hasattr(inotify, "InotifyFD"):
        pytest.skip("this watchdog has a reader for each observer")
    reader = inotify.InotifyFD.get_instance()
    reader.stop()
    reader.join(10)
    assert source.trouble() == "a thread that reads events has ended"
    source.stop()
    source.start()
    assert source.trouble() is None
    (root / "a.wav").touch()
    assert hints(source, root / "a.wav")


def test_a_root_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        Arrivals(tmp_path / "none").start()
    (tmp_path / "file").touch()
    with pytest.raises(NotADirectoryError):
        Arrivals(tmp_path / "file").start()


def test_watched_folders_are_counted(source: Arrivals, root: Path) -> None:
    before = watches()
    assert before is not None
    (root / "a/b/c").mkdir(parents=True)
    assert until(lambda: (watches() or 0) >= before + 3)


LIMITED = """
import sys; sys.path.insert(0, sys.argv[2])
import pathlib
pathlib.Path("/proc/sys/user/max_inotify_watches").write_text("20")
root = pathlib.Path(sys.argv[1])
for number in range(60):
    (root / str(number)).mkdir()
from watcher.arrivals import Arrivals, watches
source = Arrivals(root)
source.start()
print(watches())
"""


def test_the_kernels_limit_is_passed_over_in_silence_but_shows(root: Path) -> None:
    """20 of 61 folders are watched, and no error comes."""
    done = subprocess.run(
        ["unshare", "-Ur", sys.executable, "-c", LIMITED, str(root), str(PROJECT)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode or "Permission" in done.stderr:
        pytest.skip(f"no user namespace with limits of its own here: {done.stderr[-200:]}")
    assert int(done.stdout) == 20


# -- kept alive ----------------------------------------------------------------------------------


@pytest.fixture
def troubles(tmp_path: Path) -> Iterator[Troubles]:
    with Ledger(tmp_path / "ledger.sqlite") as ledger, open(os.devnull, "w") as stream:
        yield Troubles(ledger, Log(stream))


def told(troubles: Troubles) -> str:
    return " ".join(troubles.open.values())


def test_a_dead_source_is_begun_anew(tmp_path: Path, troubles: Troubles) -> None:
    """Noticed at the next look, scanned, told, and told to be over."""
    source = FakeSource()
    listening = Listening(tmp_path, troubles, lambda _: source)
    assert listening.keep(0.0)
    assert not listening.keep(1.0)
    source.dead = "a thread has ended"
    assert listening.keep(2.0)
    assert source.started == 2
    assert "watched and scanned anew" in told(troubles)
    listening.keep(3.0)
    listening.keep(4.0)
    assert told(troubles) == ""


def test_a_deaf_source_is_noticed_by_the_marker(tmp_path: Path, troubles: Troubles) -> None:
    source = FakeSource()
    listening = Listening(tmp_path, troubles, lambda _: source)
    listening.keep(0.0)
    source.deaf = True
    moments = [float(second) for second in range(1, 60)]
    begun = [at for at in moments if listening.keep(at)]
    assert begun
    assert begun[0] <= 3.0
    assert "did not come" in told(troubles)


def test_after_three_failures_scans_alone_are_relied_on_for_an_hour(
    tmp_path: Path, troubles: Troubles
) -> None:
    source = FakeSource()
    listening = Listening(tmp_path, troubles, lambda _: source)
    listening.keep(0.0)
    for at in (10.0, 20.0, 30.0):
        source.dead = "a thread has ended"
        listening.keep(at)
    assert not listening.alive
    assert "found by scans only" in told(troubles)
    assert not listening.keep(3600.0)
    assert listening.keep(3640.0)
    assert listening.alive


def test_one_that_cannot_be_begun_is_told(tmp_path: Path, troubles: Troubles) -> None:
    class Refused(FakeSource):
        def start(self) -> None:
            raise OSError(24, "inotify instance limit reached")

    listening = Listening(tmp_path, troubles, lambda _: Refused())
    assert not listening.keep(0.0)
    assert "inotify instance limit reached" in told(troubles)


def test_folders_beyond_the_limit_are_told(scene: Scene) -> None:
    for number in range(60):
        (scene.root / str(number)).mkdir()
    scene.watches = 20
    scene.start()
    (text,) = scene.troubles()
    assert "41 of 61 folders are covered by scans only" in text
    assert "fs.inotify.max_user_watches to at least 122" in text
    scene.watches = 61
    scene.seconds += 20
    scene.scan()
    assert scene.troubles() == []


def test_events_are_optional_to_everything(scene_with: Callable[..., Scene]) -> None:
    """No source at all: the scans find it, later."""
    scene = scene_with(source=False)
    scene.start()
    scene.write("take.wav")
    scene.after(905)
    assert scene.rows() == {"take.wav": "waiting"}


def test_a_handler_never_blocks(root: Path) -> None:
    handler = arrivals._Handler(os.fsencode(root / MARKER), queue.Queue(1))
    for number in range(3):
        handler.dispatch(FileCreatedEvent(str(root / f"{number}.wav")))
    assert handler.lost
