"""Wave64: chunks named by GUIDs, all sizes 64 bits wide and counting their own 24-byte head.

Layout after two open readers of the format; chunks begin at multiples of 8 bytes.
"""

from __future__ import annotations

import struct
from typing import Final

from checks.container._bext import read_bext
from checks.container._draft import Draft, plausible
from checks.container._extent import Extent, extent, report_coded_extent, report_raw_extent
from checks.container._extras import check_fact
from checks.container._waveformat import WaveFormat, read_wave_format, settle_wave_format
from checks.model import Remedy, Verdict

RIFF_GUID: Final = bytes.fromhex("726966662e91cf11a5d628db04c10000")
WAVE_GUID: Final = bytes.fromhex("77617665f3acd3118cd100c04f8edb8a")
_TAIL: Final = WAVE_GUID[4:]
_HEAD: Final = 24


def parse_w64(draft: Draft) -> None:
    """Parse a file that begins with the GUIDs of ``riff`` and ``wave``."""
    draft.kind = "w64"
    window = draft.window
    outer = struct.unpack_from("<Q", window.read(16, 8).ljust(8, b"\0"))[0]
    wave: WaveFormat | None = None
    data: Extent | None = None
    fact: int | None = None
    at = 40
    while at + _HEAD <= window.size:
        name, size = _head(draft, at)
        if name is None or draft.chunk_count >= draft.limits.max_chunks:
            break
        start = at + _HEAD
        draft.chunk(name, at, max(0, size - _HEAD))
        if name == b"data":
            found = _data_extent(draft, start, size)
            if data is not None:
                _second_data(draft)
            data = data or found
            at = _aligned(found.stop)
            continue
        if size < _HEAD or start + size - _HEAD > window.size:
            draft.add(
                "bad-chunk",
                f"A chunk claims {size:,} bytes, {window.size - at:,} are left: what it held is "
                "damaged.",
                remedy=Remedy.RECOPY,
                claimed_bytes=size,
                present_bytes=window.size - at,
            )
            break
        payload = window.read(start, min(size - _HEAD, 65_536))
        if name == b"fmt " and wave is None:
            wave = read_wave_format(payload, big_endian=False)
        elif name == b"fact" and len(payload) >= 4:
            fact = int.from_bytes(payload[:8], "little")
        elif name == b"bext" and draft.bext is None:
            read_bext(draft, payload, size - _HEAD)
        at = _aligned(at + size)
    _report(draft, wave, data, fact, outer)


def _head(draft: Draft, at: int) -> tuple[bytes | None, int]:
    """A chunk's short name (its GUID in hex where it is none of the family) and size."""
    raw = draft.window.read(at, _HEAD)
    if len(raw) < _HEAD:
        return None, 0
    size = struct.unpack_from("<Q", raw, 16)[0]
    if raw[4:16] == _TAIL:
        return raw[:4], size
    fits = _HEAD <= size <= draft.window.size - at
    return (raw[:16].hex().encode() if fits and plausible(raw[:4]) else None), size


def _aligned(at: int) -> int:
    return -(-at // 8) * 8


def _data_extent(draft: Draft, start: int, size: int) -> Extent:
    file_size = draft.window.size

    def chunk_at(offset: int) -> bool:
        name, length = _head(draft, _aligned(offset))
        if _aligned(offset) >= file_size:
            return file_size - offset < 8
        return name is not None and _HEAD <= length <= file_size - _aligned(offset)

    # 0, 24 and -1 stand for a size never written: less than nothing, nothing, more than can be.
    return extent(file_size, start, size - _HEAD, chunk_at, chunk_at, wide=True)


def _second_data(draft: Draft) -> None:
    draft.add(
        "bad-chunk",
        "The file holds more than one data chunk where one is allowed: only the first was looked "
        "at.",
        verdict=Verdict.REDO,
    )


def _report(
    draft: Draft, wave: WaveFormat | None, data: Extent | None, fact: int | None, outer: int
) -> None:
    if data is None or wave is None:
        no_audio(draft, described=wave is not None, audio=data)
        return
    settle_wave_format(draft, wave, data.start, data.length, big_endian=False)
    if draft.fmt.raw:
        report_raw_extent(draft, data)
    else:
        report_coded_extent(draft, data, frames=fact)
    file_size = draft.window.size
    if draft.complete and outer not in (file_size, _aligned(file_size)) and data.length:
        draft.complete = outer < file_size  # else the end may still be on its way
        draft.add(
            "size-mismatch",
            f"The header claims a file of {outer:,} bytes, it has {file_size:,}: the audio itself "
            "is whole, mend the header.",
            claimed_bytes=min(outer, 2**63 - 1),
            present_bytes=file_size,
        )
    check_fact(draft, fact)


def no_audio(draft: Draft, *, described: bool, audio: Extent | None) -> None:
    """Report a file whose chunks hold no audio, or audio that nothing describes."""
    draft.complete = False
    if audio is not None:
        draft.audio_offset, draft.audio_bytes = audio.start, audio.length
        draft.add(
            "unreadable",
            "The chunk that says how the audio is stored is missing or damaged, so the audio "
            "cannot be read: fetch the file again.",
            audio_bytes=audio.length,
        )
        return
    draft.found_frames = 0
    draft.add(
        "bad-chunk",
        "The file holds no audio" + ("" if described else " and nothing that describes any") + ": "
        "fetch it again from where it was recorded.",
        verdict=Verdict.REDO,
        remedy=Remedy.RECOPY,
    )
