"""Telling the service manager: ready, alive, stopping (sd_notify(3), from memory).

One datagram to the socket that NOTIFY_SOCKET names; nothing where there is none.
"""

from __future__ import annotations

import contextlib
import os
import socket


def tell(*lines: str) -> None:
    """Send state lines such as ``READY=1``."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.connect(address)
        sock.sendall("\n".join(lines).encode())


def watchdog_s() -> float | None:
    """How often the manager wants to hear from us at least, a third of its own limit."""
    text = os.environ.get("WATCHDOG_USEC", "")
    return int(text) / 3e6 if text.isdecimal() and int(text) > 0 else None
