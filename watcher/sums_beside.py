"""What sum files beside a capture say of it.

Only files in the capture's own folder count, and only lines that name a file there: what lies
elsewhere may speak of another copy.
"""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path

from watcher import sumfiles
from watcher.files import shown
from watcher.sumfiles import SumLine
from watcher.truths import within


def listed(path: Path) -> list[tuple[str, SumLine]]:
    """Lines about one file: (sum file and line, for people; what it says)."""
    folder, name = os.path.split(os.fsencode(path))
    try:
        with os.scandir(folder) as entries:
            found = [
                (entry.path, entry.stat(follow_symlinks=False))
                for entry in entries
                if sumfiles.is_sum_file_name(os.fsdecode(entry.name))
                and entry.is_file(follow_symlinks=False)
            ]
    except OSError:
        return []  # then the file cannot be read either, and that is said
    lines = []
    for place, st in sorted(found, key=lambda item: item[0]):
        own = shown(os.path.basename(place))
        for line in _by_name(place, st.st_mtime_ns, st.st_size).get(name, ()):
            lines.append((f"{own}:{line.line}", line))
    return lines


@lru_cache(maxsize=8)
def _by_name(place: bytes, mtime_ns: int, size: int) -> dict[bytes, list[SumLine]]:
    """A sum file's lines by the name they speak of; read once for all captures of a folder."""
    try:
        with open(place, "rb") as stream:
            data = stream.read(sumfiles.MAX_BYTES + 1)
    except OSError:
        return {}
    by_name: dict[bytes, list[SumLine]] = {}
    for line in sumfiles.parse(data, name=os.fsdecode(os.path.basename(place)))[0]:
        name = within(line.name)
        if name is not None:
            by_name.setdefault(name, []).append(line)
    return by_name
