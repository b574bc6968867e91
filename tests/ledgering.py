"""Captures put into a ledger by hand."""

from __future__ import annotations

from pathlib import Path

from watcher.files import Identity
from watcher.ledger import Ledger, State
from watcher.rows import CaptureRow

IDENTITY = Identity(device=1, inode=2, size=3, mtime_ns=4)


def put(ledger: Ledger, name: str = "/c/take.wav", **changes: object) -> CaptureRow:
    path = Path(name)
    values: dict[str, object] = {
        "root": ledger.root(Path("/c")),
        "path": path,
        "is_set": False,
        "files": [(path, IDENTITY)],
        "state": State.WAITING,
    }
    return ledger.put(**(values | changes))  # type: ignore[arg-type]
