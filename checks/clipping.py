"""Clipping: peaks cut off at full scale or below it, overflows that wrapped, and the peaks as such.

Measured for every track: sample peak (AES17-2015: a full-scale sine is 0 dBFS), true peak
(ITU-R BS.1770-5, Annex 2), runs of samples held at full scale, flat tops at a level below it.
No standard says how many samples make an overload; ``_full_scale``, ``_flat_tops``, ``_crests``
and ``_pile_ups`` say what counts here and why, ``_wraps`` the same for overflows.

What it does not prove: a capture without a finding may carry overloads that were rounded since
(tape, a limiter, a change of rate), or that show in too few peaks. A flat top below full scale says
that something clipped, not when: it may stand on the old recording itself, and then another pass
changes nothing. Samples beyond full scale in float captures are a matter of the format check.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from annotated_types import Ge, Le

from checks._clipping_report import (
    flat_top_findings,
    full_scale_findings,
    headroom_findings,
    wrap_findings,
)
from checks._flat_tops import Ceiling, FlatTops
from checks._full_scale import FullScaleRuns, HeldRuns
from checks._true_peak import Peaks
from checks._wraps import WrapFinder
from checks.block import Block
from checks.measures import ClippingLine, ClippingMeasures
from checks.model import CaptureFormat, Outcome, dbfs_peak, rounded
from checks.sheet import Sheet, TrackKind

MERGED_S: Final = 1.0  # from memory: nearer overloads are one place to a person who listens

FULL_SCALE_WITHIN_DB: Final = 0.1  # from memory: converters that clip short of it, or flicker


@dataclass(frozen=True, slots=True, kw_only=True)
class ClippingLimits:
    """Limits of the clipping check; every field's comment is its entry in ``default.yaml``."""

    # Consecutive samples at one level that count as a clipped peak. 3 to 4096 samples.
    # Source: common practice (1 to 4 were used on compact discs; no standard fixes it).
    min_run_samples: Annotated[int, Ge(3), Le(4096)] = 3
    # The same as a time, which decides at rates above 400 kHz. 0 to 1000 microseconds.
    # Source: own trials (a recording of real clipping at 375 kHz has runs of 8 microseconds).
    min_run_us: Annotated[float, Ge(0), Le(1000)] = 7.5
    # Clipped peaks at full scale on one track from which the transfer is not usable; fewer are
    # to be listened to. 1 to 1000000 peaks. Source: common practice (single overs of a few
    # microseconds are not heard, and a pass of the tape costs more).
    redo_runs: Annotated[int, Ge(1), Le(1_000_000)] = 20
    # Flat peaks at one level below full scale that make a ceiling. 3 to 10000 peaks.
    # Source: own trials (clean programme shows a flat crest about once in two minutes, at
    # levels that differ).
    min_flat_tops: Annotated[int, Ge(3), Le(10_000)] = 5
    # How near the ceilings of several tracks must lie to be one, so that it stands in the
    # transfer and not on the tape. 0.01 to 1 dB. Source: own trials; levels of tape tracks
    # are never set so alike.
    shared_ceiling_db: Annotated[float, Ge(0.01), Le(1)] = 0.1
    # Correlation from which two tracks count as one signal, whose common ceiling proves
    # nothing. 0.5 to 1. Source: own trials (two microphones on one ensemble stay below 0.9).
    same_signal_correlation: Annotated[float, Ge(0.5), Le(1)] = 0.95
    # Peaks that come so near to full scale are noted. 0 to 20 dB. Source: EBU R 128 (from
    # memory: true peaks stay below -1 dBTP).
    headroom_db: Annotated[float, Ge(0), Le(20)] = 1.0


_WRAPPED_WITHIN_DB: Final = 3.0  # below full scale: where what is left of wrapped crests lies


class ClippingPass:
    """The clipping check over one capture."""

    def __init__(self, fmt: CaptureFormat, sheet: Sheet, limits: ClippingLimits) -> None:
        self._fmt = fmt
        self._sheet = sheet
        self._limits = limits
        shortest = max(limits.min_run_samples, math.ceil(limits.min_run_us * 1e-6 * fmt.rate_hz))
        gap = max(1, round(MERGED_S * fmt.rate_hz))
        self._frames = 0
        self._peaks = Peaks(fmt)
        self._full_scale = FullScaleRuns(fmt, shortest=shortest, gap_frames=gap)
        self._flat_tops = FlatTops(
            fmt, shortest=shortest, gap_frames=gap, least_tops=limits.min_flat_tops
        )
        self._wraps = WrapFinder(fmt, gap)

    def feed(self, block: Block) -> None:
        """Take the next block in order."""
        self._frames += block.frames
        with np.errstate(over="ignore", invalid="ignore"):  # float captures hold what they like
            self._peaks.feed(block)
            self._full_scale.feed(block)
            self._flat_tops.feed(block)
            self._wraps.feed(block)

    def finish(self) -> Outcome:
        """What was found and measured, once the capture has ended."""
        self._full_scale.finish()
        tracks = range(self._fmt.channels)
        found = [self._flat_tops.ceilings(t) for t in tracks]
        held = [self._held(t, found[t]) for t in tracks]
        ceilings = [self._ceilings(t, found[t]) for t in tracks]
        findings = (
            *full_scale_findings(held, self._fmt, self._sheet, redo_runs=self._limits.redo_runs),
            *flat_top_findings(
                self._flat_tops, ceilings, self._shared(ceilings), self._fmt, self._sheet
            ),
            *wrap_findings(self._wraps.tracks, self._fmt),
            *headroom_findings(
                self._peaks,
                [
                    run.runs > 0 or wraps.certain
                    for run, wraps in zip(held, self._wraps.tracks, strict=True)
                ],
                headroom_db=self._limits.headroom_db,
            ),
        )
        lines = tuple(self._line(t, held[t], ceilings[t]) for t in tracks)
        return Outcome(findings=findings, measures=ClippingMeasures(tracks=lines))

    def _held(self, track: int, found: Sequence[Ceiling]) -> HeldRuns:
        """What is held at full scale, or flat so little below it that the converter clips there."""
        runs = self._full_scale.tracks[track]
        near = [c for c in found if _at_full_scale(c) and not (c.wide or c.piled)]
        tops = sum(c.tops for c in near)
        if self._wraps.tracks[track].certain or tops <= runs.runs:
            return runs
        sides = [self._flat_tops.side(track, positive=c.positive) for c in near]
        return HeldRuns(
            self._flat_tops.places[track],
            self._flat_tops.stood[track],
            seen=tops,
            sloped=tops,
            longest=max(side.longest for side in sides),
            held_frames=sum(side.held_frames for side in sides),
            peaks=sum(side.peaks for side in sides),
            below=True,
        )

    def _ceilings(self, track: int, found: Sequence[Ceiling]) -> tuple[Ceiling, ...]:
        """Ceilings that are not full scale, nor what is left of wrapped crests."""
        if self._wraps.tracks[track].certain:
            return tuple(c for c in found if c.level_dbfs < -_WRAPPED_WITHIN_DB)
        lone = not self._full_scale.tracks[track].runs
        return tuple(c for c in found if not _at_full_scale(c) or (c.wide and lone))

    def _shared(self, ceilings: Sequence[Sequence[Ceiling]]) -> frozenset[int]:
        """Tracks whose ceiling another track with another signal shares."""
        shared: set[int] = set()
        cut = [t for t, found in enumerate(ceilings) if found]
        for a in cut:
            for b in cut[: cut.index(a)]:
                if self._sheet.declared_same(a, b) or not self._programme(a, b):
                    continue
                if self._flat_tops.alike(a, b) >= self._limits.same_signal_correlation:
                    continue
                if any(self._same(one, other) for one in ceilings[a] for other in ceilings[b]):
                    shared |= {a, b}
        return frozenset(shared)

    def _programme(self, *tracks: int) -> bool:
        return all(self._sheet.track(t).kind is TrackKind.PROGRAMME for t in tracks)

    def _same(self, one: Ceiling, other: Ceiling) -> bool:
        near = abs(one.level_dbfs - other.level_dbfs) <= self._limits.shared_ceiling_db
        return near and one.positive == other.positive and not (one.wide or other.wide)

    def _line(self, track: int, runs: HeldRuns, ceilings: Sequence[Ceiling]) -> ClippingLine:
        sample_peak = float(self._peaks.sample[track])
        why = None
        if not self._frames:
            why = "no samples"
        elif not sample_peak:
            why = "digital silence"
        return ClippingLine(
            track=track + 1,
            sample_peak_dbfs=rounded(dbfs_peak(sample_peak)),
            true_peak_dbtp=rounded(dbfs_peak(float(self._peaks.true[track]))),
            full_scale_runs=runs.runs,
            longest_run=runs.longest,
            flat_tops=sum(self._flat_tops.side(track, positive=c.positive).count for c in ceilings),
            flat_top_dbfs=rounded(max((c.level_dbfs for c in ceilings), default=None)),
            why=why,
        )


def _at_full_scale(ceiling: Ceiling) -> bool:
    return abs(ceiling.level_dbfs) <= FULL_SCALE_WITHIN_DB
