"""Line-up tones of a capture: level, response, azimuth, speed, flutter, track by track.

Found anywhere in a capture: tones of 30 Hz to 40 kHz that stand alone for two seconds and more on
most tracks. Levels are AES17-2015 dBFS; replay curves those of IEC 60094-1; flutter is weighted as
AES6-2008 (IEC 60386) says; a positive delay means that a track is later than the reference track.
Some five times a second a short transform of three tracks asks whether there may be a tone; only
where one goes on are all tracks demodulated.

What it does not prove. A pure sine on all tracks need not be a line-up tone, and a tone only tells
about the moment at which it was recorded or played. What was wrong on the recording machine looks
like what is wrong on this one: only a calibration tape, declared in the sheet, tells about the
machine. Delays longer than a millisecond, and delays from a single tone, are ambiguous. Speed
and flutter are those of recording and replay together.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from checks.block import BLOCK_FRAMES, Block
from checks.lineup._explains import explained
from checks.lineup._findings import findings
from checks.lineup._limits import LineupLimits
from checks.lineup._lineup import gather
from checks.lineup._recognise import is_lineup_tone, judged_tracks, standing
from checks.lineup._reference import met_in_a_jump
from checks.lineup._report import measures
from checks.lineup._run import Run
from checks.lineup._screen import Screen
from checks.lineup._stretches import envelope_db, steady_stretches
from checks.lineup._tone import Tone, measure
from checks.model import CaptureFormat, Outcome
from checks.sheet import ReelKind, Sheet

__all__ = ["LineupLimits", "LineupPass", "explained"]

_LEAST_RATE_HZ: Final = 16_000  # below there is no room for the tones of a line-up
HOLDS: Final = 0.6  # of a track's power: less, and the tone has ended or something else begun
UNSEEN: Final = 4.0  # beats at the ends of a tone in which it is not yet, or no more, followed
SAME: Final = 0.7  # of the power a beat before: the tone is still there
FADES: Final = 0.1  # 1 dB from beat to beat: notes fade, tones stay
MOST_MOVES: Final = 2  # beats on end; a step from tone to tone is one
TINY: Final = 1e-30
MOST: Final = 1e6  # times full scale: a float beyond it is no signal's
_MOST_TONES: Final = 4096  # kept; a capture of nothing but tones of 2 s has 1800 an hour


class LineupPass:
    """The check at work on one capture."""

    def __init__(self, fmt: CaptureFormat, sheet: Sheet, limits: LineupLimits) -> None:
        self._fmt = fmt
        self._sheet = sheet
        self._limits = limits
        self._judged = judged_tracks(sheet, fmt.channels)
        usable = fmt.rate_hz >= _LEAST_RATE_HZ and self._judged
        self._screen = Screen(fmt.rate_hz, self._judged) if usable else None
        self._run: Run | None = None
        self._tones: list[Tone] = []
        self._beats = 0  # of the run
        self._moved = 0  # beats on end whose level moved
        self._drowned = False  # the last beat held something louder
        self._frames = 0  # since the last beat, and the sums of squares and the tone's power then
        self._powers = np.zeros(fmt.channels)
        self._before = np.zeros(fmt.channels)
        self._held = np.zeros(fmt.channels, np.int64)  # beats in which each track held the tone

    def feed(self, block: Block) -> None:
        if self._screen is None or not block.frames:
            return
        if not _sane(block):
            self._close()
            self._screen.forget()
            return
        self._screen.keep(block)
        if self._run is not None:
            self._run.feed(block)
            self._powers += block.square_sums
            self._frames += block.frames
        if not self._is_beat(block):
            return
        if self._run is not None:
            if not self._goes_on(self._run):
                self._close()
            elif self._beats == 1 and met_in_a_jump(self._run):
                self._start(self._run.hz + self._run.off_hz(), block)
            elif self._beats > 1 and not self._moved and not self._drowned:
                self._run.look(block)
        if self._run is None:
            self._open(block)

    def _is_beat(self, block: Block) -> bool:
        """Whether the last of so many blocks is this."""
        number = block.start // BLOCK_FRAMES + 1
        return self._screen is not None and number % self._screen.stride == 0

    def _open(self, block: Block) -> None:
        """Follows a tone from this block on, if there may be one."""
        hz = self._screen.look() if self._screen is not None else None
        if hz is not None:
            self._start(hz, block)

    def _start(self, hz: float, block: Block) -> None:
        if self._screen is None:
            return
        history = self._screen.lend()[:-1]  # without this block
        self._run = Run(
            hz, self._fmt.rate_hz, history, self._screen.watched, block.tracks, block.start
        )
        self._run.feed(block)
        self._beats = self._moved = self._frames = 0
        self._drowned = False
        self._powers[:] = 0.0
        self._held[:] = 0
        self._before = np.zeros(block.tracks)

    def _goes_on(self, run: Run) -> bool:
        """Whether the tone still stands over all else on most tracks, and does not fade."""
        power = run.power(self._frames)
        holds = power > HOLDS * self._powers / max(self._frames, 1)
        same = power > SAME * self._before
        moved = np.abs(np.log10(np.maximum(power, TINY) / np.maximum(self._before, TINY))) > FADES
        self._powers[:] = 0.0
        self._frames = 0
        self._before = power
        enough = self._limits.tracks_share * len(self._judged)
        if holds[self._judged].sum() < enough:  # a click may drown a tone that goes on
            drowned = self._beats > 1 and same[self._judged].sum() >= enough and not self._drowned
            self._drowned = True
            return bool(drowned)
        self._drowned = False
        self._beats += 1
        self._held += holds
        fading = self._beats > 1 and float(moved[holds].mean()) > 0.5
        self._moved = self._moved + 1 if fading else 0
        return self._moved < MOST_MOVES

    def _close(self) -> None:
        """Ends the run and keeps the line-up tones in it."""
        run, self._run = self._run, None
        if run is None or not run.seen_beside or len(self._tones) >= _MOST_TONES:
            return
        beat_s = BLOCK_FRAMES * self._screen.stride / self._fmt.rate_hz if self._screen else 0.0
        if self._beats < self._limits.min_tone_s / beat_s - UNSEEN:
            return
        carrying = self._held * 2 > self._beats
        if not carrying.any():
            return
        step_s = run.step / self._fmt.rate_hz
        level = envelope_db(run.values(), carrying, run.image)
        reference = self._sheet.lineup.reference_track - 1
        if not 0 <= reference < self._fmt.channels:
            reference = self._judged[0]
        for stretch in steady_stretches(level, step_s, run.hz, run.image):
            if (stretch.stop - stretch.start) * step_s < self._limits.min_tone_s * 0.9:
                continue
            tone = measure(run, stretch, reference, carrying, alone_db=self._limits.alone_db)
            if tone is None:
                continue
            if self._tones and tone.start < self._tones[-1].stop:  # what was kept of the past
                tone = replace(tone, start=self._tones[-1].stop)
            if is_lineup_tone(
                tone, self._fmt.rate_hz, self._sheet, self._limits, declared=self._declared
            ):
                self._tones.append(tone)

    @property
    def _declared(self) -> bool:
        return self._sheet.reel.kind is ReelKind.LINEUP

    def finish(self) -> Outcome:
        if self._run is not None:
            self._run.to_the_end = True
            self._close()
        tones = standing(self._tones, self._fmt.rate_hz)
        lineup = gather(tones, self._sheet, self._judged, self._fmt.channels)
        return Outcome(
            findings=findings(lineup, self._sheet, self._limits, declared=self._declared),
            measures=measures(lineup, self._sheet, self._fmt.rate_hz, most=self._limits.listed),
        )


def _sane(block: Block) -> bool:
    """Whether no sample is beyond what can be squared; only float captures hold such."""
    if not block.fmt.floating:
        return True
    return float(max(block.peak.max(), -block.trough.min())) < MOST
