"""Events as they come, merged over tracks, counted exactly and listed up to a limit."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from checks.model import Finding, Remedy, Value, Verdict

_OPEN: Final = 64  # events that may still gain a track


@dataclass(slots=True)
class Event:
    """Something seen from ``start`` to before ``stop`` on some tracks (from 0).

    Attributes:
        text: the sentence of the finding.
        values: measured values, JSON-able.
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


class EventLog:
    """Holds the first events of each kind and verdict, and counts the rest."""

    def __init__(self, *, listed: int) -> None:
        self._most = listed
        self._kept: dict[tuple[str, Verdict], list[Event]] = {}
        self._count: dict[tuple[str, Verdict], int] = {}
        self._open: deque[Event] = deque(maxlen=_OPEN)

    def add(self, event: Event, *, within: int = 0) -> Event:
        """Take an event; it joins one on other tracks that begins and ends within some frames.

        Returns:
            The event as it now stands, with all its tracks.
        """
        for other in reversed(self._open):
            if (
                (other.kind, other.verdict, other.text) == (event.kind, event.verdict, event.text)
                and abs(other.start - event.start) <= within
                and abs(other.stop - event.stop) <= within
                and not set(other.tracks) & set(event.tracks)
            ):
                other.tracks = tuple(sorted((*other.tracks, *event.tracks)))
                other.start = min(other.start, event.start)
                other.stop = max(other.stop, event.stop)
                return other
        key = (event.kind, event.verdict)
        self._count[key] = self._count.get(key, 0) + 1
        kept = self._kept.setdefault(key, [])
        if len(kept) < self._most:
            kept.append(event)
        self._open.append(event)
        return event

    def findings(self) -> tuple[Finding, ...]:
        """One finding an event kept; ``count`` and ``listed`` are those of kind and verdict."""
        return tuple(
            Finding(
                check=event.check,
                kind=event.kind,
                verdict=event.verdict,
                remedy=event.remedy,
                tracks=event.tracks,
                start_frame=event.start,
                frames=event.stop - event.start,
                text=event.text,
                values={**event.values, "count": self._count[key], "listed": len(kept)},
            )
            for key, kept in self._kept.items()
            for event in kept
        )
