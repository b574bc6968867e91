"""What ``reelvigil config check`` and ``config show`` print."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from config.merging import flat
from config.words import escaped, quoted
from watcher.errors import ConfigError
from watcher.files import shown
from watcher.fits import misfits
from watcher.settings import SHEET_NAME, Applied, Settings, Sheets, load

# Names that people give the sheet by mistake; such a file would be passed over in silence.
_ALIKE: Final = frozenset({"transfer.yml", "transfer.yaml.txt", "transfer.json", "transfers.yaml"})

_LONGEST_S: Final = 60.0  # of looking for sheets: somebody waits. Common practice.


@dataclass(slots=True)
class Looked:
    """What was looked at, and the mistakes in it.

    Attributes:
        mistakes: one line each.
        below: the folders below which transfer sheets were looked for.
        sheets: how many were found there.
        whole: False where time ran out before all folders were seen.
    """

    mistakes: list[str] = field(default_factory=list)
    below: tuple[Path, ...] = ()
    sheets: int = 0
    whole: bool = True

    def sentence(self) -> str:
        """Which sheets were looked at."""
        if not self.below:
            return "No transfer sheets were looked at: name their folder, or roots to watch."
        places = ", ".join(shown(folder) for folder in self.below)
        count = f"{self.sheets} transfer sheet{'s' if self.sheets != 1 else ''}"
        cut = "" if self.whole else f"; not all folders were seen in {_LONGEST_S:.0f} s"
        return f"Looked at {count} below {places}{cut}."


def check_text(settings_path: Path | None, top: Path | None) -> Looked:
    """Every mistake in the configuration and in transfer sheets.

    Args:
        settings_path: the main configuration, None for the built-in defaults.
        top: a folder (all sheets in it and below, and those above that count for it) or a
            capture; None looks below the roots.
    """
    looked = Looked()
    settings = Settings()
    try:
        settings = load(settings_path)
        looked.mistakes += map(str, misfits(settings))
    except ConfigError as error:
        looked.mistakes += error.mistakes
    if top is not None:
        looked.below = (top if top.is_dir() else top.parent,)
    else:
        looked.below = tuple(root for root in settings.roots if root.is_dir())
    sheets, until = Sheets(settings, top), time.monotonic() + _LONGEST_S
    for folder in looked.below:
        _look_below(folder, sheets, looked, until)
    looked.mistakes = list(dict.fromkeys(looked.mistakes))
    return looked


def _look_below(folder: Path, sheets: Sheets, looked: Looked, until: float) -> None:
    for found, names in _folders(folder, looked.mistakes):
        if time.monotonic() > until:
            looked.whole = False
            return
        looked.mistakes += odd_names(found, names)
        looked.sheets += SHEET_NAME in names
        if found == folder or SHEET_NAME in names:
            try:
                looked.mistakes += _odd_tracks(found, sheets.for_capture(found / "any"))
            except ConfigError as error:
                looked.mistakes += error.mistakes


def _odd_tracks(folder: Path, applied: Applied) -> Iterator[str]:
    """A sentence where the sheet of a folder names fewer tracks than it asks for, or two alike.

    One was perhaps forgotten. It stops no check; tracks without a name are called by their numbers.
    """
    tracks, asked = applied.sheet.tracks, applied.sheet.expect.channels
    source, asked_at = (applied.sources[key] for key in ("tracks", "expect.channels"))
    if not source.startswith(f"{SHEET_NAME}:"):
        return
    place = escaped(str(folder / source))
    here = asked_at.startswith(f"{SHEET_NAME}:")
    if tracks and here and asked is not None and len(tracks) < asked:
        yield f"{place}: tracks: names {len(tracks)} where expect.channels is {asked}"
    names = [track.name for track in tracks]
    for name in dict.fromkeys(name for name in names if name and names.count(name) > 1):
        yield f"{place}: tracks: {quoted(name)} stands {names.count(name)} times"


def show_rows(applied: Applied) -> list[tuple[str, str, str]]:
    """Key, value and source of all that holds for a capture, in the order of the sheet.

    Values are written as a transfer sheet may hold them.
    """
    return [
        (key, json.dumps(value, ensure_ascii=False), applied.sources[key])
        for key, value in flat(applied.values).items()
    ]


def _folders(top: Path, mistakes: list[str]) -> Iterator[tuple[Path, list[str]]]:
    """Each folder below with the names in it; links are not followed."""

    def unreadable(error: OSError) -> None:
        mistakes.append(f"{escaped(str(error.filename))}: cannot be read: {error.strerror}")

    for folder, below, names in os.walk(top, onerror=unreadable):
        below.sort()
        yield Path(folder), [*names, *(one for one in below if one == SHEET_NAME)]


def odd_names(folder: Path, names: list[str]) -> list[str]:
    """A sentence for each file that looks like a transfer sheet and is not called like one."""
    return [
        f"{escaped(str(folder / name))}: is not read; a transfer sheet is named {SHEET_NAME}"
        for name in sorted(names)
        if name != SHEET_NAME and (name.lower() in _ALIKE or name.lower() == SHEET_NAME)
    ]
