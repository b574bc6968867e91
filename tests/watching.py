"""A storage root, a clock that is turned by hand, and events that are sent by hand."""

from __future__ import annotations

import io
import os
import struct
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from watcher.intake import Intake, TickReport
from watcher.lease import Lease
from watcher.ledger import CaptureRow, Ledger, State
from watcher.logs import Log
from watcher.roots import enrol
from watcher.settings import Settings

QUIET_S = 120.0
GIVE_UP_S = 1800.0
INSTANCE = "server"


def wav(
    frames: int = 200,
    *,
    channels: int = 1,
    rate: int = 96_000,
    claimed: int | None = None,
    fill: int = 0,
) -> bytes:
    """A PCM file of 24 bit; ``claimed``: bytes of audio that its header promises."""
    audio = bytes([fill]) * (frames * channels * 3)
    size = len(audio) if claimed is None else claimed
    head = struct.pack("<HHIIHH", 1, channels, rate, rate * channels * 3, channels * 3, 24)
    form = b"WAVEfmt " + struct.pack("<I", 16) + head + b"data" + struct.pack("<I", size)
    return b"RIFF" + struct.pack("<I", 36 + size) + form + audio


class FakeSource:
    """Sends what a test puts into ``hints``."""

    def __init__(self) -> None:
        self.hints: list[bytes] = []
        self.lost = False
        self.dead: str | None = None
        self.deaf = False
        self.started = 0
        self.asked = False

    def start(self) -> None:
        self.started += 1
        self.dead = None

    def stop(self) -> None:
        pass

    def drain(self, most: int) -> list[bytes]:
        taken, self.hints = self.hints[:most], self.hints[most:]
        return taken

    def overflowed(self) -> bool:
        lost, self.lost = self.lost, False
        return lost

    def ask(self) -> bool:
        self.asked = True
        return True

    def answered(self) -> bool:
        return not self.deaf

    def trouble(self) -> str | None:
        return self.dead


class Scene:
    """An intake over one root, everything about it in the test's hands."""

    def __init__(
        self, folder: Path, *, enrolled: bool = True, source: bool = True, **settings: Any
    ) -> None:
        self.root = folder / "captures"
        self.root.mkdir(exist_ok=True)
        if enrolled:
            enrol(self.root, INSTANCE)
        self.seconds = 1000.0
        self.busy: set[Path] = set()
        self.unsure = False
        self.watches: int | None = None
        self.source = FakeSource() if source else None
        self.settings = Settings(
            **{
                "roots": (self.root,),
                "instance": INSTANCE,
                "quiet_s": QUIET_S,
                "give_up_s": GIVE_UP_S,
                **settings,
            }
        )
        self.ledger = Ledger(folder / "state" / "ledger.sqlite")
        self.intake = self.make()

    def make(self) -> Intake:
        source = self.source
        factory: Callable[[Path], FakeSource] | None = (lambda _: source) if source else None
        return Intake(
            self.ledger,
            self.settings,
            monotonic=lambda: self.seconds,
            wall=self.wall,
            lease=self.lease,
            observer_factory=factory,
            watches=lambda: self.watches,
            log=Log(io.StringIO()),
        )

    def wall(self) -> str:
        start = datetime(2026, 1, 31, 3, 0, tzinfo=UTC)
        return (start + timedelta(seconds=self.seconds)).isoformat(timespec="milliseconds")

    def lease(self, path: Path) -> Lease:
        if path in self.busy:
            return Lease.BUSY
        return Lease.UNKNOWN if self.unsure else Lease.FREE

    def start(self) -> TickReport:
        self.intake.start()
        return self.intake.tick()

    def restart(self) -> TickReport:
        """As after a new start of the daemon."""
        self.intake.stop()
        self.intake = self.make()
        return self.start()

    def after(self, seconds: float) -> TickReport:
        """Let time pass, five seconds a tick, and merge what the ticks did."""
        queued: list[int] = []
        reopened: list[int] = []
        missing: list[int] = []
        until = self.seconds + seconds
        report = TickReport()
        while self.seconds < until:
            self.seconds = min(self.seconds + 5, until)
            report = self.intake.tick()
            queued += report.queued
            reopened += report.reopened
            missing += report.missing
        return TickReport(
            queued=tuple(queued),
            reopened=tuple(reopened),
            missing=tuple(missing),
            waiting=report.waiting,
            scanning=report.scanning,
        )

    def write(self, name: str, data: bytes | None = None) -> Path:
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(wav() if data is None else data)
        return path

    def hint(self, *paths: Path) -> None:
        assert self.source is not None
        self.source.hints += [os.fsencode(path) for path in paths]

    def scan(self) -> TickReport:
        """A whole scan now."""
        self.intake.rescan()
        self.seconds += 1
        return self.intake.tick()

    def two_scans(self) -> TickReport:
        """The second of two scans, between which what is gone has been gone for long enough."""
        self.scan()
        self.seconds += 1000
        return self.scan()

    def row(self, name: str) -> CaptureRow:
        row = self.ledger.capture(self.root / name)
        assert row is not None, name
        return row

    def state(self, name: str) -> tuple[str, int]:
        """State and generation of a capture."""
        row = self.row(name)
        return row.state.value, row.generation

    def rows(self) -> dict[str, str]:
        """Every capture and its state."""
        found = self.ledger.rows("SELECT path, state FROM captures ORDER BY path")
        return {os.path.relpath(os.fsdecode(path), self.root): state for path, state in found}

    def done(self, *names: str) -> None:
        """As if the worker had found these clear."""
        for name in names or [*self.rows()]:
            row = self.row(name)
            self.ledger.move_to(row.id, State.DONE)
            self.ledger.change(
                "UPDATE captures SET checked_at = ?, checked_generation = generation WHERE id = ?",
                (self.wall(), row.id),
            )

    def settle_all(self) -> None:
        """Everything there is: found, settled, checked."""
        self.after(2 * QUIET_S + 10)
        self.done()

    def stock(self, count: int = 20) -> None:
        """Takes in a folder, known when the test begins: found, settled, checked."""
        for number in range(count):
            self.write(f"reel/take {number:03}.wav")
        self.start()
        self.settle_all()

    def troubles(self) -> list[str]:
        return [
            text for (text,) in self.ledger.rows("SELECT text FROM troubles WHERE ended IS NULL")
        ]
