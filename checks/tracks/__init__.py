"""Tracks against each other and each by itself: silent, doubled, one signal, offset, hum.

Measured: level (AES17-2015: a full-scale sine is 0 dBFS), hiss, DC offset and mains hum of every
track; correlation, gain, delay and residual of every pair that has something in common. Every
sample is looked at for level, offset, hum and bit-equal stretches; delays and residuals are
taken from stretches spread evenly over the capture. Hiss is the lowest level that a track's noise
keeps, told as that of a noise from 20 Hz to 20 kHz (see ``_levels``, ``_hiss``).

A sample check; the modules behind the underscore each hold one kind of measurement and say what
it does not prove. All together: nothing here hears what is played. Two tracks with the wrong
names, or programme missing on both, look right.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from checks.block import Block
from checks.measures import PairLine, TrackLine, TracksMeasures
from checks.model import CaptureFormat, Finding, Outcome, dbfs_rms, rounded
from checks.sheet import NoiseReduction, ReelKind, Sheet, TrackKind
from checks.tracks import _findings as findings
from checks.tracks._equal import EqualStretches
from checks.tracks._hiss import MOST_DBFS, Noise, heard_again
from checks.tracks._hum import Hum, HumFinder
from checks.tracks._kinds import Beats, is_timecode, pilot_hz, speaking
from checks.tracks._levels import Levels
from checks.tracks._limits import TracksLimits
from checks.tracks._low import LowRate
from checks.tracks._offset import Held, Offset
from checks.tracks._pairs import Pair, compared
from checks.tracks._related import related
from checks.tracks._sameness import sameness
from checks.tracks._segments import Segments
from checks.tracks._silence import Silence, never_moves, silent_tracks, steady_floor

__all__ = ["TracksLimits", "TracksOutcome", "TracksPass", "heard_again"]

_LISTED_PAIRS = 64
_SHORTEST_S = 0.25  # an offset of less than a note's length says nothing
_SHORTEST_HELD = 64  # samples of one value that are not zero; fewer are no evidence
_SENSELESS = 1e6
_UNKNOWN_DB = 2.0  # own choice: more evidence, where decoded noise reduction may lower the hiss
_HUM_WINDOWS = 2  # seven seconds: less does not tell a held note from hum, where nothing rests

Means = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TracksOutcome(Outcome):
    """What was found; ``noise``: to tell the hiss again, once it is known where the tape runs."""

    noise: Noise | None = field(default=None, compare=False)


class TracksPass:
    """The check at work on one capture."""

    def __init__(self, fmt: CaptureFormat, sheet: Sheet, limits: TracksLimits) -> None:
        self._fmt = fmt
        self._sheet = sheet
        self._limits = limits
        self._low = LowRate(fmt.rate_hz)
        self._levels = Levels(fmt)
        self._offset = Offset(fmt.channels, self._low.width)
        self._beats = Beats(fmt.channels, self._low.rate_hz)
        self._hum = HumFinder(fmt.channels, self._low, limits.mains_percent, self._beats.feed)
        self._equal = EqualStretches(fmt, limits.identical_frames)
        self._segments = Segments(fmt)
        self._total = 0
        self._frames = 0  # of them, those that are measured
        self._gram = np.zeros((fmt.channels, fmt.channels))
        self._highest = np.full(fmt.channels, -np.inf)
        self._lowest = np.full(fmt.channels, np.inf)

    def feed(self, block: Block) -> None:
        """Take an aligned block."""
        self._total += block.frames
        np.maximum(self._highest, block.peak, out=self._highest)
        np.minimum(self._lowest, block.trough, out=self._lowest)
        self._equal.feed(block)
        if self._fmt.floating and _senseless(block):
            return  # no audio; its squares would not fit into a float
        self._frames += block.frames
        self._gram += block.gram
        series = self._low.of(block)
        self._offset.feed(block, series)
        self._hum.feed(self._low.smooth(block))
        means = series.mean(axis=1, dtype=np.float64) if series.size else np.zeros(block.tracks)
        self._levels.feed(block, means)
        self._segments.feed(block)

    def finish(self) -> Outcome:
        """Findings and measures of the whole capture."""
        if not self._total:
            return Outcome(measures=TracksMeasures(tracks=self._empty_lines(), pairs=()))
        fmt, limits = self._fmt, self._limits
        means = self._offset.means()
        covariance = self._gram / max(self._frames, 1) - np.outer(means, means)
        constant = self._highest == self._lowest
        constant &= (self._highest == 0) | (self._total >= _SHORTEST_HELD)
        doubles = self._equal.finish()
        reduction = self._sheet.tape.noise_reduction
        hiss_holds = reduction in (NoiseReduction.NONE, NoiseReduction.ENCODED)
        silences = silent_tracks(
            self._levels,
            constant=constant,
            whole_ms=np.diagonal(covariance),
            limit_dbfs=limits.silent_dbfs,
            margin_db=limits.silent_margin_db + (0.0 if hiss_holds else _UNKNOWN_DB),
            hiss_moves=reduction is NoiseReduction.DECODED,
        )
        who = findings.Who(sheet=self._sheet, recognised=self._recognise(silences))
        equal = _groups({d.tracks for d in doubles if d.frames >= 0.5 * self._total})
        pairs = compared(
            self._segments,
            covariance,
            left_out=equal,
            least_correlation=limits.pair_correlation,
            search_s=limits.delay_search_ms / 1000,
        )
        hums = self._hums()
        noise = Noise(
            levels_db=self._levels.stored,
            starts=self._levels.starts,
            frames=self._levels.part_frames,
            rate_hz=fmt.rate_hz,
            without=frozenset(silences),
        )
        lines = tuple(
            self._line(track, float(means[track]), hums.get(track), noise)
            for track in range(fmt.channels)
        )
        found: list[Finding] = []
        found += findings.silent(silences, who)
        found += findings.identical(doubles, who, frames=self._total, listed=limits.listed)
        found += self._related(pairs, silences, who)
        found += findings.offset(self._offsets(who), limits.dc_percent)
        found += findings.hum(self._audible(hums, who))
        found += findings.track_kinds(who, silences, fmt.channels, self._under(who, silences))
        return TracksOutcome(
            findings=tuple(found),
            measures=TracksMeasures(tracks=lines, pairs=self._pair_lines(pairs, equal)),
            noise=noise,
        )

    def _recognise(self, silences: dict[int, Silence]) -> dict[int, TrackKind]:
        kept, _ = self._segments.kept()
        speak = speaking(kept)
        if np.count_nonzero(speak.any(axis=0)) > 1:
            kept = kept[speak.any(axis=1)]  # where no tape runs, no pilot does
        rate = self._segments.rate_hz
        found: dict[int, TrackKind] = {}
        for track in range(self._fmt.channels):
            if track in silences:
                continue
            if is_timecode(kept[:, track], rate):
                found[track] = TrackKind.TIMECODE
            elif pilot_hz(kept[:, track], rate) is not None:
                found[track] = TrackKind.PILOT
            elif self._beats.recognised(track):
                found[track] = TrackKind.CLICK
            elif self._hiss_only(track):
                found[track] = TrackKind.UNUSED
        return found

    def _under(self, who: findings.Who, silences: dict[int, Silence]) -> dict[int, float]:
        """How far tracks of steady noise lie under all other tracks at their quietest, in dB."""
        floors = {t: self._levels.level_dbfs(t, 5) for t in range(self._fmt.channels)}
        known = {t: f for t, f in floors.items() if f is not None and t not in silences}
        found = {}
        for track in [t for t in known if who.recognised.get(t) is TrackKind.UNUSED]:
            under = min((f - known[track] for t, f in known.items() if t != track), default=0.0)
            if under >= self._limits.silent_margin_db:
                found[track] = under
        return found

    def _hiss_only(self, track: int) -> bool:
        steady = never_moves(self._levels, track) and steady_floor(self._levels, track) is not None
        return steady and self._whole_dbfs(track) < MOST_DBFS

    def _related(
        self, pairs: list[Pair], silences: dict[int, Silence], who: findings.Who
    ) -> list[Finding]:
        heard = [t for t in range(self._fmt.channels) if t not in silences]
        floors = {t: steady_floor(self._levels, t) for t in heard}
        found = []
        for pair in pairs:
            if not silences.keys() & set(pair.tracks):
                same = sameness(pair, floors, self._fmt, self._limits)
                if pair.part is not None and (same is None or not same.sure):
                    partly = sameness(pair.part, floors, self._fmt, self._limits)
                    if partly is not None and partly.sure:
                        pair, same = pair.part, partly
                if same is not None:
                    found.append((pair, same))
        rate, listed = self._fmt.rate_hz, self._limits.listed
        return related(found, who, rate_hz=rate, listed=listed)

    def _offsets(self, who: findings.Who) -> dict[int, Held]:
        """Tracks with an offset beyond the limit."""
        if self._frames < _SHORTEST_S * self._fmt.rate_hz:
            return {}
        return {
            track: held
            for track, held in self._offset.held(self._limits.dc_percent / 100).items()
            if not who.excused(track, (TrackKind.TIMECODE, TrackKind.CLICK))
        }

    def _hums(self) -> dict[int, Hum]:
        found = {}
        for track in range(self._fmt.channels):
            hum = self._hum.hum(track)
            if hum is not None:
                found[track] = hum
        return found

    def _audible(self, hums: dict[int, Hum], who: findings.Who) -> dict[int, Hum]:
        """Hum to listen to: loud enough, and not what the track is there for."""
        if self._sheet.reel.kind is ReelKind.LINEUP:
            return {}  # its tones may lie there by intent
        found = {}
        for track, hum in hums.items():
            if (
                hum.level_dbfs >= self._limits.hum_dbfs
                and self._tells(track, hum)
                and not who.excused(track, (TrackKind.TIMECODE, TrackKind.PILOT))
            ):
                found[track] = hum
        return found

    def _tells(self, track: int, hum: Hum) -> bool:
        """Whether enough was seen to tell hum from a held note."""
        return hum.rested or self._hum.windows(track) >= _HUM_WINDOWS

    def _whole_dbfs(self, track: int) -> float:
        return dbfs_rms(float(self._gram[track, track]) / max(self._frames, 1))

    def _line(self, track: int, mean: float, hum: Hum | None, noise: Noise) -> TrackLine:
        hiss = noise.hiss_dbfs(track)
        reasons = []
        if self._whole_dbfs(track) == -np.inf:
            reasons.append("rms: minus infinity, digital silence")
        if hiss is None:
            reasons.append(f"hiss: {self._no_hiss(track, noise)}")
        if hum is None:
            reasons.append(self._no_hum(track))
        elif not self._tells(track, hum):
            reasons.append("hum: too short to tell it from a held note, so no finding")
        return TrackLine(
            track=track + 1,
            rms_dbfs=rounded(self._whole_dbfs(track)),
            hiss_dbfs=rounded(hiss, 1),
            dc_percent=rounded(100 * mean, 5),
            hum_dbfs=rounded(hum.level_dbfs, 1) if hum else None,
            hum_hz=rounded(hum.mains_hz, 3) if hum else None,
            why="; ".join(reasons) or None,
        )

    def _no_hiss(self, track: int, noise: Noise) -> str:
        if not self._levels.parts:
            return f"shorter than {self._levels.part_frames} frames"
        if self._levels.level_dbfs(track, 5) is None:
            return "digital silence"
        return "none, see silent" if track in noise.without else "nowhere heard plainly"

    def _no_hum(self, track: int) -> str:
        if not self._hum.usable:
            return "hum: the rate is too low to tell"
        if not self._hum.windows(track):
            return f"hum: no {self._hum.window_s:.1f} s with a signal"
        return "hum: no mains line stands out"

    def _empty_lines(self) -> tuple[TrackLine, ...]:
        return tuple(
            TrackLine(
                track=track + 1,
                rms_dbfs=None,
                hiss_dbfs=None,
                dc_percent=None,
                hum_dbfs=None,
                hum_hz=None,
                why="no frames",
            )
            for track in range(self._fmt.channels)
        )

    def _pair_lines(self, pairs: list[Pair], equal: set[tuple[int, int]]) -> tuple[PairLine, ...]:
        """The closest pairs; of pairs that are equal bit for bit nothing is left to measure."""
        lines = [
            PairLine(
                tracks=(a + 1, b + 1), correlation=1.0, gain_db=0.0, delay_us=0.0, residual_db=None
            )
            for a, b in sorted(equal)
        ]
        lines += [
            PairLine(
                tracks=(pair.tracks[0] + 1, pair.tracks[1] + 1),
                correlation=rounded(pair.correlation, 4),
                gain_db=rounded(pair.gain_db, 3),
                delay_us=rounded(pair.delay_s * 1e6, 3) if pair.delay_s is not None else None,
                residual_db=rounded(pair.residual_db, 1),
            )
            for pair in sorted(pairs, key=lambda p: (-abs(p.correlation), p.tracks))
        ]
        return tuple(lines[:_LISTED_PAIRS])


def _senseless(block: Block) -> bool:
    """Whether float samples lie 120 dB and more over full scale."""
    x = block.scaled  # without what is not finite
    return max(float(x.max()), -float(x.min())) > _SENSELESS


def _groups(pairs: set[tuple[int, int]]) -> set[tuple[int, int]]:
    """Every pair within the groups that chained pairs make."""
    groups: list[set[int]] = []
    for pair in sorted(pairs):
        touching = [g for g in groups if g & set(pair)]
        groups = [g for g in groups if not g & set(pair)]
        groups.append(set(pair).union(*touching))
    return {(a, b) for g in groups for a in g for b in g if a < b}
