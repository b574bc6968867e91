"""Our exceptions.

WatcherError            anything we raise on purpose
├── UsageError          wrong call, no such path, no capture there (exit 2)
├── ConfigError         mistakes in a configuration or transfer sheet, all of them (exit 2)
└── UnreadError         a capture that could not be read completely (a finding, never a crash), or
                        a report that a call cannot do without (exit 5)
"""

from __future__ import annotations

from collections.abc import Iterable


class WatcherError(Exception):
    """Base of all; the message says what was wrong, where, and what is allowed."""


class UsageError(WatcherError):
    """The call cannot be carried out as it stands."""


class ConfigError(WatcherError):
    """Mistakes in configuration text, each as ``file:line: key: what is wrong, allowed``."""

    def __init__(self, mistakes: Iterable[str]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(self.mistakes))


class UnreadError(WatcherError):
    """The capture could not be looked at completely.

    Attributes:
        kind: kind of the container finding that says so.
        at_byte: where in the file, if known.
    """

    def __init__(
        self, message: str, *, kind: str = "unreadable", at_byte: int | None = None
    ) -> None:
        self.kind = kind
        self.at_byte = at_byte
        super().__init__(message)
