"""Collects, track by track, the spectra that the check for what lies above 20 kHz judges by.

Segments of some 20 ms, Hann-windowed, not overlapping, of the chosen blocks only: their mean
power density, the density in the quietest moments, the level of each segment in narrow bands, and
some whole spectra for mirror images. Nothing grows with the capture's length.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._spectra import HANN, Welch, cosine_window, decibels, squared_bins
from checks.block import BLOCK_FRAMES, Block
from checks.model import CaptureFormat
from checks.ultrasonic._images import Image
from checks.ultrasonic._mirror import Mirror
from checks.ultrasonic._points import (
    FROM_HZ,
    MOST_POINTS,
    MOST_POINTS_ALL,
    BandLayout,
    PointStore,
    band_layout,
    choice_of_blocks,
)
from checks.ultrasonic._quiet import QuietSpectra

PROGRAMME_TO_HZ: Final = 18_000.0
WHISTLE_HZ: Final = (15_400.0, 15_950.0)  # left out: line whistle of 15,625 to 15,750 Hz
SEGMENTS_A_SECOND: Final = 40  # at least; half as many at the longest
SHORTEST, LONGEST = 256, BLOCK_FRAMES
PIECES: Final = 16  # a segment with one of its pieces constant is no analog signal's
TRACKS_AT_ONCE: Final = 8  # their spectra stay in the caches
_PAIR: Final = 2  # tracks transformed by one call: more leave the second cache, fewer cost calls


@dataclass(frozen=True, slots=True, eq=False)
class TrackSpectrum:
    """All that is kept of one track.

    Attributes:
        bin_hz: distance of the bins of ``density``.
        density: (bins,): mean power density, full scale squared a hertz.
        segments: how many it is a mean of.
        quiet: (epochs, bins): densities in the quietest moments, see ``_quiet``.
        quiet_segments: (epochs,): how many each of these is a mean of.
        layout: the narrow bands.
        levels: (points, bands): level of segments in the bands, dBFS a hertz.
        power: (points, bands): the same as power, full scale squared a hertz.
        programme: (points,): level of 5 to 18 kHz without the line whistle, dBFS.
        mirror: where it is mirrored; None: nowhere.
    """

    bin_hz: float
    density: NDArray[np.float64]
    segments: int
    quiet: NDArray[np.float64]
    quiet_segments: NDArray[np.int64]
    layout: BandLayout
    levels: NDArray[np.float64]
    power: NDArray[np.float64]
    programme: NDArray[np.float64]
    mirror: Image | None


class SpectraPass:
    """Feeds on blocks; ``tracks`` gives what was kept of each track."""

    def __init__(self, fmt: CaptureFormat) -> None:
        tracks = max(fmt.channels, 1)
        self._fmt = fmt
        self.length = segment_length(fmt.rate_hz)
        blocks = None if fmt.frames is None else -(-fmt.frames // BLOCK_FRAMES)
        self._choice = choice_of_blocks(blocks)
        self._blocks = self._seen = 0
        window = cosine_window(HANN, self.length)
        self._values = window.values * (1.0 if fmt.floating else 2.0**-31)
        self._scale = 2.0 / (fmt.rate_hz * window.s2)  # of |X|**2 to a density
        self.layout = band_layout(fmt.rate_hz, self.length)
        self._welch = Welch(window, fmt.rate_hz, (fmt.channels,))
        self._quiet = QuietSpectra(fmt.channels, self.length // 2 + 1)
        most = min(MOST_POINTS, MOST_POINTS_ALL // tracks)
        self._points = PointStore(fmt.channels, self.layout.count + 1, most=most)
        self._mirror = Mirror(fmt.rate_hz, self.length, fmt.channels)
        self.bin_hz = self._welch.bin_hz
        self._heard = [
            slice(*(int(np.ceil(hz / self.bin_hz)) for hz in ends))
            for ends in ((FROM_HZ, WHISTLE_HZ[0]), (WHISTLE_HZ[1], PROGRAMME_TO_HZ))
        ]

    def feed(self, block: Block) -> None:
        """Looks at the block if it is one of the chosen."""
        self._blocks += 1
        if not self._choice.takes(block.start // BLOCK_FRAMES):
            return
        self._seen += 1
        count = block.frames // self.length
        if not count:
            return
        self._quiet.next_block()
        kept = [store for store in (self._points, self._mirror.store) if store.wanted(count)]
        new = {id(store): np.full((count, *store.shape), np.nan, np.float32) for store in kept}
        for first in range(0, block.tracks, TRACKS_AT_ONCE):
            tracks = slice(first, min(first + TRACKS_AT_ONCE, block.tracks))
            self._look(block, tracks, count, new)
        for store in (self._points, self._mirror.store):
            if id(store) in new:
                for point in new[id(store)]:
                    store.add(point)
            else:
                store.skip(count)

    def _look(
        self, block: Block, tracks: slice, count: int, new: dict[int, NDArray[np.float32]]
    ) -> None:
        """Spectra of some tracks; what the stores want of them goes into ``new``."""
        rows, good = self._segments(block, tracks, count)
        shape = (*rows.shape[:2], self.length // 2 + 1)
        power = block.work.take("ultrasonic.power", shape, np.float64)
        windowed = block.work.take("ultrasonic.windowed", (_PAIR, *rows.shape[1:]), np.float64)
        bins = block.work.take("ultrasonic.bins", (_PAIR, *shape[1:]), np.complex128)
        for first in range(0, len(rows), _PAIR):
            some = rows[first : first + _PAIR]
            squared_bins(
                some,
                self._values,
                windowed=windowed[: len(some)],
                bins=bins[: len(some)],
                out=power[first : first + _PAIR],
            )
        power[~good] = 0.0
        heard = np.sum([power[..., part].sum(axis=-1) for part in self._heard], axis=0)
        self._welch.add_sums(power.sum(axis=1), good.sum(axis=1), tracks)
        self._quiet.offer(tracks, power, np.where(good, heard, np.inf), self._scale)
        if id(self._points) in new:
            into = new[id(self._points)][:, tracks].swapaxes(0, 1)
            into[..., :-1] = decibels(self.layout.means(power) * self._scale)
            into[..., -1] = decibels(heard * (self._scale * self.bin_hz))
            into[~good] = np.nan
        if id(self._mirror.store) in new:
            into = new[id(self._mirror.store)][:, tracks].swapaxes(0, 1)
            into[...] = decibels(power.take(self._mirror.bins, axis=-1) * self._scale)
            into[~good] = np.nan

    def _segments(
        self, block: Block, tracks: slice, count: int
    ) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        """(tracks, segments, frames) finite samples; (tracks, segments) which of them count."""
        frames = count * self.length
        source = block.scaled if self._fmt.floating else block.samples
        rows = source[tracks, :frames].reshape(-1, count, self.length)
        good = alive(rows)
        if not block.all_finite:
            finite = np.isfinite(block.samples[tracks, :frames])
            good &= finite.reshape(rows.shape).all(axis=-1)
        return rows, good

    @property
    def analysed(self) -> float | None:
        """Share of the blocks that were looked at; None of none."""
        return self._seen / self._blocks if self._blocks else None

    def tracks(self) -> Iterator[TrackSpectrum]:
        """What was kept of each track; points without a level are left out."""
        density = self._welch.density()
        for track, segments in enumerate(self._welch.counts.tolist()):
            points = self._points.points()[:, track].astype(np.float64)
            points = points[np.isfinite(points[:, -1])]
            quiet, quiet_segments = self._quiet.of(track)
            yield TrackSpectrum(
                bin_hz=self.bin_hz,
                density=density[track],
                segments=segments,
                quiet=quiet,
                quiet_segments=quiet_segments,
                layout=self.layout,
                levels=points[:, :-1],
                power=np.exp(points[:, :-1] * (np.log(10.0) / 10.0)) / 2.0,
                programme=points[:, -1],
                mirror=self._mirror.find(track),
            )


def segment_length(rate_hz: float) -> int:
    """Frames of a segment: the power of two that is 12 to 25 ms long, within a block."""
    length = SHORTEST
    while length < LONGEST and length * 2 * SEGMENTS_A_SECOND <= rate_hz:
        length *= 2
    return length


def alive(rows: NDArray[Any]) -> NDArray[np.bool_]:
    """(...,): whether no sixteenth of a segment is constant, as it is in digital silence.

    Args:
        rows: (..., length), the length a multiple of 16.
    """
    pieces = rows.reshape(*rows.shape[:-1], PIECES, -1)
    some = pieces[..., :: max(pieces.shape[-1] // 8, 1)]
    doubtful = (some == some[..., :1]).all(axis=-1)
    if doubtful.any():
        doubtful[doubtful] = (pieces[doubtful] == pieces[doubtful][..., :1]).all(axis=-1)
    return np.asarray(~doubtful.any(axis=-1))
