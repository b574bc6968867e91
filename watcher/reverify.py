"""A folder against what is recorded of it: which files still hold the bytes that were checked.

A mismatch is read a second time, past the page cache where the system allows, before it is
believed; both readings are told. What this does not prove: that the bytes were right when they
were recorded.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import islice
from typing import Any, Final

from watcher.altered import Difference, locate, same_time
from watcher.truths import Found, Records, Truth
from watcher.walk import is_capture_name

_PIECE: Final = 4 << 20
_SMALL: Final = 64 << 10


class State(StrEnum):
    """What is said of one file (contract)."""

    INTACT = "intact"
    ALTERED = "altered"
    MISSING = "missing"
    ELSEWHERE = "elsewhere"
    UNRECORDED = "unrecorded"
    UNREAD = "unread"


@dataclass(slots=True)
class Result:
    """What is said of one file, why, and by which records.

    Attributes:
        path: as recorded.
        sources: the records it was held against.
        text: one sentence where there is anything to say.
        read: bytes read of it.
        sha256: of what was read, where it was taken.
        difference: where an altered file differs.
        readings: digests of the readings of a mismatch, in order.
        found_at: where the same content, or the same name in another Unicode form, was found.
    """

    path: bytes
    state: State
    sources: tuple[str, ...] = ()
    text: str = ""
    read: int = 0
    sha256: bytes | None = None
    difference: Difference | None = None
    readings: tuple[str, ...] = ()
    found_at: bytes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """How a verification goes about it."""

    quick: bool = False
    jobs: int = 1
    pace: Callable[[int], None] | None = None  # told the bytes read, may wait


@dataclass(slots=True)
class Plan:
    """The files to be looked at, in order, and what is settled without looking."""

    targets: list[bytes] = field(default_factory=list)
    settled: list[Result] = field(default_factory=list)
    bytes: int = 0


def plan(records: Records, folder: bytes) -> Plan:
    """What there is to do in a folder whose records were gathered."""
    made = Plan()
    for path in sorted(records.truths):
        found = records.renamed.get(path, path)
        if found not in records.files and not _outside_the_walk(path, records, folder, made):
            continue
        made.targets.append(path)
    recorded = set(made.targets) | set(records.renamed.values())
    for path in sorted(records.files):
        if path not in recorded and is_capture_name(os.fsdecode(os.path.basename(path))):
            made.settled.append(
                Result(path, State.UNRECORDED, text="No digest of it is recorded anywhere.")
            )
    made.bytes = sum(records.files[records.renamed.get(p, p)].size for p in made.targets)
    return made


def _outside_the_walk(path: bytes, records: Records, folder: bytes, made: Plan) -> bool:
    """A recorded file that the walk did not meet: hidden (then it is read), a link, or missing."""
    sources = tuple(truth.source for truth in records.truths[path])
    try:
        st = os.lstat(path)
    except OSError:
        made.settled.append(Result(path, State.MISSING, sources, "Recorded, but not there."))
        return False
    inside = os.path.realpath(os.path.dirname(path)) == os.path.dirname(path)
    if not stat.S_ISREG(st.st_mode) or not inside or not path.startswith(folder + b"/"):
        made.settled.append(
            Result(path, State.UNREAD, sources, "Not a regular file of this folder; not followed.")
        )
        return False
    records.files[path] = Found(st.st_size, st.st_mtime_ns)
    return True


def verify(records: Records, targets: Iterable[bytes], options: Options) -> Iterator[Result]:
    """Look at every target, in order; several at a time where ``jobs`` says so."""
    if options.jobs <= 1:
        for path in targets:
            yield _one(records, path, options)
        return
    with ThreadPoolExecutor(options.jobs, "verify") as pool:
        coming = iter(targets)
        # a bounded number under way, so that memory does not follow the count of files
        waiting: list[Future[Result]] = [
            pool.submit(_one, records, path, options) for path in islice(coming, 4 * options.jobs)
        ]
        while waiting:
            yield waiting.pop(0).result()
            for path in islice(coming, 1):
                waiting.append(pool.submit(_one, records, path, options))


def _one(records: Records, path: bytes, options: Options) -> Result:
    truths = records.truths[path]
    there = records.renamed.get(path, path) if records.renamed else path
    sources = (truths[0].source,) if len(truths) == 1 else tuple(t.source for t in truths)
    if options.quick:
        return _quick(records, path, there, truths, sources)
    algorithms = (
        {truths[0].algorithm} if len(truths) == 1 else {truth.algorithm for truth in truths}
    )
    try:
        digests, count = read(there, algorithms, options.pace)
    except OSError as error:
        return Result(path, State.UNREAD, sources, f"Cannot be read: {error.strerror or error}.")
    wrong = [truth for truth in truths if digests[truth.algorithm] != truth.digest]
    if not wrong:
        result = Result(path, State.INTACT, sources, "", count, digests.get("sha256"))
        if there != path:
            result.found_at = there
            result.text = "Its name is stored in another Unicode form than the recorded one."
        return result
    return _second_reading(path, there, truths, wrong, digests, options, count)


def _second_reading(
    path: bytes,
    there: bytes,
    truths: Sequence[Truth],
    wrong: Sequence[Truth],
    first: dict[str, bytes],
    options: Options,
    count: int,
) -> Result:
    sources = tuple(truth.source for truth in truths)
    try:
        second, _ = read(there, set(first), options.pace, past_cache=True)
    except OSError as error:
        text = f"Differed once, and could then not be read again: {error.strerror or error}."
        return Result(path, State.UNREAD, sources, text, count)
    algorithm = wrong[0].algorithm
    readings = (first[algorithm].hex(), second[algorithm].hex())
    if first != second:
        text = (
            "Two readings of it differ from each other: storage or memory cannot be trusted; "
            "read it again on another machine."
        )
        return Result(path, State.UNREAD, sources, text, count, readings=readings)
    difference = locate(there, wrong)
    parts = [difference.text]
    agreeing = [truth.source for truth in truths if truth not in wrong]
    if agreeing:
        names = ", ".join(truth.source for truth in wrong)
        parts.append(
            f"The records disagree: it is as {', '.join(agreeing)} says, not as {names} says."
        )
    parts.append("Both readings agree.")
    return Result(
        path,
        State.ALTERED,
        sources,
        " ".join(parts),
        count,
        first.get("sha256"),
        difference,
        readings,
    )


def _quick(
    records: Records,
    path: bytes,
    there: bytes,
    truths: Sequence[Truth],
    sources: tuple[str, ...],
) -> Result:
    """Existence, size and time only."""
    found = records.files[there]
    for truth in truths:
        if truth.size is not None and truth.size != found.size:
            text = f"{found.size} bytes, recorded were {truth.size}; no byte of it was read."
            return Result(path, State.ALTERED, sources, text)
    dates = {truth.modified for truth in truths if truth.modified is not None}
    text = ""
    if dates and not any(same_time(date, found.mtime_ns) for date in dates):
        text = "Its date differs from the recorded one; no byte of it was read."
    return Result(path, State.INTACT, sources, text)


def read(
    path: bytes,
    algorithms: set[str],
    pace: Callable[[int], None] | None = None,
    *,
    past_cache: bool = False,
) -> tuple[dict[str, bytes], int]:
    """Digests of a file's bytes, and their count.

    Args:
        past_cache: drop the file's cached pages first, so that the storage itself answers.

    Raises:
        OSError: it cannot be opened or read, or is no regular file.
    """
    flags = os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
    fd = os.open(path, flags)
    try:
        st = os.fstat(fd)
        if not stat.S_ISREG(st.st_mode):
            raise OSError(0, "not a regular file")
        if past_cache:
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        if st.st_size < _SMALL:  # most of the cost of small files would be the buffer
            data = os.read(fd, _SMALL)
            if len(data) < _SMALL and len(data) == st.st_size:
                if pace is not None:
                    pace(len(data))
                return {n: hashlib.new(n, data).digest() for n in algorithms}, len(data)
            os.lseek(fd, 0, os.SEEK_SET)  # it grows: as any other
        hashes: list[Any] = [hashlib.new(name, usedforsecurity=False) for name in algorithms]
        count = 0
        buffer = bytearray(_PIECE)
        view = memoryview(buffer)
        while got := os.readv(fd, [buffer]):
            for digest in hashes:
                digest.update(view[:got])
            count += got
            if pace is not None:
                pace(got)
        return dict(zip(algorithms, (d.digest() for d in hashes), strict=True)), count
    finally:
        os.close(fd)


def elsewhere(settled: Sequence[Result], read_as: dict[bytes, bytes], records: Records) -> None:
    """Look for the content of missing files under other names, and say where it is.

    Args:
        settled: results without reading; missing ones found elsewhere are changed in place,
            and so are the unrecorded files that turn out to hold recorded content.
        read_as: SHA-256 -> path, of every file read in this run.
    """
    missing = [result for result in settled if result.state is State.MISSING]
    if not missing:
        return
    unrecorded = {r.path: r for r in settled if r.state is State.UNRECORDED}
    by_digest: dict[tuple[str, bytes], bytes] = {("sha256", d): p for d, p in read_as.items()}
    wanted = {truth.algorithm for r in missing for truth in records.truths[r.path]}
    sizes = {truth.size for r in missing for truth in records.truths[r.path]}
    for path in unrecorded:
        if None in sizes or records.files[path].size in sizes:
            try:
                digests, _ = read(path, wanted)
            except OSError:
                continue  # it stays unrecorded
            by_digest.update(dict.fromkeys(digests.items(), path))
    for result in missing:
        for truth in records.truths[result.path]:
            found = by_digest.get((truth.algorithm, truth.digest))
            if found is not None and found != result.path:
                result.state, result.found_at = State.ELSEWHERE, found
                result.text = "Not under its recorded name, but the same content is there."
                if found in unrecorded:
                    unrecorded[found].text = "Its content is recorded under another name."
                break
