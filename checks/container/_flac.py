"""FLAC (RFC 9639): metadata, then either the walk over all frames or a look at the last one.

STREAMINFO is a claim, the frames are the truth; both are told.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from checks.container._crc import PrefixCrc
from checks.container._draft import Draft, unsupported
from checks.container._flac_headers import find_headers
from checks.container._flac_metadata import StreamInfo, find_stream_end, read_metadata
from checks.container._flac_report import report_walk
from checks.container._flac_walk import walk_frames
from checks.container._format import SampleFormat, outside_limits
from checks.model import Encoding

_DECODED_BITS: Final = (8, 16, 24)  # libsndfile 1.2 refuses all others
# Bytes looked at for the last frame: the largest frame there can be (8 tracks of 65,535 words of
# 32 bits and a little more, RFC 9639) must fit.
_TAIL: Final = 4_194_304
_LEAST_TAIL: Final = 65_536


def parse_flac(draft: Draft, marker: int, *, deep: bool) -> None:
    """Parse a file whose marker ``fLaC`` stands at ``marker``."""
    draft.kind = "flac"
    draft.fmt = SampleFormat(encoding=Encoding.FLAC, coding="FLAC")
    if marker:
        draft.add(
            "leading-bytes", f"{marker:,} bytes of an ID3 tag precede the stream.", bytes=marker
        )
    info, start = read_metadata(draft, marker)
    if info is None:
        draft.add(
            "unreadable",
            "The block that describes the audio is missing, so the audio cannot be decoded: fetch "
            "the file again.",
        )
        return
    draft.header_frames = info.frames or None
    draft.md5 = info.md5 if any(info.md5) else None
    wrong = outside_limits(info.channels, info.rate_hz)
    if wrong is not None:
        draft.add("unreadable", f"The header claims {wrong}; mend the header or fetch it again.")
    draft.fmt = SampleFormat(
        encoding=Encoding.FLAC,
        coding="FLAC",
        rate_hz=info.rate_hz,
        channels=info.channels,
        word_length=info.bits,
    )
    if info.bits not in _DECODED_BITS:
        unsupported(draft, f" of {info.bits} bits")
    stop = find_stream_end(draft.window, start)
    draft.audio_offset = start
    draft.audio_bytes = stop - start
    if stop < draft.window.size:
        draft.add(
            "trailing-bytes",
            f"A tag of {draft.window.size - stop:,} bytes follows the stream.",
            bytes=draft.window.size - stop,
        )
    if deep:
        walk = walk_frames(
            draft.window.read,
            start,
            stop,
            listed=draft.limits.listed_places,
            gap_bytes=draft.limits.flac_gap_mib << 20,
        )
        report_walk(draft, info, walk, stop)
    else:
        _look_at_end(draft, info, start, stop)


def _look_at_end(draft: Draft, info: StreamInfo, start: int, stop: int) -> None:
    """Whether the last frame is whole and ends where STREAMINFO says the audio ends."""
    size = min(_TAIL, max(_LEAST_TAIL, 4 * info.max_bytes), stop - start)
    tail = np.frombuffer(draft.window.read(stop - size, size), np.uint8)
    headers = find_headers(tail, len(tail))
    crc = PrefixCrc()
    values = crc.feed(tail, headers.at)
    whole = np.flatnonzero(values == crc.value)
    end: int | None = None
    if len(whole):
        last = int(whole[-1])
        size = max(info.max_block, int(headers.block[whole].max()))  # the last may be shorter
        unit = 1 if headers.variable[last] else size
        end = int(headers.number[last]) * unit + int(headers.block[last])
    draft.found_frames = end
    if end is None or end < info.frames:
        draft.complete = False
        claim = f" of {info.frames:,} claimed" if info.frames else ""
        draft.add(
            "truncated",
            "The stream does not end in a whole frame"
            if end is None
            else f"The stream ends after {end:,} frames{claim}.",
            claimed_frames=info.frames or None,
            present_frames=end,
        )
    elif info.unwritten:
        draft.complete = False
        draft.add(
            "unfinalised",
            "Length and digest in the header were never written: the recording was interrupted or "
            "is still running.",
            recoverable_frames=end,
        )
