"""Files of every container built byte by byte, sources of bytes that need no disk."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from typing import Any, Final

PCM_GUID: Final = bytes.fromhex("0100000000001000800000aa00389b71")
FLOAT_GUID: Final = bytes.fromhex("0300000000001000800000aa00389b71")
W64_TAIL: Final = bytes.fromhex("f3acd3118cd100c04f8edb8a")
UNKNOWN: Final = 0xFFFFFFFF


class Held:
    """Bytes in memory as a source; counts what is read."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.size = len(data)
        self.bytes_read = 0

    def read_at(self, offset: int, count: int) -> bytes:
        piece = self.data[offset : offset + count]
        self.bytes_read += len(piece)
        return piece


class Sparse:
    """A file of any size that holds zeros but for some pieces; counts what is read."""

    def __init__(self, size: int, pieces: Mapping[int, bytes]) -> None:
        self.size = size
        self.pieces = pieces
        self.bytes_read = 0

    def read_at(self, offset: int, count: int) -> bytes:
        count = max(0, min(count, self.size - offset))
        out = bytearray(count)
        for at, piece in self.pieces.items():
            first, stop = max(at, offset), min(at + len(piece), offset + count)
            if first < stop:
                out[first - offset : stop - offset] = piece[first - at : stop - at]
        self.bytes_read += count
        return bytes(out)


def chunk(name: bytes, payload: bytes, *, size: int | None = None, big: bool = False) -> bytes:
    """A RIFF or IFF chunk with its pad byte; ``size`` overrides the size field."""
    order = ">" if big else "<"
    head = name + struct.pack(f"{order}I", len(payload) if size is None else size)
    return head + payload + b"\0" * (len(payload) % 2)


def fmt(
    *,
    channels: int = 2,
    rate: int = 96_000,
    bits: int = 24,
    tag: int = 1,
    align: int | None = None,
    byte_rate: int | None = None,
    valid: int | None = None,
    guid: bytes = PCM_GUID,
    big: bool = False,
) -> bytes:
    """A ``fmt `` chunk; EXTENSIBLE where ``valid`` is given."""
    order = ">" if big else "<"
    align = channels * -(-bits // 8) if align is None else align
    byte_rate = rate * align if byte_rate is None else byte_rate
    tag = 0xFFFE if valid is not None else tag
    payload = struct.pack(f"{order}HHIIHH", tag, channels, rate, byte_rate & UNKNOWN, align, bits)
    if valid is not None:
        payload += struct.pack(f"{order}HHI", 22, valid, 0) + guid
    return chunk(b"fmt ", payload, big=big)


def riff(
    chunks: Sequence[bytes],
    *,
    magic: bytes = b"RIFF",
    size: int | None = None,
    kind: bytes = b"WAVE",
) -> bytes:
    """A RIFF file; ``size`` overrides the outermost size field."""
    body = kind + b"".join(chunks)
    order = ">" if magic in (b"RIFX", b"FORM") else "<"
    return magic + struct.pack(f"{order}I", len(body) if size is None else size) + body


def ds64(
    riff_size: int, data_size: int, frames: int, table: Sequence[tuple[bytes, int]] = ()
) -> bytes:
    payload = struct.pack("<QQQI", riff_size, data_size, frames, len(table))
    payload += b"".join(name + struct.pack("<Q", size) for name, size in table)
    return chunk(b"ds64", payload)


def rf64(
    audio: bytes,
    *,
    magic: bytes = b"RF64",
    frames: int,
    data_size: int | None = None,
    riff_size: int | None = None,
    behind: bytes = b"",
    **format_fields: Any,
) -> bytes:
    """RF64 or BW64 with ds64 and a data field of -1."""
    rest = fmt(**format_fields) + chunk(b"data", audio, size=UNKNOWN) + behind
    length = 12 + 36 + len(rest)
    held = len(audio) if data_size is None else data_size
    outer = length - 8 if riff_size is None else riff_size
    return riff([ds64(outer, held, frames), rest], magic=magic, size=UNKNOWN)


def bext(
    *,
    time_reference: int = 0,
    version: int = 2,
    date: bytes = b"2026-01-31",
    time: bytes = b"05:12:09",
    loudness: Sequence[int] = (0x7FFF,) * 5,
    umid: bytes = b"",
    description: bytes = b"",
    history: bytes = b"",
) -> bytes:
    """A ``bext`` chunk, EBU Tech 3285 v2."""
    payload = description.ljust(256, b"\0") + b"recorder".ljust(32, b"\0") + bytes(32)
    payload += date + time + struct.pack("<QH", time_reference, version)
    payload += umid.ljust(64, b"\0") + struct.pack("<5h", *loudness) + bytes(180) + history
    return chunk(b"bext", payload)


def w64_chunk(name: bytes, payload: bytes, *, size: int | None = None) -> bytes:
    guid = name + W64_TAIL
    held = 24 + len(payload) if size is None else size
    return guid + struct.pack("<Q", held) + payload + bytes(-len(payload) % 8)


def w64(
    audio: bytes, *, behind: bytes = b"", size: int | None = None, data: int | None = None
) -> bytes:
    """Wave64 of 2 tracks, 24 bit, 96 kHz."""
    body = bytes.fromhex("77617665") + W64_TAIL + w64_chunk(b"fmt ", fmt()[8:])
    body += w64_chunk(b"data", audio, size=data) + behind
    outer = 24 + len(body) if size is None else size
    return bytes.fromhex("726966662e91cf11a5d628db04c10000") + struct.pack("<Q", outer) + body


RATES80: Final = {44_100: "400eac44", 48_000: "400ebb80", 96_000: "400fbb80", 352_800: "4011ac44"}


def aiff(
    audio: bytes,
    *,
    frames: int,
    channels: int = 2,
    bits: int = 24,
    rate: int = 96_000,
    coding: bytes | None = None,
    ssnd_size: int | None = None,
    form_size: int | None = None,
    behind: bytes = b"",
) -> bytes:
    comm = struct.pack(">hIh", channels, frames, bits) + bytes.fromhex(RATES80[rate]) + bytes(6)
    if coding is not None:
        comm += coding + b"\0\0"
    parts = [chunk(b"COMM", comm, big=True)]
    parts.append(chunk(b"SSND", bytes(8) + audio, size=ssnd_size, big=True))
    kind = b"AIFF" if coding is None else b"AIFC"
    return riff([*parts, behind], magic=b"FORM", kind=kind, size=form_size)


def caf(
    audio: bytes,
    *,
    data_size: int | None = None,
    channels: int = 2,
    bits: int = 24,
    flags: int = 0,
    name: bytes = b"lpcm",
    packet: int | None = None,
    behind: bytes = b"",
) -> bytes:
    packet = channels * -(-bits // 8) if packet is None else packet
    desc = struct.pack(">d4sIIIII", 96_000.0, name, flags, packet, 1, channels, bits)
    size = 4 + len(audio) if data_size is None else data_size
    return (
        b"caff\0\1\0\0desc"
        + struct.pack(">q", 32)
        + desc
        + b"data"
        + struct.pack(">q", size)
        + bytes(4)
        + audio
        + behind
    )


def frames24(count: int, channels: int = 2, *, seed: int = 1) -> bytes:
    """Frames of 24-bit little-endian audio that looks like audio: a quiet, smooth random walk."""
    state = seed
    level = [0] * channels
    out = bytearray()
    for _ in range(count):
        for track in range(channels):
            state = (state * 1_103_515_245 + 12_345) % 2**31
            level[track] = level[track] * 15 // 16 + (state >> 8) % 40_001 - 20_000
            out += level[track].to_bytes(3, "little", signed=True)
    return bytes(out)
