"""The words in which a place is told, and the events made of them."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from checks.dropouts._doubts import Doubts
from checks.dropouts._events import Event
from checks.model import Remedy, Value, Verdict

JUMP: Final = (
    "The signal jumps between two samples, and each side fits itself: samples may be lost or put "
    "in here, which cannot be proven from the sound alone; listen."
)
TURN: Final = (
    "Several tracks turn to something else between the same two samples: tracks may change places, "
    "much is missing, or other samples stand there; listen."
)
MISSING: Final = (
    "Samples are missing: what follows is what should come some frames later; play the tape again."
)
PUT_IN: Final = (
    "Samples were put in that do not belong there: the signal goes on behind them; play the tape "
    "again."
)
WORD: Final = (
    "One sample is wrong, and all around it fits without it: a digital fault; play the tape again."
)
PERHAPS_WORD: Final = (
    "One sample does not fit what is around it, which is not steady enough to prove that it is "
    "wrong; listen."
)
CUT: Final = (
    "The signal is cut between two samples, and each side fits itself to the very sample: nothing "
    "that comes before a converter can do that, samples are lost or put in; play the tape again."
)
FOREIGN: Final = (
    "Some samples do not belong there, and they begin and end from one sample to the next: nothing "
    "that comes before a converter can do that; play the tape again."
)
PERHAPS_FOREIGN: Final = (
    "Some samples do not belong there, from one sample to the next: put in, or in place of others, "
    "or a very short disturbance; listen."
)


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
        event = Event(
            kind="step",
            verdict=Verdict.REDO,
            remedy=Remedy.REPLAY,
            tracks=tracks,
            start=at,
            stop=at + frames,
            text=text,
            values={"cause": cause, **values},
        )
        self._doubts.proven(event, sure=sure)

    def doubtful(
        self,
        tracks: tuple[int, ...],
        at: int,
        values: Mapping[str, Value],
        *,
        text: str = JUMP,
        frames: int = 1,
        sound: bool = False,
    ) -> None:
        """``sound``: one that begins or ends on top of others would do it."""
        event = Event(
            kind="step",
            verdict=Verdict.LISTEN,
            remedy=Remedy.LISTEN,
            tracks=tracks,
            start=at,
            stop=at + frames,
            text=text,
            values={"cause": "unproven", **values},
        )
        self._doubts.unproven(event, sound=sound)
