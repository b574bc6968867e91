"""What the walk over a RIFF file's chunks means: the format, the frames, the disagreements."""

from __future__ import annotations

from typing import TYPE_CHECKING

from checks.container._draft import printable
from checks.container._extent import (
    UNKNOWN32,
    WRAP,
    Extent,
    Sizes,
    report_coded_extent,
    report_raw_extent,
)
from checks.container._waveformat import settle_wave_format
from checks.model import Remedy, Verdict

if TYPE_CHECKING:
    from checks.container._riff import Walk


def report_riff(walk: Walk) -> None:
    """Settle the format and the frames, and report everything that does not agree."""
    draft = walk.draft
    _structure(walk)
    data = walk.data
    if data is None or walk.wave is None:
        _no_audio(walk)
        return
    settle_wave_format(draft, walk.wave, data.start, data.length, big_endian=walk.big_endian)
    if draft.fmt.raw:
        report_raw_extent(draft, data, detail=_size_fields(walk))
    else:
        report_coded_extent(draft, data, frames=walk.fact)
    _outer_size(walk, data)


def _structure(walk: Walk) -> None:
    """Chunks that repeat, miss, overrun or stand in the wrong order."""
    draft = walk.draft
    if walk.wide and walk.ds64_data is None:
        draft.add(
            "bad-chunk",
            "The ds64 chunk that holds the true sizes is missing; the audio is taken as far as "
            "the other sizes and the file reach: mend the header.",
        )
    if walk.data_before_fmt:
        draft.add(
            "bad-chunk",
            "The audio stands before the chunk that describes it: legal nowhere, but the audio "
            "is whole; mend the header.",
        )
    if walk.repeated is not None:
        draft.add(
            "bad-chunk",
            f"The file holds more than one {printable(walk.repeated).strip()} chunk where one is "
            "allowed; the first is used.",
            id=printable(walk.repeated),
        )
    if walk.data_seen > 1:
        draft.add(
            "bad-chunk",
            f"The file holds {walk.data_seen} data chunks where one is allowed: only the first "
            "with audio in it was looked at.",
            verdict=Verdict.REDO,
            count=walk.data_seen,
        )
    if walk.too_many:
        draft.add(
            "bad-chunk",
            f"The file holds more than {draft.limits.max_chunks:,} chunks, as no recorder writes "
            "them; the rest was not looked at.",
            count=draft.chunk_count,
        )
    if walk.found_by_search:
        draft.add(
            "bad-chunk",
            "A chunk's size is wrong and leads past the audio, which was found by searching for "
            "it: the audio is looked at, mend the header.",
        )
    if walk.pads_missing:
        draft.add(
            "missing-pad",
            "A chunk of odd length is not followed by the pad byte that belongs there; the audio "
            "is not touched.",
            count=walk.pads_missing,
        )
    if walk.overrun is not None and walk.data is not None:
        name, claimed, there = walk.overrun
        cut = walk.claimed_end is not None and walk.claimed_end > draft.window.size
        draft.complete = draft.complete and not cut
        draft.add(
            "bad-chunk",
            f"A chunk behind the audio claims {claimed:,} bytes and {there:,} are there: what it "
            "held is damaged, the audio in front of it is not touched.",
            remedy=Remedy.RECOPY if cut else Remedy.MEND,
            id=printable(name),
            claimed_bytes=claimed,
            present_bytes=there,
        )


def _no_audio(walk: Walk) -> None:
    """No audio, or nothing that says how to read it."""
    draft = walk.draft
    file_size = draft.window.size
    draft.complete = False
    draft.found_frames = 0
    if walk.data is not None:
        draft.audio_offset, draft.audio_bytes = walk.data.start, walk.data.length
        draft.found_frames = None
        draft.add(
            "unreadable",
            "The chunk that says how the audio is stored is missing or damaged, so the audio "
            "cannot be read: fetch the file again.",
            audio_bytes=walk.data.length,
        )
        return
    if walk.wave is not None:
        settle_wave_format(draft, walk.wave, file_size, 0, big_endian=walk.big_endian)
    end = walk.claimed_end
    if end is not None and end > file_size:
        draft.add(
            "truncated",
            f"The header claims a file of {end:,} bytes, {file_size:,} are there and no audio "
            "among them: fetch the file again from where it was recorded before the tape is "
            "played again.",
            claimed_bytes=end,
            present_bytes=file_size,
            present_percent=round(100.0 * file_size / end, 3),
        )
    elif walk.overrun is not None:
        name, claimed, there = walk.overrun
        draft.add(
            "bad-chunk",
            f"A chunk claims {claimed:,} bytes where {there:,} are left, and no audio was found: "
            "fetch the file again.",
            verdict=Verdict.REDO,
            remedy=Remedy.RECOPY,
            id=printable(name),
            claimed_bytes=claimed,
            present_bytes=there,
        )
    else:
        draft.add(
            "bad-chunk",
            "The file holds no data chunk, so no audio: fetch it again from where it was recorded.",
            verdict=Verdict.REDO,
            remedy=Remedy.RECOPY,
        )


def _size_fields(walk: Walk) -> str:
    held = f" (it says: file {_size(walk.riff_size)}, audio {_size(walk.data_field)})"
    if walk.wide and walk.ds64_data is not None:
        return f" (64-bit sizes: file {walk.ds64_riff}, audio {walk.ds64_data})"
    if walk.room_kept:
        held += ", and the room kept for 64-bit sizes was never filled"
    return held


def _size(value: int) -> str:
    return "unknown" if value == UNKNOWN32 else f"{value:,}"


def _outer_size(walk: Walk, data: Extent) -> None:
    """The size of the whole file as its first chunk claims it."""
    draft = walk.draft
    if data.state not in (Sizes.AGREE, Sizes.STALE, Sizes.EMPTY) or walk.too_many:
        return  # the finding about the audio's own size says it all
    file_size = draft.window.size
    end = walk.claimed_end
    stray = file_size - walk.stop
    if data.state is not Sizes.STALE and stray > 0 and walk.overrun is None:
        draft.add(
            "trailing-bytes",
            f"{stray:,} bytes that are no chunk follow the last one.",
            bytes=stray,
        )
    if end is None:
        if not walk.wide or walk.ds64_riff is not None:
            draft.add(
                "size-mismatch",
                f"The size of the whole file was never written ({_size(walk.riff_size)}), though "
                "that of the audio was: the audio is whole, mend the header.",
                claimed_bytes=None,
                present_bytes=file_size,
            )
        return
    if end in (file_size, walk.stop) or abs(end - file_size) <= (1 if walk.pads_missing else 0):
        return
    if not draft.complete or (end > file_size and walk.overrun is not None):
        return  # told already: the file was cut, or is still being written
    draft.complete = end < file_size  # else the end may still be on its way
    wrapped = (file_size - end) % WRAP == 0
    draft.add(
        "size-mismatch",
        f"The header claims a file of {end:,} bytes, it has {file_size:,}"
        f"{' (wrapped at 4 GiB)' if wrapped else ''}: the audio itself is whole, mend the header"
        f"{'; chunks behind the audio may be missing' if end > file_size else ''}.",
        claimed_bytes=end,
        present_bytes=file_size,
    )
