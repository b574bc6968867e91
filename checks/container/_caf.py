"""Core Audio Format: big-endian headers, 64-bit chunk sizes, no padding.

Layout after the published specification as two open readers take it. A data size of -1 means
"length unknown, runs to the end of the file": the format's own sign of a recording under way.
"""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from typing import Final

from checks.container._draft import Draft, plausible, printable, unsupported
from checks.container._extent import Extent, extent, report_coded_extent, report_raw_extent
from checks.container._format import FLOAT_BYTES, PCM_BYTES, SampleFormat, outside_limits
from checks.container._justify import place_bits
from checks.container._w64 import no_audio
from checks.model import Encoding, Remedy, Verdict

_FLOAT_FLAG: Final = 1
_LITTLE_FLAG: Final = 2
_G711: Final = {b"alaw": Encoding.ALAW, b"ulaw": Encoding.ULAW}
_DECODED: Final = frozenset({b"alac"})  # libsndfile 1.2, its documentation
_EDIT_COUNT: Final = 4  # bytes of the data chunk in front of the audio


def parse_caf(draft: Draft) -> None:
    """Parse a file that begins with ``caff``."""
    draft.kind = "caf"
    window = draft.window
    desc = b""
    frames: int | None = None
    data: Extent | None = None
    field_size = 0
    at = 8
    while at + 12 <= window.size:
        name, size = _head(draft, at)
        if not plausible(name) or draft.chunk_count >= draft.limits.max_chunks:
            break
        start = at + 12
        draft.chunk(name, at, size)
        if name == b"data":
            if data is not None:
                draft.add(
                    "bad-chunk",
                    "The file holds more than one data chunk where one is allowed: only the first "
                    "was looked at.",
                    verdict=Verdict.REDO,
                )
            found = _data_extent(draft, start, size)
            if data is None:
                data, field_size = found, size
            at = found.stop
            continue
        if size < 0 or start + size > window.size:
            draft.add(
                "bad-chunk",
                f"A chunk claims {size:,} bytes and {window.size - start:,} are there: what it "
                "held is damaged.",
                remedy=Remedy.RECOPY,
                id=printable(name),
                claimed_bytes=size,
                present_bytes=window.size - start,
            )
            break
        if name == b"desc" and not desc:
            desc = window.read(start, min(size, 32))
        elif name == b"pakt" and size >= 24:
            frames = struct.unpack_from(">q", window.read(start + 8, 8))[0]
        at = start + size
    if data is None or len(desc) < 32:
        no_audio(draft, described=len(desc) >= 32, audio=data)
        return
    _settle(draft, desc, data)
    if draft.fmt.raw:
        report_raw_extent(draft, data, detail=f" (audio {field_size})")
    else:
        report_coded_extent(draft, data, frames=max(0, frames or 0))


def _head(draft: Draft, at: int) -> tuple[bytes, int]:
    raw = draft.window.read(at, 12)
    return (raw[:4], struct.unpack_from(">q", raw, 4)[0]) if len(raw) == 12 else (b"", 0)


def _data_extent(draft: Draft, start: int, size: int) -> Extent:
    file_size = draft.window.size

    def chunk_at(offset: int) -> bool:
        name, length = _head(draft, offset)
        return plausible(name) and 0 <= length <= file_size - offset - 12

    first = min(start + _EDIT_COUNT, file_size)
    claimed = max(0, size - _EDIT_COUNT)
    return extent(
        file_size, first, claimed, lambda at: at == file_size or chunk_at(at), chunk_at, wide=True
    )


def _settle(draft: Draft, desc: bytes, data: Extent) -> None:
    rate, name, flags, packet_bytes, per_packet, channels, bits = struct.unpack(">d4sIIIII", desc)
    wrong = outside_limits(channels, rate if math.isfinite(rate) else math.inf)
    if wrong is not None:
        draft.fmt = SampleFormat(coding=printable(name))
        draft.add("unreadable", f"The header claims {wrong}; fetch the file again.")
        return
    base = SampleFormat(
        coding=printable(name).strip(),
        encoding=_G711.get(name, Encoding.OTHER),
        rate_hz=round(rate),
        channels=channels,
        word_length=min(bits, 1 << 16),
    )
    draft.fmt = base
    if name != b"lpcm":
        if name not in _G711 and name not in _DECODED:
            unsupported(draft)
        return
    floating = bool(flags & _FLOAT_FLAG)
    width, rest = divmod(packet_bytes, channels)
    if rest or per_packet != 1 or width < -(-bits // 8):
        width = -(-bits // 8)
        draft.add(
            "bad-chunk",
            f"The header contradicts itself: a packet of {packet_bytes:,} bytes does not go with "
            f"{channels} tracks of {bits:,} bits; the latter are taken: mend the header.",
            packet_bytes=packet_bytes,
            channels=channels,
            bits=bits,
        )
    fmt = replace(
        base,
        coding="float" if floating else "PCM",
        encoding=Encoding.FLOAT if floating else Encoding.PCM,
        big_endian=not flags & _LITTLE_FLAG,
    )
    draft.fmt = fmt
    if width not in (FLOAT_BYTES if floating else PCM_BYTES):
        unsupported(draft, f" of {bits:,} bits")
        return
    raw = replace(
        fmt,
        word_length=bits or 8 * width,
        sample_bytes=width,
        block_align=width * channels,
        raw=True,
    )
    place_bits(draft, raw, data.start, data.length)
