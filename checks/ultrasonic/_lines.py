"""Steady lines in a track's quietest moments: where, how strong, and what they usually are.

A line stands over both its sides in the spectra of the quietest moments (``_quiet``), in most of
the epochs: so it is there in rests too, and a held note is not. Its frequency is the centre of the
power above the sides, its level their sum, so that a line which flutter has spread reads right as
well: the power of a tone, summed over the bins around it, is the tone's, wherever between two
bins it lies (Heinzel et al. 2002).

What a line is said to be is what usually lies there; the program cannot know.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from checks._ranks import median
from checks._spectra import decibels
from checks.ultrasonic._collect import TrackSpectrum
from checks.ultrasonic._points import BandLayout

REACH_BINS: Final = 7  # half width of a line: 0.3 % of flutter at 100 kHz
SIDE_BINS: Final = 13  # beyond that, on either side, by whose median its surroundings are judged
STEADY: Final = 0.7  # of the epochs in which it must stand out ...
STANDS_OUT: Final = 0.4  # ... by this part of what it does on average ...
WANDERS: Final = 0.0006  # ... within a bin and this part of its frequency: flutter, not vibrato
LEAST_SEGMENTS: Final = 16  # in all epochs together, so that the mean is one
LEAST_OVERTONES: Final = 6
LARGEST_STEP_HZ: Final = 6_000.0  # fundamentals reach 4.2 kHz (the highest note of a piano)
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
    count = int(track.quiet_segments.sum())
    if count < LEAST_SEGMENTS or last <= first:
        return ()
    each = decibels(track.quiet)
    mean = each.mean(axis=0)
    around = sliding_window_view(mean, 2 * REACH_BINS + 1)[first - REACH_BINS : last - REACH_BINS]
    prominence = mean[first:last] - _sides(mean, first, last)
    # The mean of n levels of a noise's power wanders by 5.6 dB / sqrt(n) (chi-squared).
    needed = max(min_prominence_db, 6.0 * 5.6 / np.sqrt(count))
    peaks = np.flatnonzero((prominence >= needed) & (mean[first:last] == around.max(axis=1)))
    density = track.quiet.mean(axis=0)
    lines = [
        _measured(density, track.bin_hz, int(k) + first, float(prominence[k]))
        for k in peaks
        if _steady(each, int(k) + first)
    ]
    lines = sorted(_no_overtones(lines), key=lambda line: -line.dbfs)[:MOST_LINES]
    return tuple(sorted(lines, key=lambda line: line.hz))


def _no_overtones(lines: list[Line]) -> list[Line]:
    """The lines, by frequency, without those that stand at equal distances: a note's overtones.

    Needed where a note is held from end to end. Supplies and bias have their overtones too, but
    tens of kilohertz apart.
    """
    if len(lines) < LEAST_OVERTONES:
        return lines
    steps = np.diff([line.hz for line in lines])
    base = median(np.sort(steps)[: max(len(steps) // 3, 1)])
    times = steps / base
    even = (np.abs(times - np.rint(times)) <= 0.12) & (times < 8)
    if base > LARGEST_STEP_HZ or even.mean() < 0.8:
        return lines
    beside = np.append(even, False) | np.insert(even, 0, False)
    return [line for line, other in zip(lines, beside, strict=True) if not other]


def _sides(levels: NDArray[np.float64], first: int, last: int) -> NDArray[np.float64]:
    """The higher of the medians on both sides of each bin from ``first`` to before ``last``."""
    medians = median(sliding_window_view(levels, SIDE_BINS), axis=1)
    reach = REACH_BINS + 1
    low = medians[first - reach - SIDE_BINS + 1 : last - reach - SIDE_BINS + 1]
    high = medians[first + reach : last + reach]
    return np.asarray(np.maximum(low, high))


def _beside(values: NDArray[np.float64], peak: int) -> tuple[NDArray[Any], NDArray[Any]]:
    """(...,): medians of (..., bins) on both sides of a line."""
    reach = REACH_BINS + 1
    low = values[..., peak - reach - SIDE_BINS + 1 : peak - reach + 1]
    high = values[..., peak + reach : peak + reach + SIDE_BINS]
    return median(low, axis=-1), median(high, axis=-1)


def _steady(each: NDArray[np.float64], peak: int) -> bool:
    """Whether a line stands out in most of the epochs, and always at the same place."""
    near = each[:, peak - REACH_BINS : peak + REACH_BINS + 1]
    over = near.max(axis=1) - np.maximum(*_beside(each, peak))
    away = np.abs(near.argmax(axis=1) - REACH_BINS)
    there = (over >= STANDS_OUT * over.mean()) & (away <= 1 + WANDERS * peak)
    return bool(there.mean() >= STEADY)


def _measured(density: NDArray[np.float64], bin_hz: float, peak: int, prominence_db: float) -> Line:
    reach = min(3 + int(2 * WANDERS * peak), REACH_BINS)  # 3: the Hann window's main lobe
    bins = np.arange(peak - reach, peak + reach + 1)
    # A straight line between the two sides is the noise beneath.
    beneath = np.linspace(*_beside(density, peak), len(bins))
    power = np.maximum(density[bins] - beneath, 0.0)
    total = max(float(power.sum()), 1e-40)
    return Line(
        hz=float(np.dot(power, bins) / total * bin_hz),
        dbfs=float(10.0 * np.log10(2.0 * total * bin_hz)),
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
