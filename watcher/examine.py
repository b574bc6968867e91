"""One capture through all checks: bytes read once, samples once, then the report.

What can go wrong on the way is parted into what it is: a finding about the capture, a capture
that could not be read (``unread``, with the cause), or a fault of ours (``not-run``).
"""

from __future__ import annotations

import base64
import contextlib
import dataclasses
import os
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from checks import checksum
from checks.block import BLOCK_FRAMES, LEAD_FRAMES, Block, Workspace
from checks.checksum import FileDigests, StoredDigest
from checks.container import Layout, parse
from checks.container import measures as container_line
from checks.measures import ContainerMeasures, Measures
from checks.model import CaptureFormat, Encoding, Finding, Outcome, Remedy, Verdict
from checks.registry import ORDER, Context
from checks.sample_pass import SamplePass
from watcher import __version__
from watcher.errors import UnreadError
from watcher.files import FdSource, Identity, open_capture, shown
from watcher.reader import ByteFeed, DecodedFeed, RawFeed, packed, sample_dtype
from watcher.record import baseline, carried_signoff, history
from watcher.report import (
    CaptureLine,
    Expected,
    FileLine,
    FindingLine,
    Made,
    Report,
)
from watcher.settings import Applied

Progress = Callable[[float], None]
"""Told a count of bytes worked through, out of the sizes of the files together."""

# Reading the bytes of a compressed file costs about a fifth of its check, decoding the rest.
_BYTES_SHARE: Final = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """What is checked as one: a file, or the files of a track set in track order."""

    name: str
    folder: Path
    files: tuple[Path, ...]
    set_findings: tuple[Finding, ...] = ()

    @classmethod
    def of_file(cls, path: Path) -> Capture:
        return cls(name=path.name, folder=path.parent, files=(path,))

    @property
    def report_stem(self) -> Path:
        """The path whose name, with the report's suffix, is the sidecar's."""
        return self.folder / (self.name if len(self.files) == 1 else f"{self.name}.set")


@dataclass(slots=True)
class _Member:
    """One file while it is being read."""

    path: Path
    fd: int
    before: Identity
    modified: datetime
    digests: FileDigests = field(default_factory=FileDigests)
    layout: Layout | None = None
    data: ByteFeed | None = None
    feed: RawFeed | DecodedFeed | None = None
    fmt: CaptureFormat | None = None
    decoded_whole: bool = False


def examine(
    capture: Capture,
    applied: Applied,
    *,
    earlier: Report | None = None,
    progress: Progress | None = None,
    give_back: bool = False,
) -> Report:
    """Check one capture.

    Args:
        capture: the files.
        applied: sheet and limits as they apply to it.
        earlier: its former report, whose digests this one is held against.
        progress: told the work done, in bytes.
        give_back: hand read pages back to the system, for a server that records meanwhile.

    Returns:
        The report. Never raises for anything in or about the files.
    """
    run = _Run(capture, applied, progress, give_back=give_back)
    began = time.monotonic()
    with contextlib.ExitStack() as stack:
        run.open_all(stack)
        run.read_all(stack)
        run.look_again()
    return run.report(earlier, time.monotonic() - began)


class _Run:
    def __init__(
        self, capture: Capture, applied: Applied, progress: Progress | None, *, give_back: bool
    ) -> None:
        self.capture = capture
        self.applied = applied
        self.members: list[_Member] = []
        self.unread: list[Finding] = []
        self.changed = False
        self.outcomes: dict[str, Outcome] = {}
        self.fmt: CaptureFormat | None = None
        self.frames: int | None = None
        self._progress = progress
        self._give_back = give_back

    # -- opening -----------------------------------------------------------------------------

    def open_all(self, stack: contextlib.ExitStack) -> None:
        for path in self.capture.files:
            try:
                fd = stack.enter_context(open_capture(path))
                st = os.fstat(fd)
                member = _Member(
                    path=path,
                    fd=fd,
                    before=Identity.of(st),
                    modified=datetime.fromtimestamp(st.st_mtime, UTC),
                )
                self.members.append(member)
                member.layout = parse(
                    FdSource(fd), self.applied.limits.container, modified=member.modified
                )
            except UnreadError as error:
                self._not_read(path, error)
            except OSError as error:
                self._not_read(path, UnreadError(f"storage error: {error.strerror or error}"))

    def _not_read(self, path: Path, error: UnreadError, *, at_frame: int | None = None) -> None:
        self.unread.append(
            Finding(
                check="container",
                kind=error.kind,
                verdict=Verdict.UNREAD,
                remedy=Remedy.NONE if error.kind != "unreadable" else Remedy.RECOPY,
                text=f"{shown(path.name)} {error}.",
                start_frame=at_frame,
                frames=None if at_frame is None else 0,
                values={"file": shown(path.name), "at_byte": error.at_byte},
            )
        )

    # -- reading -----------------------------------------------------------------------------

    def read_all(self, stack: contextlib.ExitStack) -> None:
        hasher = stack.enter_context(ThreadPoolExecutor(1, "digests"))
        for member in self.members:
            if member.layout is None:
                continue
            try:
                self._prepare(member, member.layout, hasher, stack)
            except UnreadError as error:
                self._not_read(member.path, error)
        ready = [m for m in self.members if m.feed is not None and m.fmt is not None]
        if ready:
            self._analyse(ready)
        for member in self.members:
            if member.data is not None:
                try:
                    member.data.finish()
                except UnreadError as error:
                    member.data = None
                    self._not_read(member.path, error)

    def _prepare(
        self,
        member: _Member,
        layout: Layout,
        hasher: ThreadPoolExecutor,
        stack: contextlib.ExitStack,
    ) -> None:
        """Open the way from the bytes of a file to its samples, as far as there is one."""
        raw = layout.raw and layout.audio_offset is not None and layout.block_align > 0
        member.digests = FileDigests(
            audio=(layout.audio_offset or 0, layout.audio_bytes) if raw else None,
            payload_md5=_payload(layout) if layout.md5_chunk is not None else None,
            decoded_md5=layout.md5 is not None,
        )
        share = 1.0 if raw else _BYTES_SHARE
        tell = None
        if self._progress is not None:
            told = self._progress

            def tell(count: int) -> None:
                told(count * share)

        data = ByteFeed(
            member.fd, member.before.size, member.digests, hasher, tell, give_back=self._give_back
        )
        if raw:
            member.feed = RawFeed(layout, data)
            member.fmt = CaptureFormat(
                rate_hz=max(layout.rate_hz, 1),
                channels=layout.channels,
                word_length=layout.word_length,
                floating=layout.encoding is Encoding.FLOAT,
                frames=layout.audio_bytes // layout.block_align,
                container_bits=8 * layout.sample_bytes,
            )
            member.data = data
            return
        data.finish()
        member.data = data
        if any(f.kind in ("unreadable", "unsupported") for f in layout.findings):
            return
        decoder = DecodedFeed(member.fd)
        stack.callback(decoder.close)
        member.feed = decoder
        known = layout.found_frames if layout.found_frames is not None else None
        member.fmt = CaptureFormat(
            rate_hz=max(layout.rate_hz or decoder.rate_hz, 1),
            channels=decoder.channels,
            word_length=layout.word_length or decoder.word_length,
            floating=decoder.floating,
            frames=known,
        )

    def _analyse(self, ready: Sequence[_Member]) -> None:
        """Read the samples of all members in step and show them to the checks."""
        first = ready[0].fmt
        assert first is not None
        formats = [m.fmt for m in ready if m.fmt is not None]
        known = [f.frames for f in formats if f.frames is not None]
        fmt = dataclasses.replace(
            first,
            channels=sum(f.channels for f in formats),
            frames=min(known) if len(known) == len(formats) else None,
        )
        self.fmt = fmt
        context = Context(
            fmt=fmt,
            sheet=self.applied.sheet,
            limits=self.applied.limits,
            container=ready[0].layout.kind if ready[0].layout else None,
        )
        sample_pass = SamplePass(context)
        self.frames = self._read_samples(ready, fmt, sample_pass)
        self.outcomes = sample_pass.finish()

    def _read_samples(
        self, ready: Sequence[_Member], fmt: CaptureFormat, sample_pass: SamplePass
    ) -> int:
        dtype = _dtype(ready[0])
        held = np.zeros((fmt.channels, LEAD_FRAMES + BLOCK_FRAMES), dtype)
        work = Workspace()
        start = 0
        while True:
            got = BLOCK_FRAMES
            row = 0
            for member in ready:
                assert member.feed is not None
                assert member.fmt is not None
                rows = held[row : row + member.fmt.channels, LEAD_FRAMES:]
                row += member.fmt.channels
                try:
                    count = member.feed.read_into(rows)
                except UnreadError as error:
                    self._not_read(member.path, error, at_frame=start)
                    return start
                if isinstance(member.feed, DecodedFeed):
                    self._decoded(member, member.feed, rows[:, :count])
                got = min(got, count)
            if got:
                lead = LEAD_FRAMES if start else 0
                view = held[:, LEAD_FRAMES - lead : LEAD_FRAMES + got]
                sample_pass.feed_block(Block(view, start=start, lead=lead, fmt=fmt, work=work))
                start += got
            if got < BLOCK_FRAMES:
                break
            held[:, :LEAD_FRAMES] = held[:, -LEAD_FRAMES:]
        for member in ready:
            self._all_decoded(member, start)
        return start

    def _decoded(
        self, member: _Member, decoder: DecodedFeed, samples: np.ndarray[Any, Any]
    ) -> None:
        if samples.shape[1]:
            member.digests.update_audio(packed(samples, decoder.word_length))
        if self._progress is not None and member.fmt is not None:
            total = member.fmt.frames or decoder.frames_promised or 1
            part = min(samples.shape[1] / total, 1.0)
            self._progress((1 - _BYTES_SHARE) * member.before.size * part)

    def _all_decoded(self, member: _Member, frames: int) -> None:
        """Every frame that the container holds must have come out of the decoder."""
        if not isinstance(member.feed, DecodedFeed) or member.layout is None:
            return
        there = member.layout.found_frames
        if there is not None and frames < there:
            self._not_read(
                member.path,
                UnreadError(f"holds {there} frames, but the decoder gave {frames}"),
                at_frame=frames,
            )
        member.decoded_whole = there is None or frames == there

    # -- afterwards --------------------------------------------------------------------------

    def look_again(self) -> None:
        """Whether each file is still the one that was opened, and as it was."""
        for member in self.members:
            try:
                same = (
                    Identity.of(os.fstat(member.fd)) == member.before
                    and Identity.of(os.stat(member.path, follow_symlinks=False)) == member.before
                )
            except OSError:
                same = False
            if not same:
                self.changed = True
                self._not_read(
                    member.path,
                    UnreadError(
                        "was changed or replaced while it was read; check it again",
                        kind="changed-while-read",
                    ),
                )

    def _digests_stand(self, member: _Member) -> bool:
        return (
            not self.changed
            and member.data is not None
            and member.digests.bytes_seen == member.before.size
        )

    # -- the report --------------------------------------------------------------------------

    def _stored(self) -> list[StoredDigest]:
        stored = []
        for member in self.members:
            layout = member.layout
            if layout is None or not self._digests_stand(member):
                continue
            if layout.md5 is not None:
                found = member.digests.md5 if member.decoded_whole else None
                stored.append(StoredDigest(kind="flac-md5", expected=layout.md5, found=found))
            if layout.md5_chunk is not None:
                stored.append(
                    StoredDigest(
                        kind="md5-chunk", expected=layout.md5_chunk, found=member.digests.md5
                    )
                )
        return stored

    def report(self, earlier: Report | None, took_s: float) -> Report:
        files = [self._file_line(path) for path in self.capture.files]
        compared = [
            checksum.Compared(
                name=shown(line.name),
                sha256=line.sha256,
                audio_sha256=line.audio_sha256,
                crc32_mib=line.crc32_mib or "",
                bytes=line.bytes or 0,
                record=baseline(earlier, line.name),
            )
            for line in files
            if line.sha256 is not None
        ]
        self.outcomes["checksum"] = checksum.judge(
            compared,
            self._stored(),
            stored_expected=self.applied.sheet.expect.stored_digest,
        )
        layouts = [(m, m.layout) for m in self.members if m.layout is not None]
        own = [f for _, layout in layouts for f in layout.findings]
        lines = tuple(container_line(layout) for _, layout in layouts)
        self.outcomes["container"] = Outcome(
            findings=(*self.unread, *own, *self.capture.set_findings),
            measures=ContainerMeasures(files=lines),
        )
        rate = self.fmt.rate_hz if self.fmt else (layouts[0][1].rate_hz if layouts else None)
        findings = sorted(
            (f for outcome in self.outcomes.values() for f in outcome.findings),
            key=lambda f: ORDER.index(f.check),
        )
        verdict = Verdict.worst(f.verdict for f in findings)
        now = datetime.now().astimezone().isoformat(timespec="seconds")
        finding_lines = tuple(FindingLine.of(f, rate) for f in findings)
        signoff = carried_signoff(earlier, files, finding_lines)
        return Report(
            capture=self._capture_line(files, rate),
            expected=Expected(values=self.applied.values, sources=self.applied.sources),
            verdict=verdict,
            findings=finding_lines,
            measures=Measures(
                **{name: outcome.measures for name, outcome in self.outcomes.items()}
            ),
            earlier=history(earlier, files, signoff),
            signoff=signoff,
            made=Made(
                by=f"reelvigil {__version__}",
                at=now,
                took_s=round(took_s, 3),
                settings=self.applied.digest,
            ),
        )

    def _file_line(self, path: Path) -> FileLine:
        member = next((m for m in self.members if m.path == path), None)
        name, name_b64 = readable(path.name)
        if member is None:
            return FileLine(
                name=name,
                name_b64=name_b64,
                bytes=None,
                modified=None,
                container=None,
                sha256=None,
                audio_sha256=None,
                crc32_mib=None,
            )
        stand = self._digests_stand(member)
        audio_stands = stand and (not isinstance(member.feed, DecodedFeed) or member.decoded_whole)
        return FileLine(
            name=name,
            name_b64=name_b64,
            bytes=member.before.size,
            modified=member.modified.isoformat(timespec="microseconds"),
            container=member.layout.kind if member.layout else None,
            sha256=member.digests.sha256 if stand else None,
            audio_sha256=member.digests.audio_sha256 if audio_stands else None,
            crc32_mib=member.digests.crc32_mib if stand else None,
        )

    def _capture_line(self, files: Sequence[FileLine], rate: int | None) -> CaptureLine:
        name, name_b64 = readable(self.capture.name)
        folder, folder_b64 = readable(str(self.capture.folder))
        layout = next((m.layout for m in self.members if m.layout is not None), None)
        channels = self.fmt.channels if self.fmt else (layout.channels if layout else None)
        frames = self.frames
        return CaptureLine(
            name=name,
            name_b64=name_b64,
            folder=folder,
            folder_b64=folder_b64,
            files=tuple(files),
            rate_hz=rate or None,
            channels=channels or None,
            word_length=(self.fmt.word_length if self.fmt else layout.word_length if layout else 0)
            or None,
            encoding=layout.encoding.value if layout else None,
            frames=frames,
            duration_s=round(frames / rate, 6) if frames is not None and rate else None,
            tracks=tuple(self.applied.sheet.track_name(i) for i in range(channels or 0)),
        )


def _dtype(member: _Member) -> np.dtype[Any]:
    if isinstance(member.feed, DecodedFeed):
        return member.feed.dtype
    assert member.layout is not None
    return sample_dtype(member.layout)


def _payload(layout: Layout) -> tuple[int, int]:
    """Where the data payload lies, a last partial frame included."""
    start = layout.audio_offset or 0
    there = [c.bytes for c in layout.chunks if c.id == "data"]
    return start, max([layout.audio_bytes, *there[:1]])


def readable(name: str) -> tuple[str, str | None]:
    """A name as JSON holds it, and its exact bytes in base64 where it is not UTF-8."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return shown(name), base64.b64encode(os.fsencode(name)).decode("ascii")
    return name, None
