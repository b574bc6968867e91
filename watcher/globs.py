"""Which captures a profile's ``match`` means."""

from __future__ import annotations

import fnmatch
import functools
import re


def fits(pattern: str, inner: str, whole: str) -> bool:
    """Whether a capture's path fits a glob.

    ``*`` and ``?`` stay within one folder's or file's name, ``**`` goes across folders,
    ``[abc]`` is one of some letters. Upper and lower case differ.

    Args:
        pattern: without a slash it is compared with the file's name alone; beginning with a
            slash, with the whole path; else with the path below the root.
        inner: path below the root, with ``/``.
        whole: absolute path, with ``/``.
    """
    if pattern.startswith("/"):
        target = whole
    else:
        target = inner if "/" in pattern else inner.rpartition("/")[2]
    return _expression(pattern).fullmatch(target) is not None


@functools.lru_cache(maxsize=512)
def _expression(pattern: str) -> re.Pattern[str]:
    """The glob as an expression. A bracket that never closes stands for itself."""
    parts = re.findall(r"\*\*/|\*\*|\*|\?|\[!?\]?[^\]/]*\]|.", pattern, re.DOTALL)
    return re.compile("".join(map(_part, parts)), re.DOTALL)


def _part(part: str) -> str:
    simple = {"**/": "(?:.*/)?", "**": ".*", "*": "[^/]*", "?": "[^/]"}
    if part in simple:
        return simple[part]
    if len(part) > 2 and part.startswith("["):
        return "(?!/)" + fnmatch.translate(part)[:-2]  # without its "end of text"
    return re.escape(part)
