"""Reports on disk: finding a capture's earlier one, writing the new one whole."""

from __future__ import annotations

import os
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
        data = path.read_bytes()
    except FileNotFoundError:
        return None
    return from_json(data)


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
