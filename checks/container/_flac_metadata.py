"""FLAC metadata blocks (RFC 9639, section 8): STREAMINFO, and where the frames begin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from checks.container._draft import Draft, Window
from checks.model import Remedy, Verdict

MARKER: Final = b"fLaC"
_NAMES: Final = {
    0: b"STREAMINFO",
    1: b"PADDING",
    2: b"APPLICATION",
    3: b"SEEKTABLE",
    4: b"VORBIS_COMMENT",
    5: b"CUESHEET",
    6: b"PICTURE",
}
_SIZE: Final = 34  # bytes of STREAMINFO
_INVALID: Final = 127  # a block type that the format forbids
_TAGS: Final = 8  # ID3 tags skipped in front of the marker; ours


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamInfo:
    """The fields of STREAMINFO; 0 frames, 0 bytes and an MD5 of zeros mean unknown."""

    max_block: int
    max_bytes: int
    rate_hz: int
    channels: int
    bits: int
    frames: int
    md5: bytes

    @property
    def unwritten(self) -> bool:
        """Neither length nor digest: what an encoder fills in last."""
        return self.frames == 0 and not any(self.md5)


def find_marker(window: Window) -> int | None:
    """Where ``fLaC`` stands: at the start or behind ID3v2 tags; None if neither."""
    at = 0
    for _ in range(_TAGS):
        head = window.read(at, 10)
        if head[:4] == MARKER:
            return at
        if head[:3] != b"ID3" or len(head) < 10:
            return None
        # ID3v2: four bytes of seven bits each, the ten bytes of the head not counted.
        at += 10 + sum((byte & 0x7F) << 7 * (3 - n) for n, byte in enumerate(head[6:10]))
    return None


def find_stream_end(window: Window, start: int) -> int:
    """The byte behind the stream: the end of the file, or of what stands before known tags."""
    stop = window.size
    if stop - start >= 128 and window.read(stop - 128, 3) == b"TAG":
        stop -= 128
    foot = window.read(stop - 32, 32)
    if stop - start >= 32 and foot[:8] == b"APETAGEX":
        size = int.from_bytes(foot[12:16], "little")
        size += 32 if int.from_bytes(foot[20:24], "little") & 0x80000000 else 0
        if size <= stop - start:
            stop -= size
    return stop


def read_metadata(draft: Draft, marker: int) -> tuple[StreamInfo | None, int]:
    """Walk over the metadata blocks.

    Returns:
        STREAMINFO, and the byte where the frames should begin (behind the last sound block).
    """
    window = draft.window
    info: StreamInfo | None = None
    at = marker + 4
    last = False
    while not last:
        head = window.read(at, 4)
        if len(head) < 4:
            _broken(draft, "The file ends within its metadata")
            return info, at
        last, kind = bool(head[0] & 0x80), head[0] & 0x7F
        size = int.from_bytes(head[1:4], "big")
        name = _NAMES.get(kind, f"type {kind}".encode())
        draft.chunk(name, at, size)
        if kind == _INVALID or at + 4 + size > window.size:
            _broken(draft, f"A metadata block of {size:,} bytes leads past the end of the file")
            return info, at
        if draft.chunk_count > draft.limits.max_chunks:
            _broken(draft, f"There are more than {draft.limits.max_chunks:,} metadata blocks")
            return info, at
        if kind == 0:
            if draft.chunk_count != 1:
                draft.add(
                    "bad-chunk",
                    "The block that describes the audio is not the first one, as it has to be, or "
                    "stands twice: the audio is not touched, mend the header.",
                )
            if info is None and size >= _SIZE:
                info = _stream_info(window.read(at + 4, _SIZE))
        at += 4 + size
    return info, at


def _stream_info(raw: bytes) -> StreamInfo:
    packed = int.from_bytes(raw[10:18], "big")  # 20 rate, 3 channels - 1, 5 bits - 1, 36 frames
    return StreamInfo(
        max_block=int.from_bytes(raw[2:4], "big"),
        max_bytes=int.from_bytes(raw[7:10], "big"),
        rate_hz=packed >> 44,
        channels=(packed >> 41 & 7) + 1,
        bits=(packed >> 36 & 31) + 1,
        frames=packed & (2**36 - 1),
        md5=raw[18:34],
    )


def _broken(draft: Draft, what: str) -> None:
    draft.complete = False
    draft.add(
        "bad-chunk",
        f"{what}: decoders will refuse it; fetch the file again from where it was recorded.",
        verdict=Verdict.REDO,
        remedy=Remedy.RECOPY,
    )
