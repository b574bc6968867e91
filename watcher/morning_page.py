"""The morning summary as the values of its page: the words of the text, and links to pages."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final, NamedTuple
from urllib.parse import quote

from watcher import morning_words as words
from watcher.console import MOST_FINDINGS
from watcher.errors import UsageError
from watcher.files import real, shown
from watcher.morning import Morning
from watcher.report import PAGE_SUFFIX, page_path
from watcher.summary import (
    CAUTION,
    WHAT_NOW,
    CaptureRow,
    FindingRow,
    Heading,
    placed,
    stand_twice,
)

_ENDINGS: Final = (".html", ".htm")
_WORDS: Final = {
    Heading.UNREAD: "unread",
    Heading.REPLAY: "redo",
    Heading.FILE: "",  # of several verdicts
    Heading.LISTEN: "listen",
    Heading.CLEAR: "clear",
}


class Link(NamedTuple):
    """The page of a capture; ``stale``: its report was written again since."""

    href: str
    stale: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One capture under one heading; ``more``: findings that are not shown."""

    name: str
    link: Link | None
    reel: str | None
    about: str
    signed: str | None
    gone: bool
    notes: int
    findings: Sequence[FindingRow]
    more: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """All captures under one heading; ``word``: the verdict whose mark stands by it, or none."""

    title: str
    now: str
    word: str
    rows: tuple[Row, ...]


class Entry(NamedTuple):
    name: str
    text: str
    link: Link | None


class Listed(NamedTuple):
    title: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MorningPage:
    """Everything on the page of the summary."""

    span: str
    alive: tuple[words.Said, ...]
    troubles: tuple[list[str], ...]  # lines
    checked: str
    twice: str | None
    parts: tuple[Part, ...]
    lists: tuple[Listed, ...]
    stored: str
    volumes: tuple[str, ...]
    caution: str
    made_at: str


def target_of(text: str) -> Path:
    """Where the page is to stand.

    Raises:
        UsageError: no page may be written there, lest a capture be written over.
    """
    path = Path(text)
    name = path.name.lower()
    if not name.endswith(_ENDINGS) or name.endswith(PAGE_SUFFIX):
        raise UsageError(
            f"--html {shown(text)}: must be a file name that ends in {_ENDINGS[0]}, and not in "
            f"{PAGE_SUFFIX}, as the page of a capture does"
        )
    if path.is_dir():
        raise UsageError(f"--html {shown(text)}: is a folder; name a file in it")
    folder = real(path.parent)
    if not folder.is_dir():
        raise UsageError(f"--html {shown(text)}: there is no folder {shown(folder)}")
    return folder / path.name


def page_of(morning: Morning, folder: Path, now: datetime) -> MorningPage:
    """The page of a summary.

    Args:
        folder: where it is to stand; links lead from there.
        now: when it is made.
    """
    groups = morning.groups
    captures = ((row.folder, row.name) for rows in groups.values() for row in rows)
    name = placed(captures, morning.tops)

    def link(about: tuple[str, str] | None) -> Link | None:
        report = morning.report_paths.get(about) if about is not None else None
        return _link(report, folder) if report is not None else None

    def rows(of: Sequence[CaptureRow]) -> Iterator[Row]:
        for row in of:
            yield Row(
                name=shown(name(row.folder, row.name)),
                link=link((row.folder, row.name)),
                reel=row.reel,
                about=row.about,
                signed=row.signed,
                gone=row.gone,
                notes=len(row.told),
                findings=row.findings[:MOST_FINDINGS],
                more=max(len(row.findings) - MOST_FINDINGS, 0),
            )

    return MorningPage(
        span=words.span(morning),
        alive=tuple(words.alive(morning)),
        troubles=tuple(said.split("\n") for said in words.troubles(morning)),
        checked=words.checked(morning),
        twice=stand_twice(groups),
        parts=tuple(
            Part(title=h.value, now=WHAT_NOW[h], word=_WORDS[h], rows=tuple(rows(groups[h])))
            for h in Heading
            if groups[h]
        ),
        lists=tuple(
            Listed(one.title, tuple(Entry(i.name, i.text, link(i.about)) for i in one.items))
            for one in words.lists(morning)
            if one.items
        ),
        stored=words.stored(morning),
        volumes=tuple(map(words.volume, morning.volumes)),
        caution=CAUTION,
        made_at=now.isoformat(timespec="seconds"),
    )


def _link(report: Path, folder: Path) -> Link | None:
    """To the page beside a report, where one stands; relative, so that both may be moved."""
    page = page_path(report)
    try:
        made = os.stat(page).st_mtime_ns
        way = os.path.relpath(os.path.realpath(page), os.path.realpath(folder))
    except (OSError, ValueError):  # none; or on another drive, where there is no way
        return None
    try:
        stale = os.stat(report).st_mtime_ns > made
    except OSError:
        stale = True
    return Link(quote(os.fsencode(way)), stale)
