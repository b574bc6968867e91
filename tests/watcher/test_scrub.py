"""Stored captures read again in idle time: when, how fast, and what comes of a difference."""

from __future__ import annotations

import io
import json
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from damage_files import flip
from verifying import known, recorded

from watcher import readings, reverify
from watcher.ledger import Ledger, State
from watcher.logs import Log
from watcher.morning import gather
from watcher.morning_text import text_of
from watcher.scrub import Scrub
from watcher.settings import Settings

DAYS = 90.0


@dataclass
class Storage:
    """What the daemon knows of the volume; ``away``: a root whose storage is lost."""

    recording: bool = False
    there: bool = True
    away: Path | None = None

    def recording_on(self, device: int) -> bool:
        return self.recording

    def present(self, path: Path) -> bool:
        return self.there and (self.away is None or not path.is_relative_to(self.away))


@dataclass
class Idle:
    """A daemon that has nothing else to do."""

    settings: Settings
    intake: Storage = field(default_factory=Storage)
    claims: dict[int, Any] = field(default_factory=dict)


class Scene:
    def __init__(self, folder: Path, ledger: Ledger) -> None:
        self.folder, self.ledger = folder, ledger
        # so that what was read in the last half hour is not due again
        self.now = datetime.now(UTC) + timedelta(days=0.9 * DAYS, minutes=-30)
        self.daemon = Idle(Settings(verify_every_days=DAYS, verify_limit_mb_s=None))
        self.log = io.StringIO()
        self.scrub = Scrub(ledger, Log(self.log), clock=lambda: self.now)

    def turn(self) -> None:
        self.scrub(self.daemon)  # type: ignore[arg-type]

    def read(self) -> Path | None:
        """Let it begin and end one reading; which capture it was."""
        self.turn()
        path = self.scrub.reading
        until = time.monotonic() + 20
        while self.scrub.reading is not None and time.monotonic() < until:
            self.turn()
            time.sleep(0.005)
        return path

    def verified(self, name: str) -> str | None:
        row = self.ledger.capture(self.folder / name)
        assert row is not None
        return row.verified_at


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    names = ("a.wav", "b.wav", "t_tr1.wav", "t_tr2.wav")
    folder = tmp_path / "store"
    recorded(folder, *names)
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        for number, (stem, *files) in enumerate(
            (("a.wav", "a.wav"), ("b.wav", "b.wav"), ("t.set", "t_tr1.wav", "t_tr2.wav"))
        ):
            row = known(ledger, folder, stem, *files)
            at = (datetime.now(UTC) - timedelta(hours=3 - number)).isoformat()
            ledger.change("UPDATE captures SET verified_at = ? WHERE id = ?", (at, row.id))
        scene = Scene(folder, ledger)
        yield scene
        scene.scrub.close()


def test_each_is_read_again_the_longest_unread_first_then_none(scene: Scene) -> None:
    before = scene.verified("t.set")
    assert [scene.read() for _ in range(4)] == [
        scene.folder / "a.wav",
        scene.folder / "b.wav",
        scene.folder / "t.set",
        None,
    ]
    assert (scene.verified("t.set") or "") > (before or "")
    states = [s for (s,) in scene.ledger.rows("SELECT state FROM verifications")]
    assert states == ["intact"] * 4


@pytest.mark.parametrize("days", [0.5 * DAYS, 0.89 * DAYS])
def test_nothing_is_read_before_it_is_due(scene: Scene, days: float) -> None:
    """A tenth of the time is kept in hand: due after 0.9 of ``verify_every_days``."""
    scene.now = datetime.now(UTC) + timedelta(days=days)
    assert scene.read() is None
    scene.now = datetime.now(UTC) + timedelta(days=0.91 * DAYS)
    assert scene.read() == scene.folder / "a.wav"


def test_it_can_be_turned_off(scene: Scene) -> None:
    scene.daemon.settings = Settings(verify_every_days=None)
    assert scene.read() is None


def recording(scene: Scene) -> None:
    scene.daemon.intake.recording = True


def lost(scene: Scene) -> None:
    scene.daemon.intake.there = False


def checking(scene: Scene) -> None:
    scene.daemon.claims[1] = None


def queued(scene: Scene) -> None:
    row = scene.ledger.capture(scene.folder / "b.wav")
    assert row is not None
    scene.ledger.move_to(row.id, State.QUEUED)


@pytest.mark.parametrize("what", [recording, lost, checking, queued])
def test_it_does_not_begin_beside(scene: Scene, what: Callable[[Scene], None]) -> None:
    what(scene)
    assert scene.read() is None


def test_however_much_is_due_on_lost_storage_the_other_roots_are_read(
    scene: Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("watcher.scrub._LOOKED_AT", 2)
    other = tmp_path / "other"
    recorded(other, "c.wav")
    known(scene.ledger, other, "c.wav", "c.wav")
    scene.now += timedelta(hours=1)
    scene.daemon.intake.away = scene.folder
    assert scene.read() == other / "c.wav"


def test_however_much_could_not_be_read_lately_the_others_are(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("watcher.scrub._LOOKED_AT", 2)
    for name in ("a.wav", "b.wav"):
        scene.ledger.change(
            "INSERT INTO verifications (run, path, at, state) VALUES ('scrub', ?, ?, 'unread')",
            (os.fsencode(scene.folder / name), scene.now.isoformat()),
        )
    assert scene.read() == scene.folder / "t.set"
    assert scene.read() is None


@pytest.mark.parametrize("what", [recording, checking])
def test_it_rests_while_others_need_the_storage_and_then_goes_on(
    scene: Scene, monkeypatch: pytest.MonkeyPatch, what: Callable[[Scene], None]
) -> None:
    given: list[int] = []
    opened: list[bytes] = []

    def slowly(path: bytes, algorithms: Any, pace: Callable[[int], None]) -> Any:
        opened.append(path)
        for _ in range(100):
            time.sleep(0.005)
            pace(1)
            given.append(1)
        return real(path, algorithms, pace)

    real = readings.read_past_cache
    monkeypatch.setattr(reverify, "read_past_cache", slowly)
    scene.turn()
    while not given:
        time.sleep(0.005)
    what(scene)
    scene.turn()
    time.sleep(0.05)
    count = len(given)
    for _ in range(5):
        time.sleep(0.02)
        scene.turn()
    assert len(given) == count < 100
    assert scene.scrub.reading == scene.folder / "a.wav"
    scene.daemon.intake.recording = False
    scene.daemon.claims.clear()
    before = scene.verified("a.wav")
    until = time.monotonic() + 20
    while scene.scrub.reading is not None and time.monotonic() < until:
        scene.turn()
        time.sleep(0.005)
    assert scene.verified("a.wav") != before
    assert opened == [os.fsencode(scene.folder / "a.wav")]  # not from the beginning again


def test_it_keeps_within_its_rate(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    rates: list[float] = []
    counts: list[int] = []

    class Noted:
        def __init__(self, bytes_per_s: float, *, sleep: Callable[[float], None]) -> None:
            rates.append(bytes_per_s)

        def took(self, count: int) -> None:
            counts.append(count)

    monkeypatch.setattr("watcher.scrub.Pace", Noted)
    scene.daemon.settings = Settings(verify_every_days=DAYS, verify_limit_mb_s=12.0)
    scene.read()
    assert rates == [12e6]
    assert sum(counts) == (scene.folder / "a.wav").stat().st_size


def test_its_end_does_not_wait_for_a_low_rate(scene: Scene) -> None:
    scene.daemon.settings = Settings(verify_every_days=DAYS, verify_limit_mb_s=0.0001)
    scene.turn()
    time.sleep(0.1)
    began = time.monotonic()
    scene.scrub.close()
    assert time.monotonic() - began < 20  # at the rate it would be four minutes


def test_a_silent_change_is_checked_again_and_told_in_the_summary(scene: Scene) -> None:
    path = scene.folder / "a.wav"
    st = path.stat()
    flip(path, 3000)
    os.utime(path, ns=(st.st_atime_ns, st.st_mtime_ns))
    before = scene.verified("a.wav")
    assert scene.read() == path
    row = scene.ledger.capture(path)
    assert row is not None
    assert row.state is State.QUEUED
    assert row.verified_at == before
    now = datetime.now(UTC)
    since = (now - timedelta(hours=1)).isoformat(timespec="milliseconds")
    found = gather(scene.ledger, since, now=now, verify_days=DAYS, free=lambda _: (10**12, 10**12))
    (change,) = found.coverage.changed
    assert change[:2] == (str(path), "altered")
    assert "Its size and date pretend that nothing happened" in change[2]
    text = " ".join(text_of(found).split())
    assert "Stored files that verification found otherwise than recorded (1)" in text
    assert (
        "2 stored captures on record; the one not read for longest was last read in full on" in text
    )
    assert "100 % within the last 90 days" in text


def test_what_cannot_be_read_is_not_tried_all_the_time(scene: Scene) -> None:
    (scene.folder / "a.wav").rename(scene.folder / "gone")
    assert scene.read() == scene.folder / "a.wav"
    row = scene.ledger.capture(scene.folder / "a.wav")
    assert row is not None
    scene.ledger.move_to(row.id, State.DONE)  # checked meanwhile, to no other end
    scene.now = datetime.now(UTC) + timedelta(days=DAYS)
    tried = [scene.ledger.rows("SELECT max(at) FROM verifications")]
    assert tried
    scene.ledger.change("UPDATE verifications SET at = ?", (scene.now.isoformat(),))
    assert scene.read() == scene.folder / "b.wav"
    scene.ledger.change("UPDATE captures SET state = 'missing' WHERE path != ?", (bytes(row.path),))
    scene.now += timedelta(days=2)
    assert scene.read() == scene.folder / "a.wav"


def test_a_loss_of_the_storage_meanwhile_says_nothing_of_the_capture(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_: Any) -> Any:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(reverify, "read_past_cache", gone)
    scene.turn()
    scene.daemon.intake.there = False
    until = time.monotonic() + 20
    while scene.scrub.reading is not None and time.monotonic() < until:
        scene.turn()
        time.sleep(0.005)
    assert not list(scene.ledger.rows("SELECT 1 FROM verifications"))
    row = scene.ledger.capture(scene.folder / "a.wav")
    assert row is not None
    assert row.state is State.DONE


def test_a_reading_that_fails_in_no_foreseen_way_is_kept_and_holds_up_no_other(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(path: bytes, *rest: Any) -> Any:
        if path.endswith(b"a.wav"):
            raise TypeError("unforeseen")
        return real(path, *rest)

    real = readings.read_past_cache
    monkeypatch.setattr(reverify, "read_past_cache", failing)
    assert scene.read() == scene.folder / "a.wav"
    ((path, state, detail),) = scene.ledger.rows("SELECT path, state, detail FROM verifications")
    assert (path, state) == (os.fsencode(scene.folder / "a.wav"), "unread")
    assert detail == "Cannot be read again: TypeError: unforeseen."
    assert "scrub_failed path=" in scene.log.getvalue()
    assert "Traceback" in scene.log.getvalue()
    row = scene.ledger.capture(scene.folder / "a.wav")
    assert row is not None
    assert (row.state, row.why) == (State.QUEUED, "could not be read again")
    scene.ledger.move_to(row.id, State.DONE)
    scene.ledger.change("UPDATE verifications SET at = ?", (scene.now.isoformat(),))
    assert scene.read() == scene.folder / "b.wav"


def test_an_odd_date_in_the_report_hides_no_change(scene: Scene) -> None:
    sidecar = scene.folder / "a.wav.vigil.json"
    report = json.loads(sidecar.read_text())
    report["capture"]["files"][0]["modified"] = "2026-01-01T00:00:00"
    sidecar.write_text(json.dumps(report))
    flip(scene.folder / "a.wav", 3000)
    assert scene.read() == scene.folder / "a.wav"
    assert [s for (s,) in scene.ledger.rows("SELECT state FROM verifications")] == ["altered"]
