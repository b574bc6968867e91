"""One event, one line: a word, then ``key=value`` pairs. Names in it can forge nothing.

Under a service manager that reads standard error the line begins with its level as ``<3>``
(sd-daemon(3), from memory) and carries no time, for the manager notes that itself.
"""

from __future__ import annotations

import os
import sys
import traceback
from datetime import datetime
from typing import IO, Any, Final

from watcher.files import shown

ERROR: Final = 3  # needs a person
WARNING: Final = 4  # may need one
INFO: Final = 6  # the diary
_WORDS: Final = {ERROR: "error", WARNING: "warning", INFO: "info"}


class Log:
    """Writes events to a stream, standard error unless told otherwise."""

    def __init__(self, stream: IO[str] | None = None, *, managed: bool | None = None) -> None:
        self._stream = stream if stream is not None else sys.stderr
        self._managed = "JOURNAL_STREAM" in os.environ if managed is None else managed

    def info(self, event: str, **values: Any) -> None:
        self._write(INFO, event, values)

    def warning(self, event: str, **values: Any) -> None:
        self._write(WARNING, event, values)

    def error(self, event: str, **values: Any) -> None:
        self._write(ERROR, event, values)

    def fault(self, error: BaseException) -> None:
        """An exception that nobody expected, line by line, each with its level."""
        for part in traceback.format_exception(error):
            for line in part.rstrip().splitlines():
                self._line(ERROR, shown(line))

    def _write(self, level: int, event: str, values: dict[str, Any]) -> None:
        self._line(level, event + "".join(f" {k}={_value(v)}" for k, v in values.items()))

    def _line(self, level: int, text: str) -> None:
        if self._managed:
            head = f"<{level}>"
        else:
            head = f"{datetime.now().astimezone().isoformat(timespec='seconds')} {_WORDS[level]} "
        try:
            self._stream.write(f"{head}{text}\n")
            self._stream.flush()
        except (OSError, ValueError):
            pass  # a log that cannot be written must not stop the watch


def _value(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return f"{value:.6g}"
    text = shown(value if isinstance(value, (str, bytes, os.PathLike)) else str(value))
    return "'" + text.replace("'", "\\'") + "'"
