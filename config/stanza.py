"""Writes the limits of the checks as YAML, from the annotations and comments beside the code.

For developers, after a check or a limit was added:

    python -m config.stanza checks.registry Limits >new_limits.txt   # or the limits of one check

prints the section; with ``--into config/default.yaml`` it takes the place of the file's last
section, ``limits:``.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib
import inspect
import json
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from config.hints import Hint, keys
from config.merging import plain
from config.words import number


def comments(cls: type) -> dict[str, list[str]]:
    """The comment lines right above each field of a class, or behind it on its first line."""
    found: dict[str, list[str]] = {}
    for base in reversed([one for one in cls.__mro__ if dataclasses.is_dataclass(one)]):
        lines = textwrap.dedent(inspect.getsource(base)).splitlines()
        body = ast.parse("\n".join(lines)).body[0]
        for item in body.body if isinstance(body, ast.ClassDef) else []:
            if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name):
                first = last = item.lineno - 1
                while first and lines[first - 1].lstrip().startswith("#"):
                    first -= 1
                told = [line.strip().lstrip("#").strip() for line in lines[first:last]]
                behind = lines[(item.end_lineno or item.lineno) - 1][item.end_col_offset or 0 :]
                told += [behind.strip().lstrip("#").strip()] if "#" in behind else []
                found[item.target.id] = told
    return found


def stanza(cls: Any, indent: int = 0) -> Iterator[str]:
    """The keys of a dataclass with their defaults, as lines of YAML under their comments."""
    pad = " " * indent
    told, default = comments(cls), cls()
    for key, hint in keys(cls).items():
        value = getattr(default, key)
        if dataclasses.is_dataclass(value):
            inner = list(stanza(type(value), indent + 2))
            yield from (f"{pad}{key}:", *inner) if inner else (f"{pad}{key}: {{}}",)
            continue
        lines = told.get(key, [])
        if not _states(" ".join(lines), hint):
            lines = [*lines, f"Allowed: {hint.wanted(key)}."]
        yield from (f"{pad}# {line}".rstrip() for line in lines)
        yield f"{pad}{key}: {json.dumps(plain(value))}"


def _states(comment: str, hint: Hint) -> bool:
    """Whether a comment gives every bound of its field."""
    bounds = [bound for bound in dataclasses.astuple(hint.bounds) if bound is not None]
    words = comment.replace(",", "")
    return bool(bounds) and all(number(bound) in words for bound in bounds)


def main(arguments: list[str]) -> None:
    module, name, *into = arguments
    lines = list(stanza(getattr(importlib.import_module(module), name), 2))
    if into[:1] == ["--into"]:
        path = Path(into[1])
        kept, mark, _ = path.read_text(encoding="utf-8").partition("\nlimits:")
        if not mark:
            raise SystemExit(f"{path}: no section 'limits:'")
        section = "\n".join(["limits:", *lines] if lines else ["limits: {}"])
        path.write_text(f"{kept}\n{section}\n", encoding="utf-8")
    else:
        print("\n".join(lines))


if __name__ == "__main__":
    main(sys.argv[1:])
