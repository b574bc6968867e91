"""RIFF/WAVE, RIFX, RF64 and BW64: the walk over the chunks, and where the audio lies.

Multimedia Programming Interface and Data Specifications 1.0 (1991); EBU Tech 3306 v2 (2018);
ITU-R BS.2088-1 (10/2019). All arithmetic is in Python integers, every step moves forward, no size
is believed before it is held against the file.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import Final

from checks.container._bext import read_bext
from checks.container._draft import Draft, plausible
from checks.container._extent import UNKNOWN32, WRAP, Extent, Sizes, extent
from checks.container._extras import check_chna, check_fact, check_xml
from checks.container._riff_report import report_riff
from checks.container._waveformat import WaveFormat, read_wave_format

_PAYLOAD: Final = 65_536  # bytes of a small chunk that are looked at
_DS64: Final = 28  # EBU Tech 3306: ds64 without a table
_TABLE: Final = 4_096  # entries of the ds64 table that are looked at
_CHAIN: Final = 64  # chunks followed to see whether they reach the end of the file
# Ids that follow the audio in practice: taken for chunks even where their size is wrong.
_KNOWN: Final = frozenset(
    {b"LIST", b"JUNK", b"junk", b"PAD ", b"FLLR", b"fact", b"PEAK", b"cue ", b"smpl", b"inst"}
    | {b"id3 ", b"ID3 ", b"cart", b"DISP", b"minf", b"regn", b"umid", b"ubxt", b"r64m", b"levl"}
    | {b"bext", b"iXML", b"axml", b"chna", b"MD5 ", b"fmt ", b"data"}
)
_DATA_CHUNKS: Final = 4  # data chunks settled with care; one is allowed
# Chunks whose content is looked at; each may stand in a file only once.
_READ: Final = frozenset({b"fmt ", b"ds64", b"fact", b"bext", b"iXML", b"axml", b"chna", b"MD5 "})
_SEARCH: Final = 1_048_576  # bytes searched for a lost data chunk
MAGICS: Final = {b"RIFF": "wav", b"RIFX": "rifx", b"RF64": "rf64", b"BW64": "bw64"}


@dataclass(slots=True)
class Walk:
    """What the walk over the chunks brought together."""

    draft: Draft
    big_endian: bool
    riff_size: int
    wide: bool  # RF64 or BW64
    ds64_riff: int | None = None
    ds64_data: int | None = None
    ds64_frames: int | None = None
    table: dict[bytes, int] = field(default_factory=dict)
    seen: set[bytes] = field(default_factory=set)
    room_kept: bool = False  # a first chunk that could become ds64
    wave: WaveFormat | None = None
    repeated: bytes | None = None  # a chunk that may stand only once and does not
    fact: int | None = None
    data: Extent | None = None
    data_field: int = 0
    data_seen: int = 0
    data_before_fmt: bool = False
    pads_missing: int = 0
    overrun: tuple[bytes, int, int] | None = None  # id, bytes claimed, bytes there
    stop: int = 12  # where the sound chunks end
    too_many: bool = False
    found_by_search: bool = False

    @property
    def order(self) -> str:
        return ">" if self.big_endian else "<"

    @property
    def claimed_end(self) -> int | None:
        """Where the file should end by its outermost size; None where that was never written."""
        size = self.riff_size
        if self.wide and self.ds64_riff is not None and size == UNKNOWN32:
            size = self.ds64_riff
        return None if size in (0, 8, UNKNOWN32) else size + 8


def parse_riff(draft: Draft, head: bytes) -> None:
    """Parse a file that begins with one of ``MAGICS`` and ``WAVE``."""
    magic = head[:4]
    big = magic == b"RIFX"
    draft.kind = MAGICS[magic]
    size = struct.unpack_from(">I" if big else "<I", head, 4)[0]
    walk = Walk(draft=draft, big_endian=big, riff_size=size, wide=magic in (b"RF64", b"BW64"))
    _walk(walk)
    if walk.data is None:
        _search(walk)
    report_riff(walk)
    fact = walk.fact
    if draft.kind == "rf64" and walk.ds64_frames and fact in (None, UNKNOWN32):
        fact = walk.ds64_frames  # in BW64 the field means nothing, ITU-R BS.2088-1
    check_fact(draft, fact)


def _walk(walk: Walk) -> None:
    draft = walk.draft
    window = draft.window
    at = 12
    while at + 8 <= window.size:
        name, size = _head(walk, at)
        if not plausible(name):
            break
        if draft.chunk_count >= draft.limits.max_chunks:
            walk.too_many = True
            break
        if at == walk.claimed_end and walk.data is not None and at + 8 + size > window.size:
            break  # behind the end that the header claims, and no chunk: trailing bytes
        if at == 12 and name in (b"JUNK", b"junk"):
            walk.room_kept = size >= _DS64
        at = _step(walk, name, at, size)
        walk.stop = min(at, window.size)
        if walk.overrun is not None:
            break


def _head(walk: Walk, at: int) -> tuple[bytes, int]:
    raw = walk.draft.window.read(at, 8)
    if len(raw) < 8:
        return b"", 0
    return raw[:4], struct.unpack_from(f"{walk.order}I", raw, 4)[0]


def _step(walk: Walk, name: bytes, at: int, size: int) -> int:
    """Take one chunk in; where the next one begins."""
    draft = walk.draft
    start = at + 8
    if name == b"data":
        return _data(walk, at, size)
    if size == UNKNOWN32 and name in walk.table:
        size = walk.table[name]
    draft.chunk(name, at, size)
    there = draft.window.size - start
    if size > there:
        walk.overrun = (name, size, there)
        return draft.window.size
    if name in _READ:
        walk.repeated = walk.repeated or (name if name in walk.seen else None)
        if name not in walk.seen:
            walk.seen.add(name)
            _content(walk, name, at, size)
    return _next(walk, start + size, odd=size % 2 == 1)


def _content(walk: Walk, name: bytes, at: int, size: int) -> None:
    """What the first chunk of a kind says."""
    draft = walk.draft
    start = at + 8
    payload = draft.window.read(start, min(size, _PAYLOAD))
    if name == b"fmt ":
        walk.wave = read_wave_format(payload, big_endian=walk.big_endian)
        walk.data_before_fmt = walk.data is not None
    elif name == b"ds64":
        _ds64(walk, payload, at)
    elif name == b"fact" and len(payload) >= 4:
        walk.fact = struct.unpack_from(f"{walk.order}I", payload)[0]
    elif name == b"bext":
        read_bext(draft, payload, size, big_endian=walk.big_endian)
    elif name == b"iXML":
        check_xml(draft, "iXML", start, size, root="BWFXML")
    elif name == b"axml":
        check_xml(draft, "axml", start, size, root=None)
    elif name == b"chna":
        check_chna(draft, payload, size, walk.wave.channels if walk.wave else 0)
    elif name == b"MD5 ":
        draft.md5_chunk = payload if size == 16 else None
        if size != 16:
            draft.add(
                "bad-chunk",
                f"The MD5 chunk holds {size:,} bytes where 16 are a digest: it cannot be used.",
                bytes=size,
            )


def _next(walk: Walk, end: int, *, odd: bool) -> int:
    """The next chunk behind one that ends at ``end``: padded to even, or wrongly not."""
    if not odd:
        return end
    if end >= walk.draft.window.size:
        walk.pads_missing += 1
        return end
    padded, _ = _head(walk, end + 1)
    unpadded, size = _head(walk, end)
    fits = plausible(unpadded) and end + 8 + size <= walk.draft.window.size
    if fits or (plausible(unpadded) and not plausible(padded)):
        walk.pads_missing += 1
        return end
    return end + 1


def _ds64(walk: Walk, payload: bytes, at: int) -> None:
    """The 64-bit sizes; those of a file that does not call itself RF64 or BW64 do not count."""
    if not walk.wide:
        return
    if len(payload) < 24:
        walk.draft.add("bad-chunk", "The ds64 chunk is too short to hold the 64-bit sizes.")
        return
    if at != 12:
        walk.draft.add(
            "bad-chunk", "The ds64 chunk is not the first chunk, as it has to be: mend the header."
        )
    walk.ds64_riff, walk.ds64_data, walk.ds64_frames = struct.unpack_from("<QQQ", payload)
    count = struct.unpack_from("<I", payload, 24)[0] if len(payload) >= 28 else 0
    room = max(0, len(payload) - _DS64) // 12
    if count > room and room < _TABLE:
        walk.draft.add(
            "bad-chunk",
            f"The table of the ds64 chunk claims {count:,} entries and has room for {room:,}.",
            claimed=count,
            room=room,
        )
    for entry in range(min(count, room, _TABLE)):
        name, size = struct.unpack_from("<4sQ", payload, _DS64 + 12 * entry)
        walk.table.setdefault(name, size)


def _data(walk: Walk, at: int, field_size: int) -> int:
    draft = walk.draft
    start = at + 8
    walk.data_seen += 1
    if walk.data_seen > _DATA_CHUNKS:
        stop = min(start + field_size, draft.window.size)
        draft.chunk(b"data", at, field_size)
        return _next(walk, stop, odd=field_size % 2 == 1)
    found = _data_extent(walk, start, field_size)
    draft.chunk(b"data", at, field_size if found.claimed is None else found.claimed)
    if walk.data is None or (walk.data.length == 0 and found.length):
        walk.data, walk.data_field = found, field_size
    padded = found.state in (Sizes.AGREE, Sizes.WRAPPED) and found.length % 2 == 1
    return _next(walk, found.stop, odd=padded)


def _data_extent(walk: Walk, start: int, field_size: int) -> Extent:
    file_size = walk.draft.window.size
    end = walk.claimed_end
    claimed, wide = field_size, False
    long_size = walk.ds64_data
    if walk.wide and long_size is not None:
        fits = start + long_size <= file_size
        if field_size in (0, UNKNOWN32) or (field_size != long_size and fits and long_size):
            claimed, wide = long_size, True
    return extent(
        file_size,
        start,
        claimed,
        lambda offset: _reaches_end(walk, offset),
        lambda offset: _chunk_at(walk, offset),
        wide=wide,
        outer_agrees=end == file_size,
        wraps=end is not None and file_size > end and (file_size - end) % WRAP == 0,
        will_grow=walk.room_kept or walk.wide,
    )


def _chunk_at(walk: Walk, at: int) -> bool:
    """Whether a chunk begins here, or one byte later (padding): one that fits, or a known one."""
    for offset in (at, at + 1):
        name, size = _head(walk, offset)
        fits = offset + 8 + size <= walk.draft.window.size
        if name in _KNOWN or (plausible(name) and fits):
            return True
    return False


def _reaches_end(walk: Walk, at: int) -> bool:
    """Whether sound chunks follow from here exactly to the end of the file."""
    file_size = walk.draft.window.size
    for _ in range(_CHAIN):
        if at in (file_size, file_size + 1):
            return True
        name, size = _head(walk, at)
        if not plausible(name):
            name, size = _head(walk, at + 1)
            at += 1
        if not plausible(name):
            return at + 7 >= file_size and at <= file_size  # less than a chunk's head left
        at += 8 + size + size % 2
    return False


def _search(walk: Walk) -> None:
    """Look for a data chunk that the chain of chunks does not lead to."""
    head = walk.draft.window.read(12, _SEARCH)
    if walk.wave is None and (at := head.find(b"fmt ")) >= 0:
        walk.wave = read_wave_format(head[at + 8 : at + 48], big_endian=walk.big_endian)
    at = head.find(b"data")
    if at < 0 or walk.wave is None or len(head) < at + 8:
        return
    start = 12 + at + 8
    size = struct.unpack_from(f"{walk.order}I", head, at + 4)[0]
    if 0 < size <= walk.draft.window.size - start:
        walk.found_by_search = True
        walk.data, walk.data_field = _data_extent(walk, start, size), size
        walk.overrun = None
        walk.stop = walk.data.stop
