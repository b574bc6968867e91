"""Storage roots: is what is mounted there the volume that was enrolled?

A marker file in the root carries a number of its own and the name of the daemon that watches it.
Device numbers change at every mount, and an unmounted volume leaves an empty folder behind: only
the marker tells lost storage from deleted captures. A root that was never enrolled is watched all
the same, but nothing in it is ever called missing.
"""

from __future__ import annotations

import errno
import json
import os
import socket
import uuid
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import Final

from watcher.errors import UsageError
from watcher.files import shown, write_whole
from watcher.ledger import now
from watcher.settings import Settings

MARKER: Final = ".reelvigil-root"
_FORMAT: Final = "reelvigil-root"
_MOST_BYTES: Final = 4096  # a marker is a few hundred bytes; anything longer is none


class RootState(StrEnum):
    """What stands at a root's place."""

    PRESENT = "present"
    LOST = "lost"  # not there, or its marker is not
    FOREIGN = "foreign"  # another volume, or another daemon's
    UNREADABLE = "unreadable"
    EMPTY_SUSPICIOUS = "empty-suspicious"  # never enrolled, held captures, now holds nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """What an enrolment wrote.

    Attributes:
        id: of the volume.
        instance: the daemon that watches it.
        root: where it was mounted.
        at: when a person last confirmed the root.
    """

    id: str
    instance: str
    root: str
    at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What was found at a root's place just now.

    Attributes:
        detail: one sentence where the root is not present or cannot be proven, and what to do.
        device: of the folder, where it could be looked at.
        proven: the marker says that this is the volume; without it absence proves nothing.
    """

    state: RootState
    detail: str | None = None
    device: int | None = None
    inode: int | None = None
    marker: Marker | None = None

    @property
    def proven(self) -> bool:
        return self.state is RootState.PRESENT and self.marker is not None


def instance_name(settings: Settings) -> str:
    """The name under which this daemon enrols roots."""
    return settings.instance or socket.gethostname() or "localhost"


def read_marker(root: Path) -> Marker | None:
    """The marker in a folder; None where there is none.

    Raises:
        OSError: the folder or the marker could not be read.
        ValueError: a file of that name that is no marker.
    """
    flags = os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
    try:
        fd = os.open(root / MARKER, flags)
    except FileNotFoundError:
        os.stat(root)  # the folder itself is missing: say that
        return None
    try:
        data = os.read(fd, _MOST_BYTES)
    finally:
        os.close(fd)
    try:
        values = json.loads(data)
    except RecursionError:
        values = None  # brackets within brackets
    if not isinstance(values, dict) or values.get("format") != _FORMAT:
        raise ValueError("is no marker of this program")
    match values:
        case {"id": str(volume), "instance": str(instance), "root": str(where), "at": str(at)}:
            return Marker(id=volume, instance=instance, root=where, at=at)
    raise ValueError("is not complete")


def enrol(root: Path, instance: str, *, take_over: bool = False) -> Marker:
    """Give a root its marker; once more: confirm that the root is right as it is.

    Raises:
        UsageError: no folder, another daemon's root (unless taken over), or not writable.
    """
    if not root.is_dir():
        raise UsageError(f"{shown(root)}: no such folder")
    try:
        known = read_marker(root)
    except ValueError as error:
        raise UsageError(
            f"{shown(root / MARKER)} {error}; look at it, and remove it if it is nobody's"
        ) from error
    except OSError as error:
        raise UsageError(f"{shown(root / MARKER)}: {error.strerror or error}") from error
    if known is not None and known.instance != instance and not take_over:
        raise UsageError(
            f"{shown(root)} is watched by {shown(known.instance)}, this is {shown(instance)}; two "
            "daemons must not share a root. Once the other one watches it no more: --take-over"
        )
    marker = Marker(
        id=known.id if known else str(uuid.uuid4()),
        instance=instance,
        root=os.path.abspath(root),
        at=now(),
    )
    body = json.dumps({"format": _FORMAT, "version": 1, **asdict(marker)}, indent=1) + "\n"
    try:
        write_whole(root / MARKER, body.encode("ascii"))
    except OSError as error:
        raise UsageError(
            f"{shown(root)}: the marker cannot be written ({error.strerror or error})"
        ) from error
    return marker


def look(
    root: Path,
    *,
    expected: str | None,
    instance: str,
    held: Callable[[], bool] = lambda: False,
    seen_at: str | None = None,
    ask: Callable[[Callable[[], _There]], _There] = lambda call: call(),
) -> Look:
    """What stands at a root's place.

    A volume that was enrolled at this very place after the expected one was last seen takes over
    from it: so a person replaces storage.

    Args:
        expected: number of the volume that was enrolled there, as far as is known.
        held: whether captures are known to be in it; asked only where nothing else tells.
        seen_at: when the expected volume was last scanned there.
        ask: makes the calls to the system, or gives up on them with ``TimeoutError``.
    """
    name = shown(root)
    try:
        st, marker, empty = ask(partial(_there, root))
    except OSError as error:
        return _failed(name, error)
    except ValueError as error:
        return Look(
            state=RootState.UNREADABLE,
            detail=f"{name}/{MARKER} {error}: the volume cannot be told; look at it, or enrol the "
            "root anew",
        )
    seen = Look(state=RootState.PRESENT, device=st.st_dev, inode=st.st_ino, marker=marker)
    if marker is None:
        if expected is not None:
            return replace(
                seen,
                state=RootState.LOST,
                detail=f"{name} does not carry its marker: the volume is not mounted. If it is, "
                "and the marker was deleted: `reelvigil enrol` it again",
            )
        if empty and held():
            return replace(
                seen,
                state=RootState.EMPTY_SUSPICIOUS,
                detail=f"{name} is empty and held captures before: taken for storage that is not "
                "mounted. If it is the right one: `reelvigil enrol` it",
            )
        return replace(
            seen,
            detail=f"never enrolled, so its absence would prove nothing: `reelvigil enrol {name}`",
        )
    if marker.instance != instance:
        return replace(
            seen,
            state=RootState.FOREIGN,
            detail=f"{name} is watched by {shown(marker.instance)}, this is {shown(instance)}: "
            "`reelvigil enrol --take-over` once the other one watches it no more",
        )
    replaced = marker.root == str(root) and seen_at is not None and marker.at > seen_at
    if expected is not None and marker.id != expected and not replaced:
        return replace(
            seen,
            state=RootState.FOREIGN,
            detail=f"{name} holds another volume than the one enrolled there: mount the right one, "
            "or `reelvigil enrol` this one in its place",
        )
    return seen


_There = tuple[os.stat_result, Marker | None, bool]


def _there(root: Path) -> _There:
    """A folder, its marker, and whether it is empty."""
    st = os.stat(root)
    marker = read_marker(root)
    with os.scandir(root) as entries:
        return st, marker, next(entries, None) is None


def _failed(name: str, error: OSError) -> Look:
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return Look(state=RootState.LOST, detail=f"{name} is not there: is the volume mounted?")
    if isinstance(error, TimeoutError):
        return Look(
            state=RootState.UNREADABLE,
            detail=f"{name} does not answer: is the server it is mounted from up, and the network? "
            "It is looked at again every half minute, the other roots are watched meanwhile",
        )
    return Look(
        state=RootState.UNREADABLE,
        detail=f"{name} cannot be read ({error.strerror or error}): permission, or the storage",
    )
