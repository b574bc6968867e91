"""What a run of equal samples means, told from both its sides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from checks._ranks import median
from checks.dropouts._edges import Edge, Meeting
from checks.dropouts._events import Event
from checks.dropouts._runs import Run
from checks.dropouts._sentences import RECOPY_FIRST
from checks.model import Remedy, Verdict, length_told

QUIET: Final = 10 ** (-90 / 20)
"""Peak below which there is only the converter's own noise to lose. Common practice: the hiss
of tape peaks above -75 dBFS."""

HISS: Final = 10 ** (-75 / 20)
"""Peak that the hiss of a tape exceeds. Common practice."""

SUNK_S: Final = 0.3
"""How long other tracks must go on where one is zero. Own choice: a fade-out on all of them reaches
the last step of the word a little earlier on a softer track."""

TAIL_MS: Final = 20.0
"""Shortest tail of zeros that is called unfinalised; a shorter one may be an encoder's padding.
From own trials on public files."""

LONG_S: Final = 1.0
"""From here on zeros between fades may be somebody's edit: a converter's mute, and what makes it
mute, is over sooner (common practice)."""

_PAUSE_S: Final = 0.3
"""Zeros shorter than that are no pause that anybody makes between fades. Common practice."""

_REST_S: Final = 0.03
"""Nobody rests for less between two notes that both break off. Common practice: a staccato
sixteenth at 140 a minute leaves 54 ms."""

KEYED_S: Final = 0.1
"""From here on zeros between sounds that break off may be a generator that is keyed. Own choice: a
lost buffer of 8,192 frames at 96 kHz is 85 ms."""

_BRIEF_S: Final = 0.005
"""Zeros shorter than that never stand between fades that end before the last step of the word: a
sound that dies away or swells by itself is as steep. Common practice."""

_STILL_GROWS: Final = 2.8
"""Growth from 32 to 128 ms, all edges together: a linear fade grows by 4, programme that is over
its mute by 1, give or take what is played. From own reckoning."""

_KNEE: Final = 0.75
"""Level of the hiss that a mute has reached where a fade of 50 ms and more has not, see
``_edges``. From own reckoning."""

_TURNED_DOWN: Final = 2.0
"""Growth of the hiss behind both sides of zeros that somebody has faded out and in, by so many
dB a second that the last of it breaks off. Hiss itself grows by 1.1. From own reckoning."""

_AT_KNEE: Final = (0.1, 0.6)
"""Share of that growth, in dB, that lies within 28 ms: 0.28 of so many dB a second. Where something
is struck nearby it is none, or all. From own reckoning."""

_PLAYS: Final = 15.0
"""Peak of programme over the noise that is not foretold in it. Noise itself reaches 4 to 5, hiss
that is not white some more. From own reckoning."""

TAIL_STEPS: Final = 12.0
"""Steps of the word a signal must have where a tail begins, or it had ended. From own trials."""


@dataclass(frozen=True, slots=True)
class Side:
    """One side of a run: an edge a track of the run, and the share of equal neighbours there.

    Attributes:
        settled: that share among samples about the run's value, see ``_edges.settled``.
    """

    edges: tuple[Edge, ...]
    crowd: float
    settled: float = 0.0


def zeros_between(
    tracks: tuple[int, ...], run: Run, left: Side, right: Side, rate_hz: int
) -> Event | None:
    """Zeros with samples on both sides; None where no signal was taken away."""
    pairs = list(zip(left.edges, right.edges, strict=True))
    long = length_told(run.length, rate_hz)
    alive = [p for p in pairs if Meeting.NOTHING not in (p[0].meeting, p[1].meeting)]
    muted = _slow_mute([edge for pair in alive for edge in pair])
    taken = [p for p in alive if all(e.solid or (muted and e.later) for e in p)]
    half = [p for p in alive if p[0].solid or p[1].solid]
    if not half and run.length >= LONG_S * rate_hz:
        half, taken = taken, []  # no converter mutes for so long: somebody may have faded it
    ever = [p for p in pairs if any(edge.meeting is not Meeting.NOTHING for edge in p)]
    if 2 * len(taken) >= len(ever) > 0:
        loud = _loud(taken)
        ramped = all({a.meeting, b.meeting} & {Meeting.RAMP, Meeting.FADE} for a, b in taken)
        how = ", ramped down or up as by a converter's mute" if ramped else ""
        if loud and _by_hand(taken, brief=run.length < _BRIEF_S * rate_hz):
            return _slowly(tracks, run, long)
        if loud:
            return _lost(tracks, run, long, how)
        text = f"Zeros stand between the converter's own noise for {long}{how}: nothing audible "
        text += "is lost, but the stream of samples failed here; listen."
        return _zero(tracks, run, text, Verdict.LISTEN)
    if 2 * len(half) >= len(ever) > 0:
        text = f"Zeros for {long} behind a fade or before one: an edit, or audio that was muted; "
        text += "listen."
        return _zero(tracks, run, text, Verdict.LISTEN)
    if 2 * len(alive) >= len(ever) > 0 and run.length < _PAUSE_S * rate_hz and _loud(alive):
        return _slowly(tracks, run, long)
    return None


def in_the_file(event: Event, rate_hz: int) -> Event:
    """Zeros that no converter gave, for they begin or end inside a frame (``_torn``)."""
    text = f"Zeros stand for {length_told(event.stop - event.start, rate_hz)}, and begin or end "
    text += f"inside a frame, as bytes do that were never stored: {RECOPY_FIRST}"
    return replace(
        event,
        verdict=Verdict.REDO,
        remedy=Remedy.RECOPY,
        text=text,
        values={**event.values, "cause": "bytes missing"},
    )


def _loud(pairs: Sequence[tuple[Edge, Edge]]) -> bool:
    """Whether there is more than a converter's noise on both sides of some track."""
    return max(min(a.away, b.away) for a, b in pairs) >= QUIET


def _slowly(tracks: tuple[int, ...], run: Run, long: str) -> Event:
    text = f"Zeros stand between programme for {long}, with the level turned down before "
    text += "and up behind: a slow mute, or fades that somebody made; listen."
    return _zero(tracks, run, text, Verdict.LISTEN)


def _slow_mute(edges: Sequence[Edge]) -> bool:
    """Whether what looks like fades is a mute: the level behind them no longer grows."""
    grown = [edge.later for edge in edges if edge.later]
    return bool(grown and median(grown) < _STILL_GROWS)


def _by_hand(taken: Sequence[tuple[Edge, Edge]], *, brief: bool) -> bool:
    """Whether ramps are as long as fades, or what breaks off had been faded: hiss and all."""
    sides = [[pair[side] for pair in taken] for side in (0, 1)]
    edges = [*sides[0], *sides[1]]
    if any(not edge.solid for edge in edges):
        return bool(median([edge.knee for edge in edges]) < _KNEE)
    if brief or any(edge.meeting is not Meeting.ABRUPT for edge in edges):
        return False
    if min(median([e.grown for e in side]) for side in sides) < _TURNED_DOWN:
        return False
    by_knee = [median([e.grown_by_knee for e in side]) for side in sides]
    return bool(_AT_KNEE[0] <= min(by_knee) and max(by_knee) <= _AT_KNEE[1])


def hold_between(
    tracks: tuple[int, ...], run: Run, left: Side, right: Side, rate_hz: int
) -> Event | None:
    """A held value with samples on both sides; None where the signal had settled there."""
    a, b = left.edges[0], right.edges[0]
    return _hold(tracks, run, rate_hz) if a.solid and b.solid else None


def broken_off(tracks: tuple[int, ...], run: Run, rate_hz: int) -> Event:
    """A run at whose ends the signal jumps, see ``_corners``."""
    if not run.zero:
        return _hold(tracks, run, rate_hz)
    long = length_told(run.length, rate_hz)
    if run.length < _REST_S * rate_hz:
        return _lost(tracks, run, long)
    text = f"Zeros stand for {long} where the signal breaks off and begins anew from one sample to "
    text += "the next: a generator that was keyed, or the audio under them is lost; listen."
    return _zero(tracks, run, text, Verdict.LISTEN)


def _lost(tracks: tuple[int, ...], run: Run, long: str, how: str = "") -> Event:
    text = f"Zeros stand between programme for {long}{how}: the audio under them is lost; "
    text += "play the tape again."
    return _zero(tracks, run, text, Verdict.REDO)


def _hold(tracks: tuple[int, ...], run: Run, rate_hz: int) -> Event:
    return Event(
        kind="held-value",
        verdict=Verdict.REDO,
        remedy=Remedy.REPLAY,
        tracks=tracks,
        start=run.start + 1,  # the first of equal values was the last good one
        stop=run.stop,
        text=f"One value is held for {length_told(run.length - 1, rate_hz)} where programme should "
        "move: the audio under it is lost; play the tape again.",
    )


def late_start(tracks: tuple[int, ...], run: Run, right: Side, rate_hz: int) -> Event | None:
    """Zeros from the first frame on one track, while others carry signal."""
    edge = right.edges[0]
    if not edge.solid or edge.near < QUIET:
        return None
    text = f"Zeros from the start for {length_told(run.length, rate_hz)}, then signal all at once, "
    text += "while other tracks carried signal before: listen whether this track began too late."
    return _zero(tracks, run, text, Verdict.LISTEN)


def whole_tail(tracks: tuple[int, ...], run: Run, left: Side, rate_hz: int) -> Event | None:
    """Zeros in all tracks up to the last frame; ``left`` holds only tracks with any signal."""
    cut = [e for e in left.edges if _cut(e) or _muted(e)]
    if not left.edges or 2 * len(cut) < len(left.edges):
        return None
    abrupt = 2 * sum(e.meeting is Meeting.ABRUPT for e in cut) >= len(cut)
    if abrupt and run.length >= rate_hz * TAIL_MS / 1000:
        return Event(
            check="container",
            kind="unfinalised",
            verdict=Verdict.REDO,
            remedy=Remedy.MEND,
            tracks=(),
            start=run.start,
            stop=run.stop,
            text="All tracks turn to zeros at signal level and stay so to the end, for "
            f"{length_told(run.length, rate_hz)}, as in a file that was given its size beforehand "
            "and never closed; the audio before it is whole and can be recovered: listen whether "
            "the tape was over then.",
            values={"frames_recoverable": run.start, "zero_frames": run.length},
        )
    long = length_told(run.length, rate_hz)
    how = "begin at signal level" if any(_cut(e) for e in cut) else "programme falls to at once"
    text = f"All tracks end in zeros for {long} that {how}: padding of the last buffer, a mute, or "
    text += "the end is missing; listen."
    return _zero(tracks, run, text, Verdict.LISTEN)


def early_end(
    tracks: tuple[int, ...], run: Run, left: Side, rate_hz: int, *, alone: bool, sunk: bool
) -> Event | None:
    """A track that stands still up to the last frame.

    Args:
        alone: other tracks carry signal where it begins to.
        sunk: they still did ``SUNK_S`` later, loud enough for the hiss of a tape.
    """
    edge = left.edges[0]
    if not _cut(edge) and run.zero and alone and sunk:
        return _sunk(tracks, run, edge, rate_hz)
    if not _cut(edge):
        return None
    what = "zeros" if run.zero else "one held value"
    text = f"The signal turns to {what} from one sample to the next and stays so to the end, "
    text += f"for {length_told(run.length, rate_hz)}"
    text += ", while other tracks go on; " if alone else "; "
    text += "play the tape again."
    event = _zero(tracks, run, text, Verdict.REDO)
    event.kind = "zero-run" if run.zero else "held-value"
    return event


def _sunk(tracks: tuple[int, ...], run: Run, edge: Edge, rate_hz: int) -> Event | None:
    """Zeros that a track goes down to, and stays at, while the tape runs on for the others."""
    if edge.meeting is Meeting.NOTHING or edge.away < HISS:
        return None
    text = "The signal goes down to zeros and stays so to the end, for "
    text += f"{length_told(run.length, rate_hz)}, while other tracks go on: no tape gives zeros; "
    if edge.solid or edge.knee >= _KNEE:
        text += "the track is lost from here on, play the tape again."
        return _zero(tracks, run, text, Verdict.REDO)
    text += "the track was lost, or somebody faded it out; listen."
    return _zero(tracks, run, text, Verdict.LISTEN)


def _cut(edge: Edge) -> bool:
    return edge.solid and edge.near >= QUIET and edge.near_steps >= TAIL_STEPS


def _muted(edge: Edge) -> bool:
    """Whether programme goes down as by a mute, sooner than anybody fades music out."""
    plays = edge.away >= HISS and edge.over_noise >= _PLAYS
    return edge.meeting is Meeting.FADE and plays and edge.knee >= _KNEE


def _zero(tracks: tuple[int, ...], run: Run, text: str, verdict: Verdict) -> Event:
    return Event(
        kind="zero-run",
        verdict=verdict,
        remedy=Remedy.REPLAY if verdict is Verdict.REDO else Remedy.LISTEN,
        tracks=tracks,
        start=run.start,
        stop=run.stop,
        text=text,
    )
