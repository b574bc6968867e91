"""Faults of tape and head: contact lost, level dips, a clogging head, a signal gone, cut ends.

One cheap look at every sample (``_bands``) leaves band levels every 0.36 ms. On these, short
falls of the hiss are found at once (``_contact``) and judged at the end (``_judge``); a history
in bounded memory (``_floors``) tells what the tape did (``_motion``), which falls stayed
(``_lasting``) and how the capture begins and ends (``_cuts``).

Limits, with hiss heard between 8 and 35 kHz and an amplifier at least 8 dB under it: lifts from
5 ms that take 6 dB of the hiss, from 2 to 3 ms those that take 10 dB in all bands, up to 20 kHz
14 dB (chi-square law: that many squares are so low by chance once in some 150 hours of hiss). A
lift under programme that covers the hiss in all bands shows only as far as it presses the level
under the hiss. Below 32 kHz sampling rate no finding about contact or treble is made.

What this cannot see: a dip that does not reach the hiss (music does that); a lift in a rest on
tracks without hiss; wear that is the same from beginning to end; anything about a tape with no
audible hiss (a copy from a digital source). It looks, it does not listen.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from checks.block import Block
from checks.dropouts._limits import DropoutsLimits
from checks.dropouts._part import PartOutcome
from checks.dropouts._tape._at_once import HISS_DB, Moments
from checks.dropouts._tape._bands import ABOVE, HISS, FilterBank, Floats
from checks.dropouts._tape._contact import PART_HOPS, REACH_HOPS, Candidate, Screen
from checks.dropouts._tape._cut_off import CutOffs
from checks.dropouts._tape._cuts import EDGE_HOPS
from checks.dropouts._tape._floors import PARTS, LevelHistory
from checks.dropouts._tape._report import TapeReport
from checks.dropouts._tape._stopped import STOPS_DB
from checks.dropouts._tape._tones import Tones
from checks.model import CaptureFormat
from checks.sheet import Sheet, TrackKind

LOOK_HOPS: Final = 4096  # hops looked at together: 1.5 s
_MOST_CANDIDATES: Final = 4096
_LEAST_RATE_HZ: Final = 32_000
_SCREEN_SHARE: Final = 0.75  # of the limit: the hiss near a place is known less well than later


class TapePart:
    """The tape half of the dropouts check over one capture."""

    def __init__(self, fmt: CaptureFormat, sheet: Sheet, limits: DropoutsLimits) -> None:
        self._fmt, self._sheet, self._limits = fmt, sheet, limits
        self._bank = FilterBank(fmt.rate_hz, fmt.channels)
        self._history = LevelHistory(self._bank.bands, fmt.channels)
        least = min(limits.contact_loss_db, limits.level_dip_db)
        self._screen = Screen(self._bank, 10 ** (-0.1 * _SCREEN_SHARE * least))
        size = LOOK_HOPS + 2 * REACH_HOPS
        self._held = np.zeros((self._bank.bands, fmt.channels, size), np.float32)
        self._swing = np.zeros((fmt.channels, size), np.float32)
        self._filled = 0
        self._first = 0  # hop within the held ones from which nothing was looked at yet
        self._origin = 0  # number of the first held hop within the capture
        self._head: Floats | None = None
        self._cut_offs = CutOffs(fmt.channels)
        kinds = [sheet.track(k).kind for k in range(fmt.channels)]
        music = [k for k, kind in enumerate(kinds) if kind is TrackKind.PROGRAMME]
        self._moments = Moments(music, slice(HISS, ABOVE), HISS_DB)
        self._stops = Moments(music, slice(HISS), STOPS_DB)
        self._tones = Tones(music, self._bank, limits.contact_loss_db)
        self._candidates: list[Candidate] = []
        self._dropped = 0
        self._frames = 0

    def feed(self, block: Block) -> None:
        self._frames = block.stop
        energies = self._bank.energies(block)
        taken, hops = 0, energies.shape[2]
        while taken < hops:
            count = min(hops - taken, self._held.shape[2] - self._filled)
            stop = self._filled + count
            self._held[:, :, self._filled : stop] = energies[:, :, taken : taken + count]
            self._swing[:, self._filled : stop] = self._bank.swing[:, taken : taken + count]
            self._filled = stop
            taken += count
            if self._filled == self._held.shape[2]:
                self._look(self._filled - REACH_HOPS)

    def finish(self) -> PartOutcome:
        self._look(self._filled)
        self._history.close()
        report = TapeReport(
            fmt=self._fmt,
            sheet=self._sheet,
            limits=self._limits,
            bank=self._bank,
            history=self._history,
            frames=self._frames,
            cut_offs=self._cut_offs,
            moments=self._moments,
            stops=self._stops,
            tones=self._tones,
        )
        tail = self._held[:, :, max(0, self._filled - EDGE_HOPS) : self._filled]
        head = self._head if self._head is not None else tail[:, :, :0]
        return report.outcome(self._candidates, head, tail, self._dropped)

    def _look(self, last: int) -> None:
        """Take the hops up to ``last`` into the history and look for what is less than hiss."""
        held = self._held[:, :, : self._filled]
        if self._head is None:
            self._head = held[:, :, :EDGE_HOPS].copy()
        whole = self._filled // PART_HOPS
        shape = (*held.shape[:2], whole, PART_HOPS)
        parts = held[:, :, : whole * PART_HOPS].reshape(shape).mean(axis=3)
        new = parts[:, :, self._first // PART_HOPS : last // PART_HOPS]
        self._history.append(new[:, :, : new.shape[2] // PARTS * PARTS])
        if self._fmt.rate_hz >= _LEAST_RATE_HZ and self._bank.bands > HISS:
            swing = self._swing[:, : self._filled]
            self._keep(self._screen.look(held, swing, parts, self._first, last))
            self._cut_offs.look(held, self._first, last, self._origin)
            self._moments.look(held, self._first, last, self._origin)
            self._stops.look(held, self._first, last, self._origin)
            self._tones.look(held, swing, parts, self._first, last, self._origin)
        keep = max(0, last - REACH_HOPS)
        self._held[:, :, : self._filled - keep] = held[:, :, keep:].copy()
        self._swing[:, : self._filled - keep] = self._swing[:, keep : self._filled].copy()
        self._origin += keep
        self._first = last - keep
        self._filled -= keep

    def _keep(self, found: list[Candidate]) -> None:
        room = max(0, _MOST_CANDIDATES - len(self._candidates))
        self._dropped += max(0, len(found) - room)
        for one in found[:room]:
            self._candidates.append(replace(one, start=one.start + self._origin))
