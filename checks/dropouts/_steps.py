"""Steps: samples lost or inserted, tracks swapped, a word wrong.

Measured: what the recent past does not predict (``_whiten`` on every sample, ``_junction`` where
that stands out), in standard deviations of the floor around. Limits: 12 in one track, 8 in each
of several tracks at the very same frame (own trials; no standard fixes them). A jump becomes a
finding only where both sides of it fit themselves to the sample, which attacks, splices, relays
and clicks do not: splices are spread over many frames, and whatever rings, rings on. Where a
digital cause is proven (``_causes``, or the jump is confined to the 8 tracks of one converter, or
samples were held), the tape must be played again; else a person must listen.

Cannot be seen: samples lost in silence, in hiss that reaches up to half the rate, or where the
jump stays under the floor, as in low tones. 8 frames lost at 352.8 kHz show in programme with
content above 1 kHz some 30 dB over the noise; of a 50 Hz tone they do not.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, Protocol

from checks.block import BLOCK_FRAMES, Block
from checks.dropouts import _causes, _junction
from checks.dropouts._doubts import Doubts
from checks.dropouts._events import Event
from checks.dropouts._history import History
from checks.dropouts._junction import ORDER, REACH, Junction
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import PartOutcome
from checks.dropouts._place import Burst, Place, broken
from checks.dropouts._repeats import BATCH_BLOCKS
from checks.dropouts._whiten import Peak, Screen
from checks.model import CaptureFormat, Remedy, Value, Verdict

CONVERTER_TRACKS: Final = 8
"""Tracks that multitrack converters and their links handle together. Common practice."""

SEEN: Final = 5.0
"""Standard deviations at a place already known from another track. Noise alone: once in 1e6."""

FOREIGN: Final = 20.0
FOREIGN_FRAMES: Final = 8
FOREIGN_S: Final = 0.0025
"""Least height, in standard deviations, least and greatest length of foreign samples on one track
that cannot be proven to have been put in: others are clicks and attacks. From own trials."""

MOST_AGAIN: Final = 31
"""Longest stretch that is looked for as put in behind a clean cut, in frames: from 32 on it is a
repeated block, or the samples put in do not fit what was before."""

MANY: Final = 4
"""Tracks cut between the same two samples that no splice, drum or click explains."""

MOST_LOOKS: Final = 12
"""Places looked at closely in a block of 16,384 frames. From own trials: percussion at 44.1 kHz
stays under it."""

_MARGIN: Final = REACH + _causes.MOST_INSERTED + 2 * ORDER
_TOGETHER: Final = 12  # frames within which the screen's peaks on several tracks may be one jump
_JUMP: Final = (
    "The signal jumps between two samples, and each side fits itself: samples may be lost or put "
    "in here, which cannot be proven from the sound alone; listen."
)


class Elsewhere(Protocol):
    """What other parts have found: a repeated block breaks the prediction at both its ends."""

    def covers(self, frame: int, tracks: tuple[int, ...]) -> bool: ...


class StepsPart:
    """Steps over one capture. ``history`` must have seen each block first."""

    def __init__(
        self, fmt: CaptureFormat, limits: DropoutsLimits, history: History, known: Elsewhere
    ) -> None:
        self._fmt = fmt
        self._limits = limits
        self._history = history
        self._known = known
        self._screen = Screen(fmt)
        self._doubts = Doubts(fmt, listed=limits.listed_digital)
        self._waiting: list[Peak] = []

    def feed(self, block: Block) -> None:
        self._waiting += self._screen.feed(block)
        self._look(block.stop - _MARGIN - BATCH_BLOCKS * BLOCK_FRAMES)

    def finish(self) -> PartOutcome:
        self._look(self._history.stop)
        findings, counts = self._doubts.finish()
        return PartOutcome(findings=findings, counts={"steps": counts})

    # -- from peaks to places -----------------------------------------------------------------

    def _look(self, stop: int) -> None:
        ripe = sorted((peak for peak in self._waiting if peak.frame < stop), key=_in_order)
        self._waiting = [peak for peak in self._waiting if peak.frame >= stop]
        clusters: list[list[Peak]] = []
        for peak in ripe:
            if clusters and peak.frame - clusters[-1][0].frame <= _TOGETHER:
                clusters[-1].append(peak)
            else:
                clusters.append([peak])
        for cluster in self._worth_it(clusters):
            self._look_at(cluster)

    def _worth_it(self, clusters: list[list[Peak]]) -> list[list[Peak]]:
        """The strongest of each block's places, several tracks before single ones.

        A signal that jumps more often than this (a pulse, a clock, hard clipping) hides single
        jumps among its own; to look at all of them would cost more than the rest of the check.
        """
        blocks: dict[int, list[list[Peak]]] = {}
        for cluster in clusters:
            blocks.setdefault(cluster[0].frame // BLOCK_FRAMES, []).append(cluster)
        chosen: list[list[Peak]] = []
        for group in blocks.values():
            ranked = sorted(group, key=_rank, reverse=True)[:MOST_LOOKS]
            chosen += sorted(ranked, key=lambda cluster: cluster[0].frame)
        return chosen

    def _look_at(self, cluster: list[Peak]) -> None:
        tracks = tuple(sorted({peak.track for peak in cluster}))
        strongest = max(cluster, key=lambda p: p.sigmas)
        start = max(strongest.frame - REACH, self._history.start, 0)
        native = self._history.rows(start, strongest.frame + REACH + _causes.MOST_INSERTED)
        peak = strongest.frame - start
        if self._known.covers(strongest.frame, tracks) or broken(native[list(tracks)], peak):
            return
        first = min(p.first for p in cluster) - start
        place = Place(self._fmt, native, peak=peak, first=max(first, 0), start=start)
        if any(place.flat(track) for track in tracks):
            return
        if len(tracks) == 1 and not place.quiet(tracks[0], self._screen.whitening(tracks[0])):
            return
        if self._held(place, tracks):
            return
        found = {t: j for t in tracks if (j := place.junction(t)) is not None}
        if self._words(place, found):
            return
        if len(tracks) > 1 and self._swap(place, tracks):
            return
        self._cut(place, found)

    # -- the kinds of step --------------------------------------------------------------------

    def _held(self, place: Place, tracks: tuple[int, ...]) -> bool:
        """Samples that stand still next to the jump: a short hold, or a run told elsewhere."""
        runs = {t: run for t in tracks if (run := place.still(t)) is not None}
        if not runs:
            return False
        length = max(stop - start for start, stop, _ in runs.values())
        zero = all(zero for _, _, zero in runs.values())
        start = min(start for start, _, _ in runs.values())
        everywhere = zero and place.silent(start, start + length)
        limit = self._limits.held_run
        if zero:
            limit = self._limits.zero_run_one_track
            limit = self._limits.zero_run_all_tracks if everywhere else limit
        if length < limit:
            what = "zeros" if zero else "one value"
            held = 0 if zero else 1  # the first of equal values was the last good one
            self._proven(
                tuple(sorted(runs)),
                place.start + min(start for start, _, _ in runs.values()) + held,
                f"The samples stand still at {what} for a moment, and the signal jumps: a digital "
                "fault; play the tape again.",
                "hold",
                frames=length - held,
            )
        return True

    def _words(self, place: Place, found: dict[int, Junction]) -> bool:
        least = self._limits.step_one_track  # less may be a click that the other tracks hide
        wrong = {t: j for t, j in found.items() if j.jump >= least and _causes.wrong_word(j)}
        for track, junction in wrong.items():
            values: dict[str, Value] = {
                "jump_sigma": round(junction.jump, 1),
                "deviation_steps": round(junction.deviation, 1),
            }
            self._proven(
                (track,),
                place.start + junction.word_frame,
                "One sample is wrong, and all around it fits without it: a digital fault; play "
                "the tape again.",
                "word",
                values,
            )
        return bool(wrong)

    def _swap(self, place: Place, tracks: tuple[int, ...]) -> bool:
        rows = [place.steps[t] for t in tracks]
        frame = _junction.shared_place(rows, place.peak)
        goes = _causes.swapped(rows, frame) if frame is not None else None
        if frame is None or goes is None:
            return False
        moved = tuple(sorted(tracks[i] for i in goes))
        order = ", ".join(f"{tracks[i] + 1} to {tracks[k] + 1}" for i, k in sorted(goes.items()))
        self._proven(
            moved,
            place.start + frame,
            "Tracks change places: what follows on one goes on from another; play the tape again.",
            "swap",
            {"moved": order},
        )
        return True

    def _cut(self, place: Place, found: dict[int, Junction]) -> None:
        several, single = self._limits.step_several_tracks, self._limits.step_one_track
        found = {t: j for t, j in found.items() if j.jump >= several}
        clean = {t: j for t, j in found.items() if j.cut}
        if not clean:
            self._foreign(place, found)
            return
        frame = Counter(j.frame for j in clean.values()).most_common(1)[0][0]
        clean = {t: j for t, j in clean.items() if abs(j.frame - frame) <= 1}
        jump = max(j.jump for j in clean.values())
        if len(clean) == 1 and jump < single:
            return
        seen = dict(clean)
        for track in range(self._fmt.channels):
            other = None if track in seen else place.junction(track, at=frame)
            if other is not None and other.cut and other.jump >= SEEN:
                seen[track] = other
        tracks = tuple(sorted(seen))
        values: dict[str, Value] = {"jump_sigma": round(jump, 1)}
        at = place.start + frame
        sides = [place.side(t, frame, j) for t, j in sorted(clean.items())]
        if (count := _causes.lost(sides)) is not None:
            text = "Samples are missing: what follows is what should come some frames later; play "
            self._proven(
                tracks, at, text + "the tape again.", "lost", {**values, "lost_frames": count}
            )
        elif (count := _causes.inserted(sides, most=MOST_AGAIN)) is not None:
            text = "Samples were put in that do not belong there: the signal goes on behind them; "
            text += "play the tape again."
            self._proven(tracks, at, text, "inserted", values, frames=count)
        elif _one_converter(tracks, self._fmt.channels):
            text = "The signal is cut between two samples on the tracks of one converter alone: a "
            text += "digital fault; play the tape again."
            self._proven(tracks, at, text, "converter", values)
        elif len(tracks) >= MANY and 2 * len(tracks) >= self._fmt.channels and jump >= 2 * single:
            text = "The signal is cut between the same two samples on many tracks, and each side "
            text += "fits itself: no splice, drum or click does that; play the tape again."
            self._proven(tracks, at, text, "cut", values)
        elif any(j.noisy for j in clean.values()):
            self._doubtful(tracks, at, values)

    def _foreign(self, place: Place, found: dict[int, Junction]) -> None:
        """Foreign samples between two sharp edges: put in, or in place of others."""
        bursts = {t: b for t in found if (b := place.burst(t)) is not None}
        if not bursts:
            return
        frame = min(b.frame for b in bursts.values())
        bursts = {t: b for t, b in bursts.items() if b.frame - frame <= 2}
        tracks = tuple(sorted(bursts))
        frames = max(b.stop for b in bursts.values()) - frame
        values: dict[str, Value] = {"jump_sigma": round(max(b.jump for b in bursts.values()), 1)}
        sides = [
            _causes.Side(place.steps[t], frame, b.whitening, b.floor) for t, b in bursts.items()
        ]
        at = place.start + frame
        if _causes.inserted(sides, near=frames) is not None:
            text = "Samples were put in that do not belong there: the signal goes on behind them; "
            text += "play the tape again."
            self._proven(tracks, at, text, "inserted", values, frames=frames)
        elif float(str(values["jump_sigma"])) >= FOREIGN and FOREIGN_FRAMES <= frames <= max(
            self._fmt.rate_hz * FOREIGN_S, 64
        ):
            text = "Some samples do not belong there, from one sample to the next: put in, or in "
            text += "place of others, or a very short disturbance; listen."
            self._doubtful(tracks, at, values, text=text, frames=frames)

    def _foreign_for_sure(self, bursts: list[Burst]) -> bool:
        """Several tracks share both edges, or one shows them clearly and briefly."""
        stops = Counter(b.stop for b in bursts)
        stop, _ = stops.most_common(1)[0]
        if sum(n for s, n in stops.items() if abs(s - stop) <= 1) > 1:
            return True
        longest = max(self._fmt.rate_hz * FOREIGN_S, 64)
        return any(
            b.jump >= FOREIGN and FOREIGN_FRAMES <= b.stop - b.frame <= longest for b in bursts
        )

    # -- findings -----------------------------------------------------------------------------

    def _proven(
        self,
        tracks: tuple[int, ...],
        at: int,
        text: str,
        cause: str,
        values: Mapping[str, Value] = MappingProxyType({}),
        *,
        frames: int = 1,
    ) -> None:
        self._doubts.proven(
            Event(
                kind="step",
                verdict=Verdict.REDO,
                remedy=Remedy.REPLAY,
                tracks=tracks,
                start=at,
                stop=at + frames,
                text=text,
                values={"cause": cause, **values},
            )
        )

    def _doubtful(
        self,
        tracks: tuple[int, ...],
        at: int,
        values: Mapping[str, Value],
        *,
        text: str = _JUMP,
        frames: int = 1,
    ) -> None:
        self._doubts.unproven(
            Event(
                kind="step",
                verdict=Verdict.LISTEN,
                remedy=Remedy.LISTEN,
                tracks=tracks,
                start=at,
                stop=at + frames,
                text=text,
                values={"cause": "unproven", **values},
            )
        )


def _in_order(peak: Peak) -> tuple[int, int]:
    return peak.frame, peak.track


def _rank(cluster: list[Peak]) -> tuple[int, float]:
    return len({peak.track for peak in cluster}), max(peak.sigmas for peak in cluster)


def _one_converter(tracks: tuple[int, ...], channels: int) -> bool:
    """Whether all tracks lie within one group of 8, nearly fill it, and others stay still."""
    groups = {track // CONVERTER_TRACKS for track in tracks}
    if channels < 2 * CONVERTER_TRACKS or len(groups) != 1:
        return False
    return len(tracks) >= CONVERTER_TRACKS - 2
