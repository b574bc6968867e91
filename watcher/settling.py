"""Is a capture finished? What was seen goes in, by a clock of our own, and one answer comes out.

A capture is settled when nothing about its files has changed for the quiet period, its containers
and its set are complete, and nobody holds a file open for writing. No single one of these is
enough: a preallocated file keeps its size from the first second, a close follows a crash as well,
a writer through shared memory moves the time of its file only now and then, and a header may be
right again and again while the recording goes on (each seen in a trial of eight kinds of writers).

Quiet is measured from when we last *saw* a change, never against the file's own time: a copy keeps
an old one, and a client's clock may run ahead.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from checks.container import Layout
from watcher.files import Stamp, shown
from watcher.lease import Lease
from watcher.tracksets import Capture, judge

CHANGING: Final = "is still changing, or was only just now"
OPEN: Final = "is open for writing"
UNSURE: Final = "nobody can tell here whether it is open for writing: waits twice as long"
MORE_TRACKS: Final = "further tracks may follow"

# A file that somebody holds open, and that has not grown for so long, is told. Common practice: no
# tape runs as long.
HELD_S: Final = 12 * 3600.0
# Tracks of a set, and files that may become one, get this many quiet periods for their fellows:
# a recorder closes its files one after the other. Common practice.
_SET_PERIODS: Final = 2
# Where leases do not tell, only time can. From memory: clients hold data back about a minute.
_UNSURE_PERIODS: Final = 2


@dataclass(slots=True)
class Sighting:
    """A file that has not settled.

    Attributes:
        since: when it was last seen to change; minus infinity where it is as the ledger has it.
    """

    stamp: Stamp
    since: float
    _header: tuple[Layout | None] | None = None

    def again(self, stamp: Stamp, now: float) -> bool:
        """Take in another look; whether something changed."""
        if stamp == self.stamp:
            return False
        self.stamp, self.since, self._header = stamp, now, None
        return True

    def header(self, path: Path, read: Callable[[Path], Layout | None]) -> Layout | None:
        """What the file's header says; read once for each state of the file."""
        if self._header is None:
            self._header = (read(path),)
        return self._header[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What decides beside the files themselves.

    Attributes:
        channels: how many tracks the sheet asks for.
        joined: when the last file was added, where more may follow; None where none will.
    """

    quiet_s: float
    give_up_s: float
    channels: int | None = None
    joined: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Whether a capture may be checked.

    Attributes:
        why: what it waits for; of a settled one, what it lacks after all the time it was given.
        still_s: for how long nothing changed.
    """

    settled: bool
    why: str | None = None
    still_s: float = 0.0


def answer(
    capture: Capture,
    seen: Mapping[Path, Sighting],
    asked: Asked,
    *,
    now: float,
    header_of: Callable[[Path], Layout | None],
    lease: Callable[[Path], Lease],
) -> Answer:
    """Whether a capture is settled.

    Headers are read only after the quiet period, leases asked for only when nothing else is left
    to wait for.
    """
    last = max(seen[path].since for path in capture.files)
    still = now - last
    if still < asked.quiet_s:
        return Answer(settled=False, why=CHANGING, still_s=still)
    headers = {path: seen[path].header(path, header_of) for path in capture.files}
    lacks = _lacks(capture, headers, asked)
    if lacks is not None and still < asked.give_up_s:
        return Answer(settled=False, why=lacks, still_s=still)
    joined = asked.joined if _may_grow(headers, asked) else None
    if joined is not None and now - max(last, joined) < _SET_PERIODS * asked.quiet_s:
        return Answer(settled=False, why=MORE_TRACKS, still_s=still)
    leases = {lease(path) for path in capture.files}
    if Lease.BUSY in leases:
        return Answer(settled=False, why=OPEN, still_s=still)
    if Lease.UNKNOWN in leases and still < _UNSURE_PERIODS * asked.quiet_s:
        return Answer(settled=False, why=UNSURE, still_s=still)
    return Answer(settled=True, why=lacks, still_s=still)


def _may_grow(headers: Mapping[Path, Layout | None], asked: Asked) -> bool:
    """Whether tracks may follow: not to multichannel files, nor beyond the sheet's count."""
    channels = [0 if layout is None else layout.channels for layout in headers.values()]
    return max(channels) <= 2 and (asked.channels is None or sum(channels) < asked.channels)


def _lacks(capture: Capture, headers: Mapping[Path, Layout | None], asked: Asked) -> str | None:
    """The first thing that is not complete."""
    for path, layout in headers.items():
        which = f"{shown(path.name)}: " if capture.is_set else ""
        if layout is None:
            return f"{which}its header cannot be read"
        if any(finding.kind == "unreadable" for finding in layout.findings):
            known = layout.kind != "other"
            what = "its header cannot be read" if known else "it has no header of an audio file"
            return f"{which}{what}"
        if not layout.complete:
            return f"{which}its header and its length say that it is not finished"
    layouts = [(path, layout) for path, layout in headers.items() if layout is not None]
    if capture.is_set:
        wrong = judge(capture, layouts, channels=asked.channels)
        return wrong[0].text.removesuffix(".") if wrong else None  # more is said after it
    found = layouts[0][1].channels
    if asked.joined is not None and asked.channels is not None and found < asked.channels:
        are = "is" if found == 1 else "are"
        return f"{found} of the {asked.channels} tracks that the sheet asks for {are} there"
    return None
