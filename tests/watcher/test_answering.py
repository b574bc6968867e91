"""Storage that does not answer: one root is given up for a while, nothing else is held up."""

from __future__ import annotations

import builtins
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from rounds import Watch
from watching import Scene, wav

from watcher.answering import Answering
from watcher.intake import Intake

CALLS = ("stat", "lstat", "open", "scandir", "listdir", "statvfs", "readlink", "mkdir", "replace")


class DeadMount:
    """While ``dead``, whoever asks the system for anything below a folder waits.

    In the thread that the test runs in that would end the test: what was asked is kept instead.
    """

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.dead = False
        self.alive = threading.Event()
        self.asked: list[tuple[str, str]] = []
        self._folder = os.fsdecode(folder)
        self._main = threading.get_ident()
        for name in CALLS:
            monkeypatch.setattr(os, name, self._slow(name, getattr(os, name)))
        monkeypatch.setattr(builtins, "open", self._slow("open", builtins.open))

    def _slow(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(path: Any, *arguments: Any, **more: Any) -> Any:
            about = os.fsdecode(path) if isinstance(path, str | bytes | os.PathLike) else ""
            if self.dead and (about + "/").startswith(self._folder + "/"):
                if threading.get_ident() == self._main:
                    self.asked.append((name, about))
                    raise OSError(5, "would wait for ever")
                self.alive.wait(20)
            return real(path, *arguments, **more)

        return call


@pytest.fixture
def mount(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[DeadMount]:
    mount = DeadMount(tmp_path / "captures", monkeypatch)
    yield mount
    mount.dead = False
    mount.alive.set()


def impatient(intake: Intake) -> None:
    for root in intake._roots:
        root._answering = Answering(within_s=0.05)


def test_what_answers_is_handed_on() -> None:
    asking = Answering()
    assert asking.ask(lambda: 7) == 7
    with pytest.raises(FileNotFoundError):
        asking.ask(lambda: os.stat("/nowhere/at/all"))
    assert asking.ask(lambda: None) is None


def test_what_does_not_is_asked_no_second_time_until_it_does() -> None:
    go, calls = threading.Event(), []
    asking = Answering(within_s=0.02)

    def silent() -> None:
        calls.append(1)
        go.wait(20)

    for _ in range(5):
        with pytest.raises(TimeoutError, match="does not answer"):
            asking.ask(silent)
    assert len(calls) == 1
    go.set()
    until = time.monotonic() + 10
    while time.monotonic() < until:
        try:
            assert asking.ask(lambda: 3) == 3
            return
        except TimeoutError:
            time.sleep(0.001)
    raise AssertionError("never asked again")


def test_it_is_noticed_where_nothing_is_going_on(scene: Scene, mount: DeadMount) -> None:
    scene.stock(3)
    impatient(scene.intake)
    mount.dead = True
    scene.after(5)
    assert mount.asked == []
    assert "captures does not answer" in scene.troubles()[0]


def test_a_root_that_does_not_answer_holds_up_no_other(
    tmp_path: Path, watch_with: Callable[..., Watch], mount: DeadMount
) -> None:
    other = tmp_path / "other"
    other.mkdir()
    watch = watch_with(roots=(tmp_path / "captures", other), workers=2)
    scene = watch.scene
    impatient(scene.intake)
    for number in range(12):
        scene.write(f"reel/take {number:03}.wav")
    watch.checked()
    scene.write("reel/checked.wav")
    watch.settle()  # its check runs
    waits = scene.write("reel/waits.wav")
    grows = scene.write("reel/grows.wav.part")
    scene.hint(waits, grows)
    watch.after(5)
    number = scene.row("reel/take 003.wav").id  # its report could not be written, say
    scene.ledger.change("UPDATE captures SET delivered = 0 WHERE id = ?", (number,))
    (running,) = watch.pool.going
    watch.pool.finish(running)
    mount.dead = True
    (other / "new.wav").write_bytes(wav())
    watch.after(3000)
    assert mount.asked == []
    (told,) = (text for text in scene.troubles() if text.startswith("Storage lost"))
    assert "captures does not answer" in told
    query = "SELECT state FROM roots ORDER BY path"
    assert [state for (state,) in scene.ledger.rows(query)] == ["unreadable", "present"]
    states = scene.rows()
    assert states.pop("../other/new.wav") == "checking"  # the other root goes on
    assert (states.pop("reel/waits.wav"), states.pop("reel/checked.wav")) == ("waiting", "queued")
    assert set(states.values()) == {"done"}
    mount.dead = False
    mount.alive.set()
    time.sleep(0.05)
    watch.checked()
    watch.checked()
    assert set(scene.rows().values()) == {"done"}
    assert scene.troubles() == []
