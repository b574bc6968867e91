"""Whether a configuration fits the machine it is read on: folders and programs that it names.

Text alone cannot show it. Nothing is made here: a folder that is not there may be the place of a
volume that is not mounted, and what is written under such a place is lost from sight.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from config.tree import Items, Map, Scalar, place_of
from config.words import Mistake, escaped
from watcher.errors import UsageError
from watcher.settings import Settings

STATE: Final = Path("/var/lib/reelvigil")  # the service manager makes it: StateDirectory


def misfits(settings: Settings) -> list[Mistake]:
    """Each folder and program that is not there, where the configuration names it."""
    tree = settings.written
    found = []
    for index, root in enumerate(settings.roots):
        if (why := _no_folder(root, "mount its volume, or make it")) is not None:
            found.append(Mistake(place_of(tree, ("roots", index)), f"roots[{index + 1}]", why))
    at_start = settings.ledger is not None and settings.ledger.parent == STATE
    for key, why in unmade(settings):
        if key != "ledger" or not at_start:
            found.append(Mistake(place_of(tree, (key,)), key, why))
    for key, command in (("on_summary", settings.on_summary), ("on_redo", settings.on_redo)):
        if command and shutil.which(command[0]) is None:
            why = f"{_quoted(command[0])}: no such program, or none that may be run from here"
            found.append(Mistake(place_of(tree, (key,)), key, why))
    return found


def has_roots(settings: Settings) -> None:
    """Refuse a configuration with nothing to watch.

    Raises:
        UsageError
    """
    if not settings.roots:
        raise UsageError(
            "no roots to watch: name them (roots: [/storage/captures]) in reelvigil.yaml, in this "
            "folder, in ~/.config/reelvigil or in /etc, or in a file given with --config"
        )


def watchable(settings: Settings) -> None:
    """Refuse one that cannot be watched by: without roots, or without a folder written to.

    Raises:
        UsageError
    """
    has_roots(settings)
    if missing := unmade(settings):
        raise UsageError("; ".join(f"{key}: {why}" for key, why in missing))


def unmade(settings: Settings) -> list[tuple[str, str]]:
    """(key, what to make first) of each folder that is written to and is not there."""
    found = []
    if settings.reports is not None and (why := _no_folder(settings.reports, "make it first")):
        found.append(("reports", why))
    if settings.ledger is not None and (why := _no_folder(settings.ledger.parent, "make it first")):
        found.append(("ledger", why))
    return found


def _no_folder(path: Path, what_to_do: str) -> str | None:
    if path.is_dir():
        return None
    what = "is no folder" if os.path.lexists(path) else "no such folder"
    return f"{_quoted(path)}: {what}; {what_to_do}"


def _quoted(text: Path | str) -> str:
    """Whole, however long: it may have to be made."""
    return f"'{escaped(str(text))}'"


def relative_paths(settings: Settings) -> Iterator[Mistake]:
    """What each path that was written relative comes to; no mistake, for it may be meant so."""
    tree = settings.written
    for path, key, absolute in (
        *((("roots", i), f"roots[{i + 1}]", root) for i, root in enumerate(settings.roots)),
        (("reports",), "reports", settings.reports),
        (("ledger",), "ledger", settings.ledger),
    ):
        text = _written(tree, path)
        if absolute is not None and text is not None and not text.startswith(("/", "~")):
            why = f"{_quoted(text)} counts from this file's folder: it is {_quoted(absolute)}"
            yield Mistake(place_of(tree, path), key, why)


def _written(tree: Map, path: tuple[str | int, ...]) -> str | None:
    """The text of a value as it was written; None where it was not."""
    node = tree.entries[str(path[0])].node if path[0] in tree.entries else None
    for step in path[1:]:
        listed = isinstance(node, Items) and isinstance(step, int) and step < len(node.nodes)
        node = node.nodes[step] if listed else None  # type: ignore[union-attr,index]
    return node.text if isinstance(node, Scalar) and not node.null else None
