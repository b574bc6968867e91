"""A layout in the making: what the parsers of all containers fill in."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from checks.container._format import SampleFormat
from checks.container._layout import ByteSource, Chunk, ContainerLimits, Layout
from checks.measures import BextLine
from checks.model import Finding, Remedy, Value, Verdict

# What each kind asks for unless the place says otherwise.
_ASKS: Final = {
    "truncated": (Verdict.REDO, Remedy.RECOPY),
    "unfinalised": (Verdict.REDO, Remedy.MEND),
    "empty": (Verdict.REDO, Remedy.RECOPY),
    "size-mismatch": (Verdict.LISTEN, Remedy.MEND),
    "bad-chunk": (Verdict.LISTEN, Remedy.MEND),
    "trailing-bytes": (Verdict.CLEAR, Remedy.NONE),
    "leading-bytes": (Verdict.CLEAR, Remedy.NONE),
    "missing-pad": (Verdict.CLEAR, Remedy.NONE),
    "many-chunks": (Verdict.CLEAR, Remedy.NONE),
    "clock": (Verdict.CLEAR, Remedy.NONE),
    "unreadable": (Verdict.UNREAD, Remedy.RECOPY),
    "unsupported": (Verdict.UNREAD, Remedy.NONE),
    "not-run": (Verdict.UNREAD, Remedy.NONE),
}

_WINDOW: Final = 65_536  # bytes held where reading goes on in sequence
_JUMP: Final = 4_096  # bytes held after a jump: thousands of far chunks must stay cheap


class Window:
    """A byte source read through one window, so that small reads do not each cost a call."""

    def __init__(self, source: ByteSource) -> None:
        self.size = source.size
        self._source = source
        self._at = 0
        self._held = b""

    def read(self, offset: int, count: int) -> bytes:
        """Up to ``count`` bytes; fewer at the end of the file, none beyond it."""
        if offset < 0 or offset >= self.size or count <= 0:
            return b""
        start = offset - self._at
        if start < 0 or start + count > len(self._held):
            if count > _WINDOW:
                return self._source.read_at(offset, min(count, self.size - offset))
            ahead = _WINDOW if 0 <= start <= len(self._held) else max(_JUMP, count)
            self._held = self._source.read_at(offset, min(ahead, self.size - offset))
            self._at, start = offset, 0
        return self._held[start : start + count]


@dataclass(slots=True)
class Draft:
    """Fields of ``Layout`` under construction, and the findings on the way."""

    window: Window
    limits: ContainerLimits
    modified: datetime | None = None
    kind: str = "other"
    fmt: SampleFormat = field(default_factory=SampleFormat)
    audio_offset: int | None = None
    audio_bytes: int = 0
    header_frames: int | None = None
    found_frames: int | None = None
    bext: BextLine | None = None
    md5: bytes | None = None
    md5_chunk: bytes | None = None
    complete: bool = True
    chunk_count: int = 0
    chunks: list[Chunk] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def chunk(self, name: bytes, offset: int, size: int) -> None:
        """Count a chunk, and list it while there is room."""
        self.chunk_count += 1
        if len(self.chunks) < self.limits.listed_chunks:
            self.chunks.append(Chunk(id=printable(name), offset=offset, bytes=size))

    def add(
        self,
        kind: str,
        text: str,
        *,
        verdict: Verdict | None = None,
        remedy: Remedy | None = None,
        place: tuple[int, int] | None = None,
        **values: Value,
    ) -> None:
        """Report something, once; verdict and remedy are those of the kind unless given."""
        usual = _ASKS[kind]
        if kind == "unreadable":
            self.complete = False  # a header not written yet looks no different
        start, frames = place if place is not None else (None, None)
        if any(f.text == text and f.start_frame == start for f in self.findings):
            return
        self.findings.append(
            Finding(
                check="container",
                kind=kind,
                verdict=verdict or usual[0],
                remedy=remedy or usual[1],
                text=text,
                start_frame=start,
                frames=frames,
                values=values,
            )
        )

    def freeze(self) -> Layout:
        """The finished layout."""
        if self.chunk_count > len(self.chunks):
            self.add(
                "many-chunks",
                f"The file holds {self.chunk_count:,} chunks, of which the first "
                f"{len(self.chunks):,} are listed.",
                count=self.chunk_count,
                listed=len(self.chunks),
            )
        fmt = self.fmt
        return Layout(
            kind=self.kind,
            encoding=fmt.encoding,
            coding=fmt.coding,
            rate_hz=fmt.rate_hz,
            channels=fmt.channels,
            word_length=fmt.word_length,
            sample_bytes=fmt.sample_bytes,
            block_align=fmt.block_align,
            big_endian=fmt.big_endian,
            signed=fmt.signed,
            left_justified=fmt.left_justified,
            audio_offset=self.audio_offset,
            audio_bytes=self.audio_bytes,
            header_frames=self.header_frames,
            found_frames=self.found_frames,
            raw=fmt.raw,
            chunks=tuple(self.chunks),
            bext=self.bext,
            md5=self.md5,
            md5_chunk=self.md5_chunk,
            complete=self.complete,
            findings=tuple(self.findings),
        )


def printable(name: bytes) -> str:
    """A chunk id as text: printable ASCII as it stands, any other byte as ``\\xNN``."""
    return "".join(chr(b) if 0x20 <= b < 0x7F else f"\\x{b:02x}" for b in name)


def plausible(name: bytes) -> bool:
    """Whether four bytes can be a chunk id: printable ASCII (IFF and RIFF allow no other)."""
    return len(name) == 4 and all(0x20 <= b < 0x7F for b in name)


def unsupported(draft: Draft, detail: str = "") -> None:
    """Report a coding that no decoder here reads; the draft's format says which."""
    fmt = draft.fmt
    draft.add(
        "unsupported",
        f"The audio is coded as {fmt.coding}{detail}, which no decoder here reads: the container "
        "was looked at, the audio was not.",
        coding=fmt.coding,
        word_length=fmt.word_length,
        channels=fmt.channels,
        rate_hz=fmt.rate_hz,
    )
