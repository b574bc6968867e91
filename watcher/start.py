"""Where the command ``reelvigil`` begins, before anything that takes a while is imported.

A Ctrl-C that lands while modules are being imported ends the process as the system does it; from
``watcher.cli`` on it is told in a sentence. What is imported is no garbage: to look for some
meanwhile costs a twentieth of the start, so that begins with the command (``watcher.cli``).
"""

from __future__ import annotations

import gc
import signal


def run() -> None:
    """The command ``reelvigil``."""
    ours = signal.getsignal(signal.SIGINT) is signal.default_int_handler  # not so under nohup
    if ours:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    gc.disable()
    from watcher.cli import run as carried_out

    carried_out(interruptible=ours)
