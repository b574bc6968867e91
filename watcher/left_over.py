"""Reports whose captures are not there any more, beside captures that are checked.

A check looks at what is there: without a word of these a folder that lost a capture looks clear.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from watcher import recorded, sidecar
from watcher.files import shown
from watcher.report import ReportError
from watcher.truths import composed
from watcher.walk import Passed, captures_below


def sentences(reports: Iterable[Path], mirror: Path | None = None) -> Iterator[str]:
    """For people: the first such report, and how many more.

    Args:
        mirror: where reports stand instead of beside the captures; those there speak of the
            folders that they name.
    """
    alone = [path for path in reports if _alone(path, mirror)]
    if alone:
        more = f" and {len(alone) - 1} more" if len(alone) > 1 else ""
        yield (
            f"{shown(alone[0])}{more}: the capture that {'each' if more else 'it'} speaks of is "
            "not there; `reelvigil verify` tells more"
        )


def reports_in(folder: Path) -> list[Path]:
    """All reports in a folder and below."""
    passed = Passed()
    for _ in captures_below(folder, passed=passed):
        pass
    return passed.reports


def _alone(path: Path, mirror: Path | None) -> bool:
    """Whether not one file of a report is there; of what cannot be read or listed nobody knows."""
    try:
        named, files = recorded.read(sidecar.read(path))
        mirrored = mirror is not None and path.is_relative_to(mirror)
        folder = named if mirrored else os.fsencode(path.parent)
        if not files or any(os.path.lexists(os.path.join(folder, file.name)) for file in files):
            return False
        listed = os.listdir(folder) if os.path.lexists(folder) else []
    except (OSError, ReportError, ValueError, KeyError, TypeError, RecursionError):
        return False
    there = {composed(name) for name in listed}
    return there.isdisjoint(composed(file.name) for file in files)
