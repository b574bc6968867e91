"""Stretches in which all tracks fall to the replay machine's own noise: which of them are in order.

Before the tape starts, behind its end, over leader and where the machine stands, that is as it
should be, and a note. Nothing of the kind happens while somebody plays; nor does any machine stop
and start within a second, or anybody cut in so short a leader. Where all tracks go in one moment
(``_at_once``) close behind the last note, the tape may have been over, cut off straight across, or
a machine may mute itself when it stops; but just so goes what is switched off or unplugged, and
the rest of the tape would be missing. Leader, and the end of a tape, stand in a rest: hiss alone
before and behind them (``_REST_S``), and the recorder does not run on for long. What cares for no
rest, or lasts, a person is asked to listen to, unless it happens again, as leader between takes
does.

What this cannot tell: a signal that is lost on all tracks, and comes back, when nobody plays.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from checks.dropouts._tape._at_once import Moment, Moments
from checks.dropouts._tape._bands import HISS
from checks.dropouts._tape._findings import counted, made
from checks.dropouts._tape._floors import LevelHistory
from checks.dropouts._tape._motion import SHORT_S, SILENT_DB, Course, Motion
from checks.dropouts._tape._stretches import spans
from checks.model import Finding, Remedy, Value, Verdict, rounded

_OVER_S: Final = 1.0
"""Hiss that is left behind the last note where a take is over. From memory."""

_REST_S: Final = 0.25
"""Hiss before leader, and behind it: whoever cuts it in leaves the last note its end, and the next
its beginning. From memory."""

_RUNS_ON_S: Final = 30.0
"""How long a recorder runs on behind the end of a tape while somebody stands by. From memory."""

_FADED_S: Final = 0.6
"""So close to its end, somebody fades out what does not stop in one moment: nobody stops a recorder
as soon behind a fault. From memory."""

_PLAYING: Final = (2, 3)  # so many of so many entries before a stretch: a click is no programme
_NEAR: Final = 2  # entries: how well the place of a stretch is known


class WithoutTape:
    """The stretches of one capture in which no tape is heard."""

    def __init__(
        self,
        history: LevelHistory,
        way: Course,
        tracks: Sequence[int],
        moments: Moments,
        *,
        entry: int,
        frames: int,
        rate_hz: int,
        least_s: float,
    ) -> None:
        """``tracks``: those that count; ``entry``: frames that one covers; ``frames``: of all."""
        self._history, self._way, self._tracks = history, way, list(tracks)
        self._moments = moments
        self._entry, self._frames, self._rate_hz = entry, frames, rate_hz
        self._entry_s = entry / max(rate_hz, 1)
        self._least_s = least_s

    def findings(self, *, faded: bool) -> list[Finding]:
        """Notes and what is to be listened to. ``faded``: the capture ends in a deep fade-out."""
        notes: list[Finding] = []
        asked: list[Finding] = []
        found = self._stretches()
        gaps = [s for s in found if self._runs_before(s) and not self._is_last(s)]
        for first, last in found:
            one = None
            if (first, last) in gaps:
                one = self._gap(first, last, alone=len(gaps) == 1)
            elif self._runs_before((first, last)) and not faded:
                one = self._end(first)
            asked += [one] if one else []
            notes += (
                [self._note(first, last)] if one is None or self._is_last((first, last)) else []
            )
        gone = sum(f.kind == "signal-lost" for f in asked)
        asked = [counted(f, gone if f.kind == "signal-lost" else 1, 1) for f in asked]
        return [*(counted(one, len(notes), len(notes)) for one in notes), *asked]

    def _stretches(self) -> list[tuple[int, int]]:
        """Entries without tape, (first, behind the last); void ones are told as zeros."""
        out = []
        for first, last in spans(~self._way.running & ~self._way.void):
            states = self._way.states[first:last]
            still = (states == Motion.STANDING) | (states == Motion.LEADER)
            # At an end of the capture, the entry in which it starts or stops belongs to it.
            long = last - first + (first == 0 or last == len(self._way.states))
            if long * self._entry_s >= self._least_s and still.any():
                out.append((first, last))
        return out

    def _runs_before(self, stretch: tuple[int, int]) -> bool:
        return bool(self._way.running[: stretch[0]].any())

    def _is_last(self, stretch: tuple[int, int]) -> bool:
        """Whether the tape never runs again."""
        return not self._way.running[stretch[0] :].any()

    def _note(self, first: int, last: int) -> Finding:
        states = self._way.states[first:last]
        leader = bool((states == Motion.LEADER).any())
        what = (
            "No tape on the heads for a while, on all tracks: leader between takes, or the "
            "machine was stopped."
            if leader
            else "No tape runs yet: the replay machine's own noise on all tracks."
            if not self._way.running[:first].any()
            else "The tape has run out or stands still: the replay machine's own noise on "
            "all tracks."
        )
        values: dict[str, Value] = {
            "state": "leader" if leader else "standing",
            "starting_s": round(float((states == Motion.STARTING).sum()) * self._entry_s, 2),
            "stopping_s": round(float((states == Motion.STOPPING).sum()) * self._entry_s, 2),
        }
        place = self._place(first, last)
        return made("no-tape", Verdict.CLEAR, Remedy.NONE, (), *place, what, values)

    def _end(self, first: int) -> Finding | None:
        """What is to be listened to where nothing comes back from an entry on."""
        start = self._from(first)
        plays = self._playing(first)
        if plays and self._moment(first) is None and self._left_s(start) <= _FADED_S:
            return None
        if plays:
            over = max(plays.values())
            text = (
                f"Programme breaks off here, {over:.0f} dB over the quiet of the tape, and only "
                "the replay machine's own noise follows on all tracks: the tape ran out or stopped "
                "in the midst of it, or the signal was lost; listen whether the end is missing."
            )
            values: dict[str, Value] = {"over_quiet_db": rounded(over, 1)}
            verdict, remedy = Verdict.LISTEN, Remedy.REPLAY
            return made("cut-end", verdict, remedy, tuple(plays), start, start + 1, text, values)
        rest_s = self._rest_s(first)
        stopped = self._left_s(start) <= _RUNS_ON_S
        if _in_rest(rest_s, stopped) or self._moment(first) is None:
            return None
        text = (
            f"All tracks go in one moment, {rest_s:.1f} s behind the last note, to the replay "
            "machine's own noise or less, and nothing comes back: the tape was over, or the signal "
            "of all tracks was lost, switched off or unplugged; listen whether the end is missing."
        )
        return self._lost(text, start, self._frames, {"rest_s": round(rest_s, 2)})

    def _left_s(self, frame: int) -> float:
        return (self._frames - frame) / self._rate_hz

    def _gap(self, first: int, last: int, *, alone: bool) -> Finding | None:
        """What is to be listened to where the tape is heard again from entry ``last`` on.

        Args:
            alone: no other such stretch is there, as leader between takes is.
        """
        start, stop = self._from(first), self._from(last, back=True)
        long_s = (stop - start) / self._rate_hz
        plays = self._playing(first)
        values: dict[str, Value] = {"length_s": round(long_s, 2)}
        rest_s = self._rest_s(first)
        if plays:
            values["over_quiet_db"] = rounded(max(plays.values()), 1)
            why = (
                "programme breaks off there, which no leader between takes does: the tape stopped "
            )
            why += "and started again, or the signal was lost"
        elif long_s < SHORT_S:
            why = "leader is hardly so short, and hardly any machine stops and starts in that time"
        elif alone and not _in_rest(rest_s, self._rests_from(last)) and self._switched(first, last):
            values["rest_s"] = round(rest_s, 2)
            why = f"they go and come back in one moment, {rest_s:.1f} s behind the last note: "
            why += "leader, cut straight across, or the signal was switched off or unplugged"
        else:
            return None
        text = (
            f"All tracks are gone for {long_s:.1f} s, down to the replay machine's own noise or "
            f"less; {why}. Listen, look at cables and power, and play the tape again if need be."
        )
        return self._lost(text, start, stop, values)

    def _lost(self, text: str, start: int, stop: int, values: dict[str, Value]) -> Finding:
        tracks, verdict = tuple(self._tracks), Verdict.LISTEN
        return made("signal-lost", verdict, Remedy.REPLAY, tracks, start, stop, text, values)

    def _playing(self, entry: int) -> dict[int, float]:
        """The tracks that play until just before an entry, and how loud, dB over the quiet."""
        least, count = _PLAYING
        before = slice(max(0, entry - count), entry)
        if np.median(self._way.level_db[self._tracks, entry:][:, :count]) <= SILENT_DB:
            return {}  # told as zeros
        plays = self._way.programme[:, before].sum(axis=1) >= least
        over = (self._history.mean_db[:HISS, :, before].max(axis=2) - self._way.quiet_db).max(
            axis=0
        )
        return {k: float(over[k]) for k in self._tracks if plays[k]}

    def _rest_s(self, entry: int) -> float:
        """How long nobody has played before an entry."""
        plays = np.logical_or.reduce(self._way.programme[self._tracks, :entry])
        at = np.flatnonzero(plays)
        return float((entry - 1 - at[-1]) * self._entry_s) if len(at) else np.inf

    def _rests_from(self, entry: int) -> bool:
        """Whether nobody plays for a while from an entry on."""
        behind = slice(entry, entry + math.ceil(_REST_S / self._entry_s))
        return not self._way.programme[self._tracks, behind].any()

    def _moment(self, entry: int, *, back: bool = False) -> Moment | None:
        hops = self._history.entry_hops
        return self._moments.near(entry * hops, _NEAR * hops, back=back)

    def _switched(self, first: int, last: int) -> bool:
        """Whether all tracks go in one moment, and come back in one."""
        return None not in (self._moment(first), self._moment(last, back=True))

    def _from(self, entry: int, *, back: bool = False) -> int:
        """The frame at which all tracks go, or come back, near an entry."""
        found = self._moment(entry, back=back)
        if found is None:
            return self._place(entry, entry)[0]
        return found.hop * (self._entry // self._history.entry_hops)

    def _place(self, first: int, last: int) -> tuple[int, int]:
        """Entries as frames; the last entry of all reaches to the end."""
        stop = self._frames if last >= self._history.entries else last * self._entry
        return first * self._entry, max(stop, first * self._entry)


def _in_rest(before_s: float, behind: bool) -> bool:
    """Whether what goes after a rest does so in order, if what is ``behind`` is."""
    return before_s >= _OVER_S or (before_s >= _REST_S and behind)
