"""A tree of YAML text -> frozen dataclasses, every mistake at once.

The walk reads each scalar's own text by the type its key wants, so that nothing depends on what
YAML 1.1 takes a word for; ``config.scalar`` (pydantic) converts it and reads the bounds off the
annotation. Fields may be: dataclasses, tuples, enumerations, ``int``, ``float``, ``bool``, ``str``,
``Path``, each also ``| None``; bounds by ``annotated_types``.

Only what is written is validated, value by value: where nothing is written the defaults stand as
they are, and pydantic, which is slow to import, is not even there.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Mapping
from enum import Enum
from pathlib import Path
from typing import Any, Final, TypeVar

from config.hints import Hint, hint, keys
from config.tree import Entry, Items, Map, Node, Refused, Scalar, key_of, place_of
from config.words import Mistake, Place, closest, quoted, shortened

T = TypeVar("T")
Steps = tuple[str | int, ...]

_BOOLEANS: Final = {
    "true": True,
    "yes": True,
    "on": True,
    "false": False,
    "no": False,
    "off": False,
}
_NUMBER_CHARACTERS: Final = 100  # from memory: Python refuses to convert 4,300 digits anyway


_BEYOND: Final = ("greater_than", "greater_than_equal", "less_than", "less_than_equal")
"""What pydantic calls a number out of its bounds."""


def bind(
    cls: type[T], tree: Map, short: Mapping[type, str] | None = None
) -> tuple[T | None, list[Mistake]]:
    """Make a ``cls`` from a tree; keys that are not given keep their defaults.

    Args:
        cls: the dataclass to make.
        tree: what was written, perhaps merged from several files.
        short: for dataclasses that may be given as one word: the key which that word fills.

    Returns:
        The object, or None where there are mistakes; and all mistakes.
    """
    walk = _Walk(tree, short or {})
    target: Any = cls
    made: T | None = walk.value(hint(target), tree, ())
    return made, walk.mistakes


class _Walk:
    """One binding: every value as its key wants it, and every mistake on the way."""

    def __init__(self, tree: Map, short: Mapping[type, str]) -> None:
        self.mistakes: list[Mistake] = []
        self._amiss = 0  # values that are not there: by our mistakes, or told when it was read
        self._tree = tree
        self._short = short

    def value(self, want: Hint, node: Node, path: Steps) -> Any:
        """What the node says; None, too, where a mistake has been told."""
        if isinstance(node, Refused):
            self._amiss += not want.nullable
            return None
        if want.nullable and isinstance(node, Scalar) and node.null:
            return None
        if dataclasses.is_dataclass(want.base):
            return self._object(want, node, path)
        if want.base is tuple:
            if isinstance(node, Items):
                item = hint(want.item)
                return tuple(self.value(item, n, (*path, i)) for i, n in enumerate(node.nodes))
            short = isinstance(node, Scalar) and not node.null and len(node.text) < 20
            like = f", like [{_got(node)[1:-1]}]" if short else ""
            return self._wrong(want, node, path, like)
        if not isinstance(node, Scalar) or node.null:
            return self._wrong(want, node, path)
        return self._scalar(want, node, path)

    def _object(self, want: Hint, node: Node, path: Steps) -> Any:
        if isinstance(node, Scalar) and node.null:
            node = Map(node.place)
        elif isinstance(node, Scalar) and want.base in self._short:
            node = Map(node.place, {self._short[want.base]: Entry(node.place, node)})
        if not isinstance(node, Map):
            return self._wrong(want, node, path)
        before = self._amiss
        known = keys(want.base)
        given: dict[str, Any] = {}
        for key, entry in node.entries.items():
            if key in known:
                given[key] = self.value(known[key], entry.node, (*path, key))
            else:
                allowed = ", ".join(known) or "none"
                text = f"unknown key{closest(key, tuple(known))}; allowed: {allowed}"
                self._tell(entry.place, (*path, key), text)
        for key in _required(want.base):
            if key not in given:
                self._tell(place_of(self._tree, (*path, key)), (*path, key), "must be given")
        if self._amiss > before:
            return None
        try:
            return want.base(**given)
        except ValueError as error:  # what no single key can show
            self._tell(place_of(self._tree, path), path, shortened(str(error), 200))
            return None

    def _scalar(self, want: Hint, node: Scalar, path: Steps) -> Any:
        text = node.text
        if want.base is bool:
            truth = _BOOLEANS.get(text.lower())
            return self._wrong(want, node, path) if truth is None else truth
        if want.base in (int, float) and (len(text) > _NUMBER_CHARACTERS or not _finite(text)):
            return self._wrong(want, node, path)
        if want.base is Path and (not text or "\0" in text):
            return self._wrong(want, node, path)
        if want.form is not None and re.fullmatch(want.form.expression, text) is None:
            return self._wrong(want, node, path)
        # imported here: pydantic takes a tenth of a second, and defaults need none of it
        from config.scalar import converted

        made, mistake = converted(want.annotation, text)
        if mistake in _BEYOND:
            self._tell(
                node.place, path, f"must be {want.bounds.text(key_of(path))}, got {_got(node)}"
            )
        elif mistake:
            self._wrong(want, node, path)
        return made

    def _wrong(self, want: Hint, node: Node, path: Steps, like: str = "") -> None:
        text = f"must be {want.wanted(key_of(path))}{like}, got {_got(node)}"
        if isinstance(node, Scalar) and isinstance(want.base, type) and issubclass(want.base, Enum):
            text += closest(node.text, [str(member.value) for member in want.base])
        self._tell(node.place, path, text)

    def _tell(self, place: Place, path: Steps, text: str) -> None:
        self._amiss += 1
        self.mistakes.append(Mistake(place, key_of(path), text))


def _required(cls: Any) -> list[str]:
    """The keys of a dataclass that have no default."""
    missing = dataclasses.MISSING
    return [
        field.name
        for field in dataclasses.fields(cls)
        if field.default is missing and field.default_factory is missing
    ]


def _finite(text: str) -> bool:
    """Whether the text is no number (pydantic will say so) or a finite one."""
    try:
        return math.isfinite(float(text))
    except ValueError:
        return True


def _got(node: Node) -> str:
    if isinstance(node, Scalar):
        return "nothing" if node.null and not node.text else quoted(node.text)
    return "a list" if isinstance(node, Items) else "keys with values"
