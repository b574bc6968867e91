"""Files of other kinds: DSD, told plainly as unread; those a decoder may still read; the rest."""

from __future__ import annotations

import struct
from typing import Final

import numpy as np

from checks.container._draft import Draft, printable, unsupported
from checks.container._flac_headers import find_headers
from checks.container._format import SampleFormat, outside_limits
from checks.model import Encoding

# First bytes of kinds that libsndfile 1.2 may read (its documentation), and what people call them.
_DECODED: Final = (
    (b".snd", "AU"),
    (b"dns.", "AU, little-endian"),
    (b"OggS", "Ogg"),
    (b"Creative Voice File", "VOC"),
    (b"NIST_1A", "NIST SPHERE"),
    (b"PVF1", "PVF"),
    (b" paf", "PAF"),
    (b"fap ", "PAF"),
    (b"2BIT", "AVR"),
    (b"MATLAB 5", "MAT5"),
    (b"\x64\xa3", "IRCAM"),
    (b"\x00\x01\xa3\x64", "IRCAM"),
    (b"\x00\x02\xa3\x64", "IRCAM"),
)


def parse_dsf(draft: Draft) -> None:
    """DSF: little-endian, 1-bit samples in blocks of 4,096 bytes a track."""
    window = draft.window
    head = window.read(0, 92)
    draft.chunk(b"DSD ", 0, 28)
    draft.fmt = SampleFormat(encoding=Encoding.DSD, coding="DSD", word_length=1)
    if len(head) < 92 or head[28:32] != b"fmt " or head[80:84] != b"data":
        draft.add("unreadable", "The header of this DSD file is damaged or cut: fetch it again.")
        return
    draft.chunk(b"fmt ", 28, 40)
    file_size = struct.unpack_from("<Q", head, 12)[0]
    channels, rate = struct.unpack_from("<II", head, 52)
    samples = struct.unpack_from("<Q", head, 64)[0]
    size = struct.unpack_from("<Q", head, 84)[0] - 12
    draft.chunk(b"data", 80, max(0, size))
    _dsd(draft, "DSD", channels, rate, samples, 92, size)
    if file_size > window.size and draft.complete:
        _short(draft, file_size, window.size, "a file of")


def parse_dsdiff(draft: Draft) -> None:
    """DSDIFF: big-endian, 64-bit sizes, samples interleaved byte by byte."""
    window = draft.window
    draft.fmt = SampleFormat(encoding=Encoding.DSD, coding="DSD", word_length=1)
    rate = channels = 0
    coding = "DSD"
    at, stop = 16, window.size
    found = False
    while at + 12 <= stop and draft.chunk_count < draft.limits.max_chunks:
        raw = window.read(at, 12)
        name, size = raw[:4], struct.unpack_from(">Q", raw, 4)[0]
        start = at + 12
        draft.chunk(name, at, min(size, 2**63 - 1))
        if name == b"PROP":
            at = start + 4  # its own chunks follow the four bytes of its type
            continue
        if name == b"FS  ":
            rate = int.from_bytes(window.read(start, 4), "big")
        elif name == b"CHNL":
            channels = int.from_bytes(window.read(start, 2), "big")
        elif name == b"CMPR":
            coding = printable(window.read(start, 4)).strip()
        elif name in (b"DSD ", b"DST "):
            found = True
            samples = size * 8 // channels if channels and name == b"DSD " else None
            _dsd(draft, coding, channels, rate, samples, start, size)
        at = start + size + size % 2
    if not found:
        draft.add("unreadable", "This DSDIFF file holds no audio or a damaged header.")


def _dsd(
    draft: Draft, coding: str, channels: int, rate: int, samples: int | None, start: int, size: int
) -> None:
    there = draft.window.size - start
    draft.fmt = SampleFormat(encoding=Encoding.DSD, coding=coding, word_length=1)
    draft.audio_offset = start
    draft.audio_bytes = max(0, min(size, there))
    wrong = outside_limits(channels, rate / 64)  # 64 one-bit samples for one of whole words
    if wrong is None:
        draft.fmt = SampleFormat(
            encoding=Encoding.DSD, coding=coding, rate_hz=rate, channels=channels, word_length=1
        )
        draft.header_frames = samples if samples and samples < 2**63 else None
        unsupported(draft)
    else:
        draft.add("unreadable", "The header of this DSD file is damaged: fetch it again.")
    if size > there:
        _short(draft, size, there, "audio of")


def _short(draft: Draft, claimed: int, there: int, what: str) -> None:
    draft.complete = False
    draft.add(
        "truncated",
        f"The header claims {what} {claimed:,} bytes and {there:,} are there: fetch the file "
        "again from where it was recorded before the tape is played again.",
        claimed_bytes=min(claimed, 2**63 - 1),
        present_bytes=there,
        present_percent=round(100.0 * there / claimed, 3),
    )


def parse_other(draft: Draft, head: bytes) -> None:
    """Name what a decoder may still read; report the rest as unreadable."""
    for magic, coding in _DECODED:
        if head.startswith(magic):
            draft.fmt = SampleFormat(coding=coding)
            draft.audio_bytes = draft.window.size
            if coding.startswith("AU"):
                _au(draft, head)
            return
    if head[:4] == b"FORM" and head[8:12] in (b"8SVX", b"16SV"):
        draft.fmt = SampleFormat(coding=printable(head[8:12]))
        draft.audio_bytes = draft.window.size
        return
    if head[:3] == b"ID3" or (len(head) > 1 and head[0] == 0xFF and head[1] & 0xE6 == 0xE2):
        draft.fmt = SampleFormat(coding="MPEG audio")
        draft.audio_bytes = draft.window.size
        return
    draft.add("unreadable", f"{_what(head)}: fetch the file again.", bytes=draft.window.size)


def _au(draft: Draft, head: bytes) -> None:
    """AU tells the size of its audio: a short one is a cut file."""
    if len(head) < 24:
        draft.add("unreadable", "The file ends within its header: fetch it again.")
        return
    order = ">" if head[:1] == b"." else "<"
    start, size = struct.unpack_from(f"{order}II", head, 4)
    there = max(0, draft.window.size - start)
    if size == 2**32 - 1:
        draft.complete = False
        draft.add(
            "unfinalised",
            f"The size of the audio was never written; {there:,} bytes of audio follow the header.",
            recoverable_bytes=there,
        )
    elif size > there:
        _short(draft, size, there, "audio of")


_BEGINNINGS: Final = {b"RIFF": "WAVE", b"RF64": "WAVE", b"BW64": "WAVE", b"FORM": "AIFF"}


def _what(head: bytes) -> str:
    if not head:
        return "The file is empty"
    if not any(head):
        return "The file begins with zeros where a header should be, and was perhaps never written"
    if head[8:12] == b"WAVE":
        return "The file's first bytes are damaged, though it seems to be a WAVE file"
    if head[:1] == b"\xff" and len(find_headers(np.frombuffer(head, np.uint8), 1)):
        return "The file begins with FLAC frames, the header that belongs before them is missing"
    if len(head) < 12 and head[:4] in _BEGINNINGS:
        kind = _BEGINNINGS[head[:4]]
        return f"The file ends after {len(head)} bytes, within what was to be a header of {kind}"
    if head[:4] == b"FORM":
        return f"This is an IFF file of type {printable(head[8:12])}, which holds no audio"
    text = head.isascii() and all(b >= 0x20 or b in b"\t\r\n" for b in head)
    if text:
        return "This is a text, perhaps one that stands in for a file stored elsewhere"
    return "This is no audio file of any kind known here"
