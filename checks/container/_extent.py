"""How far the audio goes: what a size field claims against the bytes that are there.

The forms an interrupted or overlong recording takes are those seen on disk: sizes never written
(0, 8, -1), sizes kept modulo 2^32, sizes larger than the file, sizes from before the last write.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, auto
from typing import Final

from checks.container._draft import Draft
from checks.container._evidence import sounds_like_audio
from checks.model import Encoding, Remedy, Verdict

WRAP: Final = 2**32
UNKNOWN32: Final = 2**32 - 1
# A size that also counts the header in front of the audio (a mistake of writers, from memory)
# is too large by no more than that header.
_HEADER_COUNTED: Final = 64


class Sizes(Enum):
    """How the claimed size stands to the bytes there."""

    AGREE = auto()
    EMPTY = auto()  # zero claimed, and nothing that could be audio behind it
    UNWRITTEN = auto()
    SATURATED = auto()  # 32 bits cannot hold the size, the field holds its largest value
    WRAPPED = auto()
    SHORT = auto()
    OVERCOUNT = auto()
    STALE = auto()  # more bytes behind the claimed end, and they are no chunks


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """Bytes of audio from ``start`` on; ``claimed`` is None where the size was never written."""

    start: int
    length: int
    claimed: int | None
    state: Sizes
    behind: int = 0  # STALE: bytes after the claimed end

    @property
    def stop(self) -> int:
        return self.start + self.length


def extent(
    file_size: int,
    start: int,
    claimed: int,
    reaches_end: Callable[[int], bool],
    chunk_at: Callable[[int], bool],
    *,
    wide: bool,
    outer_agrees: bool = False,
    wraps: bool = False,
    will_grow: bool = False,
) -> Extent:
    """Settle how much audio lies behind ``start``.

    Args:
        file_size, start: bytes.
        claimed: what the size field says of the audio.
        reaches_end: whether from an offset on sound chunks follow to the end of the file.
        chunk_at: whether a chunk that fits into the file begins at an offset.
        wide: the field has 64 bits and cannot wrap or saturate.
        outer_agrees: the size of the outermost chunk agrees with the file's length.
        wraps: the outermost size equals the file's length modulo 2^32 only.
        will_grow: room was kept for 64-bit sizes, so a saturated field is an unwritten one.
    """
    there = max(0, file_size - start)

    def made(state: Sizes, length: int, claim: int | None, behind: int = 0) -> Extent:
        return Extent(start=start, length=length, claimed=claim, state=state, behind=behind)

    if claimed <= 0 or (wide and claimed >= 2**63 - 1):
        if there == 0 or reaches_end(start):
            return made(Sizes.EMPTY, 0, 0)
        return made(Sizes.UNWRITTEN, there, None)
    if not wide and claimed == UNKNOWN32 and there - claimed not in (0, 1):  # 1: a pad byte
        saturated = there > UNKNOWN32 and not will_grow
        return made(Sizes.SATURATED if saturated else Sizes.UNWRITTEN, there, None)
    if claimed > there:
        if outer_agrees and claimed - there <= _HEADER_COUNTED:
            return made(Sizes.OVERCOUNT, there, claimed)
        return made(Sizes.SHORT, there, claimed)
    end = start + claimed
    if not wide and there - claimed >= WRAP and not reaches_end(end):
        turns = (there - claimed) // WRAP
        for more in (turns, turns - 1):
            length = claimed + more * WRAP
            if more > 0 and (reaches_end(start + length) or (wraps and more == turns)):
                return made(Sizes.WRAPPED, length, claimed)
    if end in (file_size, file_size - claimed % 2) or chunk_at(end):  # at most a pad byte left
        return made(Sizes.AGREE, claimed, claimed)
    return made(Sizes.STALE, claimed, claimed, behind=file_size - end)


def report_raw_extent(draft: Draft, found: Extent, *, detail: str = "") -> None:
    """Fill in where raw audio lies and report how its size stands to the header.

    Args:
        draft: with its format settled (``block_align`` over zero).
        found: the extent as the container's chunks tell it.
        detail: what the size fields hold, for the sentence about sizes never written.
    """
    align = draft.fmt.block_align
    length = found.length
    state = found.state
    if state is Sizes.STALE:
        length, state = _behind_the_end(draft, found)
    frames = length // align
    stray = length - frames * align
    claimed = None if found.claimed is None else found.claimed // align
    draft.audio_offset = found.start
    draft.audio_bytes = frames * align
    draft.found_frames = frames
    draft.header_frames = claimed
    if state is Sizes.UNWRITTEN and frames == 0:
        state = Sizes.EMPTY
    if state is Sizes.UNWRITTEN:
        draft.complete = False
        draft.add(
            "unfinalised",
            f"The sizes in the header were never written{detail}: the recording was interrupted "
            f"or is still running; {frames:,} frames follow the header and can be recovered by "
            "mending it, though whether the recording had reached its end cannot be told from "
            "the file.",
            recoverable_frames=frames,
            stray_bytes=stray,
        )
    elif state is Sizes.SATURATED:
        draft.complete = False
        draft.add(
            "size-mismatch",
            "The audio is longer than the 4 GiB that the header's size fields can hold, and they "
            f"say only that; all {frames:,} frames to the end of the file are taken as audio: "
            "mend the header, the tape can stay on the shelf.",
            recoverable_frames=frames,
            stray_bytes=stray,
        )
    elif state is Sizes.WRAPPED:
        draft.add(
            "size-mismatch",
            f"The header's size wrapped at 4 GiB and claims {claimed:,} frames where {frames:,} "
            "are there: the audio is whole, mend the header before other programs lose most of "
            "it; the tape can stay on the shelf.",
            recoverable_frames=frames,
            claimed_frames=claimed,
        )
    elif state is Sizes.SHORT and found.claimed:
        draft.complete = False
        _report_short(draft, found.claimed, length)
    elif state is Sizes.OVERCOUNT and found.claimed:
        draft.add(
            "size-mismatch",
            f"The audio's size in the header is {found.claimed - length} bytes too large, as if "
            "it counted the header too, while the size of the whole file is right: the audio is "
            "whole, mend the header.",
            claimed_bytes=found.claimed,
            present_bytes=length,
        )
    elif state is Sizes.EMPTY or frames == 0:
        draft.complete = False
        _report_empty(draft, length)
    elif stray:
        draft.add(
            "size-mismatch",
            f"The audio ends in a part of a frame: {frames:,} whole frames and {stray} stray "
            "bytes of the next; the whole frames are sound, the header wants mending.",
            stray_bytes=stray,
            whole_frames=frames,
        )


def report_coded_extent(draft: Draft, found: Extent, *, frames: int | None = None) -> None:
    """Fill in where coded audio lies, and report how its size stands to the header.

    ``frames``: the count of frames that the header gives beside the size, if any.
    """
    draft.audio_offset = found.start
    draft.audio_bytes = found.length
    channels = draft.fmt.channels
    if draft.fmt.encoding in (Encoding.ALAW, Encoding.ULAW):  # G.711: one byte a sample
        draft.found_frames = found.length // channels
        draft.header_frames = None if found.claimed is None else found.claimed // channels
    else:
        draft.header_frames = frames or None
    if found.state is Sizes.SHORT and found.claimed:
        draft.complete = False
        percent = 100.0 * found.length / found.claimed
        draft.add(
            "truncated",
            f"The header claims {found.claimed:,} bytes of coded audio and {found.length:,} are "
            f"there: truncated, {_percent(percent)} % present; fetch the file again from where it "
            "was recorded before the tape is played again.",
            claimed_bytes=found.claimed,
            present_bytes=found.length,
            present_percent=round(percent, 3),
        )
    elif found.state in (Sizes.UNWRITTEN, Sizes.SATURATED):
        draft.complete = False
        draft.add(
            "unfinalised",
            f"The sizes in the header were never written; {found.length:,} bytes of coded audio "
            "follow it and can be recovered by mending the header.",
            recoverable_bytes=found.length,
        )
    elif found.length == 0:
        draft.complete = False
        draft.found_frames = 0
        _report_empty(draft, 0)


def _report_empty(draft: Draft, there: int) -> None:
    draft.add(
        "empty",
        "The file holds a header and not one whole frame of audio: fetch it again from where it "
        "was recorded; if it is empty there too, nothing was recorded.",
        present_bytes=there,
    )


def _report_short(draft: Draft, claimed: int, there: int) -> None:
    align = draft.fmt.block_align
    frames, wanted = there // align, claimed // align
    percent = 100.0 * there / claimed
    draft.add(
        "truncated",
        f"The header claims {wanted:,} frames and {frames:,} are there: truncated, "
        f"{_percent(percent)} % present; fetch the file again from where it was recorded before "
        "the tape is played again.",
        place=(frames, max(0, wanted - frames)),
        claimed_frames=wanted,
        present_frames=frames,
        missing_bytes=claimed - there,
        present_percent=round(percent, 3),
    )


def _percent(value: float) -> str:
    """A share in words that never rounds an incomplete file up to 100 %."""
    if value >= 99.95:
        return "more than 99.9"
    return f"{value:.1f}".removesuffix(".0") if value >= 0.1 or value == 0 else "less than 0.1"


def _behind_the_end(draft: Draft, found: Extent) -> tuple[int, Sizes]:
    """Whether what lies behind the claimed end is more audio or foreign bytes."""
    align = draft.fmt.block_align
    more = found.behind // align * align
    stop = found.start + found.length
    audio = sounds_like_audio(draft.window, stop, more, draft.fmt)
    if audio:
        whole = (found.length + found.behind) // align
        draft.complete = False
        draft.add(
            "size-mismatch",
            f"The header claims {found.length // align:,} frames, but audio goes on behind them "
            f"to {whole:,}: the sizes were not brought up to date when the recording ended; all "
            "of it is looked at, mend the header; the tape can stay on the shelf.",
            claimed_frames=found.length // align,
            recoverable_frames=whole,
        )
        return found.length + found.behind, Sizes.AGREE
    if audio is False and found.behind >= align * draft.fmt.rate_hz:
        draft.add(
            "trailing-bytes",
            f"{found.behind:,} bytes that are no chunk follow the audio; they do not look like "
            "audio, but hold more than a second of it if they are: compare with the recording.",
            verdict=Verdict.LISTEN,
            remedy=Remedy.LISTEN,
            bytes=found.behind,
        )
        return found.length, Sizes.AGREE
    draft.add(
        "trailing-bytes",
        f"{found.behind:,} bytes that are neither audio nor a chunk follow the audio.",
        bytes=found.behind,
    )
    return found.length, Sizes.AGREE
