"""What sum files beside a capture say of it.

Only files in the capture's own folder count, and only lines that name a file there: what lies
elsewhere may speak of another copy. A list that may have been meant to say something of a file,
and says nothing, is handed on as that.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Final, NamedTuple

from checks.checksum import UnreadList
from watcher import sumfiles
from watcher.files import shown
from watcher.sumfiles import BadLine, SumLine
from watcher.truths import within

_EMPTY: Final = "it is empty"


class _List(NamedTuple):
    """A sum file: its lines by the name they speak of, and those that say nothing.

    ``bare``: what it says where it is one digest and no name; its only line is bad then as well.
    """

    by_name: dict[bytes, list[SumLine]]
    bad: Sequence[BadLine]
    bare: SumLine | None


def listed(path: Path) -> tuple[list[tuple[str, SumLine]], list[UnreadList]]:
    """Lines about one file (sum file and line, for people; what it says), and unread lists."""
    folder, name = os.path.split(os.fsencode(path))
    found: list[bytes] = []
    others: set[str] = set()  # what a list can be called after that is about another file
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                other = os.fsdecode(entry.name)
                if not sumfiles.is_sum_file_name(other):
                    others |= {other, os.path.splitext(other)[0]}
                elif entry.is_file(follow_symlinks=False):
                    found.append(entry.path)
    except OSError:
        return [], []  # then the file cannot be read either, and that is said
    own = {path.name, os.path.splitext(path.name)[0]}
    lines: list[tuple[str, SumLine]] = []
    unread: list[UnreadList] = []
    for place in sorted(found):
        list_name = os.fsdecode(os.path.basename(place))
        about = sumfiles.called_after(list_name)
        try:
            said, bad = _said(place, name)
        except FileNotFoundError:
            continue  # it went meanwhile; the others are there
        except OSError as error:
            said, bad = [], [BadLine(0, error.strerror or str(error))]
        lines += ((f"{shown(list_name)}:{line.line}", line) for line in said)
        if said or not bad or (about in others and about not in own):
            continue
        unread.append(
            UnreadList(
                name=shown(list_name),
                why=_why(bad),
                # an empty one is perhaps being written
                lines_only=bad[0].why == _EMPTY or (bad[0].line > 0 and about not in own),
            )
        )
    return lines, unread


def _said(place: bytes, name: bytes) -> tuple[list[SumLine], Sequence[BadLine]]:
    """What a sum file says of a name, and its lines that say nothing of any.

    Raises:
        OSError: it cannot be read.
    """
    st = os.stat(place, follow_symlinks=False)
    read = _read(place, st.st_mtime_ns, st.st_size)
    if read.bare is None:
        return read.by_name.get(name, []), read.bad
    if read.bare.name == name:
        return [read.bare], ()
    about_other = os.path.lexists(os.path.join(os.path.dirname(place), read.bare.name))
    return [], () if about_other else read.bad


def _why(bad: Sequence[BadLine]) -> str:
    first = bad[0]
    if first.line == 0:
        return first.why
    more = len(bad) - 1
    also = f", and {more} more such line{'s' if more > 1 else ''}" if more else ""
    return f"line {first.line} is {first.why}{also}"


@lru_cache(maxsize=8)
def _read(place: bytes, mtime_ns: int, size: int) -> _List:
    """A sum file, read once for all captures of a folder; what fails is tried again."""
    with open(place, "rb") as stream:
        data = stream.read(sumfiles.MAX_BYTES + 1)
    list_name = os.fsdecode(os.path.basename(place))
    good, bad = sumfiles.parse(data, name=list_name)
    if not data.strip():
        bad = [BadLine(0, _EMPTY)]
    by_name: dict[bytes, list[SumLine]] = {}
    for line in good:
        name = within(line.name)
        if name is not None:
            by_name.setdefault(name, []).append(line)
    return _List(by_name, bad, sumfiles.bare(data, name=list_name))
