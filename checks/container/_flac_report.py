"""What the walk over the frames of a FLAC stream means against STREAMINFO."""

from __future__ import annotations

from typing import Final

from checks.container._draft import Draft
from checks.container._flac_metadata import StreamInfo
from checks.container._flac_walk import FlacWalk, Place
from checks.model import Remedy, Verdict

_LEAST_BLOCK: Final = 16  # RFC 9639: smallest block but for the last

_PLACES: Final = {
    "damaged": "FLAC frames are damaged here, their checksums are wrong: what they held cannot be "
    "trusted",
    "missing": "FLAC frames are missing here: their numbers jump ahead",
    "repeated": "The stream goes back here and repeats numbers it had already passed",
    "foreign": "Bytes that are no FLAC frame stand between the metadata and the audio",
    "zeros": "Zeros were put between two FLAC frames here: the frames are whole, but decoders may "
    "stop",
}


def report_walk(draft: Draft, info: StreamInfo, walk: FlacWalk, stop: int) -> None:
    """Fill in the frames found and report all that is not as STREAMINFO claims."""
    draft.found_frames = walk.frames
    if not walk.good:
        _no_frames(draft, info, walk)
        return
    draft.audio_offset = walk.first_at
    draft.audio_bytes = stop - walk.first_at
    for place in walk.places:
        _place(draft, place, walk)
    if walk.first:
        draft.add(
            "bad-chunk",
            f"The first FLAC frame gives its place as frame {walk.first:,}: what was in front of "
            "it is missing, or the file was cut out of a longer one.",
            remedy=Remedy.LISTEN,
            first_frame=walk.first,
        )
    _end(draft, info, walk)
    _blocks(draft, info, walk)
    _forms(draft, info, walk)


def _no_frames(draft: Draft, info: StreamInfo, walk: FlacWalk) -> None:
    draft.complete = False
    claim = f"claims {info.frames:,} frames" if info.frames else "leaves the length open"
    kind = "truncated" if info.frames else "empty"
    draft.add(
        kind,
        f"The header {claim} and not one sound FLAC frame is there: fetch the file again from "
        "where it was recorded before the tape is played again.",
        claimed_frames=info.frames or None,
        present_frames=0,
        looked_at_bytes=(walk.gave_up_at or draft.window.size) - walk.start,
    )


def _place(draft: Draft, place: Place, walk: FlacWalk) -> None:
    audio_lost = place.kind in ("damaged", "missing", "repeated")
    draft.add(
        "bad-chunk",
        f"{_PLACES[place.kind]}; fetch the file again from where it was recorded.",
        verdict=Verdict.REDO if audio_lost else Verdict.LISTEN,
        remedy=Remedy.RECOPY,
        place=(place.start, place.frames),
        what=place.kind,
        offset_bytes=place.at,
        frames=place.frames,
        count=walk.place_count,
        listed=len(walk.places),
    )


def _end(draft: Draft, info: StreamInfo, walk: FlacWalk) -> None:
    """Where the stream ends, against where it should."""
    short = max(0, info.frames - walk.last)
    if walk.cut_at is not None:
        draft.complete = False
        lost = short or walk.cut_frames
        claim = f", {info.frames:,} are claimed" if info.frames else ""
        draft.add(
            "truncated",
            f"The stream breaks off within a FLAC frame after {walk.last:,} frames{claim}: fetch "
            "the file again from where it was recorded before the tape is played again.",
            place=(walk.last, lost),
            last_good_frame=walk.last,
            claimed_frames=info.frames or None,
            present_frames=walk.frames,
            offset_bytes=walk.cut_at,
            present_percent=_percent(walk.last, info),
        )
    elif walk.gave_up_at is not None:
        draft.complete = False
        draft.add(
            "truncated",
            f"Behind {walk.last:,} frames no sound FLAC frame follows for as long as was looked "
            "for: fetch the file again from where it was recorded.",
            place=(walk.last, short),
            last_good_frame=walk.last,
            claimed_frames=info.frames or None,
            present_frames=walk.frames,
            offset_bytes=walk.gave_up_at,
            present_percent=_percent(walk.last, info),
        )
    elif short:
        draft.complete = False
        draft.add(
            "truncated",
            f"The header claims {info.frames:,} frames and the stream ends after {walk.last:,}: "
            "fetch the file again from where it was recorded before the tape is played again.",
            place=(walk.last, short),
            last_good_frame=walk.last,
            claimed_frames=info.frames,
            present_frames=walk.frames,
            present_percent=_percent(walk.last, info),
        )
    elif 0 < info.frames < walk.last:
        draft.add(
            "size-mismatch",
            f"The header claims {info.frames:,} frames and {walk.last:,} are there: the audio is "
            "whole, but decoders may stop early; mend the header.",
            claimed_frames=info.frames,
            recoverable_frames=walk.frames,
        )
    elif info.unwritten:
        draft.complete = False
        draft.add(
            "unfinalised",
            f"Length and digest in the header were never written, {walk.frames:,} frames are there "
            "and whole: the recording was interrupted or is still running; they can be recovered "
            "by mending the header.",
            recoverable_frames=walk.frames,
        )
    elif info.frames == 0:
        draft.add(
            "size-mismatch",
            f"The header leaves the length open, as the format allows; {walk.frames:,} frames are "
            "there.",
            verdict=Verdict.CLEAR,
            remedy=Remedy.NONE,
            present_frames=walk.frames,
        )


def _percent(present: int, info: StreamInfo) -> float | None:
    return round(100.0 * present / info.frames, 3) if info.frames else None


def _blocks(draft: Draft, info: StreamInfo, walk: FlacWalk) -> None:
    if walk.largest_block > info.max_block:
        draft.add(
            "bad-chunk",
            f"The header claims blocks of at most {info.max_block:,} frames, blocks of "
            f"{walk.largest_block:,} occur: the audio is whole, but decoders may fail; mend the "
            "header.",
            claimed_frames=info.max_block,
            found_frames=walk.largest_block,
        )
    if 0 < walk.smallest_block < _LEAST_BLOCK:
        draft.add(
            "bad-chunk",
            f"Blocks of {walk.smallest_block} frames occur, where the format allows {_LEAST_BLOCK} "
            "at least: the audio is whole, but decoders may fail.",
            found_frames=walk.smallest_block,
        )


def _forms(draft: Draft, info: StreamInfo, walk: FlacWalk) -> None:
    """Tracks, bits and rate as the frames give them."""
    claimed = (info.channels, info.bits, info.rate_hz)
    forms: dict[tuple[int, int, int], int] = {}
    for (channels, bits, rate), start in walk.forms.items():
        form = (channels, bits or info.bits, rate or info.rate_hz)
        forms[form] = min(start, forms.get(form, start))
    other = {form: start for form, start in forms.items() if form != claimed}
    if not other:
        return
    first = min(other, key=lambda form: other[form])
    said = [_form(form) for form in sorted(forms, key=lambda form: forms[form])]
    if len(forms) == 1:
        draft.add(
            "bad-chunk",
            f"The header claims {_form(claimed)}, the FLAC frames hold {said[0]}: decoded as the "
            "header says, the audio comes out wrong; mend the header.",
            verdict=Verdict.REDO,
            claimed=_form(claimed),
            found=said,
        )
        return
    draft.add(
        "bad-chunk",
        f"The stream changes its form on the way ({'; '.join(said)}), which decoders follow badly "
        "or not at all.",
        verdict=Verdict.REDO,
        remedy=Remedy.RECOPY,
        place=(other[first], max(0, walk.last - other[first])),
        claimed=_form(claimed),
        found=said,
    )


def _form(form: tuple[int, int, int]) -> str:
    channels, bits, rate = form
    return f"{channels} track{'s' if channels != 1 else ''} of {bits} bits at {rate:,} Hz"
