"""What a dataclass's annotations say about its keys: type, range, form, whether null is allowed."""

from __future__ import annotations

import dataclasses
import functools
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any

from config.words import Bounds


@dataclass(frozen=True, slots=True)
class Form:
    """Annotation of a text field: what it must look like, in words and as an expression."""

    words: str
    expression: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Hint:
    """One field's type, as annotated and taken apart."""

    annotation: Any
    base: Any
    item: Any = None
    nullable: bool = False
    bounds: Bounds = dataclasses.field(default_factory=Bounds)
    form: Form | None = None

    def wanted(self, key: str) -> str:
        """What is allowed, in words."""
        if self.form is not None:
            words = self.form.words
        elif dataclasses.is_dataclass(self.base):
            words = "keys with values"
        elif self.base is tuple:
            words = "a list"
        elif self.base is bool:
            words = "true or false"
        elif issubclass(self.base, Enum):
            words = "one of " + ", ".join(str(member.value) for member in self.base)
        elif self.base in (int, float):
            words = "a whole number" if self.base is int else "a number"
            words = ", ".join(filter(None, (words, self.bounds.text(key))))
        else:
            words = "a path" if self.base is Path else "text"
        return words + (" (or null)" if self.nullable else "")


@functools.cache
def hint(annotation: Any) -> Hint:
    """Take a field's annotation apart.

    Raises:
        TypeError: a type that is not read from configuration.
    """
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        inner, *metas = typing.get_args(annotation)
        taken = hint(inner)
        limits = {
            name: getattr(meta, name)
            for meta in metas
            for name in ("ge", "gt", "le", "lt")
            if getattr(meta, name, None) is not None
        }
        form = next((meta for meta in metas if isinstance(meta, Form)), taken.form)
        bounds = dataclasses.replace(taken.bounds, **limits)
        return dataclasses.replace(taken, annotation=annotation, bounds=bounds, form=form)
    if origin in (typing.Union, types.UnionType):
        rest = [arg for arg in typing.get_args(annotation) if arg is not types.NoneType]
        if len(rest) == 1:
            return dataclasses.replace(hint(rest[0]), annotation=annotation, nullable=True)
    elif origin is tuple:
        args = typing.get_args(annotation)
        if len(args) == 2 and args[1] is Ellipsis:
            return Hint(annotation=annotation, base=tuple, item=args[0])
    elif dataclasses.is_dataclass(annotation) or (
        isinstance(annotation, type) and issubclass(annotation, (int, float, str, Path, Enum))
    ):
        return Hint(annotation=annotation, base=annotation)
    raise TypeError(f"{annotation!r} cannot be read from configuration")


@functools.cache
def keys(cls: type) -> Mapping[str, Hint]:
    """The keys that a dataclass takes, in order. Fields marked ``key: False`` are none."""
    types_of = typing.get_type_hints(cls, include_extras=True)
    return {
        field.name: hint(types_of[field.name])
        for field in dataclasses.fields(cls)
        if field.metadata.get("key", True)
    }
