"""The steps that the main configuration and the transfer sheets share: read, part, bind, judge."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Final

from checks.sheet import TrackEntry
from config.bind import bind
from config.hints import keys
from config.tree import Items, Map, key_of, place_of
from config.words import Mistake, Place, number
from watcher.settings_tree import SheetFile

SHORT: Final[dict[type, str]] = {TrackEntry: "name"}  # a track may be given by its name alone


def read_tree(path: Path, *, follow_links: bool) -> tuple[Map | None, list[Mistake]]:
    """Read one file of configuration; None and a mistake where it cannot be read.

    A sheet lies where many may write: as a link it could show text from elsewhere on the server
    in our messages, as a pipe it would hold the program up.
    """
    from config.text import MAX_BYTES, parse  # not above: without any file yaml is not needed

    flags = os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NONBLOCK", 0)
    place = Place(str(path))
    if not follow_links:
        if path.is_symlink():
            return None, [Mistake(place, "", "is a link; put the file itself here")]
        flags |= getattr(os, "O_NOFOLLOW", 0)
    try:
        descriptor = os.open(path, flags)
        with open(descriptor, "rb") as stream:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                return None, [Mistake(place, "", "is not a regular file")]
            data = stream.read(MAX_BYTES + 1)
    except OSError as error:
        return None, [Mistake(place, "", f"cannot be read: {error.strerror or error}")]
    return parse(data, str(path))


def sheet_keys(tree: Map) -> Map:
    """The part of a configuration or a profile that a transfer sheet may hold too."""
    known = keys(SheetFile)
    return Map(tree.place, {key: entry for key, entry in tree.entries.items() if key in known})


def profile(tree: Map, index: int) -> Map:
    """The sheet's part of one profile of a configuration."""
    entry = tree.entries.get("profiles")
    listed = entry.node.nodes if entry is not None and isinstance(entry.node, Items) else ()
    node = listed[index] if index < len(listed) else None
    return sheet_keys(node) if isinstance(node, Map) else Map()


def bound_sheet(tree: Map) -> tuple[SheetFile | None, list[Mistake]]:
    """Bind the keys of a sheet, perhaps merged from several files, and judge them together."""
    sheet, mistakes = bind(SheetFile, tree, SHORT)
    if sheet is not None:
        mistakes = _contradictions(sheet, tree)
    return (None if mistakes else sheet), mistakes


def _contradictions(sheet: SheetFile, tree: Map) -> list[Mistake]:
    """What no single key can show: a track beyond the last, a range upside down."""
    mistakes: list[Mistake] = []

    def tell(path: tuple[str | int, ...], text: str) -> None:
        mistakes.append(Mistake(place_of(tree, path), key_of(path), text))

    expect = sheet.expect
    low, high = expect.min_duration_s, expect.max_duration_s
    if low is not None and high is not None and low > high:
        text = f"must not be below min_duration_s ({number(low)} s), got '{number(high)}'"
        tell(("expect", "max_duration_s"), text)
    last = expect.channels
    if last is not None and len(sheet.tracks) > last:
        tell(("tracks",), f"names {len(sheet.tracks)} tracks where expect.channels is {last}")
    for index, group in enumerate(sheet.same):
        if len(set(group)) != len(group) or len(group) < 2:
            tell(("same", index), "must be two or more different track numbers")
        if any(track < 1 or (last is not None and track > last) for track in group):
            known = "at least 1" if last is None else f"1 to {last}"
            tell(("same", index), f"track numbers must be {known}, got {list(group)}")
    if last is not None and sheet.lineup.reference_track > last:
        text = f"must be 1 to {last} (expect.channels), got '{sheet.lineup.reference_track}'"
        tell(("lineup", "reference_track"), text)
    return mistakes
