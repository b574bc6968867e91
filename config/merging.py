"""Layers of configuration laid over one another, and where each value in force came from."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from enum import Enum
from pathlib import PurePath
from typing import Any, Final

from config.tree import Entry, Map, Scalar, key_of

DEFAULT: Final = "default"


def merged(base: Map, over: Map) -> Map:
    """``base`` with ``over`` laid on it key by key; lists are replaced whole.

    A key without a value (``lineup:``) says nothing about a mapping below it.
    """
    entries = dict(base.entries)
    for key, entry in over.entries.items():
        below = entries.get(key)
        if below is not None and isinstance(below.node, Map):
            if isinstance(entry.node, Map):
                entries[key] = Entry(entry.place, merged(below.node, entry.node))
                continue
            if isinstance(entry.node, Scalar) and entry.node.null:
                continue
        entries[key] = entry
    return Map(over.place, entries)


def plain(value: Any) -> Any:
    """A bound value as JSON can hold it; fields that are no keys are left out."""
    if dataclasses.is_dataclass(value):
        return {
            field.name: plain(getattr(value, field.name))
            for field in dataclasses.fields(value)
            if field.metadata.get("key", True)
        }
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, Enum):
        return value.value
    return str(value) if isinstance(value, PurePath) else value


def flat(values: Mapping[str, Any], path: tuple[str, ...] = ()) -> dict[str, Any]:
    """Nested values by dotted key; a list is one value."""
    found: dict[str, Any] = {}
    for key, value in values.items():
        if isinstance(value, Mapping):
            found |= flat(value, (*path, key))
        else:
            found[key_of((*path, key))] = value
    return found


def sources(keys: Mapping[str, Any], written: Map, names: Mapping[str, str]) -> dict[str, str]:
    """Where the value of each dotted key stands: ``name:line``, or ``default``.

    Args:
        keys: as ``flat`` gives them.
        written: the merged tree.
        names: what each file is called here; a file that is not named keeps its own name.
    """
    found: dict[str, str] = {}
    for key in keys:
        tree, source = written, DEFAULT
        for step in key.split("."):
            entry = tree.entries.get(step)
            if entry is None:
                source = DEFAULT
                break
            source = f"{names.get(entry.place.file, entry.place.file)}:{entry.place.line}"
            tree = entry.node if isinstance(entry.node, Map) else Map()
        found[key] = source
    return found
