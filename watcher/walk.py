"""Which files are captures: names that a transfer machine or its recorder gives audio.

What is left out is hidden, unfinished by its name, or one of our own reports or pages. A file
named on the command line is always looked at, whatever its name.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from watcher.files import shown
from watcher.report import PAGE_SUFFIX, SUFFIX

# Containers in use for transfers, and others in which audio turns up: a capture that cannot be
# read is to be said, not passed over. Common practice.
CAPTURE_SUFFIXES: Final = frozenset(
    {".wav", ".wave", ".wavex", ".bwf", ".rf64", ".bw64", ".rifx", ".w64", ".caf", ".flac"}
    | {".aif", ".aiff", ".aifc", ".au", ".snd", ".dsf", ".dff", ".oga", ".ogg", ".opus"}
    | {".mp3", ".m4a"}
)
_ENDINGS: Final = frozenset(ending.encode() for ending in CAPTURE_SUFFIXES)
# Names that programs give what they have not finished writing. Common practice.
_UNFINISHED: Final = (".tmp", ".part", ".partial", ".filepart", ".crdownload", "~")


def is_capture_name(name: str) -> bool:
    """Whether a file of that name in a walked folder is a capture."""
    if name.startswith((".", "~")) or name.endswith((SUFFIX, *_UNFINISHED)):
        return False
    return os.path.splitext(name)[1].lower() in CAPTURE_SUFFIXES


def is_capture(name: bytes) -> bool:
    """``is_capture_name`` for names as the file system has them: a scan asks it for each file."""
    ending = name[name.rfind(b".") :].lower()
    return ending in _ENDINGS and not name.startswith((b".", b"~"))


def is_unfinished_name(name: str) -> bool:
    """Whether a name says that audio of that file is still being written or sent.

    Hidden names count where an ending of audio stands in them: ``.take.wav.x7Gq2a``.
    """
    stem = name.lower()
    if SUFFIX in stem or PAGE_SUFFIX in stem or is_capture_name(name):
        return False
    audio = any(f"{ending}." in f"{stem}." for ending in CAPTURE_SUFFIXES)
    return audio and (stem.startswith((".", "~")) or stem.endswith(_UNFINISHED))


@dataclass(slots=True)
class Passed:
    """What a walk passed by, and a person may have taken for captures.

    Attributes:
        links: to captures or folders.
        unfinished: files whose names say that they are not all there.
        others: what only has a capture's name.
        reports: those of captures, which may be there or not.
    """

    links: list[Path] = field(default_factory=list)
    unfinished: list[Path] = field(default_factory=list)
    others: list[Path] = field(default_factory=list)
    reports: list[Path] = field(default_factory=list)

    def sentences(self) -> Iterator[str]:
        """For people: of each kind the first, and how many more."""
        for paths, text in (
            (self.links, "links are not followed; name what they lead to"),
            (
                self.unfinished,
                "the name of an unfinished transfer: not looked at; see whether it broke off",
            ),
            (self.others, "named like captures, but no files (pipes, sockets or devices)"),
        ):
            if paths:
                more = f" and {len(paths) - 1} more" if len(paths) > 1 else ""
                yield f"{shown(paths[0])}{more}: {text}"


def captures_below(
    folder: Path, unreadable: list[OSError] | None = None, passed: Passed | None = None
) -> Iterator[Path]:
    """Every capture in a folder and below, in order of name; links are not followed.

    Args:
        folder: where to begin.
        unreadable: collects the errors of folders that could not be listed.
        passed: collects what a person may have taken for captures.
    """
    under_way = [_entries(folder, unreadable)]  # of each folder on the way down what is left
    while under_way:
        entry = next(under_way[-1], None)
        if entry is None:
            under_way.pop()
        elif entry.is_symlink():
            if passed is not None and (is_capture_name(entry.name) or _leads_to_folder(entry)):
                passed.links.append(Path(entry.path))
        elif entry.is_dir(follow_symlinks=False):
            if not entry.name.startswith("."):
                under_way.append(_entries(Path(entry.path), unreadable))
        elif is_capture_name(entry.name):
            if entry.is_file(follow_symlinks=False):
                yield Path(entry.path)
            elif passed is not None:
                passed.others.append(Path(entry.path))
        elif passed is not None and entry.name[0] != "." and entry.name.endswith(SUFFIX):
            passed.reports.append(Path(entry.path))
        elif passed is not None and entry.name[0] != "." and is_unfinished_name(entry.name):
            passed.unfinished.append(Path(entry.path))


def _entries(folder: Path, unreadable: list[OSError] | None) -> Iterator[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            return iter(sorted(entries, key=lambda entry: os.fsencode(entry.name)))
    except OSError as error:
        if unreadable is not None:
            unreadable.append(error)
        return iter(())


def _leads_to_folder(link: os.DirEntry[str]) -> bool:
    try:
        return not link.name.startswith(".") and link.is_dir()
    except OSError:
        return False


def siblings(path: Path) -> Iterator[Path]:
    """The other captures in the folder of one, for finding the rest of its track set."""
    try:
        with os.scandir(path.parent) as entries:
            for entry in entries:
                if is_capture_name(entry.name) and entry.is_file(follow_symlinks=False):
                    yield Path(entry.path)
    except OSError:
        return
