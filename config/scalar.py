"""One value as written -> the type that its key wants; bounds are read off the annotation.

Only this module imports pydantic, and ``config.bind`` imports it when the first value is read:
without a configuration nobody waits for it.
"""

from __future__ import annotations

import functools
from typing import Any

from pydantic import TypeAdapter, ValidationError


@functools.cache
def _adapter(annotation: Any) -> TypeAdapter[Any]:
    return TypeAdapter(annotation)


def converted(annotation: Any, text: str) -> tuple[Any, str]:
    """The value, and pydantic's word for what is wrong with the text; empty where nothing is."""
    try:
        return _adapter(annotation).validate_python(text), ""
    except ValidationError as error:
        return None, error.errors(include_url=False)[0]["type"]
