"""How a signal meets a stretch of equal samples: broken off, ramped, faded or long gone.

A converter's mute takes the signal away within some milliseconds; a fade made on purpose takes
longer: its level grows with the distance from the silence, octave after octave, by 16 from 4 to
64 ms where it is linear, and the bound of 4 lies where a ramp of 16 ms does. Slower mutes are told
from fades by what comes after: once a mute is over, the level no longer grows. A real input also
carries noise, which a generated signal does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from checks.dropouts import _predict
from checks.model import CaptureFormat, Samples

FIRST_MS: Final = 0.25
LAST_MS: Final = 128.0
"""Octaves of distance from the silence in which peaks are taken. From own trials."""

RAMPS_FROM_MS: Final = 0.4
"""A growth that reaches less far is the signal's own. From own trials."""

GROWTH: Final = 1.4
"""An octave that grows by less does not belong to a ramp. A linear ramp grows by 2, noise by
about 1.1 (its largest of twice as many values)."""

FAINT_STEPS: Final = 2.0
"""Peaks up to this many steps of the word are what rounding and dither leave of a fade."""

NOISY_STEPS: Final = 1.2
"""Least unpredictable noise, in steps, of a signal that came through a converter. Rounding
alone leaves 0.29, triangular dither 0.5 (Lipshitz, Wannamaker, Vanderkooy 1992)."""

_RAMPED: Final = 3.0
"""Least growth of the hiss out of a ramp; a wave that rises from zero leaves the hiss as it is,
but for the few samples that the nearest octave holds."""

_TURNED_DOWN: Final = 2.5
"""The same for its level beside the run and from 1 to 16 ms away: a ramp of half a millisecond
grows by 3.5, a longer one or a fade by more. From own reckoning."""

_HISS_MS: Final = (1.0, 16.0)

_ROUNDED_STEPS: Final = 8.0
"""Level of the highest differences up to which it is rounding or dither that is heard (2.4 and 4.2
steps: 0.29 and 0.5 times the root of 70). From own reckoning."""

_KNEE_MS: Final = (24.0, 32.0)
_BEHIND_MS: Final = (64.0, 128.0)
"""Distances at which the hiss is compared: a ramp of 32 ms and less is over at the first, a fade
of 50 ms and more has reached but 0.6 of its level there (linear, or half a cosine)."""

_SETTLED_FRAMES: Final = 8  # fewer, or fewer equal ones, may be chance. Own choice
_SETTLED_EQUAL: Final = 4
_MUTED_MS: Final = 32.0  # behind which a converter's mute is over (common practice: 1024 samples)
_ORDER: Final = 16
_NOISE_FRAMES: Final = 2048


class Meeting(StrEnum):
    """How the signal meets the silence."""

    ABRUPT = "abrupt"
    RAMP = "ramp"
    FADE = "fade"
    NOTHING = "nothing"  # no signal there, or one without noise


@dataclass(frozen=True, slots=True)
class Edge:
    """One side of a run.

    Attributes:
        meeting: how it meets the run.
        near: peak magnitude next to the run (within 2 ms), full scale 1.0.
        near_steps: the same in steps of the word.
        away: peak magnitude as far away as is looked, behind a ramp or fade; else as ``near``.
        later: of a fade, how far the level of a live signal grows from 32 to 128 ms; 0 where it
            is not known.
        knee: level of the hiss from 24 to 32 ms away against that from 64 to 128 ms; 0 likewise.
        grown: level of the hiss from 64 to 128 ms away against that within 2 ms; 0 likewise.
        over_noise: of a fade, peak over the noise that the past does not foretell, far away.
    """

    meeting: Meeting
    near: float
    near_steps: float
    away: float
    later: float = 0.0
    knee: float = 0.0
    grown: float = 0.0
    over_noise: float = 0.0

    @property
    def grown_by_knee(self) -> float:
        """Share of ``grown``, in dB, that is reached at the knee; 0 where either is not known."""
        if self.knee <= 0 or self.grown <= 1:
            return 0.0
        return 1 + float(np.log(self.knee) / np.log(self.grown))

    @property
    def solid(self) -> bool:
        """Whether a signal was taken away here, and did not end by itself."""
        return self.meeting in (Meeting.ABRUPT, Meeting.RAMP)


def wanted_frames(rate_hz: int) -> int:
    """Frames beside a run that ``described`` would like to see."""
    return max(int(rate_hz * LAST_MS / 1000), 512)


def described(outward: Samples, fmt: CaptureFormat, *, value: float = 0.0) -> Edge:
    """Look at the samples beside a run, the nearest first, native units, one track.

    Fewer than ``wanted_frames`` are taken as they are; none at all is ``NOTHING``. ``value`` is
    what the run stands at: a signal that settles there has not been taken away.
    """
    rate = fmt.rate_hz
    steps, step = in_steps(outward, fmt)
    if value:
        steps = steps - value / fmt.full_scale / step
    size = np.abs(steps)
    ends = _octaves(len(size), rate)
    if not len(ends):
        return Edge(Meeting.NOTHING, 0.0, 0.0, 0.0)
    peaks = np.maximum.reduceat(size[: ends[-1]], np.concatenate(([0], ends[:-1])))
    close = min(int(np.searchsorted(ends, rate * 0.002)), len(ends) - 1)
    near = float(peaks[: close + 1].max())
    meeting = _meeting(peaks, ends, rate)
    if meeting in (Meeting.ABRUPT, Meeting.RAMP) and not _alive(steps):
        meeting = Meeting.NOTHING
    if meeting in (Meeting.RAMP, Meeting.FADE) and not _turned_down(steps, ends, rate, meeting):
        meeting = Meeting.ABRUPT
    later, over_noise = 0.0, 0.0
    if meeting is Meeting.FADE:
        over_noise = _over_noise(steps[-_NOISE_FRAMES:])
    if meeting is Meeting.FADE and _alive(steps[int(_MUTED_MS / 1000 * rate) :]):
        hiss = _hiss(steps, ends)
        wide = 0.99 * _MUTED_MS, 0.99 * LAST_MS  # the ends of octaves are rounded down
        later = min(_grown(x, ends, rate, *wide) for x in (peaks, hiss))
    away = float(peaks[-1]) if meeting in (Meeting.RAMP, Meeting.FADE) else near
    knee, grown = _hiss_behind(steps, ends[close], rate)
    return Edge(meeting, near * step, near, away * step, later, knee, grown, over_noise)


def settled(outward: Samples, fmt: CaptureFormat, *, value: float) -> float:
    """How surely a signal stays where it is once it has come to ``value``.

    The share of equal neighbours among samples within a step of it, or of those that stood still
    before: noise of less than half a step holds them wherever sound rests for a moment, however
    loud it is elsewhere. 0 where the sample next to the run is farther away, as none is that
    settles, or where too few are near to tell.
    """
    steps, step = in_steps(outward, fmt)
    away = np.abs(steps - value / fmt.full_scale / step)
    if not len(away) or away[0] > FAINT_STEPS:
        return 0.0
    equal = steps[1:] == steps[:-1]
    near = away[:-1] <= 1
    stood = near[2:] & equal[1:-1] & equal[:-2]
    shares = [
        float(then.mean())
        for then in (equal[near], equal[2:][stood])
        if len(then) >= _SETTLED_FRAMES and np.count_nonzero(then) >= _SETTLED_EQUAL
    ]
    return max(shares, default=0.0)


def _hiss_behind(steps: NDArray[np.float64], near: int, rate_hz: int) -> tuple[float, float]:
    """The level of the hiss at the knee of a mute, and far away over near; 0 where unknown.

    Where hiss is lost in the rounding, the level of the sound has to do.
    """
    fine = np.diff(steps, 4)
    if _predict.spread(fine[int(_BEHIND_MS[0] / 1000 * rate_hz) :]) < _ROUNDED_STEPS:
        fine = steps
    knee, behind = (
        fine[int(a / 1000 * rate_hz) : int(b / 1000 * rate_hz)] for a, b in (_KNEE_MS, _BEHIND_MS)
    )
    if min(len(knee), len(behind)) < _ORDER or near < _ORDER:
        return 0.0, 0.0
    far = _predict.spread(behind)
    return _predict.spread(knee) / max(far, 1e-9), far / max(_predict.spread(fine[:near]), 1e-9)


def _turned_down(
    steps: NDArray[np.float64], ends: NDArray[np.int64], rate_hz: int, meeting: Meeting
) -> bool:
    """Whether the hiss goes with the sound, as where both are ramped or faded; a wave that heads
    for zero, or a note that dies away, leaves it as it is."""
    fine = np.diff(steps, 4)
    first, last = (int(ms / 1000 * rate_hz) for ms in _HISS_MS)
    near, far = fine[: ends[0]], fine[first:last]
    level = float(np.sqrt(np.mean(near * near))) if len(near) and len(far) else 0.0
    if level >= _ROUNDED_STEPS:
        return _predict.spread(far) >= _TURNED_DOWN * level
    hiss = _hiss(steps, ends)
    return meeting is Meeting.FADE or bool(hiss.max() >= _RAMPED * hiss[0])


def _hiss(steps: NDArray[np.float64], ends: NDArray[np.int64]) -> NDArray[np.float64]:
    """Peaks of the highest differences, octave by octave of distance: what is played swells or
    dies away without them."""
    fine = np.append(np.abs(np.diff(steps, 4)), np.zeros(4))[: ends[-1]]
    return np.maximum.reduceat(fine, np.concatenate(([0], ends[:-1])))


def _meeting(peaks: NDArray[np.float64], ends: NDArray[np.int64], rate_hz: int) -> Meeting:
    faint = np.flatnonzero(peaks > FAINT_STEPS)
    if not len(faint) or (faint[0] > 0 and ends[faint[0] - 1] >= rate_hz * 0.001):
        return Meeting.NOTHING
    grows = peaks[1:] >= GROWTH * peaks[:-1]
    if len(peaks) > 2:
        grows[:-1] |= peaks[2:] >= GROWTH * GROWTH * peaks[:-2]
    still = np.flatnonzero(~grows)
    reach = int(ends[still[0]]) if len(still) else int(ends[-1])
    if _grown(peaks, ends, rate_hz, 0.5, 4.0) >= 3 and _grown(peaks, ends, rate_hz, 4.0, 64.0) >= 4:
        return Meeting.FADE
    return Meeting.RAMP if reach > rate_hz * RAMPS_FROM_MS / 1000 else Meeting.ABRUPT


def _grown(
    peaks: NDArray[np.float64], ends: NDArray[np.int64], rate_hz: int, near_ms: float, far_ms: float
) -> float:
    """How far the peaks grow from one distance to another; 0 where there are too few samples."""
    near, far = np.searchsorted(ends, [near_ms / 1000 * rate_hz, far_ms / 1000 * rate_hz])
    if far >= len(peaks):
        return 0.0
    return float(peaks[far] / max(peaks[near], 0.5))


def _alive(steps: NDArray[np.float64]) -> bool:
    """Whether the signal is there most of the time, and with the noise of a real input."""
    near = steps[:_NOISE_FRAMES]
    if len(near) < 4 * _ORDER or 2 * int(np.count_nonzero(near)) < len(near):
        return False
    residual = _predict.forward(near, _predict.fitted(near, _ORDER))[_ORDER:]
    return _predict.spread(residual) >= NOISY_STEPS


def _over_noise(steps: NDArray[np.float64]) -> float:
    """Peak of some samples over the noise that their past does not foretell; 0 for too few."""
    if len(steps) < 4 * _ORDER:
        return 0.0
    residual = _predict.forward(steps, _predict.fitted(steps, _ORDER))[_ORDER:]
    return float(np.abs(steps).max()) / max(_predict.spread(residual), 1e-9)


def _octaves(frames: int, rate_hz: int) -> NDArray[np.int64]:
    """Ends of the octaves of distance, in frames, as far as there are samples."""
    first = max(FIRST_MS / 1000 * rate_hz, 8.0)
    last = max(LAST_MS / 1000 * rate_hz, 512.0)
    count = int(np.log2(last / first)) + 1
    ends = np.unique((first * 2.0 ** np.arange(count)).astype(np.int64))
    return ends[ends <= frames]


def in_steps(x: Samples, fmt: CaptureFormat) -> tuple[NDArray[np.float64], float]:
    """Samples in steps of the word that they really use, and the step (full scale 1.0).

    What is not finite counts as 0.
    """
    wide = np.asarray(x, np.float64)
    if not fmt.floating:
        used = int(np.bitwise_or.reduce(x, axis=None, initial=0)) & 0xFFFFFFFF
        step = float(used & -used) if used else fmt.lsb
        return wide / step, step / fmt.full_scale
    wide = np.where(np.isfinite(wide), wide, 0.0)
    for bits in (16, 20, 24):
        scaled = wide * 2.0 ** (bits - 1)
        if bits == 24 or bool((scaled == np.rint(scaled)).all()):
            break
    return scaled, 2.0 ** (1 - bits)
