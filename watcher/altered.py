"""Where an altered file differs from its record: which mebibytes, which stretch of time."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from checks.block import BLOCK_FRAMES
from checks.checksum import MEBIBYTE, FileDigests, Record, changed_mebibytes
from checks.container import parse
from checks.measures import ContainerFileLine
from checks.model import clock
from watcher.errors import UnreadError
from watcher.files import FdSource, open_capture
from watcher.reader import packed
from watcher.record import baseline, set_aside
from watcher.recorded import name_of
from watcher.report import FileLine, Report, ReportError, from_json
from watcher.truths import Truth, composed

_UNDECODABLE = "undecodable"
_NOWHERE = "Only a digest of the whole file is recorded: where it differs cannot be said."
_PIECE = 4 << 20
_LISTED = 64  # stretches in the result
_TOLD = 8  # of them in the sentence


@dataclass(frozen=True, slots=True)
class Stretch:
    """Mebibytes that follow each other, and the audio in them.

    ``approximate``: compressed audio, where bytes give only about the time.
    """

    first_mebibyte: int
    last_mebibyte: int
    from_s: float | None = None
    to_s: float | None = None
    approximate: bool = False


@dataclass(frozen=True, slots=True)
class Difference:
    """How a file differs from its record.

    Attributes:
        audio_same: the audio is as recorded (only the rest differs); None where nobody can say.
        grown: bytes more (or, negative, fewer) than recorded; None where no size is recorded.
        unannounced: size and date pretend that nothing happened.
        tracks: names of the tracks that the file holds within its capture.
    """

    text: str
    audio_same: bool | None = None
    grown: int | None = None
    unannounced: bool | None = None
    stretches: tuple[Stretch, ...] = ()
    count: int = 0
    tracks: tuple[str, ...] = ()


def locate(path: bytes, wrong: Sequence[Truth]) -> Difference:
    """Everything that the records a file differs from allow to say of it."""
    st = os.stat(path, follow_symlinks=False)
    sizes = [truth.size for truth in wrong if truth.size is not None]
    dates = [truth.modified for truth in wrong if truth.modified is not None]
    found = _recorded(path, wrong)
    if found is not None and found[1].sha256 == found[2].sha256:  # the line is of that content
        sizes += [found[1].bytes] if found[1].bytes is not None else []
        dates += [found[1].modified] if found[1].modified is not None else []
    grown = st.st_size - sizes[0] if sizes else None
    unannounced = (
        grown == 0 and any(same_time(date, st.st_mtime_ns) for date in dates)
        if sizes and dates
        else None
    )
    if found is None:
        text = _sentence(None, _length(grown, ""), _NOWHERE, unannounced)
        return Difference(text, None, grown, unannounced)
    report, line, record, container = found
    digests = _read_again(path, container, record.audio_sha256)
    same = (
        record.audio_sha256 in digests.audio
        if record.audio_sha256 is not None and digests.audio
        else None
    )
    changed = changed_mebibytes(record.crc32_mib, digests.crc32_mib) if record.crc32_mib else []
    stretches = tuple(_stretches(changed, container, report, timed=same is not True))
    tracks = _tracks(report, line)
    ends = _ends(st.st_size, container, report) if grown is not None and grown < 0 else ""
    places = _places(stretches, tracks) if record.crc32_mib else _NOWHERE
    text = _sentence(same, _length(grown, ends), places, unannounced)
    return Difference(text, same, grown, unannounced, stretches, len(changed), tracks)


def same_time(recorded: str, mtime_ns: int) -> bool:
    """Whether a file's time is the recorded one (reports hold microseconds).

    A time that cannot be read, or tells no offset from UTC, is not the same.
    """
    try:
        now = datetime.fromtimestamp(mtime_ns // 1_000 / 1e6, UTC)
        return abs((datetime.fromisoformat(recorded) - now).total_seconds()) < 2e-6
    except (ValueError, TypeError, OverflowError, OSError):
        return False


def _recorded(
    path: bytes, wrong: Sequence[Truth]
) -> tuple[Report, FileLine, Record, ContainerFileLine | None] | None:
    """The report of a file, its line there, the record that counts, and where its audio lay."""
    for truth in wrong:
        if truth.sidecar is None:
            continue
        try:
            report = from_json(Path(os.fsdecode(truth.sidecar)).read_bytes())
        except (OSError, ReportError):
            continue
        for index, line in enumerate(report.capture.files):
            name = name_of(line)
            if composed(name) == composed(os.path.basename(path)):
                files = report.measures.container.files if report.measures.container else ()
                record = baseline(report, line.name)
                if record is None and (aside := set_aside(report, line.name)) is not None:
                    record = aside[0]
                if record is None or record.sha256 != truth.digest.hex():
                    continue  # that report is about another content than this record
                known = len(files) == len(report.capture.files)  # else one could not be walked
                return report, line, record, files[index] if known else None
    return None


@dataclass(slots=True)
class _Now:
    """What a file holds now: checksums of its mebibytes, digests of what may be its audio."""

    crc32_mib: str = ""
    audio: set[str] = field(default_factory=set)


def _read_again(path: bytes, container: ContainerFileLine | None, wanted: str | None) -> _Now:
    """Read a file with its layout as it is now; where that is not the audio, as it was recorded.

    A header that was hit may say wrongly where the audio lies; the audio is as recorded all the
    same.
    """
    now = _Now()
    try:
        with open_capture(Path(os.fsdecode(path))) as fd:
            source = FdSource(fd)
            layout = parse(source, deep=False)
            raw = layout.raw and layout.audio_offset is not None
            span = (layout.audio_offset or 0, layout.audio_bytes) if raw else None
            digests = _whole(source, span)
            now.crc32_mib = digests.crc32_mib
            if digests.audio_sha256 is not None:
                now.audio.add(digests.audio_sha256)
            then = (container.audio_offset, container.audio_bytes) if container else (None, None)
            if wanted not in now.audio and then != span and then[0] and then[1]:
                again = _whole(source, (then[0], then[1])).audio_sha256
                if again is not None and again == wanted:
                    now.audio.add(again)
            if not raw:
                now.audio.add(_UNDECODABLE)  # unless it comes to its end
                _decode(fd, digests)
                now.audio.discard(_UNDECODABLE)
                if digests.audio_sha256 is not None:
                    now.audio.add(digests.audio_sha256)
    except (UnreadError, OSError):
        pass  # what could be read is told
    return now


def _whole(source: FdSource, audio: tuple[int, int] | None) -> FileDigests:
    digests = FileDigests(audio=audio)
    for at in range(0, source.size, _PIECE):
        digests.update(memoryview(source.read_at(at, _PIECE)))
    return digests


def _decode(fd: int, digests: FileDigests) -> None:
    from watcher.decoder import DecodedFeed  # see there why not above

    decoder = DecodedFeed(fd)
    try:
        buffer = np.empty((decoder.channels, BLOCK_FRAMES), decoder.dtype)
        while got := decoder.read_into(buffer):
            digests.update_audio(packed(buffer[:, :got], decoder.word_length))
    finally:
        decoder.close()


def _stretches(
    changed: Sequence[int], container: ContainerFileLine | None, report: Report, *, timed: bool
) -> list[Stretch]:
    """Neighbouring mebibytes together, with the time of the audio they hold."""
    groups: list[list[int]] = []
    for number in changed:
        if groups and number == groups[-1][1] + 1:
            groups[-1][1] = number
        else:
            groups.append([number, number])
    place = _stretch if timed else lambda first, last, *_: Stretch(first, last)
    return [place(first, last, container, report) for first, last in groups[:_LISTED]]


def _stretch(first: int, last: int, container: ContainerFileLine | None, report: Report) -> Stretch:
    rate, frames = report.capture.rate_hz, report.capture.frames
    if container is None or not container.audio_bytes or not rate or not frames:
        return Stretch(first, last)
    begin = first * MEBIBYTE - (container.audio_offset or 0)
    end = (last + 1) * MEBIBYTE - (container.audio_offset or 0)
    if end <= 0 or begin >= container.audio_bytes:
        return Stretch(first, last)  # in front of the audio, or behind it
    per_frame = container.audio_bytes / frames
    from_frame = max(begin, 0) / per_frame
    to_frame = min(end, container.audio_bytes) / per_frame
    approximate = report.capture.encoding not in ("pcm", "float")
    return Stretch(first, last, from_frame / rate, to_frame / rate, approximate)


def _tracks(report: Report, line: FileLine) -> tuple[str, ...]:
    """The tracks of one file of a track set."""
    files, tracks = report.capture.files, report.capture.tracks
    if len(files) < 2 or not tracks or len(tracks) % len(files):
        return ()
    each = len(tracks) // len(files)
    at = files.index(line) * each
    return tracks[at : at + each]


def _ends(size: int, container: ContainerFileLine | None, report: Report) -> str:
    """Where the audio of a raw file that became shorter now ends."""
    rate, frames = report.capture.rate_hz, report.capture.frames
    if container is None or not container.audio_bytes or not rate or not frames:
        return ""
    there = size - (container.audio_offset or 0)
    if report.capture.encoding not in ("pcm", "float") or there >= container.audio_bytes:
        return ""
    left = max(there, 0) * frames // container.audio_bytes
    return f", and ends at {clock(left, rate)} of {clock(frames, rate)}"


def _length(grown: int | None, ends: str) -> str:
    if not grown:
        return ""
    by = "1 byte" if abs(grown) == 1 else f"{abs(grown)} bytes"
    return f"It has grown by {by}." if grown > 0 else f"It is cut short by {by}{ends}."


def _sentence(same: bool | None, length: str, places: str, unannounced: bool | None) -> str:
    what = {
        True: "Metadata only: the audio is as recorded, the rest of the file changed.",
        False: "The audio differs from its record.",
        None: "The content differs from its record.",
    }[same]
    parts = [what, length, places]
    if unannounced:
        parts.append("Its size and date pretend that nothing happened.")
    return " ".join(part for part in parts if part)


def _places(stretches: Sequence[Stretch], tracks: Sequence[str]) -> str:
    """Mebibytes from 0, and the time of the audio in each stretch of them."""
    if not stretches:
        return ""
    told = []
    for stretch in stretches[:_TOLD]:
        one = stretch.first_mebibyte == stretch.last_mebibyte
        told.append(
            f"{stretch.first_mebibyte}"
            if one
            else f"{stretch.first_mebibyte}-{stretch.last_mebibyte}"
        )
        if stretch.from_s is not None and stretch.to_s is not None:
            first, last = math.floor(1000 * stretch.from_s), math.ceil(1000 * stretch.to_s)
            about = "about " if stretch.approximate else ""
            told[-1] += f" ({about}{clock(first, 1000)} to {clock(last, 1000)})"
    if len(stretches) > _TOLD:
        told.append("and more")
    on = f", on {', '.join(tracks)}" if tracks else ""
    several = len(stretches) > 1 or stretches[0].first_mebibyte < stretches[0].last_mebibyte
    return f"In mebibyte{'s' if several else ''} {', '.join(told)} of the file, counted from 0{on}."
