"""Reports on disk: finding a capture's earlier one, writing the new one whole."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from watcher.files import write_whole
from watcher.report import Report, ReportError, from_json, to_json


def load(path: Path) -> Report | None:
    """The report at a path; None where there is none.

    Raises:
        ReportError: something stands there, but it is no readable report.
        OSError: it could not be read.
    """
    try:
        data = read(path)
    except FileNotFoundError:
        return None
    return from_json(data)


def read(path: Path) -> bytes:
    """The bytes of what stands at a path.

    Raises:
        ReportError: no file; a pipe would block whoever reads it for ever.
        OSError: it could not be read.
    """
    fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC | getattr(os, "O_NONBLOCK", 0))
    try:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise ReportError("it is not a regular file")
        with open(fd, "rb", closefd=False) as stream:
            return stream.read()
    finally:
        os.close(fd)


def set_aside(path: Path) -> Path:
    """Keep an unreadable sidecar under another name before a new one takes its place."""
    for number in range(1, 1000):
        aside = path.with_name(f"{path.name}.unreadable-{number}")
        if not aside.exists():
            os.rename(path, aside)
            return aside
    raise ReportError(f"{path}: a thousand unreadable reports stand aside; look at them first")


def save(report: Report, path: Path) -> None:
    """Write a report so that it is there completely or not at all.

    Raises:
        OSError: it could not be written; a former one is untouched.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, to_json(report).encode("ascii") + b"\n")
