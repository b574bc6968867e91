"""The picture of a capture: a lane for each track, its findings at their places in time.

Geometry alone, in the units of the picture; ``templates/timeline.svg`` draws it. Whatever a report
says, nothing lies outside: it may have been written by anybody.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from checks.model import Verdict, clock
from watcher.files import shown
from watcher.report import FindingLine, Report
from watcher.summary import track_names

WIDTH: Final = 1000.0
_LEFT: Final = 170.0  # room for the names of the tracks
_RIGHT: Final = 860.0  # behind it stands what has no place in time
_MOST_FRAMES: Final = 2**63 - 1  # as many as the largest file of any system may have bytes
_TOP: Final = 40.0
_LANE: Final = 26.0
_BELOW: Final = 34.0  # the times
_LABEL: Final = 21  # characters of a track's name that fit
_NUMBER: Final = 18.0  # room for the number of a finding
_BESIDE: Final = 20.0  # from one finding without a place to the next
_TICKS: Final = 8  # at most, beside the beginning; longer ones, with milliseconds, are fewer
_FINE_TICKS: Final = 6
_TICK: Final = 85.0  # room for a time
_MINUTE, _HOUR = 60_000, 3_600_000
_STEPS_MS: Final = (
    *(1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 15_000, 30_000),
    *(_MINUTE * count for count in (1, 2, 5, 10, 15, 30)),
    *(_HOUR * count for count in (1, 2, 6, 12, 24)),
)
_Place = tuple[int, int | None, int]  # track (0: the whole capture), first frame, frames


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One place of a finding in one lane: where it begins, and how far it reaches."""

    x: float
    y: float
    width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked:
    """One finding in the picture.

    Attributes:
        number: as in the list of findings.
        number_x: where that stands above the lanes; None where there is no room.
        label: what it is, for whoever does not see the picture.
    """

    number: int
    number_x: float | None
    word: str
    label: str
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One track, or the capture as a whole. ``label``: what fits of the name."""

    name: str
    label: str
    y: float


class Tick(NamedTuple):
    x: float
    text: str


class Span(NamedTuple):
    x: float
    width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """All that is drawn."""

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    lane_height: float
    lanes: tuple[Lane, ...]
    programme: tuple[Span, ...]
    ticks: tuple[Tick, ...]
    marked: tuple[Marked, ...]


def timeline(report: Report, findings: Sequence[FindingLine]) -> Timeline | None:
    """The picture of a capture; None where its length is not known.

    Args:
        findings: in the order of their numbers.
    """
    frames, rate = report.capture.frames, report.capture.rate_hz
    if not frames or not rate or not 0 < frames <= _MOST_FRAMES or rate < 0:
        return None
    names = report.capture.tracks
    lanes = [
        Lane(name=name, label=_short(name), y=_TOP + _LANE * (number + 0.5))
        for number, name in enumerate(
            ["whole capture", *(_called(k, name) for k, name in enumerate(names))]
        )
    ]
    bottom = _TOP + _LANE * len(lanes)
    measured = report.measures.dropouts
    return Timeline(
        width=WIDTH,
        height=bottom + _BELOW,
        left=_LEFT,
        right=_RIGHT,
        top=_TOP,
        bottom=bottom,
        lane_height=_LANE,
        lanes=tuple(lanes),
        programme=tuple(
            _span(start * rate, stop * rate, frames)
            for start, stop in (measured.programme_s if measured is not None else ())
        ),
        ticks=tuple(_ticks(frames, rate)),
        marked=tuple(_marked(report, findings, lanes, frames)),
    )


def word(verdict: Verdict) -> str:
    """What a finding is called: one that asks for nothing is a note."""
    return "note" if verdict is Verdict.CLEAR else verdict.value


def _called(track: int, name: str) -> str:
    number = f"track {track + 1}"
    return name if name == number else f"{track + 1} {name}"


def _short(name: str) -> str:
    text = shown(name)
    return text if len(text) <= _LABEL else text[: _LABEL - 1] + "\N{HORIZONTAL ELLIPSIS}"


def _x(frame: float, frames: int) -> float:
    """Where a frame lies; what lies outside the capture stands at its nearer end."""
    share = min(max(frame, 0), frames) / frames
    return round(_LEFT + (_RIGHT - _LEFT) * share, 1)


def _span(start: float, stop: float, frames: int) -> Span:
    left = _x(start, frames)
    return Span(left, round(max(_x(stop, frames) - left, 0.0), 1))


def _ticks(frames: int, rate_hz: int) -> Iterator[Tick]:
    """Times at round distances, and the end; none so near the end that the two would touch."""
    length_ms = frames * 1000 / rate_hz
    most = _STEPS_MS[-1]
    step = next(
        (s for s in _STEPS_MS if length_ms / s <= (_FINE_TICKS if s < 1000 else _TICKS)), None
    )
    if step is None:  # days
        step = most * int(length_ms / most / _TICKS + 1)
    fine = step < 1000
    at = 0
    while (x := _x(at * rate_hz / 1000, frames)) < _RIGHT - _TICK:
        yield Tick(x, _time(at, fine=fine))
        at += step
    yield Tick(_RIGHT, clock(frames, rate_hz))


def _time(ms: int, *, fine: bool) -> str:
    text = clock(ms, 1000)
    return text if fine else text[: text.index(".")]


def _marked(
    report: Report, findings: Sequence[FindingLine], lanes: Sequence[Lane], frames: int
) -> Iterator[Marked]:
    places = [_places(finding) for finding in findings]
    unplaced = [n for n, some in enumerate(places) if any(start is None for _, start, _ in some)]
    apart = min((WIDTH - _RIGHT) / (len(unplaced) + 1), _BESIDE)
    beside = {number: round(_RIGHT + apart * k, 1) for k, number in enumerate(unplaced, 1)}
    marks = [
        tuple(dict.fromkeys(_marks(some, lanes, frames, beside.get(number, _RIGHT))))
        for number, some in enumerate(places)
    ]
    numbers: dict[int, float] = {}
    taken = 0.0
    for x, number in sorted((some[0].x, number) for number, some in enumerate(marks)):
        if x - taken >= _NUMBER:
            numbers[number] = taken = x
    for number, finding in enumerate(findings):
        tracks = shown(track_names(report, finding.tracks)) or "whole capture"
        rate = report.capture.rate_hz or 0
        place = "" if finding.start_frame is None else f" at {clock(finding.start_frame, rate)}"
        yield Marked(
            number=number + 1,
            number_x=numbers.get(number),
            word=word(finding.verdict),
            label=f"{number + 1}: {word(finding.verdict)}, {finding.kind}, {tracks}{place}",
            marks=marks[number],
        )


def _marks(
    places: Sequence[_Place], lanes: Sequence[Lane], frames: int, beside: float
) -> Iterator[Mark]:
    """In order of time; the first lane is the whole capture's."""
    for track, start, length in sorted(places, key=lambda place: place[1] or 0):
        lane = lanes[track] if 0 < track < len(lanes) else lanes[0]
        if start is None:
            yield Mark(x=beside, y=lane.y, width=0.0)
        else:
            span = _span(start, start + max(length, 0), frames)
            yield Mark(x=span.x, y=lane.y, width=span.width)


def _places(finding: FindingLine) -> list[_Place]:
    """Where a finding stands, as exactly as it says."""
    tracks = finding.tracks or (0,)
    own = [
        place
        for line in _mappings(finding.values.get("by_track"))
        for place in _of_track(line, finding.tracks)
    ]
    if own:
        left = set(tracks) - {track for track, _, _ in own}
        return own + [(track, finding.start_frame, finding.frames or 0) for track in left]
    places = [(track, finding.start_frame, finding.frames or 0) for track in tracks]
    if finding.start_frame is not None:
        further = [at for at in finding.starts if at != finding.start_frame]
        places += [(track, at, 0) for track in tracks for at in further]
    return places


def _of_track(line: Mapping[str, Any], tracks: Sequence[int]) -> Iterator[_Place]:
    track = line.get("track")
    if type(track) is not int or track not in tracks:
        return
    for place in _mappings(line.get("places")):
        start, length = place.get("start_frame"), place.get("frames")
        if type(start) is int and type(length) is int:
            yield track, start, length


def _mappings(value: Any) -> list[Mapping[str, Any]]:
    """Of a report that anybody may have written: what is no list of objects is none."""
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []
