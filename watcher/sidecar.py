"""Reports on disk: finding a capture's earlier one, writing the new one whole."""

from __future__ import annotations

import os
import stat
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from watcher.files import write_whole
from watcher.report import Report, ReportError, exact, from_json, to_json


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


def of_another(report: Report, name: str, files: Iterable[str]) -> str:
    """The capture that a report is of, where that is another than the one in whose place it stands.

    Of the same name, or with one of its files, it is of the same capture: a set may have lost some.

    Args:
        name, files: of the capture, and of its files, as the file system has them.
    """
    capture = report.capture
    own = exact(capture.name, capture.name_b64)
    its = {own, *(exact(line.name, line.name_b64) for line in capture.files)}
    same = {unicodedata.normalize("NFC", one) for one in its}
    return own if same.isdisjoint(unicodedata.normalize("NFC", n) for n in (name, *files)) else ""


def set_aside(path: Path, why: str = "unreadable") -> Path:
    """Keep a sidecar under another name before a new one takes its place.

    Args:
        why: ``unreadable``, or ``of-another`` capture; its new name says so.
    """
    for number in range(1, 1000):
        aside = path.with_name(f"{path.name}.{why}-{number}")
        if not aside.exists():
            os.rename(path, aside)
            return aside
    raise ReportError(f"{path}: a thousand reports stand aside there; look at them first")


def save(report: Report, path: Path) -> None:
    """Write a report so that it is there completely or not at all.

    Raises:
        OSError: it could not be written; a former one is untouched.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, to_json(report).encode("ascii") + b"\n")
