"""A tree of YAML text -> frozen dataclasses, every mistake at once.

The walk reads each scalar's own text by the type its key wants, so that nothing depends on what
YAML 1.1 takes a word for; pydantic's ``TypeAdapter`` then converts, reads the bounds off the
annotations and makes the objects. Fields may be: dataclasses, tuples, enumerations, ``int``,
``float``, ``bool``, ``str``, ``Path``, each also ``| None``; bounds by ``annotated_types``.
"""

from __future__ import annotations

import dataclasses
import functools
import math
import re
from collections.abc import Mapping
from enum import Enum
from pathlib import Path
from typing import Any, Final, TypeVar

from pydantic import TypeAdapter, ValidationError

from config.hints import Hint, hint, keys
from config.tree import Items, Map, Node, Refused, Scalar, key_of, place_of
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


@functools.cache
def _adapter(cls: Any) -> TypeAdapter[Any]:
    return TypeAdapter(cls)


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
    plain = walk.value(Hint(base=target), tree, ())
    try:
        made: T = _adapter(target).validate_python(plain)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            walk.refused(detail)
    return (None if walk.mistakes else made), walk.mistakes


class _Walk:
    """One binding: the plain values for pydantic, and what it will want to know of each."""

    def __init__(self, tree: Map, short: Mapping[type, str]) -> None:
        self.mistakes: list[Mistake] = []
        self._tree = tree
        self._short = short
        self._told: set[Steps] = set()
        self._seen: dict[Steps, tuple[Hint, Node]] = {}

    def value(self, want: Hint, node: Node, path: Steps) -> Any:
        """The node as pydantic shall see it; None where a mistake has been told."""
        self._seen[path] = (want, node)
        if isinstance(node, Refused):
            self._told.add(path)
            return None
        if want.nullable and isinstance(node, Scalar) and node.null:
            return None
        if dataclasses.is_dataclass(want.base):
            return self._object(want, node, path)
        if want.base is tuple:
            if isinstance(node, Items):
                item = hint(want.item)
                return [self.value(item, n, (*path, i)) for i, n in enumerate(node.nodes)]
            short = isinstance(node, Scalar) and not node.null and len(node.text) < 20
            like = f", like [{_got(node)[1:-1]}]" if short else ""
            return self._wrong(want, node, path, like)
        if not isinstance(node, Scalar) or node.null:
            return self._wrong(want, node, path)
        return self._scalar(want, node, path)

    def _object(self, want: Hint, node: Node, path: Steps) -> Any:
        if isinstance(node, Scalar) and node.null:
            return {}
        known = keys(want.base)
        if isinstance(node, Scalar) and want.base in self._short:
            key = self._short[want.base]
            return {key: self.value(known[key], node, (*path, key))}
        if not isinstance(node, Map):
            return self._wrong(want, node, path)
        found: dict[str, Any] = {}
        for key, entry in node.entries.items():
            if key in known:
                found[key] = self.value(known[key], entry.node, (*path, key))
            else:
                allowed = ", ".join(known) or "none"
                text = f"unknown key{closest(key, tuple(known))}; allowed: {allowed}"
                self._tell(entry.place, (*path, key), text)
        return found

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
        return text

    def refused(self, detail: Any) -> None:
        """Put into words what pydantic refused, unless the walk has told it already."""
        path: Steps = detail["loc"]
        if any(told[: len(path)] == path or path[: len(told)] == told for told in self._told):
            return
        if detail["type"] == "missing":
            self._tell(place_of(self._tree, path), path, "must be given")
            return
        want, node = self._seen.get(path, (None, None))
        if detail["type"] == "value_error" or want is None or node is None:
            reason = detail.get("ctx", {}).get("error", detail["msg"])
            self._tell(place_of(self._tree, path), path, shortened(str(reason), 200))
        elif detail["type"] in (
            "greater_than",
            "greater_than_equal",
            "less_than",
            "less_than_equal",
        ):
            text = f"must be {want.bounds.text(key_of(path))}, got {_got(node)}"
            self._tell(node.place, path, text)
        else:
            self._wrong(want, node, path)

    def _wrong(self, want: Hint, node: Node, path: Steps, like: str = "") -> None:
        text = f"must be {want.wanted(key_of(path))}{like}, got {_got(node)}"
        if isinstance(node, Scalar) and isinstance(want.base, type) and issubclass(want.base, Enum):
            text += closest(node.text, [str(member.value) for member in want.base])
        self._tell(node.place, path, text)

    def _tell(self, place: Place, path: Steps, text: str) -> None:
        self._told.add(path)
        self.mistakes.append(Mistake(place, key_of(path), text))


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
