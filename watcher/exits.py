"""Exit status of the command (contract)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import IntEnum


class Exit(IntEnum):
    """0 all clear; the others say what there is to do. ``worst`` orders them."""

    CLEAR = 0
    FAULT = 1  # of the program itself: what an accident gives anyway
    USAGE = 2
    LISTEN = 3
    REDO = 4
    UNREAD = 5
    NOT_RUNNING = 6
    INTERRUPTED = 130

    @staticmethod
    def worst(statuses: Iterable[Exit]) -> Exit:
        """The worst of some: 1, 2, 5, 4, 3, 0."""
        return max(statuses, key=_ORDER.index, default=Exit.CLEAR)


_ORDER = [
    Exit.CLEAR,
    Exit.LISTEN,
    Exit.REDO,
    Exit.UNREAD,
    Exit.USAGE,
    Exit.FAULT,
    Exit.NOT_RUNNING,
    Exit.INTERRUPTED,
]

# by the words of checks.model.Verdict, which is not imported: that would cost numpy
BY_VERDICT: Mapping[str, Exit] = {
    "clear": Exit.CLEAR,
    "listen": Exit.LISTEN,
    "redo": Exit.REDO,
    "unread": Exit.UNREAD,
}
