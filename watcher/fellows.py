"""Which files of a folder share a take, by their names alone."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from watcher.settings import TrackSets
from watcher.tracksets import token
from watcher.walk import is_capture_name


@dataclass(frozen=True, slots=True)
class TakeKey:
    """What files of one take share; a file that is no track has one of its own."""

    folder: Path
    take: str
    suffix: str | None  # None: not a track


class Fellows:
    """The other captures of a folder by what they share; listed only when asked for."""

    def __init__(self, folder: Path, listed: Sequence[str] | None) -> None:
        self._folder = folder
        self._listed = listed
        self._by_key: dict[str | None, dict[TakeKey, list[str]]] = {}

    def of(self, key: TakeKey, rule: TrackSets) -> list[str]:
        """Names of all files of a take, by the rule that holds for one of them."""
        if rule.pattern not in self._by_key:
            keys = self._by_key[rule.pattern] = {}
            for name in self._names():
                keys.setdefault(key_of(self._folder / name, rule), []).append(name)
        return self._by_key[rule.pattern].get(key, [])

    def _names(self) -> Sequence[str]:
        if self._listed is None:
            try:
                self._listed = [name for name in os.listdir(self._folder) if is_capture_name(name)]
            except OSError:
                self._listed = []
        return self._listed


def key_of(path: Path, rule: TrackSets) -> TakeKey:
    """What a file shares with others of its take."""
    found = token(path.stem, rule.pattern) if rule.enabled else None
    if found is None:
        return TakeKey(path.parent, path.name, None)
    return TakeKey(path.parent, found[0].casefold(), path.suffix.casefold())


def lone_number(path: Path, rule: TrackSets) -> int | None:
    """The track number in a file's name, where no other file there has the rest of it; else None.

    None too where the name gives no number.
    """
    found = token(path.stem, rule.pattern) if rule.enabled else None
    if found is None or set(Fellows(path.parent, None).of(key_of(path, rule), rule)) - {path.name}:
        return None
    return found[1]
