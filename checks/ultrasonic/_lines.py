"""Steady lines in a track's mean spectrum: where, how strong, and what they usually are.

A line stands over both its sides in the mean of the *logarithm* of the power nearly as far as in
the mean of the power: so it is there most of the time, and a note or a call is not. Its frequency
is the centre of the power above the sides, its level their sum, so that a line which flutter has
spread reads right as well. The power of a tone, summed over the bins around it, is the tone's
whatever its place between two bins (standards for the mean spectrum: ``checks._spectra``).

What a line is said to be is what usually lies there; the program cannot know.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from checks.ultrasonic._collect import TrackSpectrum
from checks.ultrasonic._points import BandLayout

REACH_BINS: Final = 7  # half width of a line: 0.3 % of flutter at 100 kHz
SIDE_BINS: Final = 13  # beyond that, on either side, by whose median its surroundings are judged
STEADY: Final = 0.6  # of the decibels in the mean that must be there in the mean of decibels
MOST_LINES: Final = 64  # a track; the strongest are kept

LINE_WHISTLES_HZ: Final = (  # scan rates: 625/50, 525/59.94 (4.5 MHz / 286), 525/60 without colour
    (15_625.0, "625-line"),
    (4.5e6 / 286, "525-line"),
    (15_750.0, "525-line monochrome"),
)
PILOT_HZ: Final = 19_000.0  # stereo broadcasting, ITU-R BS.450
CLOCKS_HZ: Final = (44_100.0, 48_000.0)  # AES5
EXACT: Final = 5e-4  # how near a named frequency lies: crystal, or a replayed tape's speed
BIAS_HZ: Final = (40e3, 260e3)  # common practice
SWITCHING_HZ: Final = (20e3, 150e3)  # common practice


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A steady line: ``dbfs`` is its level as a sine's."""

    hz: float
    dbfs: float
    prominence_db: float


def find_lines(
    track: TrackSpectrum, from_hz: float, *, min_prominence_db: float
) -> tuple[Line, ...]:
    """The steady lines of a track from ``from_hz`` up to near half the rate, by frequency."""
    margin = REACH_BINS + SIDE_BINS
    first = max(int(np.ceil(from_hz / track.bin_hz)), margin)
    last = len(track.density) - 1 - margin
    if track.segments < 1 or last <= first:
        return ()
    logs = track.log_density
    around = sliding_window_view(logs, 2 * REACH_BINS + 1)[first - REACH_BINS : last - REACH_BINS]
    sides = _sides(logs, first, last)
    prominence = logs[first:last] - sides
    # The mean of n logarithms of a noise's power wanders by 5.6 dB / sqrt(n) (chi-squared).
    needed = max(min_prominence_db, 6.0 * 5.6 / np.sqrt(track.segments))
    peaks = np.flatnonzero((prominence >= needed) & (logs[first:last] == around.max(axis=1)))
    lines = [
        _measured(track, int(k) + first, float(prominence[k]))
        for k in peaks
        if prominence[k] >= STEADY * _over_sides_db(track.density, int(k) + first)
    ]
    lines = sorted(lines, key=lambda line: -line.dbfs)[:MOST_LINES]
    return tuple(sorted(lines, key=lambda line: line.hz))


def _sides(levels: NDArray[np.float64], first: int, last: int) -> NDArray[np.float64]:
    """The higher of the medians on both sides of each bin from ``first`` to before ``last``."""
    medians = np.median(sliding_window_view(levels, SIDE_BINS), axis=1)
    reach = REACH_BINS + 1
    low = medians[first - reach - SIDE_BINS + 1 : last - reach - SIDE_BINS + 1]
    high = medians[first + reach : last + reach]
    return np.asarray(np.maximum(low, high))


def _beside(density: NDArray[np.float64], peak: int) -> tuple[float, float]:
    """Medians of the density on both sides of a line."""
    reach = REACH_BINS + 1
    low = density[peak - reach - SIDE_BINS + 1 : peak - reach + 1]
    high = density[peak + reach : peak + reach + SIDE_BINS]
    return float(np.median(low)), float(np.median(high))


def _over_sides_db(density: NDArray[np.float64], peak: int) -> float:
    least = max(*_beside(density, peak), 1e-40)
    return float(10.0 * np.log10(max(density[peak] / least, 1e-9)))


def _measured(track: TrackSpectrum, peak: int, prominence_db: float) -> Line:
    bins = np.arange(peak - REACH_BINS, peak + REACH_BINS + 1)
    # A straight line between the two sides is the noise beneath.
    beneath = np.linspace(*_beside(track.density, peak), len(bins))
    power = np.maximum(track.density[bins] - beneath, 0.0)
    total = max(float(power.sum()), 1e-40)
    return Line(
        hz=float(np.dot(power, bins) / total * track.bin_hz),
        dbfs=float(10.0 * np.log10(2.0 * total * track.bin_hz)),
        prominence_db=prominence_db,
    )


def free_of_lines(layout: BandLayout, lines: tuple[Line, ...], bin_hz: float) -> NDArray[np.bool_]:
    """(bands,): whether no line lies within a narrow band or so near that its skirt does."""
    free = np.ones(layout.count, np.bool_)
    for line in lines:
        # The Hann window's skirt falls by 60 dB a decade of bins from 31.5 dB at 2.5 bins; it is
        # followed to 6 dB under the noise.
        bins = max(REACH_BINS + 1.0, 2.5 * 10.0 ** ((line.prominence_db - 25.5) / 60.0))
        low, high = line.hz - bins * bin_hz, line.hz + bins * bin_hz
        free &= (layout.edges_hz[1:] < low) | (layout.edges_hz[:-1] > high)
    return free


def usual_name(hz: float, others: tuple[float, ...] = ()) -> str | None:
    """What a line at ``hz`` usually is; ``others``: lines of the same track.

    None where nothing is usual there.
    """
    for base, system in LINE_WHISTLES_HZ:
        times = _multiple(hz, base)
        if times:
            return f"{system} line whistle" + (f", {times} times" if times > 1 else "")
    times = _multiple(hz, PILOT_HZ)
    if times and times <= 3:
        return "stereo pilot tone" + (f", {times} times" if times > 1 else "")
    if any(_multiple(hz, clock) for clock in CLOCKS_HZ):
        return "clock of digital equipment"
    below = [other for other in others if SWITCHING_HZ[0] <= other < 0.75 * hz]
    base_hz = next((other for other in sorted(below) if _multiple(hz, other)), None)
    if base_hz is not None:
        return f"harmonic of the line at {base_hz / 1000:.2f} kHz"
    if BIAS_HZ[0] <= hz <= BIAS_HZ[1]:
        return "bias residue or switch-mode supply" if hz <= SWITCHING_HZ[1] else "bias residue"
    return "switch-mode supply" if hz >= SWITCHING_HZ[0] and hz < BIAS_HZ[0] else None


def _multiple(hz: float, base: float) -> int:
    """Which multiple of ``base`` lies at ``hz``; 0: none."""
    times = round(hz / base)
    return times if times and abs(hz - times * base) <= EXACT * hz else 0
