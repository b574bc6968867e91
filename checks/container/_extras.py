"""Chunks beside the audio: XML, track tables, digests. Looked at, never obeyed.

XML is not parsed: an entity bomb would be set off by that. Only whether it begins and ends like a
document of its kind is looked at, in a bounded number of bytes.
"""

from __future__ import annotations

import re
import struct
from typing import Final

from checks.container._draft import Draft, Window

_EDGE: Final = 16_384  # bytes looked at from either end of an XML chunk
_BOMS: Final = (
    (b"\xef\xbb\xbf", "utf-8"),
    (b"\xff\xfe", "utf-16-le"),
    (b"\xfe\xff", "utf-16-be"),
)
_PROLOGUE: Final = re.compile(r"\s*(<\?.{0,400}?\?>|<!--.{0,4000}?-->|<![A-Za-z].{0,400}?>)", re.S)
_ROOT: Final = re.compile(r"\s*<([A-Za-z_:][\w:.\-]{0,100})")


def check_xml(draft: Draft, name: str, start: int, size: int, *, root: str | None) -> None:
    """Report an XML chunk that is empty, does not begin as XML or is cut before its end."""
    wrong = _xml_fault(draft.window, start, size, root)
    if wrong is not None:
        draft.add(
            "bad-chunk",
            f"The {name} chunk {wrong}: what it says of the recording is not to be relied on, "
            "the audio is not touched.",
            bytes=size,
        )


def _xml_fault(window: Window, start: int, size: int, root: str | None) -> str | None:
    head = window.read(start, min(size, _EDGE))
    encoding = next((code for bom, code in _BOMS if head.startswith(bom)), None)
    if encoding is None:
        wide = head[:2]
        encoding = {b"<\0": "utf-16-le", b"\0<": "utf-16-be"}.get(wide, "utf-8")
    text = head.decode(encoding, "replace").lstrip("\ufeff")
    while (prologue := _PROLOGUE.match(text)) is not None:
        text = text[prologue.end() :]
    opened = _ROOT.match(text)
    if not text.strip("\0 \t\r\n"):
        return "is empty"
    if opened is None:
        return "is no XML"
    if root is not None and opened[1] != root:
        return f"should begin with the element {root}"
    tail = _tail(window, start, size).decode(encoding, "replace").rstrip("\0 \t\r\n")
    if not tail.endswith((f"</{opened[1]}>", "/>", "-->")):
        return "is cut before the end of its XML"
    return None


def _tail(window: Window, start: int, size: int) -> bytes:
    """The last bytes of a chunk that carry anything: writers fill up with NUL and blanks."""
    stop = start + size
    for _ in range(64):  # at most a mebibyte of filling
        at = max(start, stop - _EDGE)
        piece = window.read(at, stop - at)
        if piece.strip(b"\0 \t\r\n") or at == start:
            break
        stop = at
    return piece if len(piece) % 2 == 0 or stop - at < _EDGE else piece[1:]


def check_chna(draft: Draft, payload: bytes, size: int, channels: int) -> None:
    """ITU-R BS.2088-1 ``chna``: a table of 40-byte entries, tracks counted from 1."""
    count = struct.unpack_from("<H", payload, 2)[0] if len(payload) >= 4 else 0
    if size < 4 or size < 4 + 40 * count:
        draft.add(
            "bad-chunk",
            f"The chna chunk claims {count} entries and has room for {max(0, size - 4) // 40}: "
            "the list of tracks is damaged, the audio is not touched.",
            claimed=count,
            room=max(0, size - 4) // 40,
        )
        return
    tracks = [struct.unpack_from("<H", payload, 4 + 40 * n)[0] for n in range(count)]
    beyond = [track for track in tracks if track > channels]
    if beyond and channels:
        draft.add(
            "bad-chunk",
            f"The chna chunk names track {max(beyond)} of a file of {channels} tracks: the list "
            "of tracks does not belong to this audio.",
            named=max(beyond),
            channels=channels,
        )


def check_fact(draft: Draft, fact: int | None) -> None:
    """Compare a count of frames beside the sizes (``fact``, ``ds64``) with those there."""
    found = draft.found_frames
    if fact is None or found is None or fact == found or not found:
        return
    if not draft.complete or fact in (0, 0xFFFFFFFF):
        return  # never written: said already, or harmless
    channels = draft.fmt.channels
    if fact == (found & 0xFFFFFFFF) or fact == found * channels:
        return  # wrapped like all sizes of its time, or counting the samples of all tracks
    if fact > found:
        draft.add(
            "size-mismatch",
            f"A count in the header speaks of {fact:,} frames, {found:,} are there, though the "
            "other sizes agree: compare with the recording it was copied from, since audio may be "
            "missing.",
            fact_frames=fact,
            found_frames=found,
        )
        return
    draft.add(
        "size-mismatch",
        f"A count in the header speaks of {fact:,} frames, {found:,} are there: the audio is "
        "whole, mend the header.",
        fact_frames=fact,
        found_frames=found,
    )
