"""What many tests of the watcher get: a ledger, a scene, the daemon over one, a home of its own."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from rounds import Watch
from watching import Scene

from watcher import reverify
from watcher.ledger import Ledger


@pytest.fixture(autouse=True)
def state_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """No test meets the ledger of whoever runs it."""
    folder = tmp_path_factory.mktemp("state")
    monkeypatch.setenv("XDG_STATE_HOME", str(folder))
    return folder


@pytest.fixture(autouse=True)
def usual_width(monkeypatch: pytest.MonkeyPatch) -> None:
    """No text is broken by the terminal of whoever runs it."""
    monkeypatch.delenv("COLUMNS", raising=False)


@pytest.fixture
def every_reading_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Verification without the short way for small files, which reads apart from the rest."""
    monkeypatch.setattr(reverify, "is_as_recorded", lambda *_: None)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        yield ledger


@pytest.fixture
def scene_with(tmp_path: Path) -> Iterator[Callable[..., Scene]]:
    """Makes a scene with these settings when it is called."""
    made: list[Scene] = []

    def make(**settings: Any) -> Scene:
        made.append(Scene(tmp_path, **settings))
        return made[-1]

    yield make
    for scene in made:
        scene.intake.stop()
        scene.ledger.close()


@pytest.fixture
def scene(scene_with: Callable[..., Scene]) -> Scene:
    return scene_with()


@pytest.fixture
def watch_with(tmp_path: Path) -> Iterator[Callable[..., Watch]]:
    """Makes a daemon over a scene with these settings when it is called."""
    made: list[Watch] = []

    def make(**settings: Any) -> Watch:
        made.append(Watch(tmp_path, **settings))
        return made[-1]

    yield make
    for watch in made:
        watch.close()


@pytest.fixture
def watch(watch_with: Callable[..., Watch]) -> Watch:
    return watch_with()
