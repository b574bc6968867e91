"""Steps: samples lost or inserted, tracks swapped, a word wrong.

Measured: what the recent past does not predict (``_whiten`` on every sample, ``_junction`` where
that stands out), in standard deviations of the floor around. Limits: 12 in one track, 8 in each
of several tracks at the very same frame (own trials; no standard fixes them). What a place is,
``_kinds`` tells. Where a digital cause is proven the tape must be played again; else a person
must listen.

Cannot be seen: samples lost in silence, in hiss that reaches up to half the rate, or where the
jump stays under the floor, as in low tones. 8 frames lost at 352.8 kHz show in programme with
content above 1 kHz some 30 dB over the noise; of a 50 Hz tone they do not.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Protocol

from checks._ranks import median
from checks.block import BLOCK_FRAMES, Block
from checks.dropouts._history import History
from checks.dropouts._junction import BEFORE, ORDER, REACH
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import PartOutcome
from checks.dropouts._repeats import BATCH_BLOCKS
from checks.dropouts._steps import _foreign
from checks.dropouts._steps._clock import Clocks
from checks.dropouts._steps._doubts import Doubts
from checks.dropouts._steps._first_look import broken, quiet_or_alone
from checks.dropouts._steps._kinds import Kinds
from checks.dropouts._steps._place import Place
from checks.dropouts._steps._recoded import Recoded
from checks.dropouts._steps._steep import Tape
from checks.dropouts._steps._switched import Switched
from checks.dropouts._steps._whiten import Peak, Screen
from checks.model import CaptureFormat
from checks.sheet import Sheet

MOST_LOOKS: Final = 12
"""Places looked at closely in a block of 16,384 frames. From own trials: percussion at 44.1 kHz
stays under it."""

_MARGIN: Final = REACH + _foreign.MOST + 2 * ORDER
_OUT: Final = 1.5
"""Times the median of a track's peaks in a block that one must have to be looked at, where there
are more than can be. From own trials: the edges of timecode have 0.7 to 1.4."""

_CODE: Final = 12.0
"""Least peak looked at on timecode alone, whose every edge may jump a little: the limit of a step
on one track."""

_RINGS: Final = 256  # frames within which one attack's peaks lie
_NEIGHBOURS: Final = 8  # clusters on each side that are compared
_AT_ONCE: Final = 2  # frames within which disturbances of several tracks may begin as one
_TOGETHER: Final = 12  # frames within which the screen's peaks on several tracks may be one jump


class Elsewhere(Protocol):
    """What other parts have found: a repeated block breaks the prediction at both its ends."""

    def covers(self, frame: int, tracks: tuple[int, ...]) -> bool: ...


class StepsPart:
    """Steps over one capture. ``history`` must have seen each block first."""

    def __init__(
        self,
        fmt: CaptureFormat,
        sheet: Sheet,
        limits: DropoutsLimits,
        history: History,
        known: Elsewhere,
    ) -> None:
        self._fmt = fmt
        self._history = history
        self._known = known
        limit = limits.step_one_track
        self._switched = Switched(sheet, fmt.channels, fmt.rate_hz, limit=limit)
        self._screen = Screen(fmt)
        self._doubts = Doubts(fmt, listed=limits.listed_digital)
        self._clocks = Clocks(fmt)
        self._tape = Tape(fmt)
        self._recoded = Recoded(fmt, history, self._doubts, limit)
        self._kinds = Kinds(fmt, limits, self._doubts, self._clocks, self._tape, self._recoded)
        self._waiting: list[Peak] = []

    def feed(self, block: Block) -> None:
        peaks, rises = self._screen.feed(block)
        self._waiting += peaks
        self._clocks.feed(block)
        self._tape.feed(block)
        self._recoded.feed(rises)
        self._look(block.stop - _MARGIN - BATCH_BLOCKS * BLOCK_FRAMES)

    def finish(self) -> PartOutcome:
        self._look(self._history.stop)
        self._recoded.finish()
        self._kinds.slips()
        falling = frozenset(t for t in range(self._fmt.channels) if self._tape.falls_off(t))
        findings, counts = self._doubts.finish(falling=falling)
        return PartOutcome(findings=findings, counts={"steps": counts})

    # -- from peaks to places -----------------------------------------------------------------

    def _look(self, stop: int) -> None:
        ripe = [peak for peak in self._waiting if peak.frame < stop]
        ripe = sorted(ripe + _beginnings(ripe), key=_in_order)
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
        """The strongest of each block's places, and of each track in it; of an attack's many the
        first and the strongest.

        A signal that jumps more often than this (a pulse, a clock, hard clipping) hides single
        jumps among its own; to look at all of them would cost more than the rest of the check.
        """
        blocks: dict[int, list[list[Peak]]] = {}
        for cluster in self._leading(self._without_usual(clusters)):
            blocks.setdefault(_block(cluster[0]), []).append(cluster)
        chosen: list[list[Peak]] = []
        for group in blocks.values():
            ranked = sorted(group, key=_rank, reverse=True)
            looked_at, seen = [], set[int]()
            for k, cluster in enumerate(ranked):
                tracks = {peak.track for peak in cluster}
                if k < MOST_LOOKS or not tracks <= seen:
                    looked_at.append(cluster)
                seen |= tracks
            chosen += sorted(looked_at, key=lambda cluster: cluster[0].frame)
        return chosen

    def _without_usual(self, clusters: list[list[Peak]]) -> list[list[Peak]]:
        """Without those of tracks that jump all along, but for what stands out among their own."""
        tops: dict[tuple[int, int], list[float]] = {}
        for cluster in clusters:
            for peak in cluster:
                tops.setdefault((peak.track, _block(peak)), []).append(peak.sigmas)
        least = {
            on: _CODE if self._clocks.running(on[0]) else _OUT * float(median(some))
            for on, some in tops.items()
            if len(some) > MOST_LOOKS or self._clocks.running(on[0])
        }
        return [
            cluster
            for cluster in clusters
            if any(peak.sigmas >= least.get((peak.track, _block(peak)), 0.0) for peak in cluster)
        ]

    def _leading(self, clusters: list[list[Peak]]) -> list[list[Peak]]:
        """Without what only goes on ringing behind another place of the same track."""
        out: list[list[Peak]] = []
        last: dict[int, int] = {}  # frame of each track
        for k, cluster in enumerate(clusters):
            frame, tracks = cluster[0].frame, {peak.track for peak in cluster}
            leads = any(frame - last.get(track, -_RINGS - 1) > _RINGS for track in tracks)
            last.update(dict.fromkeys(tracks, frame))
            near = clusters[max(k - _NEIGHBOURS, 0) : k + _NEIGHBOURS + 1]
            near = [c for c in near if abs(c[0].frame - frame) <= _RINGS]
            near = [c for c in near if any(peak.track in tracks for peak in c)]
            strongest = _rank(cluster) >= max(_rank(c) for c in near)
            if leads or strongest or self._stands_alone(cluster):
                out.append(cluster)
        return out

    def _stands_alone(self, cluster: list[Peak]) -> bool:
        """Whether nothing as large came just before, or one sample makes it all: a cheap look."""
        tracks = {peak.track for peak in cluster}
        if len(tracks) > 1:
            return True
        track = cluster[0].track
        peak = max(cluster, key=lambda p: p.sigmas).frame
        whitening = self._screen.whitening(track)
        return quiet_or_alone(self._history, track, peak, whitening)

    def _look_at(self, cluster: list[Peak]) -> None:
        by_strength = sorted(cluster, key=lambda p: -p.sigmas)
        tracks = tuple(dict.fromkeys(peak.track for peak in by_strength))
        strongest = by_strength[0].frame
        if self._kinds.told(strongest) or self._recoded.covers(strongest, tracks):
            return
        start = max(strongest - REACH, self._history.start, 0)
        native = self._history.rows(start, strongest + REACH + _foreign.MOST)
        peak = strongest - start
        if self._known.covers(strongest, tracks) or broken(native[list(tracks)], peak):
            return
        first = max(by_strength[0].first - start, 0)
        place = Place(self._fmt, native, peak=peak, start=start, first=first, history=self._history)
        tracks = self._switched.others(place, tracks)
        if tracks:
            self._kinds.look(place, tracks)


def _beginnings(peaks: list[Peak]) -> list[Peak]:
    """Where disturbances of several tracks begin at one sample, before they are largest.

    Other programme that follows may stand out all along, and most of all some way behind the cut.
    """
    late = sorted((p for p in peaks if p.frame - p.first > BEFORE), key=lambda p: p.first)
    out: list[Peak] = []
    group: list[Peak] = []
    for peak in late:
        if group and peak.first - group[0].first > _AT_ONCE:
            out += group if len(group) > 1 else []
            group = []
        group.append(replace(peak, frame=peak.first))
    return out + (group if len(group) > 1 else [])


def _block(peak: Peak) -> int:
    """In which block's turn it is looked at."""
    return (peak.frame + _MARGIN) // BLOCK_FRAMES


def _in_order(peak: Peak) -> tuple[int, int]:
    return peak.frame, peak.track


def _rank(cluster: list[Peak]) -> tuple[float, int]:
    """The strongest first; that several tracks share a place doubles it once."""
    several = len({peak.track for peak in cluster}) > 1
    top = max(peak.sigmas for peak in cluster)
    return (2.0 if several else 1.0) * top, len(cluster)
