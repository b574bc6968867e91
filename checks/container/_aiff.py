"""AIFF and AIFF-C: EA IFF-85, AIFF 1.3 (1989), AIFF-C (1991). Everything is big-endian.

Three sizes speak of the audio: the frames in COMM, the size of SSND, the size of FORM. They are
held against each other and against the file.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, replace
from typing import Final

from checks.container._draft import Draft, plausible, printable, unsupported
from checks.container._extent import (
    UNKNOWN32,
    Extent,
    Sizes,
    extent,
    report_coded_extent,
    report_raw_extent,
)
from checks.container._format import FLOAT_BYTES, PCM_BYTES, SampleFormat, outside_limits
from checks.container._justify import place_bits
from checks.container._w64 import no_audio
from checks.model import Encoding, Remedy, Verdict

# Compression ids read in place: (encoding, bytes a sample or 0 for COMM's own, little-endian,
# unsigned). AIFF-C (1991) for NONE; the others are registered ids, from memory.
_RAW: Final = {
    b"NONE": (Encoding.PCM, 0, False, False),
    b"twos": (Encoding.PCM, 0, False, False),
    b"sowt": (Encoding.PCM, 0, True, False),
    b"raw ": (Encoding.PCM, 1, False, True),
    b"in24": (Encoding.PCM, 3, False, False),
    b"in32": (Encoding.PCM, 4, False, False),
    b"42ni": (Encoding.PCM, 3, True, False),
    b"42n1": (Encoding.PCM, 3, True, False),
    b"23ni": (Encoding.PCM, 4, True, False),
    b"fl32": (Encoding.FLOAT, 4, False, False),
    b"FL32": (Encoding.FLOAT, 4, False, False),
    b"fl64": (Encoding.FLOAT, 8, False, False),
    b"FL64": (Encoding.FLOAT, 8, False, False),
}
_G711: Final = {
    b"alaw": Encoding.ALAW,
    b"ALAW": Encoding.ALAW,
    b"ulaw": Encoding.ULAW,
    b"ULAW": Encoding.ULAW,
}
_DECODED: Final = frozenset({b"ima4", b"GSM ", b"DWVW"})  # libsndfile 1.2, its documentation
_CHAIN: Final = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class _Comm:
    channels: int
    frames: int
    bits: int
    rate_hz: float
    coding: bytes


def parse_aiff(draft: Draft, head: bytes) -> None:
    """Parse a file that begins with ``FORM`` and ``AIFF`` or ``AIFC``."""
    draft.kind = head[8:12].decode().lower()
    window = draft.window
    outer = struct.unpack_from(">I", head, 4)[0]
    comm: _Comm | None = None
    data: Extent | None = None
    at = 12
    while at + 8 <= window.size:
        name, size = _head(draft, at)
        if not plausible(name) or draft.chunk_count >= draft.limits.max_chunks:
            break
        start = at + 8
        if name == b"SSND":
            if data is not None:
                _twice(draft, "SSND", Verdict.REDO)
            draft.chunk(name, at, size)
            found = _ssnd(draft, start, size, outer)
            data = data or found
            at = found.stop + found.stop % 2
            continue
        if start + size > window.size and at == outer + 8 and data is not None:
            break  # behind the end that the header claims, and no chunk: trailing bytes
        if start + size > window.size:
            draft.chunk(name, at, size)
            _overrun(draft, name, size, window.size - start, audio=data is not None)
            break
        draft.chunk(name, at, size)
        if name == b"COMM":
            if comm is not None:
                _twice(draft, "COMM", Verdict.LISTEN)
            comm = comm or _read_comm(window.read(start, min(size, 64)))
        at = start + size + size % 2
    _report(draft, comm, data, outer, stop=at)


def _head(draft: Draft, at: int) -> tuple[bytes, int]:
    raw = draft.window.read(at, 8)
    return (raw[:4], struct.unpack_from(">I", raw, 4)[0]) if len(raw) == 8 else (b"", 0)


def _read_comm(payload: bytes) -> _Comm | None:
    if len(payload) < 18:
        return None
    channels, frames, bits = struct.unpack_from(">HIh", payload)
    coding = payload[18:22] if len(payload) >= 22 else b"NONE"
    return _Comm(
        channels=channels,
        frames=frames,
        bits=bits,
        rate_hz=extended(payload[8:18]),
        coding=coding,
    )


def extended(raw: bytes) -> float:
    """An 80-bit IEEE 754 extended number; NaN and what a double cannot hold give infinity."""
    exponent, mantissa = struct.unpack(">HQ", raw)
    if exponent & 0x7FFF == 0x7FFF:
        return math.inf
    sign = -1.0 if exponent & 0x8000 else 1.0
    try:
        return sign * math.ldexp(mantissa, (exponent & 0x7FFF) - 16_383 - 63)
    except OverflowError:
        return math.inf


def _ssnd(draft: Draft, start: int, size: int, outer: int) -> Extent:
    """The audio of an SSND chunk: behind two words of 32 bits and ``offset`` bytes of filling."""
    window = draft.window
    offset = int.from_bytes(window.read(start, 4), "big")
    first = start + 8 + offset
    if first > window.size:
        draft.add(
            "bad-chunk",
            f"The SSND chunk claims {offset:,} bytes in front of the audio, more than the file "
            "holds; the audio is taken to begin at once.",
            verdict=Verdict.REDO,
            claimed_bytes=offset,
        )
        offset, first = 0, start + 8
    claimed = size if size == UNKNOWN32 else size - 8 - offset  # 0 and 8: never written

    def chunk_at(at: int) -> bool:
        name, length = _head(draft, at + at % 2)
        return plausible(name) and at + 8 + length <= window.size

    def reaches_end(at: int) -> bool:
        for _ in range(_CHAIN):
            if at in (window.size, window.size + 1):
                return True
            name, length = _head(draft, at + at % 2)
            if not plausible(name):
                return False
            at += at % 2 + 8 + length
        return False

    past = window.size - outer - 8
    return extent(
        window.size,
        min(first, window.size),
        claimed,
        reaches_end,
        chunk_at,
        wide=False,
        outer_agrees=past == 0,
        wraps=past > 0 and past % 2**32 == 0,
    )


def _report(draft: Draft, comm: _Comm | None, data: Extent | None, outer: int, stop: int) -> None:
    if data is None or comm is None:
        no_audio(draft, described=comm is not None, audio=data)
        if comm is not None:
            _settle(draft, comm, draft.window.size, 0)
        return
    _settle(draft, comm, data.start, data.length)
    if not draft.fmt.raw:
        report_coded_extent(draft, data, frames=comm.frames)
        _compare_frames(draft, comm, data)
    else:
        padding = data.length - comm.frames * draft.fmt.block_align
        if padding == 1 and data.claimed == data.length:  # SSND counts its own pad byte
            data = replace(data, length=data.length - 1, claimed=data.length - 1)
        report_raw_extent(draft, data)
        _compare_frames(draft, comm, data)
        draft.header_frames = comm.frames or draft.header_frames
    file_size = draft.window.size
    if draft.complete and outer + 8 not in (file_size, file_size + file_size % 2):
        if outer + 8 == stop:
            draft.add(
                "trailing-bytes",
                f"{file_size - stop:,} bytes follow the end of the file that its header claims.",
                bytes=file_size - stop,
            )
        elif data.state is Sizes.AGREE:
            draft.complete = outer + 8 < file_size  # else the end may still be on its way
            draft.add(
                "size-mismatch",
                f"The header claims a file of {outer + 8:,} bytes, it has {file_size:,}: the "
                "audio itself is whole, mend the header.",
                claimed_bytes=outer + 8,
                present_bytes=file_size,
            )


def _settle(draft: Draft, comm: _Comm, start: int, length: int) -> None:
    name = printable(comm.coding)
    wrong = outside_limits(comm.channels, comm.rate_hz)
    if wrong is not None:
        draft.fmt = SampleFormat(coding=name)
        draft.add("unreadable", f"The header claims {wrong}; fetch the file again.")
        return
    base = SampleFormat(
        coding=name,
        encoding=_G711.get(comm.coding, Encoding.OTHER),
        rate_hz=round(comm.rate_hz),
        channels=comm.channels,
        word_length=max(0, comm.bits),
    )
    draft.fmt = base
    if comm.coding not in _RAW:
        if comm.coding not in _G711 and comm.coding not in _DECODED:
            unsupported(draft)
        return
    encoding, width, little, unsigned = _RAW[comm.coding]
    width = width or -(-comm.bits // 8)
    floating = encoding is Encoding.FLOAT
    draft.fmt = fmt = replace(
        base,
        coding="float" if floating else "PCM",
        encoding=encoding,
        word_length=comm.bits if 0 < comm.bits <= 8 * width and not floating else 8 * width,
        big_endian=not little,
        signed=not unsigned,
    )
    if width not in (FLOAT_BYTES if floating else PCM_BYTES):
        unsupported(draft, f" of {comm.bits} bits")
        return
    raw = replace(fmt, sample_bytes=width, block_align=width * fmt.channels, raw=True)
    place_bits(draft, raw, start, length)


def _compare_frames(draft: Draft, comm: _Comm, data: Extent) -> None:
    """COMM's count of frames against those of SSND."""
    found = draft.found_frames
    if found is None or not found or data.state not in (Sizes.AGREE, Sizes.STALE):
        return
    if comm.frames == found:
        return
    if comm.frames > found:
        draft.complete = False
        draft.add(
            "truncated",
            f"The header claims {comm.frames:,} frames and {found:,} are there: fetch the file "
            "again from where it was recorded before the tape is played again.",
            place=(found, comm.frames - found),
            claimed_frames=comm.frames,
            present_frames=found,
            present_percent=round(100.0 * found / comm.frames, 3),
        )
        return
    draft.add(
        "size-mismatch",
        f"The COMM chunk speaks of {comm.frames:,} frames and the audio holds {found:,}: all of "
        "them are looked at, mend the header.",
        claimed_frames=comm.frames,
        found_frames=found,
    )


def _twice(draft: Draft, name: str, verdict: Verdict) -> None:
    draft.add(
        "bad-chunk",
        f"The file holds more than one {name} chunk; the first is used.",
        verdict=verdict,
    )


def _overrun(draft: Draft, name: bytes, claimed: int, there: int, *, audio: bool) -> None:
    draft.add(
        "bad-chunk",
        f"A chunk claims {claimed:,} bytes and {there:,} are there: what it held is damaged"
        f"{', the audio in front of it is not touched' if audio else ''}.",
        remedy=Remedy.RECOPY,
        id=printable(name),
        claimed_bytes=claimed,
        present_bytes=there,
    )
