"""Takes that a person wants done again, while they are still what is stored.

Whatever is played next under the same name changes nothing that is stored, so it is never called
altered. But until then the bytes are watched like all others: they may be the only take there is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from watcher.altered import same_time
from watcher.truths import Records, Truth


def is_another_take(
    records: Records, path: bytes, there: bytes, differing: Sequence[Truth]
) -> bool:
    """Whether all that speaks against a file is a take that a person wanted done again.

    A tape that was played again gives a file of another size or date; where both are as recorded
    nobody did, and the bytes changed by themselves.

    Args:
        there: where the file is found.
        differing: the records that it differs from, or may differ from where it was not read.
    """
    known = records.aside.get(path, {}).keys() | records.done_again.get(path, frozenset())
    if any(t.digest not in known for t in differing):
        return False
    found = records.files[there]
    return not any(
        t.size == found.size and t.modified is not None and same_time(t.modified, found.mtime_ns)
        for t in differing
    )


def looks_like_another_take(
    records: Records, path: bytes, there: bytes, truths: Sequence[Truth]
) -> bool:
    """The same by size and date alone, for a file that is not read."""
    if path not in records.aside:
        return False
    found = records.files[there]
    other = [
        t
        for t in truths
        if (t.size is not None and t.size != found.size)
        or (t.modified is not None and not same_time(t.modified, found.mtime_ns))
    ]
    return bool(other) and is_another_take(records, path, there, other)


def another_take(
    records: Records, path: bytes, recorded_by: str = "", not_by: str = "its records"
) -> str:
    """What is said of a file that is not the take set aside, or does not look like it.

    Args:
        recorded_by, not_by: the sources that it agrees with, and those that it does not.
    """
    if path not in records.aside:  # the new take is recorded, and the old one still in some list
        return (
            f"As recorded by {recorded_by}. By {not_by} it was another take, which a person wanted "
            "done again: make that list anew."
        )
    what = f"Not the content that a person wants done again ({_who(records, path)})"
    if recorded_by:
        return f"{what}, but as recorded by {recorded_by}."
    return (
        f"{what}: a new take, or a change. No digest of it is recorded; `reelvigil check` makes "
        "a record."
    )


def still_there(records: Records, path: bytes, digests: Mapping[str, bytes]) -> str:
    """What is said of a file that still is the take set aside; nothing of any other."""
    known = records.aside.get(path)
    if not known or digests.get("sha256") not in known:
        return ""
    return not_yet(records, path)


def not_yet(records: Records, path: bytes) -> str:
    """The same where only size and date were looked at."""
    if path not in records.aside:
        return ""
    return (
        f"A person wants it done again ({_who(records, path)}). Until then it may be the only "
        "take there is, and its digest is watched."
    )


def gone(records: Records, path: bytes) -> str:
    """What more is said of one that is missing."""
    if path not in records.aside:
        return ""
    return f" A person wanted it done again ({_who(records, path)})."


def _who(records: Records, path: bytes) -> str:
    return "; ".join(records.aside[path].values())
