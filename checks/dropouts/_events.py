"""Events as they come: joined over tracks and over short times, counted exactly, listed up to a
limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from checks.model import Finding, Remedy, Value, Verdict

PLACES: Final = 32
"""Places told of events that stand in one finding."""

_COME_LATE: Final = 1024  # frames behind one within which its like on other tracks may come up
_OPEN: Final = 64  # that are held for it
_SAME_PLACE: Final = 2  # frames by which two looks at one place may differ


@dataclass(slots=True)
class Event:
    """Something seen from ``start`` to before ``stop`` on some tracks (from 0).

    Attributes:
        text: the sentence of the finding.
        values: measured values, JSON-able; only faults of one ``cause`` are told together.
        times: how many of its like, one after the other, it stands for.
        longest: frames of the longest of them, whose text and values are told.
        starts: where each of them begins, up to ``PLACES``; the event itself is the first.
        lags: what ``lag_frames`` is at each of ``starts``, where there is such a value.
    """

    kind: str
    verdict: Verdict
    remedy: Remedy
    tracks: tuple[int, ...]
    start: int
    stop: int
    text: str
    values: Mapping[str, Value] = field(default_factory=dict)
    check: str = "dropouts"
    times: int = 1
    longest: int = 0
    starts: list[int] = field(default_factory=list)
    lags: list[Value] = field(default_factory=list)


class EventLog:
    """Holds the first events of each kind and verdict, and counts the rest."""

    def __init__(self, *, listed: int, gap: int) -> None:
        """``gap``: frames within which events of one kind on the same tracks are told as one."""
        self._most = listed
        self._gap = gap
        self._kept: dict[tuple[str, Verdict], list[Event]] = {}
        self._count: dict[tuple[str, Verdict], int] = {}
        self._open: list[Event] = []
        self._last: dict[tuple[str, Verdict, tuple[int, ...], Value], Event] = {}

    def add(self, event: Event, *, within: int = 0) -> None:
        """Take an event; it joins one on other tracks that begins and ends within some frames."""
        for other in self._open:
            if (
                (other.kind, other.verdict) == (event.kind, event.verdict)
                and abs(other.start - event.start) <= within
                and abs(other.stop - event.stop) <= within
                and not set(other.tracks) & set(event.tracks)
            ):
                other.tracks = tuple(sorted((*other.tracks, *event.tracks)))
                other.start = min(other.start, event.start)
                other.stop = max(other.stop, event.stop)
                return
        late = [o for o in self._open if abs(o.start - event.start) > max(within, _COME_LATE)]
        for other in late or self._open[:-_OPEN]:
            self._open.remove(other)
            self._close(other)
        self._open.append(event)

    def has(self, start: int, stop: int) -> bool:
        """Whether an event begins from ``start`` to ``stop``, of those listed."""
        listed = [event for kept in self._kept.values() for event in kept]
        places = [place for event in listed for place in event.starts]
        return any(start <= place <= stop for place in [*places, *(o.start for o in self._open)])

    def _close(self, event: Event) -> None:
        """Count an event that has all its tracks, and keep it or join it to the one before."""
        key = (event.kind, event.verdict)
        self._count[key] = self._count.get(key, 0) + event.times
        like = (*key, event.tracks, event.values.get("cause"))
        last = self._last.get(like)
        if last is not None and event.times == 1 and abs(event.start - last.stop) <= self._gap:
            last.stop = max(last.stop, event.stop)
            last.start = min(last.start, event.start)
            last.times += 1
            if "length_ms" in event.values and event.stop - event.start > last.longest:
                last.longest = event.stop - event.start
                last.text, last.values = event.text, event.values
            if len(last.starts) < PLACES:
                last.starts.append(event.start)
                last.lags.append(event.values.get("lag_frames"))
            return
        event.starts = event.starts or [event.start]
        event.lags = [event.values.get("lag_frames")]
        event.longest = event.stop - event.start
        kept = self._kept.setdefault(key, [])
        if len(kept) < self._most:
            kept.append(event)
            self._last[like] = event

    def findings(self) -> tuple[Finding, ...]:
        """One finding an event kept; ``count`` and ``listed`` are those of kind and verdict."""
        for event in self._open:
            self._close(event)
        self._open = []
        self._tell_once()
        return tuple(
            Finding(
                check=event.check,
                kind=event.kind,
                verdict=event.verdict,
                remedy=event.remedy,
                tracks=event.tracks,
                start_frame=event.start,
                frames=event.stop - event.start,
                text=_told(event),
                values={
                    **event.values,
                    **_places(event),
                    "times": event.times,
                    "count": self._count[key],
                    "listed": len(kept),
                },
            )
            for key, kept in self._kept.items()
            for event in kept
        )

    def _tell_once(self) -> None:
        """Drop what another tells of the same place: the graver stays, or that on more tracks."""
        for key, kept in self._kept.items():
            for event in [event for event in kept if event.times == 1]:
                for other in [o for found in self._kept.values() for o in found]:
                    if _tells(other, event):
                        if other.times == 1:
                            other.stop = max(other.stop, event.stop)
                        kept.remove(event)
                        self._count[key] -= 1
                        break


def _places(event: Event) -> dict[str, Value]:
    """Where each of several begins, in order, and how far back what each repeats."""
    if event.times == 1:
        return {}
    order = sorted(range(len(event.starts)), key=lambda k: event.starts[k])
    told: dict[str, Value] = {"start_frames": [event.starts[k] for k in order]}
    if "lag_frames" in event.values:
        told["lags_frames"] = [event.lags[k] for k in order]
    return told


def _tells(one: Event, other: Event) -> bool:
    """Whether an event tells of all that another does, and more."""
    graver = one.verdict is Verdict.REDO and other.verdict is not Verdict.REDO
    more = set(one.tracks) > set(other.tracks)
    return (
        one.kind == other.kind
        and (graver or (more and one.verdict is other.verdict))
        and set(one.tracks) >= set(other.tracks)
        and any(abs(start - other.start) <= _SAME_PLACE for start in one.starts)
    )


def _told(event: Event) -> str:
    """The sentence of an event, with how many of its like it stands for."""
    if event.times == 1:
        return event.text
    which = ", the longest" if "length_ms" in event.values else ""
    return f"{event.times} times{which}: {event.text}"


def told_together(rate_hz: int) -> int:
    """Frames within which events of one kind on the same tracks are one finding: two seconds.

    Common practice: a person listens to the whole stretch anyway.
    """
    return 2 * rate_hz
