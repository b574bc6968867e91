"""What a steady stretch of tone is: frequency, and track by track level, phase, flutter and what
stands beside it.

Level and phase are those of the whole stretch (least squares of a sine under a flat window, but
for its ends), frequency is the slope of a straight line through the phase of all tracks together;
so for a steady sine in white noise the errors come near the Cramer-Rao bound (Rife and Boorstyn
1974, "Single-tone parameter estimation from discrete-time observations").
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from checks._ranks import percentile
from checks.lineup._demod import droop, smoothed
from checks.lineup._flutter import LEAST_S, deviation_percent, two_sigma, weighted
from checks.lineup._reference import shifts
from checks.lineup._run import Run
from checks.lineup._stretches import Stretch

GUARD_S: Final = 0.03  # left out at both ends: switches and splices are not instants
FLUTTER_FROM_HZ: Final = 950.0  # 1 kHz, at any speed
STEADY_S: Final = 0.1  # levels over which steadiness is told
HEARD: Final = 4.0  # amplitude over its own scatter for a track to count as having the tone


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackTone:
    """The tone on one track. Amplitudes: full scale 1.0.

    Attributes:
        amplitude: 0 where the tone is not there.
        phase_rad: against the reference track, -pi to pi; NaN where either has no tone.
        phase_sigma_rad: its standard error; the spread over the tone is ``weave_rad``.
        weave_rad: standard deviation of the phase against the reference track, over 0.1 s.
        swing_db: between the 5th and the 95th percentile of the level over 0.1 s.
        flutter_percent: weighted, two sigma; None below 1 kHz or too short.
        unweighted_percent: two sigma.
        distortion_percent: second and third harmonic; None where not measured.
        beside_db: all that is not the tone, against it; None where not measured.
        noise_power: mean square without tone and harmonics; None where not measured.
        holds: the tone stands over all else in this track.
    """

    amplitude: float
    phase_rad: float
    phase_sigma_rad: float
    weave_rad: float
    swing_db: float
    flutter_percent: float | None
    unweighted_percent: float | None
    distortion_percent: float | None
    beside_db: float | None
    noise_power: float | None
    holds: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A steady stretch of a sine. Frames count from the capture's first.

    Attributes:
        opens, closes: it begins and ends by itself, or with the capture; False: the line was
            there before, or goes on under something else.
        drift_percent: from the 5th to the 95th percentile of the frequency over 0.1 s.
        flutter_percent: weighted, two sigma, of all tracks together.
        period_s, shift_percent: of a reference tone's jumps; None of a plain tone.
    """

    start: int
    stop: int
    opens: bool
    closes: bool
    hz: float
    drift_percent: float
    flutter_percent: float | None
    period_s: float | None
    shift_percent: float | None
    tracks: tuple[TrackTone, ...]

    def seconds(self, rate_hz: int) -> float:
        return (self.stop - self.start) / rate_hz


def measure(
    run: Run, stretch: Stretch, reference: int, carrying: NDArray[np.bool_], *, alone_db: float
) -> Tone | None:
    """The tone of a stretch; None where it is too short to be measured.

    Args:
        reference: track to which phases refer; where it has no tone, the first that has.
        carrying: (tracks,) those in which the tone held most of the power.
        alone_db: by how much all else must lie under a tone for the track to hold it.
    """
    step_s = run.step / run.rate_hz
    guard = max(int(np.ceil(GUARD_S / step_s)), run.image // 2 + 1)
    values = run.values()[:, stretch.start + guard : stretch.stop - guard]
    known = np.isfinite(values).all(axis=0)
    values = values[:, known].astype(np.complex128)  # what was seen of all tracks
    if values.shape[1] < 16:
        return None
    times = np.flatnonzero(known).astype(np.float64) * step_s
    calm = smoothed(values, run.image)
    if run.image > 1:  # the ends were smoothed over less
        half = min(run.image // 2, (calm.shape[1] - 16) // 2)
        inner = slice(half, calm.shape[1] - half)
        calm, values, times = calm[:, inner], values[:, inner], times[inner]
    jumps, period_s, shift = shifts(calm, carrying, step_s, run.phasor_hz)
    still = ~jumps
    strength = np.abs(np.where(still, calm, 0).sum(axis=1))
    lead = reference if carrying[reference] else int(np.argmax(np.where(carrying, strength, 0)))
    offset, common = _frequency(calm, carrying, lead, times, still, step_s)
    hz = run.phasor_hz + offset
    start = run.first + stretch.start * run.step
    stop = run.first + stretch.stop * run.step
    opens, closes = stretch.start > 0, stretch.stop < run.count
    if not opens:
        start = run.begin
        opens = start == 0
    if not closes:
        stop = run.stop
        closes = run.to_the_end
    looks = run.looks(start, stop)
    drift = _drift_percent(common, step_s, hz)
    long_enough = len(times) * step_s >= LEAST_S and hz >= FLUTTER_FROM_HZ and not jumps.any()
    speed = _momentary(common, step_s)
    gain = droop(speed + (run.phasor_hz - run.hz), run.hop_s)
    tracks = tuple(
        _track(
            calm[k],
            calm[lead],
            still=still,
            gain=gain,
            step_s=step_s,
            hop_s=run.hop_s,
            hz=hz,
            flutter=long_enough and bool(carrying[k]),
            looks=looks[:, k],
            alone_db=alone_db,
        )
        for k in range(len(calm))
    )
    together = None
    if long_enough:
        together = two_sigma(weighted(deviation_percent(common, step_s, hz), step_s, run.hop_s))
    return Tone(
        start=max(start, 0),
        stop=stop,
        opens=opens,
        closes=closes,
        hz=hz,
        drift_percent=0.0 if jumps.any() else drift,
        flutter_percent=together,
        period_s=period_s,
        shift_percent=shift,
        tracks=tracks,
    )


def _frequency(
    calm: NDArray[np.complex128],
    carrying: NDArray[np.bool_],
    lead: int,
    times: NDArray[np.float64],
    still: NDArray[np.bool_],
    step_s: float,
) -> tuple[float, NDArray[np.complex128]]:
    """Offset from the phasor in hertz, and the mean course of all tracks that carry the tone."""
    rows = calm[carrying] if carrying.any() else calm
    against = (rows[:, still] * calm[lead, still].conj()).sum(axis=1)
    weights = np.abs(rows[:, still]).mean(axis=1)
    turned = np.conj(against) / np.maximum(np.abs(against), 1e-30) * weights
    common = (rows * turned[:, None]).sum(axis=0)
    if still.all():
        slope = _slope(times, np.unwrap(np.angle(common)))
        return slope / (2 * np.pi), np.asarray(common)
    both = still[1:] & still[:-1]  # over a jump, turns are lost: from value to value only
    turned = complex((common[1:] * common[:-1].conj())[both].sum())
    return float(np.angle(turned)) / (2 * np.pi * step_s), np.asarray(common)


def _slope(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    away = x - x.mean()
    return float(np.dot(away, y - y.mean()) / max(float(np.dot(away, away)), 1e-30))


def _momentary(common: NDArray[np.complex128], step_s: float) -> NDArray[np.float64]:
    """(values,): momentary offset from the phasor in hertz, over three values."""
    turns = common[1:] * common[:-1].conj()
    turns = np.convolve(turns, np.ones(2), "full")  # around each value
    return np.asarray(np.angle(turns) / (2 * np.pi * step_s))


def _drift_percent(common: NDArray[np.complex128], step_s: float, hz: float) -> float:
    turns = _parts(common[1:] * common[:-1].conj(), max(int(STEADY_S / step_s), 1))
    moves = np.angle(turns) / (2 * np.pi * step_s)
    low, high = percentile(moves, (5, 95))  # a click is no drift
    return float(high - low) * 100.0 / hz


def _track(
    own: NDArray[np.complex128],
    lead: NDArray[np.complex128],
    *,
    still: NDArray[np.bool_],
    gain: NDArray[np.float64],
    step_s: float,
    hop_s: float,
    hz: float,
    flutter: bool,
    looks: NDArray[np.float32],
    alone_db: float,
) -> TrackTone:
    size = np.abs(own[still]) / gain[still]
    scatter = float(np.mean(np.diff(size) ** 2)) / 2  # of the noise in line with the tone
    power = float(np.mean(size**2)) - 2 * scatter
    amplitude = float(np.sqrt(max(power, 0.0)))
    there = amplitude > HEARD * np.sqrt(scatter) and amplitude > 0
    turned = own[still] * lead[still].conj()
    total = turned.sum()
    phase = float(np.angle(total)) if there and abs(total) > 0 else float("nan")
    width = max(int(STEADY_S / step_s), 1)
    levels = _parts(size, width)
    swing = 20 * np.log10(max(percentile(levels, 95), 1e-30) / max(
        percentile(levels, 5), 1e-30)) if there else 0.0  # fmt: skip
    away = np.angle(_parts(turned, width) * np.exp(-1j * phase)) if there else np.zeros(1)
    rough = np.sqrt(float(np.mean(np.abs(np.diff(turned)) ** 2)) / 4)
    sigma = rough / max(abs(total) / len(turned), 1e-30) / np.sqrt(len(turned))
    sigma = max(sigma, float(np.std(away)) / np.sqrt(len(away)))  # tape weaves, noise or not
    plain = fine = None
    if flutter and there:
        deviation = deviation_percent(own, step_s, hz)
        plain = two_sigma(deviation)
        fine = two_sigma(weighted(deviation, step_s, hop_s))
    beside = distortion = noise = None
    holds = False
    if len(looks) and there:
        # a click, or a jump of a reference tone, in one look is not what stands beside the tone
        mean = percentile(looks.astype(np.float64), 50 if still.all() else 25, axis=0)
        tone, second, third, rest = mean
        harmonics = np.nansum((second, third))
        tone = power / 2  # the window's own measure of it is only used where they are compared
        if np.isfinite(second):
            distortion = 100 * float(np.sqrt(harmonics / max(tone, 1e-30)))
        noise = float(rest)
        beside = 10 * float(np.log10(max((rest + harmonics) / max(tone, 1e-30), 1e-30)))
        holds = beside <= -alone_db
    return TrackTone(
        amplitude=amplitude if there else 0.0,
        phase_rad=phase,
        phase_sigma_rad=float(sigma),
        weave_rad=float(np.std(away)),
        swing_db=float(swing),
        flutter_percent=fine,
        unweighted_percent=plain,
        distortion_percent=distortion,
        beside_db=beside,
        noise_power=noise,
        holds=bool(holds),
    )


def _parts(x: NDArray[Any], width: int) -> NDArray[Any]:
    """Means of ``width`` neighbours, the last few left out."""
    width = min(width, len(x))
    whole = len(x) // width * width
    return np.asarray(x[:whole].reshape(-1, width).mean(axis=1))
