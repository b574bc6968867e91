"""What ``reelvigil config check`` and ``config show`` print."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from config.merging import flat
from config.words import escaped
from watcher.errors import ConfigError
from watcher.fits import misfits
from watcher.settings import SHEET_NAME, Applied, Settings, Sheets, load

# Names that people give the sheet by mistake; such a file would be passed over in silence.
_ALIKE: Final = frozenset({"transfer.yml", "transfer.yaml.txt", "transfer.json", "transfers.yaml"})


def check_text(settings_path: Path | None, top: Path | None) -> list[str]:
    """Every mistake in the configuration and in the transfer sheets of a path.

    Args:
        settings_path: the main configuration, None for the built-in defaults.
        top: a folder (all sheets in it and below, and those above that count for it) or a
            capture; None looks at the main configuration alone.

    Returns:
        One line a mistake; empty where all is well.
    """
    mistakes: list[str] = []
    settings = Settings()
    try:
        settings = load(settings_path)
        mistakes += map(str, misfits(settings))
    except ConfigError as error:
        mistakes += error.mistakes
    if top is None:
        return mistakes
    sheets = Sheets(settings, top)
    for folder in [top] if top.is_dir() else [top.parent]:
        for found, names in _folders(folder, mistakes):
            mistakes += odd_names(found, names)
            if found == folder or SHEET_NAME in names:
                try:
                    mistakes += _unnamed(found, sheets.for_capture(found / "any"))
                except ConfigError as error:
                    mistakes += error.mistakes
    return list(dict.fromkeys(mistakes))


def _unnamed(folder: Path, applied: Applied) -> list[str]:
    """A sentence where the sheet of a folder names fewer tracks than it asks for.

    One was perhaps forgotten; it stops no check, and such tracks are called by their numbers.
    """
    names, asked = len(applied.sheet.tracks), applied.sheet.expect.channels
    sources = [applied.sources[key] for key in ("tracks", "expect.channels")]
    own = all(source.startswith(f"{SHEET_NAME}:") for source in sources)
    if not own or not names or asked is None or names >= asked:
        return []
    place = escaped(str(folder / sources[0]))
    return [f"{place}: tracks: names {names} where expect.channels is {asked}"]


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
