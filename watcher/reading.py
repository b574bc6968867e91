"""Reading a capture through: bytes to the digests, samples to the checks, each once.

What can go wrong on the way is parted into what it is: a finding about the capture, a capture
that could not be read (``unread``, with the cause), or a fault of ours (``not-run``).
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
from collections.abc import Callable, Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from checks.block import BLOCK_FRAMES, Workspace
from checks.checksum import FileDigests, StoredDigest, UnreadList
from checks.container import Layout, parse
from checks.model import CaptureFormat, Encoding, Finding, Outcome, Remedy, Verdict
from checks.registry import CHECKS, Context
from watcher.errors import UnreadError
from watcher.fellows import lone_number
from watcher.files import FdSource, Identity, modified, open_capture, shown
from watcher.lane import Lane
from watcher.members import Member, common_dtype, in_step, not_looked_at
from watcher.partner import Partner
from watcher.reader import ByteFeed, RawFeed, packed
from watcher.settings import Applied
from watcher.sums_beside import listed
from watcher.thread import Threads
from watcher.tracksets import Capture, judge, judge_lone, row_numbers, tracks_in_rows

if TYPE_CHECKING:
    from watcher.decoder import DecodedFeed

Progress = Callable[[float], None]
"""Told a count of bytes worked through, out of the sizes of the files together."""

# Reading the bytes of a compressed file costs about a fifth of its check, decoding the rest.
_BYTES_SHARE: Final = 0.2


class Reading:
    """One capture being read. After ``read_all`` its fields hold all that came out of it."""

    def __init__(
        self,
        capture: Capture,
        applied: Applied,
        progress: Progress | None,
        *,
        give_back: bool,
        only: Collection[str] | None = None,
        partner: Partner | None = None,
    ) -> None:
        """``only``: names of the checks to show the samples to; None: all. ``partner``: a process
        that takes its share of them."""
        self.capture = capture
        self.applied = applied
        self.sheet = applied.sheet  # its tracks in the order of the rows read
        self.members: list[Member] = []
        self.unread: list[Finding] = []
        self.set_findings: list[Finding] = []
        self.changed = False
        self.outcomes: dict[str, Outcome] = {}
        self.fmt: CaptureFormat | None = None
        self.frames: int | None = None
        self._progress = progress
        self._give_back = give_back
        self._only = only
        self._partner = partner

    # -- opening -----------------------------------------------------------------------------

    def open_all(self, stack: contextlib.ExitStack) -> None:
        for path in self.capture.files:
            try:
                fd = stack.enter_context(open_capture(path))
                st = os.fstat(fd)
                member = Member(
                    path=path,
                    fd=fd,
                    before=Identity.of(st),
                    ctime_ns=st.st_ctime_ns,
                    modified=modified(st),
                )
                self.members.append(member)
                member.listed, member.unread_lists = listed(path)
                member.layout = parse(
                    FdSource(fd), self.applied.limits.container, modified=member.modified
                )
            except UnreadError as error:
                self._not_read(path, error)
            except OSError as error:
                self._not_read(
                    path,
                    UnreadError(f"could not be read: storage error: {error.strerror or error}"),
                )

    def _not_read(self, path: Path, error: UnreadError, *, at_frame: int | None = None) -> None:
        name = shown(path.name)
        text = f"{name} {error}."
        told = [f for f in self.unread if f.values.get("file") == name]
        changed = error.kind == "changed-while-read"
        if any(f.text == text or (changed and f.kind == error.kind) for f in told):
            return  # one reading fails for the samples, and then for the digests
        self.unread.append(
            Finding(
                check="container",
                kind=error.kind,
                verdict=Verdict.UNREAD,
                remedy=Remedy.NONE if error.kind != "unreadable" else Remedy.RECOPY,
                text=text,
                start_frame=at_frame,
                frames=None if at_frame is None else 0,
                values={"file": name, "at_byte": error.at_byte},
            )
        )

    def give_up(self, cause: str) -> None:
        """Nothing could be read, for a cause that lies outside the files."""
        for path in self.capture.files[:1]:
            self._not_read(path, UnreadError(f"could not be checked: {cause}"))

    # -- reading -----------------------------------------------------------------------------

    def read_all(self, stack: contextlib.ExitStack) -> None:
        hasher = stack.enter_context(Threads("digests"))
        for member in self.members:
            if member.layout is None:
                continue
            try:
                self._prepare(member, member.layout, hasher, stack)
            except UnreadError as error:
                self._not_read(member.path, error)
        layouts = [(m.path, m.layout) for m in self.members if m.layout is not None]
        asked = self.applied.sheet.tracks_asked
        self.set_findings = judge(self.capture, layouts, channels=asked)
        if not self.capture.is_set and layouts:
            path, layout = layouts[0]
            number = lone_number(path, self.applied.track_sets)
            if number is not None:
                self.set_findings = judge_lone(self.capture, number, layout, channels=asked)
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
        member: Member,
        layout: Layout,
        hasher: Threads,
        stack: contextlib.ExitStack,
    ) -> None:
        """Open the way from the bytes of a file to its samples, as far as there is one."""
        raw = layout.raw and layout.audio_offset is not None and layout.block_align > 0
        member.digests = FileDigests(
            audio=(layout.audio_offset or 0, layout.audio_bytes) if raw else None,
            payload_md5=_payload(layout) if layout.md5_chunk is not None else None,
            decoded_md5=layout.md5 is not None,
            also={line.algorithm for _, line in member.listed} - {"sha256"},
        )
        share = 1.0 if raw else _BYTES_SHARE
        tell = None
        if self._progress is not None:
            told = self._progress

            def tell(count: int) -> None:
                told(count * share)

        data = ByteFeed(
            member.fd,
            member.before.size,
            member.digests,
            hasher,
            tell,
            give_back=self._give_back,
            files=len(self.members),
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
        from watcher.decoder import DecodedFeed  # see there why not above

        decoder = DecodedFeed(member.fd)
        stack.callback(decoder.close)
        member.feed = member.decoder = decoder
        known = layout.found_frames if layout.found_frames is not None else None
        member.fmt = CaptureFormat(
            rate_hz=max(layout.rate_hz or decoder.rate_hz, 1),
            channels=decoder.channels,
            word_length=layout.word_length or decoder.word_length,
            floating=decoder.floating,
            frames=known,
            lossy=decoder.lossy,
        )

    def _analyse(self, ready: Sequence[Member]) -> None:
        """Read the samples of members in step and show them to the checks."""
        seen = in_step(ready)
        formats = [m.fmt for m in seen if m.fmt is not None]
        known = [f.frames for f in formats if f.frames is not None]
        fmt = dataclasses.replace(
            formats[0],
            channels=sum(f.channels for f in formats),
            floating=any(f.floating for f in formats),
            frames=min(known) if len(known) == len(formats) else None,
            lossy=next((f.lossy for f in formats if f.lossy), ""),
        )
        self.fmt = fmt
        if self.capture.is_set:
            number_of = dict(zip(self.capture.files, self.capture.track_numbers, strict=True))
            read = [number_of[m.path] for m in seen]
            numbers = row_numbers(read, [f.channels for f in formats])
            self.sheet = dataclasses.replace(self.sheet, tracks=tracks_in_rows(self.sheet, numbers))
        context = Context(
            fmt=fmt,
            sheet=self.sheet,
            limits=self.applied.limits,
            container=seen[0].layout.kind if seen[0].layout else None,
            ending=seen[0].path.suffix,
        )
        wanted = [c for c in CHECKS if self._only is None or c.name in self._only]
        with Lane(context, common_dtype(seen), wanted, self._partner) as lane:
            self.frames = self._read_samples(seen, lane)
            self.outcomes = lane.finish()
        self.unread += not_looked_at(ready, seen, self.frames)

    def _read_samples(self, ready: Sequence[Member], lane: Lane) -> int:
        work = Workspace()
        start = 0
        while True:
            buffer = lane.buffer()
            got = BLOCK_FRAMES
            row = 0
            for member in ready:
                assert member.feed is not None
                assert member.fmt is not None
                rows = buffer[row : row + member.fmt.channels]
                row += member.fmt.channels
                native = rows
                if member.dtype != buffer.dtype:
                    native = work.take("member", rows.shape, member.dtype)
                try:
                    count = member.feed.read_into(native)
                except UnreadError as error:
                    self._not_read(member.path, error, at_frame=start)
                    return start
                if member.decoder is not None:
                    self._decoded(member, member.decoder, native[:, :count])
                if native is not rows:
                    scale = 1.0 if member.fmt.floating else 2.0**-31
                    np.multiply(native, scale, out=rows)
                got = min(got, count)
            if got:
                lane.feed(got)
                start += got
            if got < BLOCK_FRAMES:
                break
        for member in ready:
            self._all_decoded(member, start)
        return start

    def _decoded(self, member: Member, decoder: DecodedFeed, samples: np.ndarray[Any, Any]) -> None:
        if samples.shape[1]:
            member.digests.update_audio(packed(samples, decoder.word_length))
        if self._progress is not None and member.fmt is not None:
            total = member.fmt.frames or decoder.frames_promised or 1
            part = min(samples.shape[1] / total, 1.0)
            self._progress((1 - _BYTES_SHARE) * member.before.size * part)

    def _all_decoded(self, member: Member, frames: int) -> None:
        """Every frame that the container holds must have come out of the decoder.

        Args:
            frames: that were looked at; one that gave more was not asked for its last ones.
        """
        if member.decoder is None or member.layout is None:
            return
        there, gave = member.layout.found_frames, member.decoder.frames_read
        if there is not None and gave == frames < there:
            self._not_read(
                member.path,
                UnreadError(f"holds {there:,} frames, but the decoder gave {frames:,}"),
                at_frame=frames,
            )
        member.decoded_whole = gave == (frames if there is None else there)

    # -- afterwards --------------------------------------------------------------------------

    def look_again(self) -> None:
        """Whether each file is still the one that was opened, and as it was."""
        for member in self.members:
            what = "was changed or replaced while it was read; check it again"
            try:
                # the time of change as well: a date can be put back, that one cannot
                st = os.fstat(member.fd)
                member.grown_bytes = max(st.st_size - member.before.size, 0)
                if member.grown_bytes:
                    what = (
                        f"grew by {member.grown_bytes:,} bytes while it was read: it is still "
                        "being recorded or sent; check it again once it has come to its end"
                    )
                same = (Identity.of(st), st.st_ctime_ns) == (
                    member.before,
                    member.ctime_ns,
                ) and Identity.of(os.stat(member.path, follow_symlinks=False)) == member.before
            except FileNotFoundError:
                same, what = False, "was moved or deleted while it was read"
            except OSError:
                same = False
            if not same:
                self.changed = True
                self._not_read(member.path, UnreadError(what, kind="changed-while-read"))

    def digests_stand(self, member: Member) -> bool:
        """Whether the digests are of the whole file as it was throughout."""
        return (
            not self.changed
            and member.data is not None
            and member.digests.bytes_seen == member.before.size
        )

    def stored(self) -> list[StoredDigest | UnreadList]:
        """Digests stored in the files, beside those of what was read."""
        stored: list[StoredDigest | UnreadList] = []
        for member in self.members:
            stored += member.unread_lists
            layout = member.layout
            if layout is None or not self.digests_stand(member):
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
            stored += (
                StoredDigest(
                    kind=place,
                    expected=line.digest,
                    found=member.digests.digest(line.algorithm),
                    file=shown(member.path.name),
                )
                for place, line in member.listed
            )
        return stored


def _payload(layout: Layout) -> tuple[int, int]:
    """Where the data payload lies, a last partial frame included."""
    start = layout.audio_offset or 0
    there = [c.bytes for c in layout.chunks if c.id == "data"]
    return start, max([layout.audio_bytes, *there[:1]])
