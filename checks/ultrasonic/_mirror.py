"""Whether what stands above a frequency is a mirror image of what stands below it.

A file brought to a higher rate by holding or joining samples, or through a filter that ends too
high, carries images of its content: mirrored at half of the lower rate and at multiples of it
(Oppenheim and Schafer, "Discrete-Time Signal Processing", changing the rate by an integer).
Noise that was recorded there shares no detail with its mirror image. So the fine structure of
both sides is compared bin against mirrored bin, segment by segment. Overtones may lie alike on
both sides of a frequency by chance, but then they do so at shifted mirrors too: these are the
control, and the quieter half of the segments is taken for the same reason. What steps at a clock
of its own (timecode, pulses, keyed tones) is mirrored at every multiple of half that clock, by the
same arithmetic: where one of these is half of a lower rate, there is a next one down, which no
lower rate explains. Those are controls as well.

It does not prove that nothing real lies beneath an image, and it sees none where a clock of the
signal's own has its mirror at the same place. What is modulated onto a carrier of exactly half a
lower rate, without the carrier itself, looks like an image.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import median
from checks.ultrasonic._images import Image, Images
from checks.ultrasonic._points import PointStore

PREFERRED_RATES_HZ: Final = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)  # AES5, multiples
LOW_RATES_HZ: Final = (22_050, 24_000, 32_000)  # half of the usual ones, and AES5 for some uses
LOWER_RATE: Final = 0.9  # of the file's rate: a mirror nearer to its end has no room above it
NEAR_HZ: Final = 400.0  # first distance from the mirror that is compared: outside a line's skirt
FAR_HZ: Final = 5_000.0  # last
HALFWAY_HZ: Final = 2_000.0  # or this, where an image soon drowns in dither
SMOOTH_BINS: Final = 9  # what is broader is slope or resonance, not detail
ENOUGH: Final = 16  # segments, below which chance may be taken for likeness
SHIFTS: Final = tuple(s for s in range(-28, 29) if abs(s) > 2)  # overtones up to 1.2 kHz apart
BESIDE: Final = range(-2, 3)  # bins by which the tape's speed may move a mirror
# A tone, and what a tape adds around it, is a mirror image of itself about its own frequency. At
# half of a lower rate there is no tone: it stands over what is beside it by no more than this.
TONE_DB: Final = 10.0
MIN_LIKENESS: Final = 0.3  # images reach 0.9, noise 0.02 (measured over the kinds of the tests)
OVER_CONTROL: Final = 2.0  # times the likeness at the best shifted mirror, which is 0.3 for noise
MOST_SEGMENTS: Final = 96  # kept a track; fewer where there are more than 20 tracks
MOST_SEGMENTS_ALL: Final = 2_048  # of all tracks together


class Mirror:
    """Keeps the spectra around each mirror frequency of a bounded number of segments."""

    def __init__(self, rate_hz: float, length: int, tracks: int) -> None:
        self._bin_hz = rate_hz / length
        self._halves = [
            rate / 2
            for rate in LOW_RATES_HZ + PREFERRED_RATES_HZ
            if rate <= LOWER_RATE * rate_hz and rate / 2 + FAR_HZ < 0.5 * rate_hz
        ]
        self._bins = np.arange(0)
        self._near = 0
        if self._halves:
            reach = SMOOTH_BINS + max(SHIFTS) + 1
            low = int((self._halves[0] / 2 - FAR_HZ) / self._bin_hz) - reach  # half: lowest control
            high = int((self._halves[-1] + FAR_HZ) / self._bin_hz) + reach
            self._bins = np.arange(max(low, 0), length // 2 + 1)  # images reach far up
            self._near = min(high, length // 2 + 1) - max(low, 0)  # so many of them near a mirror
        most = min(MOST_SEGMENTS, MOST_SEGMENTS_ALL // max(tracks, 1))
        self._kept = PointStore(tracks, len(self._bins), most=most, dtype=np.float16)

    @property
    def bins(self) -> NDArray[np.intp]:
        """Which bins of a spectrum a point holds."""
        return self._bins

    @property
    def store(self) -> PointStore:
        """Takes points of (tracks, bins): levels in decibels, NaN where there is none."""
        return self._kept

    def find(self, track: int) -> Image | None:
        """The lowest frequency at which a track is mirrored, if it is."""
        points = self._kept.points()[:, track].astype(np.float32)
        points = points[np.isfinite(points).all(axis=1)]
        if not self._halves or len(points) < ENOUGH:
            return None
        near = points[:, : self._near]
        loudness = near.mean(axis=1)
        quiet = np.argsort(loudness, kind="stable")[: max(len(points) // 2, ENOUGH)]
        detail = _detail(near[quiet])
        spectrum = near.mean(axis=0)
        for half in self._halves:
            if self._tone_at(spectrum, half):
                continue
            for far_hz in (FAR_HZ, HALFWAY_HZ):
                likeness = self._likeness(detail, half, 0, far_hz)
                if likeness < MIN_LIKENESS:
                    continue
                control = max(
                    abs(self._likeness(detail, *mirror, far_hz)) for mirror in self._controls(half)
                )
                if likeness >= OVER_CONTROL * control:
                    return Image(half, likeness, doubtful=False)
        images = Images(points, _detail(points), first_bin=self._bins[0], bin_hz=self._bin_hz)
        found = (images.at(half, self._controls(half)) for half in self._halves)
        return min((x for x in found if x), key=lambda x: (x.doubtful, x.hz), default=None)

    def _tone_at(self, levels: NDArray[np.float32], hz: float) -> bool:
        """Whether a tone stands at a frequency in a spectrum, (bins,) in decibels."""
        apart = np.abs(self._bins[: len(levels)] * self._bin_hz - hz)
        beside = (apart > NEAR_HZ) & (apart < HALFWAY_HZ)
        top = levels[apart < 2 * self._bin_hz].max()
        return bool(top > median(levels[beside]) + TONE_DB)

    def _controls(self, half: float) -> list[tuple[float, int]]:
        """Mirrors, and shifts of them in bins, that no lower rate of twice ``half`` has.

        Those around it, and the next two down of each clock that has one at ``half`` and the next
        farther away than that: two, as the signal may have a gap at one.
        """
        farthest = max(SHIFTS) / 2 * self._bin_hz
        clocks = range(2, int(half / farthest) + 2)
        ratios = {1.0 - down / n for n in clocks for down in (1, 2) if 2 * down <= n}
        own = [(half * ratio, shift) for ratio in sorted(ratios) for shift in BESIDE]
        return [(half, shift) for shift in SHIFTS] + own

    def _likeness(
        self, detail: NDArray[np.float32], half: float, shift: int, far_hz: float
    ) -> float:
        """Median over bins of the correlation over time of both sides of ``half``."""
        up = np.arange(
            int((half + NEAR_HZ) / self._bin_hz) + 1, int((half + far_hz) / self._bin_hz)
        )
        down = np.rint(2 * half / self._bin_hz - up).astype(np.intp) + shift
        a, b = (detail[:, np.searchsorted(self._bins, bins)] for bins in (up, down))
        spread = np.sqrt(np.square(a).mean(axis=0) * np.square(b).mean(axis=0))
        return float(median((a * b).mean(axis=0) / np.maximum(spread, 1e-9)))


def _detail(rows: NDArray[np.float32]) -> NDArray[np.float32]:
    """Each bin less the mean of the bins around it, and less its own mean over time."""
    half = SMOOTH_BINS // 2
    padded = np.pad(rows, ((0, 0), (half, half)), mode="edge")
    around = sum(padded[:, k : k + rows.shape[1]] for k in range(SMOOTH_BINS))
    detail: NDArray[np.float32] = rows - around / np.float32(SMOOTH_BINS)
    detail -= detail.mean(axis=0)
    return detail
