"""A folder against what is recorded of it: which files still hold the bytes that were checked.

A mismatch is read a second time, past the page cache where the system allows, before it is
believed; both readings are told. What this does not prove: that the bytes were right when they
were recorded.
"""

from __future__ import annotations

import os
import stat
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import partial
from typing import Final

from watcher import aside
from watcher.altered import Difference, locate, same_time
from watcher.files import shown
from watcher.readings import Pace, Reading, is_as_recorded, read, read_past_cache
from watcher.recorded import Seen
from watcher.report import SUFFIX
from watcher.thread import Threads
from watcher.truths import Found, Records, Truth, kind_of, spoken
from watcher.walk import is_capture

_SMALL: Final = 64 << 10  # read in one piece
_BIG: Final = 1 << 20  # below, a thread costs more than it saves
_AHEAD: Final = 256  # files under way, so that memory does not follow their count


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
        truths: the records it was held against.
        text: one sentence where there is anything to say.
        read: bytes read of it.
        sha256: of what was read, where it was taken.
        difference: where an altered file differs.
        readings: digests of the readings of a mismatch, in order, by ``algorithm``.
        found_at: where the same content, or the same name in another Unicode form, was found.
    """

    path: bytes
    state: State
    truths: Sequence[Truth] = ()
    text: str = ""
    read: int = 0
    sha256: bytes | None = None
    difference: Difference | None = None
    readings: tuple[str, ...] = ()
    found_at: bytes | None = None
    algorithm: str = "sha256"

    @property
    def sources(self) -> tuple[str, ...]:
        return tuple(truth.source for truth in self.truths)


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """How a verification goes about it.

    Attributes:
        quick: existence, size and date only.
        jobs: big files read at once.
        pace: told the bytes read; may wait.
        past_cache: read from the storage itself the first time already.
        over: asked before each file is begun: no further one, please.
    """

    quick: bool = False
    jobs: int = 1
    pace: Pace | None = None
    past_cache: bool = False
    over: Callable[[], bool] | None = None


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
    renamed = set(records.renamed.values())
    for path in sorted(records.files.keys() - records.truths.keys()):
        if path not in renamed and is_capture(path[path.rfind(b"/") + 1 :]):
            text = "No digest of it is recorded anywhere"
            if (other := records.of_another.get(path)) is not None:
                own = shown(os.path.basename(path) + SUFFIX.encode())
                text += f": {own} is the report of another capture, {shown(other)}"
            made.settled.append(Result(path, State.UNRECORDED, text=f"{text}."))
    made.bytes = size(records, made.targets)
    return made


def size(records: Records, paths: Iterable[bytes]) -> int:
    """Bytes that files have together."""
    files, renamed = records.files, records.renamed
    if not renamed:
        return sum(files[path].size for path in paths)
    return sum(files[renamed.get(path, path)].size for path in paths)


def _outside_the_walk(path: bytes, records: Records, folder: bytes, made: Plan) -> bool:
    """A recorded file that the walk did not meet: hidden (then it is read), a link, or missing."""
    truths = records.truths[path]
    try:
        st = os.lstat(path)
    except FileNotFoundError:
        text = "Recorded, but not there." + aside.gone(records, path)
        made.settled.append(Result(path, State.MISSING, truths, text))
        return False
    except OSError as error:
        text = f"Nobody can say whether it is there: {error.strerror or error}."
        made.settled.append(Result(path, State.UNREAD, truths, text))
        return False
    inside = os.path.realpath(os.path.dirname(path)) == os.path.dirname(path)
    if not stat.S_ISREG(st.st_mode) or not inside or not path.startswith(folder + b"/"):
        text = "Not a regular file of this folder; not followed."
        made.settled.append(Result(path, State.UNREAD, truths, text))
        return False
    records.files[path] = Found(st.st_size, st.st_mtime_ns)
    return True


class _StoppedError(Exception):
    """Nobody waits for this reading any more."""


def verify(records: Records, targets: Iterable[bytes], options: Options) -> Iterator[Result]:
    """Look at every target, in order; several big files at a time where ``jobs`` says so."""
    if options.jobs <= 1:
        for path in targets:
            result = _one(records, path, options, options.pace)
            if result is not None:
                yield result
        return
    stopped = False

    def pace(count: int) -> None:
        if stopped:
            raise _StoppedError
        if options.pace is not None:
            options.pace(count)

    with Threads("verify", options.jobs) as threads:
        try:
            waiting: deque[bytes | Callable[[], Result | None]] = deque()
            for path in targets:
                found = records.files.get(records.renamed.get(path, path))
                if found is not None and found.size >= _BIG:
                    waiting.append(threads.give(partial(_one, records, path, options, pace)))
                else:
                    waiting.append(path)
                if len(waiting) >= _AHEAD:
                    yield from _next(records, waiting, options)
            while waiting:
                yield from _next(records, waiting, options)
        finally:
            stopped = True


def _next(
    records: Records, waiting: deque[bytes | Callable[[], Result | None]], options: Options
) -> Iterator[Result]:
    first = waiting.popleft()
    result = first() if callable(first) else _one(records, first, options, options.pace)
    if result is not None:
        yield result


def _one(records: Records, path: bytes, options: Options, pace: Pace | None) -> Result | None:
    """What is to be said of one file; None where it was not begun."""
    if options.over is not None and options.over():
        return None
    truths = records.truths[path]
    there = records.renamed.get(path, path) if records.renamed else path
    if options.quick:
        return _quick(records, path, there, truths)
    if len(truths) == 1 and there == path and not options.past_cache and path not in records.aside:
        truth, size = truths[0], records.files[path].size
        if size < _SMALL and is_as_recorded(path, truth.algorithm, truth.digest) == size:
            if pace is not None:
                pace(size)
            sha256 = truth.digest if truth.algorithm == "sha256" else None
            return Result(path, State.INTACT, truths, "", size, sha256)
    algorithms = (
        (truths[0].algorithm,) if len(truths) == 1 else {truth.algorithm for truth in truths}
    )
    try:
        first = (read_past_cache if options.past_cache else read)(there, algorithms, pace)
    except OSError as error:
        return Result(path, State.UNREAD, truths, f"Cannot be read: {error.strerror or error}.")
    digests = first.digests
    wrong = [truth for truth in truths if digests[truth.algorithm] != truth.digest]
    if wrong:
        result = _second_reading(path, there, truths, wrong, first, pace)
        if result.state is State.ALTERED and aside.is_another_take(records, path, there, wrong):
            agreeing = [truth for truth in truths if truth not in wrong]
            result.state = State.INTACT if agreeing else State.UNRECORDED
            by, not_by = _names(agreeing, truths) if agreeing else "", _names(wrong, truths)
            result.text = aside.another_take(records, path, by, not_by)
            result.difference = None
        if result.state is State.ALTERED:
            result.text += records.of_which(path, digests)
        return result
    text = aside.still_there(records, path, digests)
    result = Result(path, State.INTACT, truths, text, first.size, digests.get("sha256"))
    if there != path:
        result.found_at = there
        other = "Its name is stored in another Unicode form than the recorded one."
        result.text = f"{other} {text}" if text else other
    return result


def _second_reading(
    path: bytes,
    there: bytes,
    truths: Sequence[Truth],
    wrong: Sequence[Truth],
    first: Reading,
    pace: Pace | None,
) -> Result:
    try:
        second = read_past_cache(there, set(first.digests), pace)
    except OSError as error:
        text = f"Differed once, and could then not be read again: {error.strerror or error}."
        return Result(path, State.UNREAD, truths, text, first.size)
    algorithm = wrong[0].algorithm
    readings = (first.digests[algorithm].hex(), second.digests[algorithm].hex())
    if first.stamp != second.stamp or first.size != first.stamp.size:
        text = (
            "It was written to or replaced while it was read. Nothing is known of it: verify it "
            "again when nobody writes to it."
        )
        return Result(
            path, State.UNREAD, truths, text, first.size, readings=readings, algorithm=algorithm
        )
    way = (
        "past the page cache"
        if second.past_cache
        else "after its cached pages were given up, as far as the system does that"
    )
    if first.digests != second.digests:
        right = all(second.digests[truth.algorithm] == truth.digest for truth in truths)
        text = (
            f"Two readings of it differ from each other; the second, {way}, is "
            f"{'as recorded' if right else 'not as recorded either'}. Storage or memory of this "
            "machine cannot be trusted: read it again on another machine."
        )
        return Result(
            path, State.UNREAD, truths, text, first.size, readings=readings, algorithm=algorithm
        )
    try:
        difference = locate(there, wrong)
    except Exception as error:  # that it differs is known, and must not be lost with the place
        difference = Difference(
            "The content differs from its record. Where it differs cannot be said: "
            f"{type(error).__name__}: {shown(str(error))}."
        )
    parts = [difference.text]
    agreeing = [truth for truth in truths if truth not in wrong]
    if agreeing:
        parts.append(
            f"The records disagree: it is as recorded by {_names(agreeing, truths)}, not as "
            f"recorded by {_names(wrong, truths)}."
        )
        if {kind_of(truth) for truth in wrong} == {"SHA256SUMS"}:
            parts.append(
                "If the change was meant and is signed off, make that list anew: "
                "`reelvigil sums --replace`."
            )
    elif len({truth.digest for truth in wrong if truth.algorithm == algorithm}) > 1:
        parts.append("The records disagree with each other as well.")
    parts.append(f"Read twice, the second time {way}: both readings agree.")
    return Result(
        path,
        State.ALTERED,
        truths,
        " ".join(parts),
        first.size,
        first.digests.get("sha256"),
        difference,
        readings,
        there if there != path else None,
        algorithm,
    )


def _names(some: Sequence[Truth], truths: Sequence[Truth]) -> str:
    names = list(dict.fromkeys(spoken(truth, truths) for truth in some))
    return " and ".join(part for part in (", ".join(names[:-1]), names[-1]) if part)


def _quick(records: Records, path: bytes, there: bytes, truths: Sequence[Truth]) -> Result:
    """Existence, size and time only, and what was last read of it by a check."""
    found = records.files[there]
    if path in records.altered:
        return _was_altered(path, truths, records.altered[path], found)
    if aside.looks_like_another_take(records, path, there, truths):
        return Result(path, State.UNRECORDED, truths, aside.another_take(records, path))
    for truth in truths:
        if truth.size is not None and truth.size != found.size:
            text = f"{found.size} bytes, recorded were {truth.size}; no byte of it was read."
            return Result(path, State.ALTERED, truths, text)
    dates = {truth.modified for truth in truths if truth.modified is not None}
    text = ""
    if dates and not any(same_time(date, found.mtime_ns) for date in dates):
        text = f"{DATE_DIFFERS}; no byte of it was read."
    return Result(path, State.INTACT, truths, text or aside.not_yet(records, path))


def _was_altered(path: bytes, truths: Sequence[Truth], seen: Seen, found: Found) -> Result:
    """A file that a check has already read as another than the recorded one."""
    by = "the ledger" if seen.source == "ledger" else "its report"
    text = f"Altered by {by}: when it was read at {seen.at}, it was not as recorded."
    dated = seen.modified is None or same_time(seen.modified, found.mtime_ns)
    if not dated or seen.size not in (None, found.size):
        text += " It has another size or date since."
    text += " No byte of it was read now."
    return Result(path, State.ALTERED, truths, text, difference=Difference(text, seen.audio_same))


DATE_DIFFERS: Final = "Its date differs from the recorded one"


def elsewhere(
    settled: Sequence[Result],
    read_as: dict[bytes, bytes],
    records: Records,
    options: Options,
    *,
    all_read: bool,
) -> None:
    """Look for the content of missing files under other names, and say where it is.

    Args:
        settled: results without reading; missing ones found elsewhere are changed in place,
            and so are the unrecorded files that turn out to hold recorded content.
        read_as: SHA-256 -> path, of every file read in this run.
        all_read: whether that is every recorded file; else one not found may be there all the same.
    """
    missing = [result for result in settled if result.state is State.MISSING]
    if options.quick:
        for result in missing:
            result.text += " No byte was read: it may be there under another name."
    if not missing or options.quick:
        return
    unrecorded = {r.path: r for r in settled if r.state is State.UNRECORDED}
    by_digest: dict[tuple[str, bytes], bytes] = {("sha256", d): p for d, p in read_as.items()}
    wanted = {truth.algorithm for r in missing for truth in records.truths[r.path]}
    sizes = {truth.size for r in missing for truth in records.truths[r.path]}
    for path in unrecorded:
        if options.over is not None and options.over():
            break
        if None in sizes or records.files[path].size in sizes:
            try:
                digests = read(path, wanted, options.pace).digests
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
        if result.state is State.MISSING and not all_read:
            result.text += " Not every file was read: it may be there under another name."
