"""Makes what a place is an event, and hands it to ``doubts``."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from checks.dropouts._events import Event
from checks.dropouts._sentences import (
    BETWEEN,
    CUT_BEHIND_TAPE,
    JUMP,
    NOISE,
    PERHAPS_STAND_IN,
    REPLACED,
    SLIP,
    STAND_IN,
    STEEP,
    UNPROVEN,
)
from checks.dropouts._steps._doubts import Doubts
from checks.dropouts._steps._stand_in import StandIn
from checks.dropouts._steps._white import White
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
        values = {"cause": cause, **values}
        event = _event(Verdict.REDO, tracks, at, text, values, frames)
        self._doubts.proven(event, sure=sure)

    def stand_in(self, found: StandIn) -> None:
        """Something in place of the programme; both its ends may be told as jumps already."""
        verdict = Verdict.REDO if found.sure else Verdict.LISTEN
        text = STAND_IN if found.sure else PERHAPS_STAND_IN if found.gone else BETWEEN
        values: dict[str, Value] = {"cause": REPLACED, "jump_sigma": round(found.jump, 1)}
        frames = found.stop - found.start
        self._doubts.stand_in(_event(verdict, found.tracks, found.start, text, values, frames))

    def white(self, noise: White) -> None:
        """Noise up to half the rate, which may be a generator's as well."""
        values: dict[str, Value] = {"jump_sigma": round(noise.jump, 1)}
        self.doubtful(noise.tracks, noise.frame, values, text=NOISE)

    def breaks_off(self, tracks: tuple[int, ...], at: int, values: Mapping[str, Value]) -> None:
        """Tracks that break off or come in by more than a tape can, and show nothing else."""
        values = {"cause": UNPROVEN, **values}
        self._doubts.breaks_off(_event(Verdict.LISTEN, tracks, at, STEEP, values, 1))

    def cut_behind_tape(
        self, tracks: tuple[int, ...], at: int, values: Mapping[str, Value], *, strongest: int
    ) -> None:
        """One programme on both sides of a steep cut; else it may be told as a jump."""
        values = {"cause": "cut", **values}
        event = _event(Verdict.REDO, tracks, at, CUT_BEHIND_TAPE, values, 1)
        self._doubts.behind_tape(event, strongest)

    def slip(
        self, tracks: tuple[int, ...], at: int, values: Mapping[str, Value], *, frames: int
    ) -> None:
        """Timecode that slips; told where nothing else is."""
        values = {"cause": UNPROVEN, **values}
        self._doubts.slipped(_event(Verdict.LISTEN, tracks, at, SLIP, values, frames))

    def doubtful(
        self,
        tracks: tuple[int, ...],
        at: int,
        values: Mapping[str, Value],
        *,
        text: str = JUMP,
        frames: int = 1,
        sound: bool = False,
        on_top: bool = False,
        sharp: bool = False,
        steep: bool = False,
    ) -> None:
        """``sound``: one that begins or ends on top of others would do it; ``on_top``: and one
        does; ``sharp``: but none that ever met a converter; ``steep``: nor any off this tape, if
        its hiss falls off."""
        values = {"cause": UNPROVEN, **values}
        event = _event(Verdict.LISTEN, tracks, at, text, values, frames)
        self._doubts.unproven(event, sound=sound, on_top=on_top, sharp=sharp, steep=steep)


def _event(
    verdict: Verdict,
    tracks: tuple[int, ...],
    at: int,
    text: str,
    values: Mapping[str, Value],
    frames: int,
) -> Event:
    return Event(
        kind="step",
        verdict=verdict,
        remedy=Remedy.REPLAY if verdict is Verdict.REDO else Remedy.LISTEN,
        tracks=tracks,
        start=at,
        stop=at + frames,
        text=text,
        values=values,
    )
