"""What many tests of the watcher get: a ledger, a scene, the daemon over one, a home of its own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

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


@pytest.fixture
def every_reading_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Verification without the short way for small files, which reads apart from the rest."""
    monkeypatch.setattr(reverify, "is_as_recorded", lambda *_: None)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        yield ledger


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    scene = Scene(tmp_path)
    yield scene
    scene.intake.stop()
    scene.ledger.close()


@pytest.fixture
def watch(tmp_path: Path) -> Iterator[Watch]:
    watch = Watch(tmp_path)
    yield watch
    watch.close()
