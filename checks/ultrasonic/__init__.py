"""What lies above 20 kHz: is there anything, does it come from the programme, where does it end?

Measured for every track, on an evenly spread share of the blocks (``spectra_share``): the level
of each band from 20 kHz to half the rate, how it moves and whether it moves with the same
track's 5 to 18 kHz; up to where there is information at all; where the noise floor falls like a
wall; steady lines. Power densities after Welch (definitions: ``checks._spectra``), levels in AES17
dBFS. Steady lines are taken out of the bands, the line whistle out of the 5 to 18 kHz.

What it does not prove. That a band moves with the programme does not make it music: distortion,
modulation noise and clicks move as well. That nothing moves says little about worn or slow tape,
so ``absent`` needs a programme that would have shown it; where one track's programme ends, its
hiss goes on and another track's programme too, it ended before the tape: one recorder has one rate
for all of its tracks. A ``brickwall`` may be an analog filter as steep as a digital one; an end
that a converter's own filter explains is the note ``own-filter``. Events shorter than a capture (a
minute from another source) drown in percentiles over the whole, and what stands only in the blocks
not chosen is not seen.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.block import Block
from checks.measures import BandLine, SpectralLine, UltrasonicMeasures, UltrasonicTrackLine
from checks.model import CaptureFormat, Outcome, rounded
from checks.sheet import ReelKind, Sheet, TrackKind
from checks.ultrasonic import _findings as findings
from checks.ultrasonic._collect import SpectraPass, TrackSpectrum
from checks.ultrasonic._findings import Ending
from checks.ultrasonic._images import Image
from checks.ultrasonic._limits import UltrasonicLimits
from checks.ultrasonic._lines import Line, find_lines, free_of_lines, usual_name
from checks.ultrasonic._movement import (
    ENOUGH,
    ROOM_HZ,
    Absence,
    Movement,
    absence,
    goes_on,
    information_hz,
    movement,
    report_bands,
)
from checks.ultrasonic._wall import Wall, end_of_band, find_walls

__all__ = ["UltrasonicLimits", "UltrasonicPass"]

_FROM_HZ: Final = 20_000.0
_NAMED_FROM_HZ: Final = 15_000.0  # from here on, lines that have a name are measured as well
_LEAST_RATE_HZ: Final = 40_500  # below, there is nothing above 20 kHz
_SLOW_TAPE_CM_S: Final = 19.05  # at this speed and below little is left at 20 kHz
_WALL_SEGMENTS: Final = 8  # for percentiles of a floor


class UltrasonicPass:
    """The check at work on one capture."""

    def __init__(self, fmt: CaptureFormat, sheet: Sheet, limits: UltrasonicLimits) -> None:
        self._fmt = fmt
        self._sheet = sheet
        self._limits = limits
        self._room = 0.45 * fmt.rate_hz >= ROOM_HZ
        self._frames = 0
        self._spectra = SpectraPass(fmt) if fmt.rate_hz >= _LEAST_RATE_HZ else None

    def feed(self, block: Block) -> None:
        if self._spectra is not None:
            self._spectra.feed(block)
            self._frames += block.frames

    def finish(self) -> Outcome:
        if self._spectra is None:
            why = "the rate leaves nothing above 20 kHz"
            empty = tuple(_line(k, why=why) for k in range(self._fmt.channels))
            return Outcome(measures=UltrasonicMeasures(tracks=empty, spectra_share=None))
        endings: dict[int, Ending] = {}
        cut: dict[int, Absence] = {}
        moving: dict[int, Movement] = {}
        found: dict[int, tuple[Line, ...]] = {}
        unseen: dict[int, float | None] = {}
        falls: dict[int, Wall] = {}
        doubts: dict[int, Image] = {}
        measured = []
        for k, track in enumerate(self._spectra.tracks()):
            judged = self._judged(k)
            lines = self._lines(track)
            clear = free_of_lines(track.layout, lines, track.bin_hz)
            walls = self._walls(track, clear)
            ending = self._ending(track, walls)
            seen = movement(track, clear)
            ends_hz = ending.hz if ending is not None else None
            doubt = track.mirror if track.mirror is not None and track.mirror.doubtful else None
            limit_hz = ends_hz
            if doubt is not None:
                limit_hz = doubt.hz if ends_hz is None else min(ends_hz, doubt.hz)
            top_hz = information_hz(track, seen, limit_hz)
            wall_hz = None if ending is None or ending.own_filter else ending.hz
            measured.append(self._measure(k, track, lines, clear, top_hz, wall_hz))
            if not judged:
                continue
            found[k] = tuple(line for line in lines if line.hz >= _FROM_HZ)
            if ending is not None:
                endings[k] = ending
            if not self._room:
                continue
            if self._sheet.reel.kind is ReelKind.LINEUP or seen is None:
                continue
            moving[k] = seen
            if ends_hz is not None and ends_hz < self._limits.wall_redo_hz:
                continue  # the wall says it all
            gone = absence(track, seen, self._fmt.rate_hz, allowance_db=self._allowance_db())
            if gone is not None:
                cut[k] = gone
            elif doubt is not None:
                doubts[k] = doubt
            elif top_hz is None or top_hz <= _FROM_HZ + 500.0:
                unseen[k] = top_hz
                if walls:
                    falls[k] = max(walls, key=lambda wall: wall.depth_db)
        layout = self._spectra.layout
        alone = [
            k
            for k, gone in cut.items()
            if gone.before_the_tape
            and any(goes_on(layout, other, gone.from_hz) for j, other in moving.items() if j != k)
        ]
        by_sheet = self._sheet.expect.above_20_khz
        share = rounded(self._spectra.analysed, 4)
        return Outcome(
            findings=(
                *findings.brickwalls(endings, self._limits, by_sheet=by_sheet),
                *findings.absent(cut, alone, by_sheet=by_sheet),
                *findings.no_evidence(unseen, falls),
                *findings.like_images(doubts),
                *findings.lines(
                    found,
                    self._limits,
                    bin_hz=self._spectra.bin_hz,
                    seconds=self._frames / self._fmt.rate_hz,
                ),
            ),
            measures=UltrasonicMeasures(tracks=tuple(measured), spectra_share=share),
        )

    def _judged(self, track: int) -> bool:
        """Whether the track is one of programme, as far as the sheet knows."""
        return self._sheet.track(track).kind is TrackKind.PROGRAMME

    def _allowance_db(self) -> float:
        speed = self._sheet.tape.speed_cm_s
        slow = speed is not None and speed <= _SLOW_TAPE_CM_S
        return self._limits.absent_allowance_db * (2.0 if slow else 1.0)

    def _lines(self, track: TrackSpectrum) -> tuple[Line, ...]:
        least = self._limits.line_prominence_db
        found = find_lines(track, _NAMED_FROM_HZ, min_prominence_db=least)
        return tuple(x for x in found if x.hz >= _FROM_HZ or usual_name(x.hz) is not None)

    def _walls(self, track: TrackSpectrum, clear: NDArray[np.bool_]) -> list[Wall]:
        if track.segments < _WALL_SEGMENTS:
            return []
        return find_walls(
            track,
            clear,
            self._fmt.rate_hz,
            min_depth_db=self._limits.wall_depth_db,
            min_slope_db_octave=self._limits.wall_slope_db_octave,
        )

    def _ending(self, track: TrackSpectrum, walls: list[Wall]) -> Ending | None:
        wall = end_of_band(walls, self._fmt.rate_hz)
        mirror = None if track.mirror is None or track.mirror.doubtful else track.mirror
        if wall is None and mirror is None:
            return None
        ending = Ending(rate_hz=self._fmt.rate_hz, wall=wall, mirror=mirror)
        # Without room, what ends at no lower rate's place may be the file's own filter.
        return ending if self._room or ending.rates_hz else None

    def _measure(
        self,
        number: int,
        track: TrackSpectrum,
        lines: tuple[Line, ...],
        clear: NDArray[np.bool_],
        top_hz: float | None,
        wall_hz: float | None,
    ) -> UltrasonicTrackLine:
        others = tuple(line.hz for line in lines)
        why = None if self._room else "the rate leaves no room above 20 kHz"
        if track.segments < ENOUGH:
            why = "too little signal was seen" if track.segments else "no signal was seen"
            if self._spectra is not None and self._frames < self._spectra.length:
                why = "too short to be looked at"
        return _line(
            number,
            information_hz=rounded(top_hz, 0),
            brickwall_hz=rounded(wall_hz, 0),
            bands=report_bands(track, clear),
            lines=tuple(
                SpectralLine(
                    hz=round(line.hz, 1),
                    dbfs=round(line.dbfs, 1),
                    likely=usual_name(line.hz, others),
                )
                for line in lines
            ),
            why=why,
        )


def _line(
    number: int,
    *,
    information_hz: float | None = None,
    brickwall_hz: float | None = None,
    bands: tuple[BandLine, ...] = (),
    lines: tuple[SpectralLine, ...] = (),
    why: str | None = None,
) -> UltrasonicTrackLine:
    return UltrasonicTrackLine(
        track=number + 1,
        information_hz=information_hz,
        brickwall_hz=brickwall_hz,
        bands=bands,
        lines=lines,
        why=why,
    )
