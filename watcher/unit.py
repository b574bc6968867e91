"""A systemd unit, filled in: hardened, and read-only on the captures where reports live elsewhere.

Directives as in systemd.service(5), systemd.exec(5) and systemd.resource-control(5).
"""

from __future__ import annotations

import os.path
import sys
from pathlib import Path

from watcher.settings import Settings


def unit_text(settings: Settings, config: Path | None, *, user: str) -> str:
    """The unit's text for this installation and configuration."""
    command = [sys.executable, "-P", "-m", "watcher", "watch"]
    if config is not None:
        command += ["--config", str(config.resolve())]
    written = written_folders(settings)
    commands = bool(settings.on_summary or settings.on_redo)  # they may have to send something
    lines = [
        "[Unit]",
        "Description=reelvigil: checks tape transfers as they arrive",
        *(f"RequiresMountsFor={_path(root)}" for root in settings.roots),
        "",
        "[Service]",
        "Type=notify",
        "NotifyAccess=main",
        f"ExecStart={' '.join(_word(part) for part in command)}",
        "ExecReload=/bin/kill -HUP $MAINPID",
        "WatchdogSec=120",
        "TimeoutStartSec=600",
        "TimeoutStopSec=30",
        "KillMode=mixed",
        "Restart=on-failure",
        "RestartSec=10",
        f"User={user}",
        "# reports are for people to read, wherever they may read the captures",
        "UMask=0022",
        "StateDirectory=reelvigil",
        "Nice=10",
        "IOSchedulingClass=idle",
        "CPUWeight=20",
        "IOWeight=10",
        f"MemoryMax={settings.workers * settings.memory_mb + 512}M",
        "OOMPolicy=continue",
        "LimitCORE=0",
        "NoNewPrivileges=yes",
        "# the read lease tells whether a recorder still holds a file open",
        "AmbientCapabilities=CAP_LEASE",
        "CapabilityBoundingSet=CAP_LEASE",
        "ProtectSystem=strict",
        *(f"ReadWritePaths={_path(path)}" for path in written),
        *(
            f"ReadOnlyPaths={_path(root)}"
            for root in settings.roots
            if settings.reports and not settings.reports.is_relative_to(root)
        ),
        "ProtectHome=read-only",
        "PrivateTmp=yes",
        "PrivateDevices=yes",
        *([] if commands else ["PrivateNetwork=yes", "RestrictAddressFamilies=AF_UNIX"]),
        "ProtectClock=yes",
        "ProtectHostname=yes",
        "ProtectKernelTunables=yes",
        "ProtectKernelModules=yes",
        "ProtectKernelLogs=yes",
        "ProtectControlGroups=yes",
        "RestrictNamespaces=yes",
        "RestrictRealtime=yes",
        "RestrictSUIDSGID=yes",
        "LockPersonality=yes",
        "SystemCallArchitectures=native",
        "SystemCallFilter=@system-service",
        "",
        "[Install]",
        "WantedBy=multi-user.target",
    ]
    return "\n".join(lines) + "\n"


def written_folders(settings: Settings) -> list[Path]:
    """Where the service writes; they must be there when it starts (systemd.exec(5))."""
    written = [settings.reports] if settings.reports else list(settings.roots)
    return written if settings.ledger is None else [*written, settings.ledger.parent]


def _path(path: Path) -> str:
    """A path as a directive takes it: one word of a list (systemd.syntax(7))."""
    return _word(os.path.abspath(path))


def _word(part: str) -> str:
    """Quoted where it must be; ``%`` begins a specifier (systemd.unit(5))."""
    text = part.replace("%", "%%").replace("\\", "\\\\").replace('"', '\\"')
    return f'"{text}"' if set(part) & set(" \t'\"\\") else text
