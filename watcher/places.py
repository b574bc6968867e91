"""Where the program keeps what is its own."""

from __future__ import annotations

import os
from pathlib import Path

from watcher.errors import UsageError
from watcher.settings import Settings

_MOST_JOBS = 4  # more readers bring one machine little; common practice


def state_folder() -> Path:
    """The folder for state: the service manager's, else the user's own.

    systemd.exec(5): STATE_DIRECTORY; XDG Base Directory Specification 0.8: XDG_STATE_HOME.

    Raises:
        UsageError: nothing says where that is.
    """
    if given := os.environ.get("STATE_DIRECTORY"):
        return Path(given.split(":")[0])
    base = os.environ.get("XDG_STATE_HOME")
    if not base or not os.path.isabs(base):
        base = os.path.expanduser("~/.local/state")
        if not os.path.isabs(base):  # no HOME, and an account that the system has no entry of
            raise UsageError(
                "nothing says where this account's home is, and so where the ledger lies: set "
                "`ledger` in the configuration, or XDG_STATE_HOME to a folder"
            )
    return Path(base, "reelvigil")


def ledger_path(settings: Settings) -> Path:
    """Where the ledger lives: as configured, else in the state folder."""
    return settings.ledger or state_folder() / "ledger.sqlite"


def turns(folder: bytes, sys_folder: Path = Path("/sys")) -> bool | None:
    """Whether a folder lies on a turning disk; None where the system does not say.

    Linux Documentation/ABI/stable/sysfs-block: queue/rotational. A partition has none of its own:
    its disk's stands one folder up. Network and stacked file systems have no such device.
    """
    try:
        device = os.stat(folder).st_dev
        block = sys_folder / "dev" / "block" / f"{os.major(device)}:{os.minor(device)}"
        for place in (block / "queue", block.resolve(strict=True).parent / "queue"):
            flag = place / "rotational"
            if flag.is_file():
                return flag.read_text().strip() != "0"
    except (OSError, ValueError):
        pass
    return None


def jobs_for(folder: bytes, sys_folder: Path = Path("/sys")) -> int:
    """How many big files of a folder are best read at once: never several from a turning disk."""
    if turns(folder, sys_folder) is False:
        return max(1, min(_MOST_JOBS, os.cpu_count() or 1))
    return 1
