"""Line-up tones that dip: the tape leaves the head while a tone covers the hiss of its track.

A tone of 10 kHz leaks over all bands in which hiss is looked for. But it keeps its level, and so
shows by itself what a gap takes: 54.6 dB x distance / wavelength. Asked for is a pure tone that is
as steady before as behind, at the same level, on this track and on others, of the same frequency
(``_one_tone``), of which most go on: whoever switches a generator, or sets its level, does that to
all tracks or for good; and players who strike a note again neither keep a level so, nor play one
note without overtones on several tracks, of which one alone is struck again.

What this cannot see: a dip in a tone of one track alone; one at the beginning or the end of a tone;
one no deeper than the tone wobbles.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.dropouts._tape._bands import FilterBank, Floats
from checks.dropouts._tape._contact import PART_HOPS
from checks.dropouts._tape._findings import counted, made
from checks.dropouts._tape._floors import decibels
from checks.dropouts._tape._one_tone import line, same
from checks.dropouts._tape._stretches import spans
from checks.model import Finding, Remedy, Value, Verdict, rounded

Bools = NDArray[np.bool_]

_PURE_DB: Final = 28.0  # what else is heard lies so far down; strings and pipes do not (own trials)
_LEAKS: Final = 0.55  # of its frequency: a band so far from a tone hears little of it (own trials)
_LEAST_DB: Final = -50.0  # tones of a line-up are louder (common practice)
_STEADY: Final = 32  # parts, some 0.37 s: before and behind a dip
_STEADY_DB: Final = 2.0  # by which a tone may wobble in that time
_SAME_DB: Final = 1.0  # as loud behind a dip as before
_LONGEST: Final = 20  # parts, some 0.23 s: longer, and somebody may have switched it
_LEAST_HOPS: Final = 4  # 1.5 ms
_SMOOTH: Final = 4  # hops over which a level is taken
_WOBBLES: Final = 6.0  # standard deviations of the tone's own level
_RISES: Final = 2.0  # own trials: steady noise moves by less within 1.5 ms
_BESIDE_HOPS: Final = _STEADY * PART_HOPS // 2  # of the tone, before a dip and behind
_TO_MEAN_SQUARE: Final = 2.0  # over the hop: from a band's energy to the sine's in its middle
_MOST: Final = 4096


@dataclass(frozen=True, slots=True)
class ToneDip:
    """A dip of a tone on some tracks, in hops from the start of the capture."""

    tracks: tuple[int, ...]
    start: int
    hops: int
    fall_db: float


class Tones:
    """Collects the dips of tones on some tracks.

    Attributes:
        found: in the order of time.
    """

    def __init__(self, tracks: Sequence[int], bank: FilterBank, least_db: float) -> None:
        """``least_db``: of a dip."""
        self._tracks, self._least_db = list(tracks), least_db
        self._hop, self._hop_rate_hz = bank.hop, bank.rate_hz / bank.hop
        frequencies_hz = bank.frequencies_hz
        apart = np.abs(frequencies_hz[:, None] - frequencies_hz) > _LEAKS * frequencies_hz
        self._apart = [np.flatnonzero(row) for row in apart]
        self.found: list[ToneDip] = []

    def look(
        self, energies: Floats, swing: Floats, parts: Floats, first: int, last: int, origin: int
    ) -> None:
        """Look for dips whose middle lies in hops ``first`` to ``last`` of ``energies``.

        Args:
            energies: (bands, tracks, hops); ``parts``: its means over PART_HOPS hops each.
            swing: where the waves stand, (tracks, hops).
            origin: number of hop 0 within the capture.
        """
        level = decibels(parts)
        loudest = level.argmax(axis=0)
        for band in sorted(set(loudest[self._tracks].ravel().tolist())):
            sounds = loudest[self._tracks] == band
            sounds &= level[band, self._tracks] >= _LEAST_DB
            for other in self._apart[band]:
                sounds &= level[other, self._tracks] <= level[band, self._tracks] - _PURE_DB
            if 2 * np.count_nonzero(sounds.sum(axis=1) >= _STEADY) < len(self._tracks):
                continue
            runs = [
                _kept(level[band, k], pure) for k, pure in zip(self._tracks, sounds, strict=True)
            ]
            dips = [
                (k, dip)
                for k, own in zip(self._tracks, runs, strict=True)
                for run in own
                for dip in self._dips(energies[:, k], level[band, k], run, int(band))
            ]
            for dip in self._alone(dips, runs, energies[band], swing):
                here = first <= dip.start + dip.hops // 2 < last
                if here and len(self.found) < _MOST:
                    self.found.append(replace(dip, start=origin + dip.start))

    def _dips(
        self, energies: Floats, level: Floats, run: tuple[int, int], band: int
    ) -> list[tuple[int, int, float]]:
        """(First hop, behind the last, depth) where a track's tone dips within some parts.

        Where something else is heard in that moment, it is no lift: sounds may cancel each other.
        """
        begin, end = run
        hops = slice(begin * PART_HOPS, end * PART_HOPS)
        x = decibels(np.convolve(energies[band, hops], np.full(_SMOOTH, 1 / _SMOOTH), "same"))
        other = energies[self._apart[band], hops].sum(axis=0)
        usual = _usual(level[begin:end])
        middles = (np.arange(end - begin) + 0.5) * PART_HOPS
        under = np.interp(np.arange(len(x)), middles, usual) - x
        least = max(self._least_db, _WOBBLES * 1.4826 * float(median(np.abs(under))))
        side = _BESIDE_HOPS
        out = []
        for a, b in spans(under >= 0.5 * least):
            deep = float(under[a:b].max())
            rises = other[a:b].mean() > _RISES * median(other[max(0, a - side) : b + side])
            if deep >= least and b - a >= _LEAST_HOPS and not rises and side <= a <= len(x) - side:
                out.append((hops.start + a, hops.start + b, deep))
        return out

    def _alone(
        self,
        dips: Sequence[tuple[int, tuple[int, int, float]]],
        runs: Sequence[Sequence[tuple[int, int]]],
        energies: Floats,
        swing: Floats,
    ) -> Iterator[ToneDip]:
        """Those that most of the tracks with that very tone do not share, if most have it.

        Args:
            dips: track, place and depth; ``runs``: where each track holds its tone.
            energies: of the tone's band, (tracks, hops); ``swing``: as for ``look``.
        """
        left = sorted(dips, key=lambda d: d[1][0])
        while left:
            start, stop = left[0][1][:2]
            near = [d for d in left if d[1][0] < stop]
            left = left[len(near) :]
            stop = max(d[1][1] for d in near)
            lines = self._lines(energies, swing, start)
            tone = next((lines[k] for k, _ in near if lines[k] is not None), None)
            own = [d for d in near if same(lines[d[0]], tone)]
            tracks = tuple(sorted({k for k, _ in own}))
            sound = sum(
                any(a * PART_HOPS <= start and stop <= b * PART_HOPS for a, b in held)
                and same(lines[k], tone)
                for k, held in zip(self._tracks, runs, strict=True)
            )
            if tracks and sound >= max(2 * len(tracks), len(self._tracks) / 2):
                deepest = max(d[1][2] for d in own)
                yield ToneDip(tracks=tracks, start=start, hops=stop - start, fall_db=deepest)

    def _lines(self, energies: Floats, swing: Floats, stop: int) -> dict[int, int | None]:
        """What tone each track holds before a hop, if it is one: see ``line``."""
        before = slice(stop - _BESIDE_HOPS, stop)
        powers = energies[:, before].mean(axis=1) * _TO_MEAN_SQUARE / self._hop
        return {k: line(swing[k, before], powers[k], self._hop_rate_hz) for k in self._tracks}


def _kept(level: Floats, sounds: Bools) -> list[tuple[int, int]]:
    """Runs of parts in which a tone keeps its level, but for short dips: (first, behind the last).

    Args:
        level: dB a part, (parts,).
        sounds: where nothing but the tone is heard.
    """
    if len(level) < 2 * _STEADY:
        return []
    views = np.lib.stride_tricks.sliding_window_view
    still = np.ptp(views(level, _STEADY), axis=1) <= _STEADY_DB
    still &= views(sounds, _STEADY).all(axis=1)
    steady = np.zeros(len(level), np.bool_)
    for k in np.flatnonzero(still):
        steady[k : k + _STEADY] = True
    out: list[tuple[int, int]] = []
    for a, b in spans(steady):
        if out and a - out[-1][1] <= _LONGEST:
            before, behind = level[out[-1][1] - _STEADY : out[-1][1]], level[a : a + _STEADY]
            if abs(float(median(before)) - float(median(behind))) <= _SAME_DB:
                a = out.pop()[0]
        out.append((a, b))
    return out


def _usual(level: Floats) -> NDArray[np.float64]:
    """The level around each part, dB: the median of more parts than a dip takes."""
    reach = _STEADY
    padded = np.pad(level.astype(np.float64), reach, mode="reflect")
    views = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray(np.sort(views, axis=1)[:, reach])


def told(
    dips: Sequence[ToneDip], known: Sequence[Finding], hop: int, rate_hz: int, most: int
) -> list[Finding]:
    """The findings of tones that dip, but where the hiss has told so already.

    Args:
        known: lifts and dips of the same capture; ``hop``: frames.
        most: that are listed, the worst first.
    """
    new = [dip for dip in dips if not any(_tells(one, dip, hop) for one in known)]
    new.sort(key=lambda dip: -dip.fall_db * dip.hops)
    listed = new[:most]
    return [counted(_finding(dip, hop, rate_hz), len(new), len(listed)) for dip in listed]


def _tells(known: Finding, dip: ToneDip, hop: int) -> bool:
    first, last = known.start_frame or 0, (known.start_frame or 0) + (known.frames or 0)
    overlaps = first < (dip.start + dip.hops) * hop and dip.start * hop < last
    return overlaps and set(dip.tracks) <= set(known.tracks)


def _finding(dip: ToneDip, hop: int, rate_hz: int) -> Finding:
    length_ms = 1000.0 * dip.hops * hop / rate_hz
    shared = f" on {len(dip.tracks)} tracks" if len(dip.tracks) > 1 else ""
    text = (
        f"A steady tone dips by {dip.fall_db:.0f} dB for {length_ms:.0f} ms{shared}, and goes on "
        "as before, as it does on other tracks all along: the tape lifts from the head, or its "
        "coat is thin there. Listen, and mind the levels that were set by this tone."
    )
    values: dict[str, Value] = {
        "length_ms": rounded(length_ms, 1),
        "tone_fall_db": rounded(dip.fall_db, 1),
    }
    start = dip.start * hop
    stop = start + dip.hops * hop
    verdict, remedy = Verdict.LISTEN, Remedy.REPLAY
    return made("contact-loss", verdict, remedy, dip.tracks, start, stop, text, values)
