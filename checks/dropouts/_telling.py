"""Makes what a place is an event, and hands it to ``doubts``."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from checks.dropouts._doubts import Doubts
from checks.dropouts._events import Event
from checks.dropouts._sentences import JUMP, PERHAPS_STAND_IN, REPLACED, SLIP, STAND_IN
from checks.dropouts._stand_in import StandIn
from checks.model import Remedy, Value, Verdict


class Telling:
    """Hands what a place is to ``doubts``."""

    def __init__(self, doubts: Doubts) -> None:
        self._doubts = doubts

    def proven(
        self,
        tracks: tuple[int, ...],
        at: int,
        text: str,
        cause: str,
        values: Mapping[str, Value] = MappingProxyType({}),
        *,
        frames: int = 1,
        sure: bool = False,
    ) -> None:
        """``sure``: whatever recurs there."""
        self._doubts.proven(_proven(tracks, at, text, cause, values, frames), sure=sure)

    def stand_in(self, found: StandIn) -> None:
        """Something in place of the programme; both its ends may be told as jumps already."""
        at, frames = found.start, found.stop - found.start
        values: dict[str, Value] = {"jump_sigma": round(found.jump, 1)}
        if found.sure:
            event = _proven(found.tracks, at, STAND_IN, REPLACED, values, frames)
        else:
            values["cause"] = REPLACED  # told apart from jumps, of which nothing is known
            event = _unproven(found.tracks, at, values, PERHAPS_STAND_IN, frames)
        self._doubts.stand_in(event)

    def slip(
        self, tracks: tuple[int, ...], at: int, values: Mapping[str, Value], *, frames: int
    ) -> None:
        """Timecode that slips; told where nothing else is."""
        event = _unproven(tracks, at, values, SLIP, frames)
        self._doubts.slipped(event)

    def doubtful(
        self,
        tracks: tuple[int, ...],
        at: int,
        values: Mapping[str, Value],
        *,
        text: str = JUMP,
        frames: int = 1,
        sound: bool = False,
        sharp: bool = False,
    ) -> None:
        """``sound``: one that begins or ends on top of others would do it; ``sharp``: but none that
        ever met a converter."""
        event = _unproven(tracks, at, values, text, frames)
        self._doubts.unproven(event, sound=sound, sharp=sharp)


def _proven(
    tracks: tuple[int, ...],
    at: int,
    text: str,
    cause: str,
    values: Mapping[str, Value],
    frames: int,
) -> Event:
    return Event(
        kind="step",
        verdict=Verdict.REDO,
        remedy=Remedy.REPLAY,
        tracks=tracks,
        start=at,
        stop=at + frames,
        text=text,
        values={"cause": cause, **values},
    )


def _unproven(
    tracks: tuple[int, ...], at: int, values: Mapping[str, Value], text: str, frames: int
) -> Event:
    return Event(
        kind="step",
        verdict=Verdict.LISTEN,
        remedy=Remedy.LISTEN,
        tracks=tracks,
        start=at,
        stop=at + frames,
        text=text,
        values={"cause": "unproven", **values},
    )
