"""Where an altered file differs from its record: which mebibytes, which stretch of time."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from checks.block import BLOCK_FRAMES
from checks.checksum import MEBIBYTE, FileDigests, changed_mebibytes
from checks.container import parse
from checks.measures import ContainerFileLine
from checks.model import clock
from watcher.errors import UnreadError
from watcher.files import FdSource, open_capture
from watcher.reader import DecodedFeed, packed
from watcher.report import FileLine, Report, ReportError, from_json
from watcher.truths import Truth, exact_name

_PIECE = 4 << 20


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
    grown = st.st_size - sizes[0] if sizes else None
    unannounced = (
        grown == 0 and any(same_time(date, st.st_mtime_ns) for date in dates)
        if sizes and dates
        else None
    )
    recorded = _recorded(path, wrong)
    if recorded is None:
        return Difference(_sentence(None, grown, unannounced, (), 0, ()), None, grown, unannounced)
    report, line, container = recorded
    digests = _read_again(path)
    same = (
        digests.audio_sha256 == line.audio_sha256
        if line.audio_sha256 is not None and digests.audio_sha256 is not None
        else None
    )
    changed = (
        changed_mebibytes(line.crc32_mib, digests.crc32_mib) if line.crc32_mib is not None else []
    )
    stretches = tuple(_stretches(changed, container, report, st.st_size))
    tracks = _tracks(report, line)
    text = _sentence(same, grown, unannounced, stretches, report.capture.rate_hz or 0, tracks)
    return Difference(text, same, grown, unannounced, stretches, len(changed), tracks)


def same_time(recorded: str, mtime_ns: int) -> bool:
    """Whether a file's time is the recorded one (reports hold microseconds)."""
    now = datetime.fromtimestamp(mtime_ns // 1_000 / 1e6, UTC)
    return abs((datetime.fromisoformat(recorded) - now).total_seconds()) < 2e-6


def _recorded(
    path: bytes, wrong: Sequence[Truth]
) -> tuple[Report, FileLine, ContainerFileLine | None] | None:
    """The report that holds the mebibytes of a file, its line, and where its audio lay."""
    for truth in wrong:
        if truth.sidecar is None:
            continue
        try:
            report = from_json(Path(os.fsdecode(truth.sidecar)).read_bytes())
        except (OSError, ReportError):
            continue
        for index, line in enumerate(report.capture.files):
            name = exact_name({"name": line.name, "name_b64": line.name_b64})
            if name == os.path.basename(path):
                files = report.measures.container.files if report.measures.container else ()
                return report, line, files[index] if index < len(files) else None
    return None


def _read_again(path: bytes) -> FileDigests:
    """Checksums of every mebibyte as they are now, and the digest of the audio as it lies now."""
    digests = FileDigests()
    try:
        with open_capture(Path(os.fsdecode(path))) as fd:
            source = FdSource(fd)
            layout = parse(source, deep=False)
            raw = layout.raw and layout.audio_offset is not None
            if raw:
                digests = FileDigests(audio=(layout.audio_offset or 0, layout.audio_bytes))
            for at in range(0, source.size, _PIECE):
                digests.update(memoryview(source.read_at(at, _PIECE)))
            if not raw:
                _decode(fd, digests)
    except (UnreadError, OSError):
        pass  # what could be read is told
    return digests


def _decode(fd: int, digests: FileDigests) -> None:
    decoder = DecodedFeed(fd)
    try:
        buffer = np.empty((decoder.channels, BLOCK_FRAMES), decoder.dtype)
        while got := decoder.read_into(buffer):
            digests.update_audio(packed(buffer[:, :got], decoder.word_length))
    finally:
        decoder.close()


def _stretches(
    changed: Sequence[int], container: ContainerFileLine | None, report: Report, size: int
) -> list[Stretch]:
    """Neighbouring mebibytes together, with the time of the audio they hold."""
    groups: list[list[int]] = []
    for number in changed:
        if groups and number == groups[-1][1] + 1:
            groups[-1][1] = number
        else:
            groups.append([number, number])
    return [_stretch(first, last, container, report) for first, last in groups[:64]]


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


def _sentence(
    same: bool | None,
    grown: int | None,
    unannounced: bool | None,
    stretches: Sequence[Stretch],
    rate_hz: int,
    tracks: Sequence[str],
) -> str:
    what = {
        True: "Metadata only: the audio is as recorded, the rest of the file changed.",
        False: "The audio differs from its record.",
        None: "The content differs from its record.",
    }[same]
    parts = [what]
    if grown:
        parts.append(f"It is {abs(grown)} bytes {'longer' if grown > 0 else 'shorter'}.")
    timed = [s for s in stretches if s.from_s is not None and s.to_s is not None]
    if timed and same is not True:
        told = []
        for stretch in timed[:8]:
            assert stretch.from_s is not None
            assert stretch.to_s is not None
            a, b = (clock(round(s * 1000), 1000) for s in (stretch.from_s, stretch.to_s))
            told.append(f"{'about ' if stretch.approximate else ''}{a} to {b}")
        more = f" and {len(timed) - 8} more stretches" if len(timed) > 8 else ""
        on = f" on {', '.join(tracks)}" if tracks else ""
        parts.append(f"Within {', '.join(told)}{more}{on}.")
    elif stretches:
        numbers = ", ".join(
            f"{s.first_mebibyte}"
            if s.first_mebibyte == s.last_mebibyte
            else f"{s.first_mebibyte}-{s.last_mebibyte}"
            for s in stretches[:8]
        )
        parts.append(f"In mebibyte {numbers} of the file.")
    if unannounced:
        parts.append("Its size and date pretend that nothing happened.")
    return " ".join(parts)
