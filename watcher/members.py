"""The files of a capture while they are being read, and which of them are looked at together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from checks.checksum import FileDigests, UnreadList
from checks.container import Layout
from checks.model import CaptureFormat, Finding, Remedy, Verdict, clock
from watcher.files import Identity, shown
from watcher.reader import ByteFeed, RawFeed, sample_dtype
from watcher.sumfiles import SumLine

if TYPE_CHECKING:
    from watcher.decoder import DecodedFeed

_MOST_NAMED: Final = 4  # own choice: a line; the rest stands in the values
_REST_S: Final = 1.0
"""Up to here what a file holds more than its fellows asks to be listened to. Own choice: files of
one take that were stopped one by one; their lengths are told besides."""


_OF_THE_END: Final = ("truncated", "unfinalised", "empty", "size-mismatch")


@dataclass(slots=True, eq=False)
class Member:
    """One file while it is being read.

    Attributes:
        decoder: its feed, where it is decoded.
        grown_bytes: by how much it grew meanwhile.
    """

    path: Path
    fd: int
    before: Identity
    ctime_ns: int
    modified: datetime | None
    digests: FileDigests = field(default_factory=FileDigests)
    layout: Layout | None = None
    data: ByteFeed | None = None
    feed: RawFeed | DecodedFeed | None = None
    decoder: DecodedFeed | None = None
    fmt: CaptureFormat | None = None
    decoded_whole: bool = False
    grown_bytes: int = 0
    listed: Sequence[tuple[str, SumLine]] = ()
    unread_lists: Sequence[UnreadList] = ()

    @property
    def frames(self) -> int | None:
        """How many it holds; None where only decoding will tell."""
        return None if self.fmt is None else self.fmt.frames

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of the samples that come out of it."""
        if self.decoder is not None:
            return self.decoder.dtype
        assert self.layout is not None
        return sample_dtype(self.layout)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What its container shows. That one which still grows has no end yet is no fault."""
        found = () if self.layout is None else self.layout.findings
        return tuple(map(self._growing, found)) if self.grown_bytes else found

    def _growing(self, finding: Finding) -> Finding:
        if finding.kind not in _OF_THE_END:
            return finding
        return replace(
            finding,
            verdict=Verdict.CLEAR,
            remedy=Remedy.NONE,
            text=f"{self.before.size:,} bytes were there when the file was opened, and it is still "
            "growing: that its header and its end do not fit yet says nothing.",
        )


def common_dtype(members: Sequence[Member]) -> np.dtype[Any]:
    """Type of the samples of a set: the files' own, or float64 where they differ."""
    kinds = {member.dtype for member in members}
    return kinds.pop() if len(kinds) == 1 else np.dtype(np.float64)


def in_step(ready: Sequence[Member]) -> list[Member]:
    """Those of the files that are looked at together: as much of all tracks as can be.

    The checks look at all tracks of a moment at once. So none of another sampling rate is among
    them, and none that holds a small part of the others, cut short by a copy: the shortest file
    ends the look at all.
    """
    usual, _ = Counter(_rate(m) for m in ready).most_common(1)[0]
    ready = [m for m in ready if _rate(m) == usual]

    def seen_until(end: int) -> int:
        return end * sum(m.fmt.channels for m in ready if m.fmt and (m.frames or 0) >= end)

    ends = {m.frames for m in ready if m.frames is not None}
    end = max(ends, key=lambda end: (seen_until(end), end), default=0)
    return [m for m in ready if m.frames is None or m.frames >= end]


def _rate(member: Member) -> int:
    return 0 if member.fmt is None else member.fmt.rate_hz


def not_looked_at(ready: Sequence[Member], seen: Sequence[Member], frames: int) -> list[Finding]:
    """What the files of a set hold and no check has seen.

    Args:
        seen: those that were looked at together, over so many ``frames``.
    """
    rate_hz = _rate(seen[0])
    other = [m for m in ready if _rate(m) != rate_hz]
    short = [m for m in ready if m not in seen and m not in other]
    beyond = [m for m in seen if m.frames is not None and m.frames > frames]
    findings = []
    if other:
        text = (
            f"{_names(other)} not looked at: the sampling rate is another than that of the "
            "files that were. Nothing is known of what is in there."
        )
        findings.append(_unseen(other, text, Remedy.NONE, 0))
    if short:
        text = (
            f"{_names(short)} not looked at: so much shorter than the other files of the set that "
            "the look at those would have been cut short. Fetch what is not whole again from where "
            "it was recorded; then all is looked at."
        )
        findings.append(_unseen(short, text, Remedy.RECOPY, 0))
    if beyond and len(seen) > 1:
        text = (
            f"{_names(beyond)} not looked at beyond {clock(frames, rate_hz)}, where another file "
            "of the set ends or could not be read on: nothing is known of the rest"
        )
        longest = max(m.frames or 0 for m in beyond) - frames
        if longest <= _REST_S * rate_hz:
            text += f", {longest:,} frame{'s' if longest > 1 else ''}; listen."
            findings.append(_unseen(beyond, text, Remedy.LISTEN, frames, Verdict.LISTEN))
        else:
            findings.append(_unseen(beyond, f"{text}.", Remedy.NONE, frames))
    return findings


def _names(members: Sequence[Member]) -> str:
    told = ", ".join(shown(m.path.name) for m in members[:_MOST_NAMED])
    more = len(members) - _MOST_NAMED
    told += f" and {more} more" if more > 0 else ""
    return f"{told} {'was' if len(members) == 1 else 'were'}"


def _unseen(
    members: Sequence[Member],
    text: str,
    remedy: Remedy,
    frames: int,
    verdict: Verdict = Verdict.UNREAD,
) -> Finding:
    # no place in time: nothing is said of how the tracks that were looked at end
    return Finding(
        check="container",
        kind="not-looked-at",
        verdict=verdict,
        remedy=remedy,
        text=text,
        values={
            "files": [shown(m.path.name) for m in members[:64]],
            "count": len(members),
            "frames_looked_at": frames,
        },
    )
