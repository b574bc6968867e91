"""Where the program keeps what is its own."""

from __future__ import annotations

import os
from pathlib import Path

from watcher.settings import Settings


def state_folder() -> Path:
    """The folder for state: the service manager's, else the user's own.

    systemd.exec(5): STATE_DIRECTORY; XDG Base Directory Specification 0.8: XDG_STATE_HOME.
    """
    if given := os.environ.get("STATE_DIRECTORY"):
        return Path(given.split(":")[0])
    base = os.environ.get("XDG_STATE_HOME")
    home = Path(base) if base and os.path.isabs(base) else Path.home() / ".local" / "state"
    return home / "reelvigil"


def ledger_path(settings: Settings) -> Path:
    """Where the ledger lives: as configured, else in the state folder."""
    return settings.ledger or state_folder() / "ledger.sqlite"
