"""What was written in a file of configuration: a small tree that keeps each scalar's own text and
the line it stands on. ``config.text`` reads it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from config.words import Place


@dataclass(frozen=True, slots=True)
class Scalar:
    """One value as written. ``plain`` means without quotes."""

    place: Place
    text: str
    plain: bool = True

    @property
    def null(self) -> bool:
        return self.plain and self.text in ("", "~", "null", "Null", "NULL")


@dataclass(frozen=True, slots=True)
class Items:
    place: Place
    nodes: tuple[Node, ...] = ()


@dataclass(frozen=True, slots=True)
class Entry:
    """A key's place and its value."""

    place: Place
    node: Node


@dataclass(frozen=True, slots=True)
class Map:
    place: Place = field(default_factory=lambda: Place("default"))
    entries: Mapping[str, Entry] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Refused:
    """Stands where a mistake has been told already."""

    place: Place


Node = Scalar | Items | Map | Refused


def place_of(tree: Node, path: tuple[str | int, ...]) -> Place:
    """Where the key of a path stands (a list's entry: where it begins); else its parent's."""
    place = tree.place
    for step in path:
        if isinstance(tree, Map) and step in tree.entries:
            place, tree = tree.entries[str(step)].place, tree.entries[str(step)].node
        elif isinstance(tree, Items) and isinstance(step, int) and step < len(tree.nodes):
            tree = tree.nodes[step]
            place = tree.place
        else:
            break
    return place


def key_of(path: tuple[str | int, ...]) -> str:
    """A path in words: ``lineup.tones[2].hz``; entries of a list count from 1."""
    text = ""
    for step in path:
        text += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if text else step
    return text
