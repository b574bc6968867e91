"""What a container's header says and what is really there: the words the parsers share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Protocol

from annotated_types import Ge, Le

from checks.measures import BextLine, ChunkLine, ContainerFileLine
from checks.model import Encoding, Finding

Chunk = ChunkLine
"""One chunk or metadata block: id as printable text, offset of its header, bytes it claims."""


class ByteSource(Protocol):
    """Random access to the bytes of one file, read only.

    ``read_at`` gives fewer bytes than asked for only at the end of the file; an OSError of the
    storage passes through the parser untouched.
    """

    @property
    def size(self) -> int: ...

    def read_at(self, offset: int, count: int) -> bytes: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ContainerLimits:
    """Where the parser stops looking, and what it calls a disagreement."""

    # Chunks (or metadata blocks) looked at in one file; a file with more is damaged or hostile.
    # 16 to 1,000,000. Source: common practice, real files hold fewer than 100.
    max_chunks: Annotated[int, Ge(16), Le(1_000_000)] = 10_000
    # Chunks listed one by one in the report. 1 to 10,000. Source: common practice.
    listed_chunks: Annotated[int, Ge(1), Le(10_000)] = 200
    # Damaged places of one FLAC file listed one by one. 1 to 1,000. Source: common practice.
    listed_places: Annotated[int, Ge(1), Le(1_000)] = 20
    # FLAC: mebibytes without one good frame after which the rest of the file is given up.
    # 4 to 65,536 MiB. Source: no frame exceeds 2.1 MiB (8 channels x 65,535 x 32 bit, RFC 9639).
    flac_gap_mib: Annotated[int, Ge(4), Le(65_536)] = 256
    # Days by which the date in the header and the time of the file may differ without a note.
    # 0 to 3,650 days. Source: common practice; one day covers every time zone and a long tape.
    clock_days: Annotated[float, Ge(0), Le(3650)] = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where the audio of a file lies and how it is stored.

    Attributes:
        kind: wav, rf64, bw64, rifx, w64, aiff, aifc, caf, flac or other.
        encoding: how a sample is coded; OTHER where ``coding`` alone tells.
        coding: what the header calls the coding, for people.
        rate_hz: sampling rate, rounded to whole hertz; 0 where unknown.
        channels: number of tracks; 0 where unknown.
        word_length: bits the header calls valid.
        sample_bytes: bytes of one stored sample in raw audio; 0 when compressed.
        block_align: bytes of one frame in raw audio as it truly lies; 0 when compressed.
        big_endian, signed: how a raw sample is stored.
        left_justified: valid bits at the top of the stored word, else at the bottom (the sign
            is then to be extended by whoever reads).
        audio_offset: first byte of the audio; None where none was found.
        audio_bytes: bytes of the whole frames found (raw), of the coded stream (compressed).
        header_frames: frames the header claims; None where it does not say.
        found_frames: whole frames there; None where only decoding will tell.
        raw: the audio can be read in place; else it needs a decoder.
        chunks: the first chunks, in file order.
        bext: the broadcast extension.
        md5: FLAC's own MD5 of the samples; None where not set.
        md5_chunk: the 16 bytes of an ``MD5 `` chunk.
        complete: header and bytes agree that the writer has finished.
        findings: every disagreement, and the notes.
    """

    kind: str
    encoding: Encoding
    coding: str
    rate_hz: int
    channels: int
    word_length: int
    sample_bytes: int
    block_align: int
    big_endian: bool
    signed: bool
    left_justified: bool
    audio_offset: int | None
    audio_bytes: int
    header_frames: int | None
    found_frames: int | None
    raw: bool
    chunks: tuple[Chunk, ...]
    bext: BextLine | None
    md5: bytes | None
    md5_chunk: bytes | None
    complete: bool
    findings: tuple[Finding, ...]


def measures(layout: Layout) -> ContainerFileLine:
    """The report's line of one file."""
    return ContainerFileLine(
        kind=layout.kind,
        header_frames=layout.header_frames,
        found_frames=layout.found_frames,
        audio_offset=layout.audio_offset,
        audio_bytes=None if layout.audio_offset is None else layout.audio_bytes,
        chunks=layout.chunks,
        bext=layout.bext,
    )
