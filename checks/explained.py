"""What the findings of one check explain in those of another: one fault is told once.

Flat tops hold no hiss, which looks like a tape that lifts from the head. Two tracks of one signal
are one witness of a jump, not two. Where a track holds a stretch of another, it jumps at both
seams. Timecode, pilot tones and clicks are square or made of samples: they know no programme to
be cut off, their overtones are lines above 20 kHz, and some jump by nature; nor do timecode and
clicks know hiss to fall, as a pilot tone does, whose dips are told. Where peaks wrap round, words
look wrong; where words are scrambled, some look like peaks that wrapped round; where words are
wrong at a regular distance, the spectrum is mirrored and the mean moves. A bit that stands still
moves the mean by half its weight. Such findings become notes that say so; nothing is taken away but
notes on what hiss and spectrum of a track without programme do not show. A ``redo`` is never
changed but where another ``redo`` tells of the same samples or words, nor a jump that stands by
itself, nor a lift that lasts longer than the longest flat top.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from checks.measures import TracksMeasures
from checks.model import Finding, Outcome, Remedy, Verdict
from checks.sheet import TrackKind
from checks.tracks import TracksOutcome, heard_again

_NEAR_S: Final = 0.5  # the first and last tops of a clipped stretch may be too short to be counted
_SMEARED_MS: Final = 2.0  # by which the bands of the tape's part lengthen a place
_MORE_THAN_A_LIFT_DB: Final = 14.0
"""Fall of the hiss: where a tape lifts, the amplifier's noise stays (common practice: 8 to 12 dB
under the hiss)."""

_ALONE_SIGMAS: Final = 12.0  # from where one track by itself shows a jump: see ``dropouts``
_SEAM_FRAMES: Final = 64
_LIKE_TOPS: Final = ("flat-top", "full-scale", "wrap")
_AS_HALF: Final = 0.25  # of half the weight of a stuck bit, by which an offset may differ from it
_DIPS: Final = ("contact-loss", "level-dip")
_ALIKE: Final = ("identical", "same-signal", "inverted", "delayed")

_EXPLAINED: Final = ("dropouts", "ultrasonic", "clipping", "tracks", "format")
_ENDS: Final = ("brickwall", "absent")
_OF_PROGRAMME: Final = (*_ENDS, "line")
_OF_HISS: Final = ("contact-loss", "level-dip", "hf-loss")
_NOTES: Final = ("line", "no-evidence", "not-judged")  # of no use where there is no programme
_OFTEN: Final = 4  # jumps that more come of than of a single fault, told as one; own choice
_NO_HISS: Final = ("no-tape", "signal-lost", "hf-loss")  # where a track's is not heard as it is
_NO_PROGRAMME: Final = tuple(str(k) for k in (TrackKind.TIMECODE, TrackKind.PILOT, TrackKind.CLICK))
_NO_HISS_HEARD: Final = (str(TrackKind.TIMECODE), str(TrackKind.CLICK))  # a sine lets it be heard

_NOT_JUDGED: Final = (
    "This track carries timecode, a pilot tone or a click: its spectrum and its level say nothing "
    "about tape and transfer."
)
_CLICKS: Final = "The signal jumps, as the edges of timecode and the pulses of a click track do."
_FLAT: Final = (
    "In the flat tops of clipped peaks there is no hiss: that is no lift of the tape, and is told "
    "under clipping."
)
_ONE_WITNESS: Final = (
    "The signal moves quickly here, on tracks that carry one and the same signal: they are one "
    "witness, and one track alone shows too little to be called a jump."
)
_WRAPPED: Final = "Words look wrong here because peaks wrap round: that is told under clipping."
_SCRAMBLED: Final = (
    "Some of the scrambled words look like peaks that wrapped round: that is told under dropouts."
)
_SPACED: Final = (
    "Words that are wrong at a regular distance make this: that is told under dropouts."
)
_RECODED: Final = (
    "Words that are written otherwise for a while make this: that is told under dropouts."
)
_STUCK: Final = (
    "The waveform does not swing about zero because bits of its words stand still: that is told "
    "under format."
)
_SEAM: Final = (
    "The signal jumps where a stretch that stands on another track as well begins or ends; that "
    "is told under the equal tracks."
)


def told_once(outcomes: Mapping[str, Outcome], *, rate_hz: int) -> dict[str, Outcome]:
    """The outcomes, with findings that others explain turned into notes."""
    clipped = [
        f for f in _of(outcomes, "clipping") if f.kind in ("full-scale", "flat-top")
    ]  # a wrap is the digital path's: it looks like no lift
    redo = [
        f
        for name in ("clipping", "dropouts")
        for f in _of(outcomes, name)
        if f.verdict is Verdict.REDO and f.start_frame is not None
    ]
    scrambled = [f for f in redo if f.values.get("cause") == "scrambled"]
    wraps = [f for f in redo if f.kind == "wrap" and not any(_within(f, s) for s in scrambled)]
    spaced = [f for f in redo if f.values.get("cause") == "spaced"]
    recoded = [f for f in redo if f.values.get("cause") == "recoded" and "factor" not in f.values]
    stuck = [f for f in _of(outcomes, "format") if f.values.get("stuck_bits")]
    alike = [f for f in _of(outcomes, "tracks") if f.kind in _ALIKE]
    recognised = {
        track: f.values.get("recognised")
        for f in _of(outcomes, "tracks")
        if f.kind == "track-kind"
        for track in f.tracks
    }

    def all_are(f: Finding, kinds: Sequence[str]) -> bool:
        return bool(f.tracks) and all(recognised.get(track) in kinds for track in f.tracks)

    def of_use(f: Finding) -> bool:
        return not (f.kind in _NOTES and f.verdict is Verdict.CLEAR and all_are(f, _NO_PROGRAMME))

    def seen(f: Finding) -> Finding:
        judged = f.kind in _OF_PROGRAMME and all_are(f, _NO_PROGRAMME)
        judged |= f.kind in _OF_HISS and all_are(f, _NO_HISS_HEARD)
        if judged and (f.verdict is Verdict.LISTEN or f.kind in _ENDS):
            return _noted(f, _NOT_JUDGED, "track kind")
        if f.kind == "wrap" and f in redo and f not in wraps:
            return _noted(f, _SCRAMBLED, "scrambled words")
        if f.kind == "dc-offset" and any(_is_half_of_bits(f, one) for one in stuck):
            return _noted(f, _STUCK, "stuck bits")
        if any(_is_of_spaced(f, one, rate_hz) for one in spaced):
            return _noted(f, _SPACED, "wrong words")
        if f.kind in (*_LIKE_TOPS, "unused-bits") and any(_within(f, one) for one in recoded):
            return _noted(f, _RECODED, "wrong words")
        if f.kind == "step" and f.start_frame is not None and any(_within(f, w) for w in wraps):
            return _noted(f, _WRAPPED, "clipping")
        if f.verdict is not Verdict.LISTEN or f.start_frame is None:
            return f
        if f.kind in _DIPS and any(
            _in_tops(f, one, rate_hz) or _at_ceilings(f, one, rate_hz) for one in clipped
        ):
            return _noted(f, _FLAT, "clipping")
        recurs = int(str(f.values.get("times", 1))) > _OFTEN
        again = _NO_PROGRAMME if recurs else (str(TrackKind.CLICK),)
        if f.kind == "step" and all_are(f, again):
            return _noted(f, _CLICKS, "track kind")
        if f.kind == "step" and any(_at_seams(f, one) for one in alike):
            return _noted(f, _SEAM, "equal tracks")
        if f.kind == "step" and _one_witness(f, alike):
            return _noted(f, _ONE_WITNESS, "equal tracks")
        return f

    return {
        name: dataclasses.replace(
            outcome, findings=tuple(map(seen, filter(of_use, outcome.findings)))
        )
        if name in _EXPLAINED
        else outcome
        for name, outcome in outcomes.items()
    }


def hiss_of_tape(outcomes: Mapping[str, Outcome], *, lineup: bool) -> dict[str, Outcome]:
    """The outcomes, with the hiss of every track where the tape runs and its signal is not lost.

    Elsewhere the replay amplifier alone is heard (common practice: 8 to 12 dB under the hiss).

    Args:
        lineup: the sheet calls the capture a line-up, of which nobody tells where the tape stands.
    """
    tracks, tape = outcomes.get("tracks"), outcomes.get("dropouts")
    if not isinstance(tracks, TracksOutcome) or tracks.noise is None or tape is None:
        return dict(outcomes)
    measures: TracksMeasures = tracks.measures
    whole = (0, int(tracks.noise.starts.max(initial=0)) + tracks.noise.frames)
    unknown = lineup or tape.measures is None
    why = "where the tape runs is not known" if unknown else "nowhere heard plainly"
    lines = []
    for line in measures.tracks:
        apart = [
            ((f.start_frame or 0), (f.start_frame or 0) + _frames(f))
            for f in tape.findings
            if f.kind in _NO_HISS and (not f.tracks or line.track - 1 in f.tracks)
        ]
        lines.append(heard_again(line, tracks.noise, [whole] if unknown else apart, why))
    measured = dataclasses.replace(measures, tracks=tuple(lines))
    return {**outcomes, "tracks": dataclasses.replace(tracks, measures=measured)}


def _of(outcomes: Mapping[str, Outcome], check: str) -> Sequence[Finding]:
    return outcomes[check].findings if check in outcomes else ()


def _within(f: Finding, other: Finding) -> bool:
    """Whether a finding lies within places of another, each time, on tracks of the same."""
    if not set(f.tracks) <= set(other.tracks):
        return False
    places = _places(other)
    length = _frames(f) if len(f.starts) == 1 else 0  # it spans all that is told together
    return bool(f.starts) and all(
        any(
            first - _SEAM_FRAMES <= at and at + length <= last + _SEAM_FRAMES
            for first, last in places
        )
        for at in f.starts
    )


def _is_of_spaced(f: Finding, spaced: Finding, rate_hz: int) -> bool:
    """Whether words that are wrong at a regular distance make something else that is told."""
    if not set(f.tracks) <= set(spaced.tracks):
        return False
    if f.kind in _LIKE_TOPS:
        return _within(f, spaced)
    if f.kind == "brickwall":
        return f.values.get("mirror_likeness") is not None
    first, near = spaced.start_frame or 0, round(_NEAR_S * rate_hz)
    start = f.start_frame or 0
    inside = start >= first - near and start + _frames(f) <= first + _frames(spaced) + near
    return f.kind == "dc-offset" and inside


def _is_half_of_bits(offset: Finding, stuck: Finding) -> bool:
    """Whether the mean of a track lies off zero by half the weight of the bits that stand still."""
    bits: Any = stuck.values["stuck_bits"]
    half = 100 * sum(2.0**-bit for bit in bits)  # of full scale 1.0, that of bit 1; percent
    percent: Any = offset.values.get("dc_percent", [])
    by_track = set(offset.tracks) <= set(stuck.tracks)
    return by_track and all(abs(abs(one) / half - 1) <= _AS_HALF for one in percent)


def _places(f: Finding) -> list[tuple[int, int]]:
    """Where a finding was seen, first frame and the one behind the last of each place.

    Where not every place is listed, all it spans.
    """
    lines: Any = f.values.get("by_track", [])
    listed = [place for line in lines for place in line["places"]]
    if listed and sum(place["count"] for place in listed) == f.values.get("count"):
        return [(p["start_frame"], p["start_frame"] + p["frames"]) for p in listed]
    first = f.start_frame or 0
    return [(first, first + _frames(f))]


def _frames(f: Finding) -> int:
    return f.frames or 0


def _in_tops(f: Finding, clipped: Finding, rate_hz: int) -> bool:
    """Whether all hiss is gone for no longer than a flat top of the same tracks lasts."""
    fall, length = f.values.get("hiss_fall_db"), f.values.get("length_ms")
    longest = clipped.values.get("longest_us")
    if not all(isinstance(value, int | float) for value in (fall, length, longest)):
        return False
    start, near = f.start_frame or 0, _NEAR_S * rate_hz
    first = clipped.start_frame or 0
    return (
        set(f.tracks) <= set(clipped.tracks)
        and first - near <= start <= first + _frames(clipped) + near
        and float(str(fall)) >= _MORE_THAN_A_LIFT_DB
        and float(str(length)) <= float(str(longest)) / 1000.0 + _SMEARED_MS
    )


def _at_ceilings(f: Finding, clipped: Finding, rate_hz: int) -> bool:
    """Whether the tracks stand at their ceilings each time, however much noise was added since."""
    lines: Any = clipped.values.get("by_track", [])
    stood = {line["track"] - 1: line.get("stretches", []) for line in lines}
    smeared = round(_SMEARED_MS * 1e-3 * rate_hz)
    length_ms = f.values.get("length_ms")
    if not isinstance(length_ms, int | float):
        return False
    length = round(length_ms * 1e-3 * rate_hz)
    return len(f.starts) == f.values.get("times", 1) and all(
        any(
            first - smeared <= start < first + frames
            and length <= min(frames + smeared, 2 * frames)
            for first, frames in stood.get(track, [])
        )
        for track in f.tracks
        for start in f.starts
    )


def _at_seams(f: Finding, double: Finding) -> bool:
    """Whether a step lies at an end of an equal stretch, on one of its tracks, each time."""
    stretches = double.values.get("stretches")
    if not isinstance(stretches, list) or not set(f.tracks) <= set(double.tracks):
        return False
    seams = [end for start, frames in stretches for end in (start, start + frames)]
    return all(any(abs(at - seam) <= _SEAM_FRAMES for seam in seams) for at in f.starts)


def _one_witness(f: Finding, alike: Iterable[Finding]) -> bool:
    """Whether a step shows on several tracks, of one signal, and too little on each of them."""
    jump = f.values.get("jump_sigma")
    return (
        len(f.tracks) > 1
        and isinstance(jump, int | float)
        and jump < _ALONE_SIGMAS
        and any(set(f.tracks) <= set(one.tracks) for one in alike)
    )


def _noted(f: Finding, why: str, by: str) -> Finding:
    values = {**f.values, "explained_by": by}
    return dataclasses.replace(
        f, verdict=Verdict.CLEAR, remedy=Remedy.NONE, text=why, values=values
    )
